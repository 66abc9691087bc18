"""The real clock and the stepped one. Which clock a system has for what: its own manual, named in the
table; times are given, none is waited for."""

import asyncio
import sys
import time
from collections.abc import Callable
from types import SimpleNamespace

import pytest

from logger.clock import (
    POSIX_CLOCKS,
    WINDOWS_CLOCKS,
    HostClocks,
    SteppedClock,
    SystemClock,
    host_clocks,
)
from logger.collect import Collector, Noted
from logger.core.readings import Flag, Quantity, Reading, Sample

S = 1_000_000_000


class FakeHost:
    """A host that slept: one of its clocks knows it."""

    def __init__(self, system: str, awake_s: int, slept_s: int) -> None:
        names = WINDOWS_CLOCKS if system == "win32" else POSIX_CLOCKS[system]
        self.values = dict(zip(names, ((awake_s + slept_s) * S, awake_s * S), strict=True))
        self.time = SimpleNamespace(
            monotonic_ns=lambda: awake_s * S,
            clock_gettime_ns=self.values.__getitem__,
            **{name: name for name in names},
        )

    def windows(self, name: str) -> Callable[[], int]:
        return lambda: self.values[name]


@pytest.mark.parametrize("system", ["linux", "darwin", "win32"])
def test_a_sleep_shows_as_the_difference_of_two_clocks(system: str) -> None:
    host = FakeHost(system, awake_s=100, slept_s=3600)
    clocks = host_clocks(system, host.time, host.windows)
    assert (clocks.elapsed_ns(), clocks.awake_ns()) == (3700 * S, 100 * S)


@pytest.mark.parametrize("system", ["linux", "darwin", "win32", "freebsd14"])
def test_a_system_that_tells_nothing_of_sleep_has_one_clock(system: str) -> None:
    def no_such_function(name: str) -> Callable[[], int]:
        raise AttributeError(name)

    bare = SimpleNamespace(monotonic_ns=lambda: 7)
    clocks = host_clocks(system, bare, no_such_function)
    assert (clocks.elapsed_ns(), clocks.awake_ns()) == (7, 7)


def test_this_system_slept_for_no_negative_time() -> None:
    clocks = host_clocks(sys.platform)
    awake_ns = clocks.awake_ns()
    assert clocks.elapsed_ns() >= awake_ns


def test_the_real_clock_counts_whole_microseconds_and_never_goes_back() -> None:
    clock = SystemClock()
    times = [clock.now_ns() for _ in range(1000)]
    assert times == sorted(times)
    assert all(t % 1000 == 0 for t in times)


async def test_the_real_clock_returns_when_the_time_has_come(monkeypatch: pytest.MonkeyPatch) -> None:
    """A sleep that is too short, as after a suspend or a slow timer, is gone on with."""
    clock, now, slept = SystemClock(), [5 * S], []

    async def sleep(seconds: float) -> None:
        slept.append(seconds)
        now[0] += round(seconds * S / 2) + 1000

    monkeypatch.setattr(SystemClock, "now_ns", lambda self: now[0])
    monkeypatch.setattr(asyncio, "sleep", sleep)
    await clock.wait_until(6 * S)
    assert now[0] >= 6 * S
    assert slept[0] == 1.0
    assert slept == sorted(slept, reverse=True)
    await clock.wait_until(3 * S)  # past: no sleep
    assert now[0] < 7 * S


class Wall:
    """Wall time by hand under a stepped clock."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_ns = 77 * S
        self.slept: list[float] = []
        monkeypatch.setattr(time, "monotonic_ns", lambda: self.now_ns)
        monkeypatch.setattr(asyncio, "sleep", self.sleep)

    async def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now_ns += round(seconds * S)


async def test_a_stepped_clock_runs_as_many_times_faster_as_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    wall = Wall(monkeypatch)
    clock = SteppedClock(speed=20.0, utc_start_us=10)
    await clock.wait_until(0)
    for second in range(1, 101):
        await clock.wait_until(second * S)
        assert clock.now_ns() == second * S
        assert wall.now_ns - 77 * S == second * S // 20
    assert clock.utc_us() == 10 + 100_000_000


async def test_a_stepped_clock_makes_up_for_a_slow_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """The pace is held against the start, so that delays do not add up."""
    wall = Wall(monkeypatch)
    clock = SteppedClock(speed=1.0, utc_start_us=0)
    await clock.wait_until(0)
    wall.now_ns += 3 * S
    await clock.wait_until(1 * S)
    await clock.wait_until(2 * S)
    assert wall.slept[-2:] == [0, 0]
    await clock.wait_until(5 * S)
    assert wall.now_ns == 82 * S


async def test_without_a_speed_nothing_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    wall = Wall(monkeypatch)
    clock = SteppedClock(speed=None, utc_start_us=0)
    await clock.wait_until(1000 * S + 1999)
    assert wall.slept == [0]
    assert clock.now_ns() == 1000 * S + 1000  # whole microseconds
    await clock.wait_until(5)
    assert clock.now_ns() == 1000 * S + 1000  # never back


def test_a_host_with_both_clocks_gives_the_event_and_one_alone_a_jump() -> None:
    """An hour asleep: an event of the run, and no wrong word on the computer's clock."""

    class Clock(SystemClock):
        def __init__(self, system: str) -> None:
            self.system, self.awake_s, self.slept_s = system, 100, 0

        def _clocks(self) -> HostClocks:
            host = FakeHost(self.system, self.awake_s, self.slept_s)
            return host_clocks(self.system, host.time, host.windows)

        def now_ns(self) -> int:
            return int(self._clocks().elapsed_ns())

        def awake_ns(self) -> int:
            return int(self._clocks().awake_ns())

        def utc_us(self) -> int:
            return (self.awake_s + self.slept_s) * 1_000_000

    for system in ("linux", "darwin", "win32"):
        clock = Clock(system)
        collector = Collector(clock, ["ret"])
        sample = Sample(probe="ret", quantity=Quantity.TEMPERATURE, value=20.0)
        collector.emit(sample)
        clock.awake_s, clock.slept_s = 101, 3600
        collector.emit(sample)
        records = collector.take()
        assert [r.event.code for r in records if isinstance(r, Noted)] == ["suspended"]
        last = records[-1]
        assert isinstance(last, Reading)
        assert (last.t_ns, last.flag) == (3601 * S, Flag.OK)
