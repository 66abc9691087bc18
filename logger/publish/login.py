"""Trying the broker for ``riselog check``: login, limits, and whether a topic may be written."""

from __future__ import annotations

import asyncio
from dataclasses import replace

from logger.clock import SystemClock
from logger.mqtt_reasons import FAILURE
from logger.publish.client import CheckedClient, connected
from logger.publish.live import Neighbour, Source, neighbour, status_post
from logger.publish.settings import BLIND, Broker, BrokerError, refusal

TRY_S = 20.0  # wall time for all of it; assumed
HEAR_S = 1.0  # wall time for what the broker has kept of a topic; assumed: it comes with its answer
RESULT_BYTES = 30_000  # a result with all its events, generously; assumed
OTHERS = ("event", "result", "reading/#", "snapshot", "about")  # not tried: consumers take them for real


def try_broker(broker: Broker, store_id: str, *, publish: bool) -> str:
    """One sentence on what was found; with ``publish`` a status is sent as well, unless a logger is online
    there, or the broker does not let us look.

    A client id of its own: a logger that runs is not thrown out by it.

    Raises
    ------
    BrokerError
        The broker cannot be used; the text says why and what to do.
    """
    return asyncio.run(_try(broker, f"{broker.client_id(store_id)}-check", publish=publish))


async def _try(broker: Broker, identifier: str, *, publish: bool) -> str:
    try:
        async with asyncio.timeout(TRY_S), connected(broker, identifier, None) as client:
            most = client.allowed.packet_bytes
            if most is not None and most < RESULT_BYTES:
                raise BrokerError(
                    f"the broker {broker.name} takes messages of at most {most:,} bytes, a result has up to "
                    f"{RESULT_BYTES:,}; raise its limit"
                )
            found = [await _try_status(broker, client)] if publish else []
    except TimeoutError:
        raise BrokerError(
            f"the broker {broker.name} was not done within {TRY_S:.0f} s; look at the broker and the network"
        ) from None
    how = "TLS" if broker.table.tls else "without TLS"
    found += [] if broker.table.version == "5" else [BLIND]
    return "; ".join([f"logged in at {broker.name} ({how}, MQTT {broker.table.version})", *found])


async def _try_status(broker: Broker, client: CheckedClient) -> str:
    """Where nobody is, say so; else what we say would stand against what the one who is there said."""
    topic = broker.topics("status")
    client.listen(topic)
    if not await _lets_us_hear(client):
        return f"no topic was tried: it does not let us see whether a logger is online at {topic}"
    other = await _there(client)
    if other is not None and other.online:
        since = f" since {other.since}" if other.since else ""
        return f"no topic was tried: a logger is online there (run {other.run}{since})"
    await _publish(broker, client)
    return f"it takes {topic}; {', '.join(OTHERS)} must be writable as well and were not tried"


async def _lets_us_hear(client: CheckedClient) -> bool:
    done, _ = await asyncio.wait({client.hearing}, timeout=HEAR_S)
    return bool(done) and client.hearing.result()


async def _there(client: CheckedClient) -> Neighbour | None:
    """What the broker has kept comes at once, if at all; nothing tells that nothing comes."""
    try:
        async with asyncio.timeout(HEAR_S):
            return neighbour((await client.heard.get()).payload)
    except TimeoutError:
        return None


async def _publish(broker: Broker, client: CheckedClient) -> None:
    """Say that the logger is not there, which is true: all else would put out what was published before.
    Not retained: a logger that the broker hides from us stays online for whoever looks."""
    post = status_post(
        broker.topics,
        Source(run="check", simulated=False),
        online=False,
        reason="check",
        number=0,
        t_utc_us=SystemClock().utc_us(),
    )
    code = await client.posted(replace(post, retain=False))
    if code >= FAILURE:
        raise BrokerError(f"the broker {broker.name} refuses {post.topic}: it {refusal(code)}", code)
