"""Time as the shell has it: a port, the one real clock, and a stepped one for simulation."""

from __future__ import annotations

import asyncio
import datetime
import time
from typing import Protocol

from logger.core.readings import NS_PER_S, NS_PER_US

_ELAPSED_CLOCK = getattr(time, "CLOCK_BOOTTIME", None)  # counts suspend, where the system has it


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
        now = time.monotonic_ns() if _ELAPSED_CLOCK is None else time.clock_gettime_ns(_ELAPSED_CLOCK)
        return now - now % NS_PER_US

    def awake_ns(self) -> int:
        """Elapsed time without suspend; its distance from ``now_ns`` shows a suspend."""
        return time.monotonic_ns()

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
