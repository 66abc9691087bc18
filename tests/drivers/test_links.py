"""One device that two probes are of: one connection, one subscription for each value, each reading once.

Against a scripted connection. That BlueZ refuses a second read of a value while one is under way stands in
its ``src/gatt-client.c`` (``org.bluez.Error.InProgress``; `recalled`).
"""

import asyncio
import contextlib
from collections.abc import Callable
from typing import Any, cast

import pytest

from drivers.ble_errors import RadioError, Trouble
from drivers.heard import Characteristic, Sighting, full_uuid
from drivers.links import Links, _Gate


def characteristic(handle: str) -> Characteristic:
    return Characteristic(
        service_uuid=full_uuid(0x181A),
        uuid=full_uuid(0x2A6E),
        can_read=True,
        can_notify=True,
        can_write=True,
        handle=cast("Any", handle),
    )


ONE, TWO = characteristic("one"), characteristic("two")
HEARD = Sighting(
    address="AA:BB:CC:00:00:02",
    name="duct",
    signal_dbm=-60.0,
    service_data={1: b"x"},
    device=cast("Any", None),
)
REFUSAL = RadioError("connecting", Trouble("the probe does not answer", "move closer"))


class ScriptedLink:
    """Answers when it is told to; it knows no second read of a value while one is under way."""

    def __init__(self) -> None:
        self.lost = asyncio.Event()
        self.characteristics = (ONE, TWO)
        self.calls: list[str] = []
        self.go = asyncio.Event()
        self.go.set()
        self.under_way: set[Any] = set()
        self.callbacks: dict[Any, Callable[[bytes], None]] = {}

    async def read(self, each: Characteristic) -> bytes:
        assert each.handle not in self.under_way, "org.bluez.Error.InProgress"
        self.under_way.add(each.handle)
        self.calls.append(f"read {each.handle}")
        await self.go.wait()
        self.under_way.discard(each.handle)
        return b"21"

    async def descriptors(self, each: Characteristic, uuid16: int) -> list[bytes]:
        self.calls.append(f"descriptors {each.handle} {uuid16:x}")
        await self.go.wait()
        return [b"supply"]

    async def write(self, each: Characteristic, payload: bytes) -> None:
        self.calls.append(f"write {each.handle} {payload.hex()}")

    async def notify(self, each: Characteristic, callback: Callable[[bytes], None]) -> None:
        assert each.handle not in self.callbacks
        self.calls.append(f"notify {each.handle}")
        self.callbacks[each.handle] = callback

    async def stop_notify(self, each: Characteristic) -> None:
        self.calls.append(f"stop {each.handle}")
        del self.callbacks[each.handle]

    async def close(self) -> None:
        self.calls.append("close")
        self.lost.set()


class Bench:
    """An adapter: ``made`` are its connections, ``failing`` how many of the next tries fail."""

    def __init__(self, failing: int = 0) -> None:
        self.made: list[ScriptedLink] = []
        self.tries, self.failing = 0, failing
        self.links = Links(self._connect)
        self.go = asyncio.Event()
        self.go.set()

    async def _connect(self, sighting: Sighting) -> ScriptedLink:
        self.tries += 1
        await self.go.wait()
        if self.tries <= self.failing:
            raise REFUSAL
        self.made.append(ScriptedLink())
        return self.made[-1]

    @contextlib.asynccontextmanager
    async def two(self) -> Any:
        async with self.links.connected(HEARD) as first, self.links.connected(HEARD) as second:
            yield first, second, self.made[0]


async def settle() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


async def test_two_probes_of_a_device_have_one_connection_which_the_last_one_ends() -> None:
    bench, stack = Bench(), contextlib.AsyncExitStack()
    async with bench.links.connected(HEARD):
        await stack.enter_async_context(bench.links.connected(HEARD))
        assert (bench.tries, bench.links.turns.held) == (1, 1)
    assert bench.made[0].calls == []
    await stack.aclose()
    assert bench.made[0].calls == ["close"]
    assert bench.links.turns.held == 0
    async with bench.links.connected(HEARD):
        assert bench.tries == 2


async def test_who_asks_while_it_is_being_connected_waits_for_that_and_shares_its_failure() -> None:
    bench = Bench(failing=1)
    bench.go.clear()

    async def use() -> None:
        async with bench.links.connected(HEARD):
            pass

    tasks = [asyncio.create_task(use()) for _ in range(3)]
    await settle()
    bench.go.set()
    assert [type(each) for each in await asyncio.gather(*tasks, return_exceptions=True)] == [RadioError] * 3
    assert bench.tries == 1
    await use()
    assert (bench.tries, len(bench.made)) == (2, 1)


async def test_one_that_is_cancelled_while_connecting_leaves_the_try_to_the_other() -> None:
    bench = Bench()
    bench.go.clear()

    async def use() -> None:
        async with bench.links.connected(HEARD):
            pass

    first, second = asyncio.create_task(use()), asyncio.create_task(use())
    await settle()
    first.cancel()
    await settle()
    bench.go.set()
    await second
    assert first.cancelled()
    assert (bench.tries, bench.links.turns.held) == (2, 0)


async def test_each_notification_goes_to_both_by_one_subscription() -> None:
    got: list[tuple[str, bytes]] = []
    async with Bench().two() as (first, second, link):
        await asyncio.gather(
            first.notify(ONE, lambda payload: got.append(("first", payload))),
            second.notify(ONE, lambda payload: got.append(("second", payload))),
        )
        link.callbacks["one"](b"48")
        assert got == [("first", b"48"), ("second", b"48")]
        assert link.calls == ["notify one"]


async def test_what_one_alone_listens_to_is_let_go_with_it_and_not_what_both_do() -> None:
    bench, got = Bench(), list[bytes]()
    async with bench.links.connected(HEARD) as stays:
        await stays.notify(ONE, got.append)
        async with bench.links.connected(HEARD) as goes:
            await goes.notify(ONE, got.append)
            await goes.notify(TWO, got.append)
        assert bench.made[0].calls == ["notify one", "notify two", "stop two"]
        bench.made[0].callbacks["one"](b"48")
        assert got == [b"48"]


async def test_reads_and_descriptors_asked_for_at_once_are_asked_once() -> None:
    async with Bench().two() as (first, second, link):
        link.go.clear()
        asked = [asyncio.create_task(each.read(ONE)) for each in (first, second)]
        described = [asyncio.create_task(each.descriptors(ONE, 0x2901)) for each in (first, second)]
        await settle()
        link.go.set()
        assert await asyncio.gather(*asked) == [b"21", b"21"]
        assert await asyncio.gather(*described) == [[b"supply"], [b"supply"]]
        assert sorted(link.calls) == ["descriptors one 2901", "read one"]
        await first.read(ONE)
        assert link.calls.count("read one") == 2  # later is another time


async def test_a_value_that_one_reads_is_known_to_the_other_who_listens_for_the_echo() -> None:
    echoes: list[bytes] = []
    async with Bench().two() as (first, second, _):
        await first.notify(ONE, lambda _payload: None, echoes.append)
        await first.read(ONE)
        assert echoes == []  # its own it knows
        await second.read(ONE)
        assert echoes == [b"21"]


async def test_the_start_command_is_written_once_for_both_and_again_after_both_have_gone() -> None:
    bench = Bench()
    async with bench.two() as (first, second, link):
        await asyncio.gather(first.write(ONE, b"\x01"), second.write(ONE, b"\x01"))
        assert link.calls == ["write one 01"]
    async with bench.links.connected(HEARD) as alone:
        await alone.write(ONE, b"\x01")
    assert bench.made[1].calls == ["write one 01", "close"]


async def test_a_value_is_for_one_probe_until_that_has_left() -> None:
    bench = Bench()
    async with bench.links.connected(HEARD) as second:
        async with bench.links.connected(HEARD) as first:
            assert first.claim("one", "ret") is None
            assert first.claim("one", "ret") is None
            assert second.claim("one", "sup") == "ret"
        assert second.claim("one", "sup") is None


async def test_both_know_when_the_device_goes_and_the_first_to_return_connects_anew() -> None:
    bench = Bench()
    async with bench.two() as (first, second, link):
        link.lost.set()
        assert first.lost.is_set()
        assert second.lost.is_set()
        async with bench.links.connected(HEARD) as again:  # the others have not left yet
            assert not again.lost.is_set()
            assert bench.tries == 2
    assert [each.calls for each in bench.made] == [["close"], ["close"]]
    assert bench.links.turns.held == 0


@pytest.mark.parametrize("other_hears", [True, False])
async def test_a_silence_ends_the_connection_where_nobody_hears_anything(*, other_hears: bool) -> None:
    async with Bench().two() as (silent, other, _):
        silent.hear()
        if other_hears:
            other.hear()
        silent.doubt()
        assert other.lost.is_set() is not other_hears
        assert other.given_up is not other_hears


async def test_a_connection_given_up_is_ended_before_the_next_one_is_made() -> None:
    bench, order = Bench(), list[str]()
    async with bench.links.connected(HEARD) as slow:
        async with bench.links.connected(HEARD) as silent:
            bench.made[0].calls = order
            silent.doubt()
        async with bench.links.connected(HEARD):
            order.append("connected")
        assert slow.lost.is_set()
    assert order[:2] == ["close", "connected"]


async def test_who_watches_is_told_of_a_device_that_is_held_and_of_one_that_comes() -> None:
    bench, told = Bench(), list[Sighting]()
    with bench.links.watching(told.append):
        async with bench.links.connected(HEARD), bench.links.connected(HEARD):
            assert [(each.address, each.signal_dbm, each.service_data) for each in told] == [
                (HEARD.address, None, {})
            ]
            with bench.links.watching(told.append):
                assert len(told) == 2
            bench.made[0].lost.set()
            with bench.links.watching(told.append):
                assert len(told) == 2


async def test_a_wish_that_comes_while_the_last_one_disconnects_waits_for_it() -> None:
    bench, order, slow, leave = Bench(), list[str](), asyncio.Event(), asyncio.Event()

    class Slow(ScriptedLink):
        async def close(self) -> None:
            await slow.wait()
            order.append("closed")

    async def connect(_sighting: Sighting) -> ScriptedLink:
        order.append("connecting")
        return Slow()

    bench.links = Links(connect)

    async def use() -> None:
        async with bench.links.connected(HEARD):
            await leave.wait()

    first = asyncio.create_task(use())
    await settle()
    leave.set()
    await settle()
    second = asyncio.create_task(use())
    await settle()
    slow.set()
    await asyncio.gather(first, second)
    assert order == ["connecting", "closed", "connecting", "closed"]


async def test_who_is_cancelled_while_another_one_connects_leaves_nothing_behind() -> None:
    """One probe lets go while another of its device is at the gate; the program's end comes then."""
    link = ScriptedLink()

    async def connect(_: Sighting) -> Any:
        return link

    links, let_go = Links(connect), asyncio.Event()

    async def one() -> None:
        async with links.connected(HEARD):
            await let_go.wait()

    task = asyncio.create_task(one())
    await asyncio.sleep(0)
    async with links._gates.setdefault(HEARD.address.casefold(), _Gate()).lock:
        assert links._links
        let_go.set()
        for _ in range(5):
            await asyncio.sleep(0)
        task.cancel()
        await asyncio.wait([task])
    assert (links._links, links.turns.held) == ({}, 0)
    assert link.calls[-1] == "close"
