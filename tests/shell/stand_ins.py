"""What several tests put in the place of the real thing."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pytest

from logger.clock import SystemClock
from logger.core.readings import FLAG_CODES, Reading, ReadingBlock
from logger.driver_api import DriverContext, Flag, LinkState, Quantity, Sample

UTC0 = 1_700_000_000_000_000
READY_S = 60.0  # s, a condition that never comes true fails the test; a loaded machine is no failure


class HandClock:
    """A clock moved by hand; ``slept_ns`` is what a suspend adds to elapsed time only."""

    def __init__(self, t_ns: int = 0) -> None:
        self.t_ns = t_ns
        self.slept_ns = 0
        self.utc_shift_us = 0

    def now_ns(self) -> int:
        return self.t_ns + self.slept_ns

    def awake_ns(self) -> int:
        return self.t_ns

    def utc_us(self) -> int:
        return UTC0 + self.now_ns() // 1000 + self.utc_shift_us

    async def wait_until(self, t_ns: int) -> None:
        self.t_ns = max(self.t_ns, t_ns)


def block_of(readings: list[Reading]) -> ReadingBlock:
    """The same readings as columns."""
    channels = tuple(dict.fromkeys((r.probe, r.quantity) for r in readings))
    return ReadingBlock(
        channels=channels,
        seq=np.array([r.seq for r in readings], np.int64),
        t_ns=np.array([r.t_ns for r in readings], np.int64),
        channel=np.array([channels.index((r.probe, r.quantity)) for r in readings], np.int32),
        value=np.array([r.value for r in readings], np.float64),
        flag=np.array([FLAG_CODES.index(r.flag) for r in readings], np.int8),
        utc_us=np.array([r.utc_us for r in readings], np.int64),
        arrival_ns=np.array([r.arrival_ns for r in readings], np.int64),
    )


@dataclass
class DriverLog:
    """All that a driver said, and a way to wait for what it has not said yet."""

    samples: list[Sample] = field(default_factory=list)
    links: list[tuple[str, LinkState, str]] = field(default_factory=list)
    _changed: asyncio.Event = field(default_factory=asyncio.Event)

    def context(self) -> DriverContext:
        clock = SystemClock()
        return DriverContext(
            emit=self._emit,
            link=self._link,
            now_ns=clock.now_ns,
            utc_us=clock.utc_us,
            wait_until=clock.wait_until,
        )

    async def until(self, condition: Callable[[], bool]) -> None:
        """Return when the condition holds; it is asked after every word of the driver."""
        try:
            async with asyncio.timeout(READY_S):
                while not condition():
                    self._changed.clear()
                    await self._changed.wait()
        except TimeoutError:
            pytest.fail(f"never came true; links {self.links}, last samples {self.samples[-10:]}")

    async def until_said(self, state: LinkState, words: str = "", probe: str = "sup") -> None:
        await self.until(lambda: any(p == probe and s is state and words in t for p, s, t in self.links))

    def states(self, probe: str = "ret") -> list[LinkState]:
        return [state for name, state, _ in self.links if name == probe]

    def state(self, probe: str = "ret") -> LinkState | None:
        return self.states(probe)[-1] if self.states(probe) else None

    def values(self, quantity: Quantity, probe: str = "ret") -> list[float]:
        return [s.value for s in self.samples if s.quantity is quantity and s.probe == probe]

    def got(self, probe: str = "sup") -> list[tuple[float, Flag]]:
        return [(s.value, s.flag) for s in self.samples if s.probe == probe]

    def _emit(self, sample: Sample) -> None:
        self.samples.append(sample)
        self._changed.set()

    def _link(self, probe: str, state: LinkState, text: str) -> None:
        self.links.append((probe, state, text))
        self._changed.set()


def job_head(name: str) -> str:
    """What a job file begins with: a job, a unit, and an airflow that is known; invented."""
    return f'''
[job]
name = "{name}"
altitude = "700 ft"
[unit]
input = "135000 Btu/h"
output = "109000 Btu/h"
[airflow]
source = "fixed"
volume = "1850 cfm"
at = "return"
temperature = "71 °F"
'''
