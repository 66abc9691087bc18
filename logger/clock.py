"""Time as the shell has it: a port, the one real clock, and a stepped one for simulation."""

from __future__ import annotations

import asyncio
import datetime
import sys
import time
from collections.abc import Callable
from typing import Any, NamedTuple, Protocol

from logger.core.readings import NS_PER_S, NS_PER_US

Nanoseconds = Callable[[], int]


class HostClocks(NamedTuple):
    """The two clocks of a host, zero anywhere: with the time it slept, and without."""

    elapsed_ns: Nanoseconds
    awake_ns: Nanoseconds


POSIX_CLOCKS: dict[str, tuple[str, str]] = {  # system: (counts sleep, does not)
    "linux": ("CLOCK_BOOTTIME", "CLOCK_MONOTONIC"),  # clock_gettime(2) of Linux
    # clock_gettime(3) of macOS: MONOTONIC goes on while the system is asleep, UPTIME_RAW does not.
    # Python's own time.monotonic is the latter there.
    "darwin": ("CLOCK_MONOTONIC", "CLOCK_UPTIME_RAW"),
}
WINDOWS_CLOCKS: tuple[str, str] = (  # realtimeapiset.h: with bias (sleep) and without, in 100 ns
    "QueryInterruptTime",
    "QueryUnbiasedInterruptTime",
)
_NS_PER_TICK = 100  # ns, the unit of both


def host_clocks(
    system: str,
    clocks: Any = time,  # noqa: ANN401 - the module, or what stands in for it
    windows: Callable[[str], Nanoseconds] | None = None,
) -> HostClocks:
    """The clocks of a system; where it tells nothing of sleep, both are the one it has.

    ``clocks`` stands in for the module ``time``, ``windows`` gives a function of Windows by its name.
    Only the Linux row was tried on a machine.
    """
    one = HostClocks(clocks.monotonic_ns, clocks.monotonic_ns)
    try:
        if system == "win32":
            return HostClocks(*((windows or _windows_clock)(name) for name in WINDOWS_CLOCKS))
        elapsed, awake = (getattr(clocks, name) for name in POSIX_CLOCKS[system])
    except (KeyError, AttributeError, OSError):
        return one
    read = clocks.clock_gettime_ns
    return HostClocks(lambda: read(elapsed), lambda: read(awake))


def _windows_clock(name: str) -> Nanoseconds:
    import ctypes  # noqa: PLC0415 - there alone

    function = getattr(ctypes.WinDLL("api-ms-win-core-realtime-l1-1-1.dll"), name)  # type: ignore[attr-defined]
    ticks = ctypes.c_ulonglong()

    def read_ns() -> int:
        function(ctypes.byref(ticks))
        return ticks.value * _NS_PER_TICK

    return read_ns


_HOST = host_clocks(sys.platform)


class Clock(Protocol):
    """Reading time (elapsed, counts suspend) and the host's idea of UTC."""

    def now_ns(self) -> int:
        """Elapsed nanoseconds, whole microseconds, zero anywhere; never goes back."""
        ...

    def utc_us(self) -> int:
        """Microseconds since the epoch, as the host has it; may jump."""
        ...

    async def wait_until(self, t_ns: int) -> None:
        """Return when ``now_ns() >= t_ns``."""
        ...


class SystemClock:
    """The one real clock."""

    def now_ns(self) -> int:
        """Elapsed time, suspend included where the system tells it."""
        now = _HOST.elapsed_ns()
        return now - now % NS_PER_US

    def awake_ns(self) -> int:
        """Elapsed time without suspend; its distance from ``now_ns`` shows a suspend."""
        return _HOST.awake_ns()

    def utc_us(self) -> int:
        """Microseconds since the epoch."""
        return time.time_ns() // NS_PER_US

    async def wait_until(self, t_ns: int) -> None:
        """Sleep until then."""
        while (left := t_ns - self.now_ns()) > 0:  # noqa: ASYNC110 - a clock, not an event
            await asyncio.sleep(left / NS_PER_S)


class SteppedClock:
    """The time of simulated readings: it stands where the last ``wait_until`` led.

    ``speed`` is how many times faster than the wall it runs; ``None`` waits for nothing.
    Stamps are thus exact and a seeded run is the same at every speed.
    """

    def __init__(self, *, speed: float | None, utc_start_us: int) -> None:
        self._speed = speed
        self._utc_start_us = utc_start_us
        self._now_ns = 0
        self._wall_zero_ns: int | None = None

    def now_ns(self) -> int:
        """Where the simulation stands."""
        return self._now_ns

    def utc_us(self) -> int:
        """The start's UTC plus the simulated time."""
        return self._utc_start_us + self._now_ns // NS_PER_US

    async def wait_until(self, t_ns: int) -> None:
        """Step to ``t_ns``, after the wall time that ``speed`` asks for."""
        if self._speed is None:
            await asyncio.sleep(0)
        else:
            wall = time.monotonic_ns()
            if self._wall_zero_ns is None:
                self._wall_zero_ns = wall
            due = self._wall_zero_ns + round(t_ns / self._speed)
            await asyncio.sleep(max(0, due - wall) / NS_PER_S)
        self._now_ns = max(self._now_ns, t_ns - t_ns % NS_PER_US)


def utc_text(utc_us: int) -> str:
    """RFC 3339 UTC with six digits.

    >>> utc_text(0)
    '1970-01-01T00:00:00.000000Z'
    """
    moment = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC) + datetime.timedelta(microseconds=utc_us)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def utc_date(utc_us: int) -> datetime.date:
    """The day, UTC.

    >>> utc_date(0).isoformat()
    '1970-01-01'
    """
    return datetime.datetime.fromtimestamp(utc_us / 1e6, datetime.UTC).date()


def local_date(utc_us: int) -> datetime.date:
    """The day where the operator is: what a person dates is dated so.

    >>> local_date(12 * 3600 * 1_000_000).isoformat()  # noon UTC
    '1970-01-01'
    """
    return datetime.datetime.fromtimestamp(utc_us / 1e6, datetime.UTC).astimezone().date()
