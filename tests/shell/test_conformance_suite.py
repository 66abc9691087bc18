"""The conformance suite finds what it is there for: the example driver, spoilt in one way each."""

import asyncio
import contextlib
import threading
import time
from typing import Any

import pytest
from pydantic import BaseModel

from logger.conformance import Conformance, NonconformingError
from logger.driver_api import Flag, LinkState, Quantity, Sample
from tests.drivers.benches import LineBench
from tests.plugin_example.line_probe.driver import LineProbe

SUITE = Conformance()
ENOUGH = threading.Event()
PARTS = SUITE.test_a_driver_is_a_class_with_all_its_parts
AT_ONCE = SUITE.test_every_packet_gives_its_readings_at_once_and_in_order
GARBAGE = SUITE.test_garbage_is_told_and_gives_no_reading
SILENCE = SUITE.test_silence_is_told_within_its_promise_and_so_is_its_end
CANCEL = SUITE.test_a_cancel_at_any_await_leaves_nothing_behind
REACH = SUITE.test_reach_says_what_it_finds_in_time_and_delivers_nothing
MISSES = SUITE.test_reach_says_what_it_does_not_find


class TakesAnyKey(LineProbe):
    class Options(BaseModel):
        port: int


class Gathers(LineProbe):
    """Two packets at a time."""

    def _take(self, probe: str, packet: bytes) -> None:
        self.waiting = [*getattr(self, "waiting", []), packet]
        if len(self.waiting) == 2:
            for each in self.waiting:
                super()._take(probe, each)
            self.waiting = []


class OtherProbe(LineProbe):
    def _take(self, probe: str, packet: bytes) -> None:
        super()._take(probe, packet)
        self._context.emit(Sample(probe="nobody", quantity=Quantity.BATTERY, value=50.0))


class NoFlag(LineProbe):
    def _take(self, probe: str, packet: bytes) -> None:
        if packet.startswith(b"T=9999"):
            self._context.emit(Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=9999.0, flag=Flag.OK))
        else:
            super()._take(probe, packet)


class Swallows(LineProbe):
    """Garbage is not told, but for the silence that comes of it."""

    def _take(self, probe: str, packet: bytes) -> None:
        if packet.startswith(b"T="):
            super()._take(probe, packet)


class Raises(LineProbe):
    """Garbage ends in an exception of a callback."""

    def _take(self, probe: str, packet: bytes) -> None:
        self._context.emit(Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=float(packet[2:])))
        self._context.link(probe, LinkState.LIVE, "live")


class TakesNoNumber(LineProbe):
    """Garbage is told, but for one that passes for a number."""

    def _take(self, probe: str, packet: bytes) -> None:
        if b"nan" not in packet:
            super()._take(probe, packet)
            return
        self._context.emit(Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=float("nan")))
        self._context.link(probe, LinkState.LIVE, "live again")


class IsLiveAllTheSame(LineProbe):
    """Garbage is answered with what good data is answered with."""

    def _take(self, probe: str, packet: bytes) -> None:
        if packet.startswith(b"T=") and b"nan" not in packet:
            super()._take(probe, packet)
        else:
            self._context.link(probe, LinkState.LIVE, f'probe "{probe}": live')


class Invents(LineProbe):
    def _take(self, probe: str, packet: bytes) -> None:
        self._context.emit(Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=33.33))
        super()._take(probe, packet)


class Twice(LineProbe):
    """A repeated packet that is not flagged."""

    def _take(self, probe: str, packet: bytes) -> None:
        for _ in range(2):
            super()._take(probe, packet)


class Delays(LineProbe):
    def _take(self, probe: str, packet: bytes) -> None:
        asyncio.get_running_loop().call_later(0.6, super()._take, probe, packet)


class Blocks(LineProbe):
    """The loop stands still for each packet."""

    def _take(self, probe: str, packet: bytes) -> None:
        time.sleep(0.4)
        super()._take(probe, packet)


class LeavesAThread(LineProbe):
    async def run(self) -> None:
        threading.Thread(target=ENOUGH.wait, name="left-over", daemon=True).start()
        await super().run()


class OddFlag(LineProbe):
    def _take(self, probe: str, packet: bytes) -> None:
        super()._take(probe, packet)
        odd: Any = "fine"
        self._context.emit(Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=20.0, flag=odd))


class NeverLost(LineProbe):
    silence_s = 1e6


class LeavesATask(LineProbe):
    async def run(self) -> None:
        self.left = asyncio.ensure_future(asyncio.Event().wait())
        await super().run()


class SwallowsTheCancel(LineProbe):
    async def run(self) -> None:
        with contextlib.suppress(asyncio.CancelledError):
            await super().run()


class DeliversInReach(LineProbe):
    async def reach(self, seconds: float) -> Any:
        for probe in self._ports:
            self._context.emit(Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=20.0))
        return await super().reach(seconds)


class NoNextStep(LineProbe):
    async def reach(self, seconds: float) -> Any:
        return []


@pytest.mark.parametrize(
    ("kind", "check", "words"),
    [
        (TakesAnyKey, PARTS, "takes a key that it does not know"),
        (Gathers, AT_ONCE, "good data 0 gave not all"),
        (OtherProbe, AT_ONCE, "is of no probe that was asked for"),
        (NoFlag, GARBAGE, "9999.0"),
        (Swallows, GARBAGE, "garbage 0 is not told"),
        (Raises, GARBAGE, "garbage 0 is not told"),
        (TakesNoNumber, GARBAGE, "garbage 1 gave readings"),
        (IsLiveAllTheSame, GARBAGE, "garbage 0 is not told"),
        (Invents, AT_ONCE, "nobody sent"),
        (Twice, AT_ONCE, "given twice"),
        (Delays, AT_ONCE, "at most 0.5 s"),
        (Blocks, AT_ONCE, r"blocks the event loop: 0\.[34]"),
        (LeavesAThread, CANCEL, "these threads are left: left-over"),
        (OddFlag, AT_ONCE, "a flag that is no Flag"),
        (NeverLost, SILENCE, "silence is not told"),
        (LeavesATask, CANCEL, "these tasks are left"),
        (SwallowsTheCancel, CANCEL, "and not with CancelledError"),
        (DeliversInReach, REACH, "reach delivers"),
        (NoNextStep, MISSES, "reach speaks of"),
    ],
)
def test_a_driver_that_is_spoilt_fails(kind: type[LineProbe], check: Any, words: str) -> None:
    class Quick(kind):  # type: ignore[valid-type, misc]
        silence_s = 0.3 if check in (SILENCE, GARBAGE) and kind is not NeverLost else 60.0

    bench = LineBench()
    bench.driver, bench.patience_s, bench.prompt_s = Quick, 1.5, 0.5  # type: ignore[misc]
    ENOUGH.clear()
    try:
        with pytest.raises(NonconformingError, match=words):
            check(bench)
    finally:
        ENOUGH.set()  # who waits for it ends


class AsksAThread(LineProbe):
    """What blocks is done in a thread that the loop keeps, or that ends soon after the driver."""

    async def run(self) -> None:
        done = threading.Event()
        threading.Thread(target=done.wait, name="ends-soon").start()
        try:
            await asyncio.to_thread(time.sleep, 0.001)
            await super().run()
        finally:
            done.set()


def test_a_driver_that_blocks_in_threads_of_its_own_is_well_behaved() -> None:
    bench = LineBench()
    bench.driver = AsksAThread  # type: ignore[misc]
    AT_ONCE(bench)
    CANCEL(bench)
