"""A live match: the config's temperature probes, their drivers, and time, until there is a verdict."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import replace

from logger.clock import Clock
from logger.collect import Collector, Noted
from logger.config.load import LoadedConfig
from logger.core.errors import RiselogError
from logger.core.match import FIRST_WORD_S, Match, MatchWatch, Progress
from logger.core.readings import NS_PER_S, Reading
from logger.core.snapshot import Event
from logger.driver_api import Source
from logger.faults import log_fault, said
from logger.plugins import author
from logger.sources import build_drivers, clock_for

LOOK_S = 1.0  # wall time between looks where no reading comes; assumed
CLEAN_UP_S = 5.0  # wall time a driver has to end when told to; assumed


class LiveMatch:
    """One match on the config's drivers.

    ``show`` is told how far it has come, ``note`` what happens on the way to a probe, ``complain``
    what goes wrong.
    """

    def __init__(
        self,
        config: LoadedConfig,
        collect_s: int,
        *,
        show: Callable[[Progress], None] = lambda _progress: None,
        note: Callable[[Event], None] = lambda _event: None,
        complain: Callable[[str], None] = lambda _text: None,
        clock: Clock | None = None,
    ) -> None:
        self._watch = MatchWatch(config.job, collect_s)
        names = [p.name for p in self._watch.probes]
        self._show, self._note, self._complain = show, note, complain
        self._clock = clock or clock_for(config)
        self._woken, self._stopped = asyncio.Event(), asyncio.Event()
        self._collector = Collector(self._clock, names, wake=self._woken.set)
        mine = tuple(p for p in config.probes if p.name in names)
        self._drivers = build_drivers(replace(config, probes=mine), self._collector, self._clock)
        self._start_ns = self._clock.now_ns()
        self._heard = False
        self.stuck: list[str] = []  # drivers that did not end when told to

    def stop(self) -> None:
        """End now, without a result."""
        self._stopped.set()
        self._woken.set()

    async def go(self) -> Match:
        """Run until there is a verdict, the sources end, or ``stop``."""
        tasks = [asyncio.create_task(self._run(name, d), name=name) for name, d in self._drivers.items()]
        try:
            while self._watch.result is None and not self._stopped.is_set():
                ended = all(task.done() for task in tasks)
                self._drain()
                if ended or self._speechless():
                    break
                self._show(self._watch.progress())
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(LOOK_S):
                        await self._woken.wait()
                if not self._woken.is_set():
                    self._collector.tick()
                self._woken.clear()
        finally:
            await self._end(tasks)
        if self._stopped.is_set() and self._watch.result is None:
            return Match(reason="Ended before the match was done.")
        if not self._heard and self._watch.result is None:
            return Match(
                reason="No probe gave a reading: switch them on, bring them near, try riselog check."
            )
        return self._watch.finish()

    def _drain(self) -> None:
        """Everything that waits, in order."""
        for record in self._collector.take():
            if isinstance(record, Reading):
                self._heard = True
                self._watch.update(record)
            elif isinstance(record, Noted):
                self._note(record.event)
            else:
                self._watch.advance(record.t_ns)

    def _speechless(self) -> bool:
        """No probe at all has spoken for too long: the core's time has not even begun."""
        return not self._heard and self._clock.now_ns() - self._start_ns > FIRST_WORD_S * NS_PER_S

    async def _run(self, name: str, driver: Source) -> None:
        try:
            await driver.run()
        except RiselogError as error:
            self._complain(f"driver '{name}': {said(error)}")
        except Exception as error:  # noqa: BLE001 - a plug-in may fail in any way
            where = log_fault(error, f"driver {name}")
            self._complain(
                f"driver '{name}' broke ({type(error).__name__}: {error}); report it to {author(name)}; "
                f"details: {where}"
            )
        finally:
            self._woken.set()

    async def _end(self, tasks: list[asyncio.Task[None]]) -> None:
        for task in tasks:
            task.cancel()
        if tasks:
            _done, stuck = await asyncio.wait(tasks, timeout=CLEAN_UP_S)
            self.stuck = sorted(task.get_name() for task in stuck)
