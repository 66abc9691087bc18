"""Trying the broker for ``riselog check``: login, limits, and whether a topic may be written."""

from __future__ import annotations

import asyncio

from logger.clock import SystemClock
from logger.mqtt_reasons import FAILURE
from logger.publish.client import CheckedClient, connected
from logger.publish.live import Source, status_post
from logger.publish.reasons import BrokerError, refusal
from logger.publish.settings import Broker

TRY_S = 20.0  # wall time for all of it; assumed
RESULT_BYTES = 30_000  # a result with all its events, generously; assumed


def try_broker(broker: Broker, store_id: str, *, publish: bool) -> str:
    """One sentence on what was found; with ``publish`` a status is sent as well.

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
            if publish:
                await _publish(broker, client)
    except TimeoutError:
        raise BrokerError(
            f"the broker {broker.name} was not done within {TRY_S:.0f} s; look at the broker and the network"
        ) from None
    written = f"; it takes {broker.topics('status')}" if publish else ""
    how = "TLS" if broker.table.tls else "without TLS"
    return f"logged in at {broker.name} ({how}, MQTT {broker.table.version}){written}"


async def _publish(broker: Broker, client: CheckedClient) -> None:
    """Say that the logger is not there, which is true: all else would put out what was published before."""
    post = status_post(
        broker.topics,
        Source(run="check", simulated=False),
        online=False,
        reason="check",
        number=0,
        t_utc_us=SystemClock().utc_us(),
    )
    code = await client.posted(post)
    if code >= FAILURE:
        raise BrokerError(f"the broker {broker.name} refuses {post.topic}: it {refusal(code)}", code)
