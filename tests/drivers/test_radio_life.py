"""More probes than connections: who waits, what is said, who is next. The adapter's limit is made by the
test, with the error text that BlueZ gives (``src/error.h``: ERR_LE_CONN_SYNC_CONNECT_LIMIT)."""

import asyncio
from collections.abc import Callable
from typing import Any

import bleak_retry_connector
import pytest
from bleak.exc import BleakDBusError
from bleak_retry_connector import BleakConnectionError

from drivers.ble import radio_errors
from drivers.ble_errors import FULL, RadioError
from drivers.ess.driver import EssDriver
from drivers.turns import Turns
from logger.driver_api import LinkState

TEMPERATURE = 0x2A6E
C_21_37 = bytes.fromhex("5908")
WAITING = (
    'probe "{}": waiting for a free connection: the adapter has no room beside the {} it holds for this '
    "program; use a second adapter, or probes that only broadcast"
)


def full_adapter() -> BleakConnectionError:
    """What comes out of the connector when BlueZ has no connection left."""
    error = BleakConnectionError("Failed to connect after 4 attempt(s)")
    error.__cause__ = BleakDBusError("org.bluez.Error.Failed", ["le-connection-concurrent-connection-limit"])
    return error


def test_the_adapters_limit_is_known_by_the_text_of_bluez() -> None:
    with pytest.raises(RadioError) as caught, radio_errors("connecting"):
        raise full_adapter()
    assert caught.value.trouble == FULL


async def test_connecting_is_one_at_a_time_in_the_order_of_asking() -> None:
    turns, order, inside = Turns(), list[int](), 0

    async def connect(number: int) -> None:
        nonlocal inside
        async with turns.connecting():
            inside += 1
            assert inside == 1
            await asyncio.sleep(0)
            order.append(number)
            inside -= 1

    async with asyncio.TaskGroup() as group:
        for number in range(5):
            group.create_task(connect(number))
    assert order == [0, 1, 2, 3, 4]


async def test_a_connection_that_ends_is_the_turn_of_who_waits_longest_and_of_nobody_else() -> None:
    turns = Turns()
    with turns.queued() as first, turns.queued() as second, turns.queued() as third:
        with turns.holding():
            assert turns.held == 1
            assert not first.is_set()
        assert (turns.held, first.is_set(), second.is_set()) == (0, True, False)
        with turns.holding():
            pass
        assert (second.is_set(), third.is_set()) == (True, False)


async def test_who_goes_out_of_the_queue_takes_no_turn_with_it() -> None:
    turns = Turns()
    with turns.queued() as second:
        with turns.queued():
            pass
        with turns.queued() as gone, pytest.raises(ZeroDivisionError), turns.holding():
            1 / 0  # noqa: B018 - a connection that ends in an error
        assert (second.is_set(), gone.is_set()) == (True, False)


class QuickDriver(EssDriver):
    """Short times, so that a test takes seconds."""

    search_s = 2.5
    ask_after_s = 0.2


def limited(most: int, real: Callable[..., Any]) -> tuple[Callable[..., Any], list[set[str]]]:
    """The connector, where the adapter holds so many; and those that are held after each change."""
    held, history = set[str](), list[set[str]]()

    async def connect(kind: Any, device: Any, name: str, disconnected_callback: Any, **options: Any) -> Any:
        def ended(client: Any) -> None:
            held.discard(name)
            history.append(set(held))
            disconnected_callback(client)

        if len(held) >= most:
            raise full_adapter()
        client = await real(kind, device, name, disconnected_callback=ended, **options)
        held.add(name)
        history.append(set(held))
        return client

    return connect, history


@pytest.mark.bluetooth
async def test_a_probe_waits_for_a_connection_and_gets_the_next_one_that_is_free(
    air: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect, history = limited(2, bleak_retry_connector.establish_connection)
    monkeypatch.setattr(bleak_retry_connector, "establish_connection", connect)
    log, remotes = air.log(), [await air.remote() for _ in range(3)]
    for remote in remotes:
        await remote.serve(air.Char(TEMPERATURE, C_21_37, ("read", "notify")))
        await remote.advertise()
    names = {remote.address: f"p{number}" for number, remote in enumerate(remotes)}
    requests = [air.request(name, address=address) for address, name in names.items()]
    async with air.running(QuickDriver(requests, log.context())):
        await log.until(lambda: any("waiting for a free" in text for _, _, text in log.links))
        [waiting] = [name for name, _, text in log.links if "waiting for a free" in text]
        await log.until(lambda: sum(LinkState.LIVE in log.states(name) for name in names.values()) == 2)
        assert LinkState.LIVE not in log.states(waiting)
        first = next(remote for remote in remotes if names[remote.address] != waiting)
        await first.hide()
        await first.drop()
        await log.until(lambda: LinkState.LIVE in log.states(waiting))
    assert (waiting, LinkState.LOST, WAITING.format(waiting, 2)) in log.links
    assert max(map(len, history)) == 2
    assert history[-1] == set()  # nothing is left connected
