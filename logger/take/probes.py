"""The probes of a take: their drivers run, their readings reach the watches, troubles become words."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace

from logger.clock import Clock
from logger.collect import Collector, Noted
from logger.config.load import LoadedConfig, ProbeSetup
from logger.core.errors import RiselogError
from logger.core.readings import NS_PER_S, USABLE_FLAGS, Reading
from logger.driver_api import Source
from logger.sources import build_drivers, clock_for
from logger.take.watch import Look, ProbeWatch

SIM_SPEED = 20.0  # times real time where a simulation asks for no waits: a walk needs time; assumed
CLEAN_UP_S = 5.0  # wall time a driver has to end when told to; assumed
TRACE_S = 60.0  # s of live values kept for the picture; assumed


class ProbeFeed:
    """Runs the drivers of some probes of a config while the ``async with`` lasts.

    ``watches`` are those whose values are captured, main one first; every other probe only says how
    the air is. ``on_change`` is called after each reading. A simulation that ends begins again.
    """

    def __init__(
        self,
        config: LoadedConfig,
        probes: Sequence[ProbeSetup],
        watches: Sequence[ProbeWatch],
        *,
        on_change: Callable[[], None] = lambda: None,
        on_reading: Callable[[Reading], None] = lambda _reading: None,
        log: Callable[[BaseException, str], str] = lambda _error, _what: "",
    ) -> None:
        if config.sim is not None and config.sim.speed is None:
            config = replace(config, sim=replace(config.sim, speed=SIM_SPEED))
        self.simulated = config.simulated
        self.speed = config.sim.speed if config.sim else 1.0
        self.clock: Clock = clock_for(config)
        self.watches = tuple(watches)
        self.trace: deque[tuple[int, float]] = deque()  # of the main watch
        self._troubles: dict[str, str] = {}  # by the driver
        self._closing = False
        self.stuck: list[str] = []  # drivers that did not end when told to
        self._on_change, self._on_reading, self._log = on_change, on_reading, log
        self._collector = Collector(self.clock, [p.name for p in probes], wake=self._arrived)
        self._drivers = build_drivers(replace(config, probes=tuple(probes)), self._collector, self.clock)
        self._tasks: list[asyncio.Task[None]] = []

    def elapsed_ns(self) -> int:
        """Reading time since the first reading."""
        return self._collector.elapsed_ns()

    @property
    def trouble(self) -> str:
        """What is wrong with the drivers; empty where all run."""
        return " ".join(self._troubles.values())

    def looks(self) -> tuple[Look, ...]:
        """Each watched probe now."""
        now_ns = self.elapsed_ns()
        return tuple(watch.look(now_ns) for watch in self.watches)

    def restart(self) -> None:
        """The probes go to another point."""
        for watch in self.watches:
            watch.restart()

    async def __aenter__(self) -> ProbeFeed:
        self._tasks = [
            asyncio.create_task(self._run(name, d), name=name) for name, d in self._drivers.items()
        ]
        return self

    async def __aexit__(self, *_exc: object) -> None:
        self._closing = True
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            _done, stuck = await asyncio.wait(self._tasks, timeout=CLEAN_UP_S)
            self.stuck = sorted(task.get_name() for task in stuck)

    async def _run(self, name: str, driver: Source) -> None:
        try:
            await driver.run()
            while self.simulated and not self._closing:
                await asyncio.sleep(0)  # a scenario without readings must hold nobody up
                await driver.run()
            self._say(name, "has ended: values can be typed.")
        except RiselogError as error:
            self._say(name, f"failed: {error}; values can be typed.")
        except Exception as error:  # noqa: BLE001 - a plug-in may fail in any way
            where = self._log(error, f"driver {name}")
            self._say(name, f"broke ({type(error).__name__}: {error}); details: {where}.")

    def _say(self, driver: str, text: str) -> None:
        self._troubles[driver] = f"Driver '{driver}' {text}"
        self._on_change()

    def _arrived(self) -> None:
        """Readings go on at once: nothing here waits."""
        for record in self._collector.take():
            if isinstance(record, Reading):
                self._take(record)
            elif isinstance(record, Noted) and record.event.probe is not None:
                for watch in self.watches:
                    if watch.probe == record.event.probe:
                        watch.note(record.event.text)
        self._on_change()

    def _take(self, reading: Reading) -> None:
        self._on_reading(reading)
        for watch in self.watches:
            if watch.probe == reading.probe:
                watch.update(reading)
        main = self.watches[0]
        if (reading.probe, reading.quantity) == (main.probe, main.quantity) and reading.flag in USABLE_FLAGS:
            self.trace.append((reading.t_ns, main.corrected(reading.value)))
            while self.trace[0][0] < reading.t_ns - round(TRACE_S * NS_PER_S):
                self.trace.popleft()
