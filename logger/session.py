"""One live run: drivers -> collector -> core -> store, until something ends it.

The session knows neither screen nor signals: ``stop`` ends it, a listener is told.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Protocol

from logger.clock import Clock
from logger.collect import Collector, Noted, Record
from logger.core.errors import DriverError, RiselogError
from logger.core.readings import NS_PER_S
from logger.core.snapshot import Event, Phase, Snapshot
from logger.driver_api import Source
from logger.feed import Feed
from logger.plugins import author
from logger.silence import NO_READINGS, Silence
from logger.store.records import Batch

if TYPE_CHECKING:
    from logger.core.firing import Firing
    from logger.core.pipeline import Pipeline

COMMIT_S = 1.0  # wall time between commits: design
CLEAN_UP_S = 15.0  # wall time a driver has to end when told to: more than its radio's own time-outs together
QUIET_NS = NS_PER_S  # reading time without a reading after which a tick moves the core on; assumed


class EndReason(StrEnum):
    """Why a run ended."""

    ENDED = "ended"  # every source came to its end (a scenario)
    TIME = "time"  # --for
    RESULT = "result"  # --until result
    STOPPED = "stopped"  # by a key or a signal
    NO_SOURCE = "no-source"  # no driver was left that could work
    FAULT = "fault"  # an internal fault
    INTERRUPTED = "interrupted"  # the process died; marked by the next one


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What ends a run by itself; ``remaining`` is the residual asked of a settled result."""

    for_ns: int | None = None
    until_result: bool = False
    remaining: float = 0.01


Listener = Callable[[Snapshot, Sequence[Event]], None]
"""Who is shown what happens: a picture once a second of reading time and on events. Must not wait."""


class Keeper(Protocol):
    """The store as the session sees it: takes batches, never waits."""

    def begin(self, started_utc_us: int) -> None:
        """The run's first reading has come."""
        ...

    def keep(self, batch: Batch, *, flush: bool) -> None:
        """Queue one batch for the next commit, or for one at once."""
        ...


class Session:
    """Runs the drivers and feeds the core until an end; to finish the core is the caller's next step."""

    def __init__(
        self,
        *,
        pipeline: Pipeline,
        collector: Collector,
        clock: Clock,
        feed: Feed,
        keeper: Keeper,
        limits: Limits,
        listener: Listener,
        silent_after_s: float = math.inf,
        on_firing: Callable[[Firing], None] = lambda _firing: None,
        pause: Callable[[float], Awaitable[None]] = asyncio.sleep,
        log: Callable[[BaseException, str], str] = lambda _error, _what: "",
    ) -> None:
        self._pipeline = pipeline
        self._collector = collector
        self._clock = clock
        self._feed = feed
        self._keeper = keeper
        self._limits = limits
        self._listener: Listener | None = listener
        self._on_firing = on_firing
        self._pause = pause
        self._log = log
        self._wake = asyncio.Event()
        self._end: EndReason | None = None
        self._begun = False
        self._started_ns = clock.now_ns()
        self._next_look_ns = 0
        self._alive = 0
        self._fault: Exception | None = None
        self._silence = Silence(silent_after_s)
        self.stuck: list[str] = []  # drivers that did not end when told to
        self.fatal: Exception | None = None  # the first failure of a driver
        self.snapshot: Snapshot = pipeline.snapshot(0)

    def wake(self) -> None:
        """Something waits in the collector."""
        self._wake.set()

    def stop(self, reason: EndReason) -> None:
        """End in order; the first reason counts."""
        if self._end is None:
            self._end = reason
        self._wake.set()

    def mark(self, text: str) -> None:
        """An operator's mark with a note."""
        self._collector.note("mark", text or "marked")

    async def run(self, drivers: Mapping[str, Source]) -> EndReason:
        """Run until the end; everything that was queued by then is fed and handed to the store.

        An exception of the core comes out of here, after every reading was handed to the store.
        """
        self._alive = len(drivers)
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(self._source(name, d)) for name, d in drivers.items()]
            tasks.append(group.create_task(self._keep_time()))
            await self._work()
            for task in tasks:
                task.cancel()
        self._drain_safely()
        self._hand_over(flush=True)
        if self._fault is not None:
            raise self._fault
        return self._end or EndReason.ENDED

    async def _work(self) -> None:
        while self._end is None:
            await self._wake.wait()
            self._wake.clear()
            self._drain_safely()

    def _drain_safely(self) -> None:
        """After a fault of the core the rest of the readings goes to the store as it is."""
        if self._fault is not None:
            self._begin()
            self._feed.keep_raw(self._within(self._collector.take()))
            return
        try:
            self._drain()
        except Exception as error:  # noqa: BLE001 - raised again by run, when the readings are safe
            self._fault = error
            self.stop(EndReason.FAULT)

    async def _source(self, name: str, driver: Source) -> None:
        """One driver; its end, or its failure, ends the run only when no other is left."""
        reason = EndReason.ENDED
        try:
            await self._until_done(name, driver)
        except RiselogError as error:
            reason = EndReason.NO_SOURCE
            self.fatal = self.fatal or error
            code = "driver-failed" if isinstance(error, DriverError) else "driver-refused"
            self._collector.note(code, f"driver '{name}': {error}")
        except Exception as error:  # noqa: BLE001 - a plug-in may fail in any way
            reason = EndReason.NO_SOURCE
            self.fatal = self.fatal or error
            where = self._log(error, f"driver {name}")
            self._collector.note(
                "driver-fault",
                f"driver '{name}' broke ({type(error).__name__}: {error}) and delivers no more; "
                f"the others go on; details: {where}",
            )
        self._alive -= 1
        if self._alive == 0:
            self.stop(reason)

    async def _until_done(self, name: str, driver: Source) -> None:
        """A driver as a task of its own: one that does not end when told to holds nobody up."""
        task = asyncio.ensure_future(driver.run())
        try:
            await asyncio.wait([task])
        except asyncio.CancelledError:
            task.cancel()
            done, _ = await asyncio.wait([task], timeout=CLEAN_UP_S)
            if not done:
                self.stuck.append(name)
            elif not task.cancelled():
                task.exception()  # seen: what a driver says on its way out changes nothing
            raise
        if task.cancelled():
            raise DriverError(f"driver '{name}' gave up without a reason; report it to {author(name)}")
        task.result()

    async def _keep_time(self) -> None:
        """Commits, and ticks where no reading comes, by the wall clock."""
        while True:
            await self._pause(COMMIT_S)
            elapsed_ns = self._collector.elapsed_ns()
            if elapsed_ns - (self._feed.last_t_ns or 0) > QUIET_NS:
                self._collector.tick()
            if self._silence.look(elapsed_ns, self._feed.last_t_ns):
                self._collector.note("no-readings", NO_READINGS)
            if not self._begun and self._limits.for_ns is not None:
                self._end_if_silent(self._limits.for_ns)
            self._hand_over(flush=True)

    def _end_if_silent(self, for_ns: int) -> None:
        if self._clock.now_ns() - self._started_ns >= for_ns:
            self.stop(EndReason.TIME)

    def _within(self, records: Sequence[Record]) -> list[Record]:
        """What belongs to the run: up to ``--for``; what comes later is after its end."""
        for_ns = self._limits.for_ns
        if for_ns is None:
            return list(records)
        kept: list[Record] = []
        for record in records:
            t_ns = record.event.t_ns if isinstance(record, Noted) else record.t_ns
            if t_ns >= for_ns:
                self.stop(EndReason.TIME)
            if t_ns > for_ns:
                break
            kept.append(record)
        return kept

    def _drain(self) -> None:
        """Feed what waits; on an event it goes to the store at once."""
        records = self._within(self._collector.take())
        if not records:
            return
        self._begin()
        events = self._feed.feed(records)
        firings = self._pipeline.take_firings()
        for firing in firings:
            self._on_firing(firing)
        last = records[-1]
        t_ns = last.event.t_ns if isinstance(last, Noted) else last.t_ns
        if not events and not firings and t_ns < self._next_look_ns:
            return
        self._next_look_ns = t_ns + NS_PER_S
        self.snapshot = self._silence.shown(self._pipeline.snapshot(t_ns), self._feed.last_t_ns)
        if self._limits.until_result:
            self._end_on_result(firings)
        if events or firings:
            self._hand_over(flush=True)
        self.show(events)

    def _begin(self) -> None:
        """Before the first reading is fed: a core that breaks on it must not cost it."""
        if not self._begun and self._collector.start_utc_us is not None:
            self._keeper.begin(self._collector.start_utc_us)
            self._begun = True

    def show(self, events: Sequence[Event]) -> None:
        """Show what is new; a picture that breaks is told once, and the logging goes on without it."""
        if self._listener is None:
            return
        try:
            self._listener(self.snapshot, events)
        except Exception as error:  # noqa: BLE001 - no picture is no reason for no run
            self._listener = None
            where = self._log(error, "showing the run")
            self._collector.note(
                "screen-trouble",
                f"the run cannot be shown any more ({type(error).__name__}: {error}); it goes on and is "
                f"stored; details: {where}",
            )

    def _end_on_result(self, firings: Sequence[Firing]) -> None:
        """A stretch that is settled ends the run; so does one that ended before it was, told so."""
        shot = self.snapshot
        bound = shot.residual_bound
        settled = shot.phase is Phase.STEADY and shot.held_s >= shot.hold_s
        if settled and bound is not None and bound < self._limits.remaining:
            self.stop(EndReason.RESULT)
            return
        if any(firing.stretches for firing in firings):
            self._collector.note(
                "result-not-settled",
                f"the steady stretch ended before its slow part was below {self._limits.remaining:.1%}: "
                "its doubt is in the budget; let the unit stay on longer for a narrower result",
            )
            self.stop(EndReason.RESULT)

    def _hand_over(self, *, flush: bool) -> None:
        """Readings first, then what was derived from them: one batch."""
        if not self._begun:
            return
        self._keeper.keep(self._feed.batch(self.snapshot), flush=flush)
