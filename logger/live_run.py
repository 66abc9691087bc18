"""A session with all that stands around it: store, signals, screen, and the end in order."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from functools import partial
from typing import Any

from logger.attendance import Attendance
from logger.clock import utc_text
from logger.collect import Collector, Noted
from logger.config.load import LoadedConfig
from logger.core.firing import Firing
from logger.core.pipeline import Pipeline
from logger.core.readings import NS_PER_S
from logger.core.result import RunFacts, result_document
from logger.core.snapshot import Event, Snapshot
from logger.core.watch import silent_after_s
from logger.documents import firing_result, json_text, new_run_id, run_header
from logger.faults import log_fault
from logger.feed import Feed
from logger.keeper import StoreKeeper
from logger.logs import JsonLines
from logger.notify import Notifier, heartbeat
from logger.outlet import Outlet
from logger.publish.live import Health
from logger.publish.run import RunPublisher
from logger.retention import HOLD_S, Retainer, Rules
from logger.screen.live import LiveScreen
from logger.screen.model import Command, CommandKind, DashboardView, ScreenState
from logger.screen.plain import PlainLines, minute_line
from logger.session import EndReason, Limits, Session
from logger.sources import MAIN_THEN_WELCOME, build_drivers, clock_for
from logger.store import RunEnd, StoreWriter

DROPPED_TOLD = 20  # pictures skipped, 10 s of them, from which on it is worth a word; assumed
EVENTS_SHOWN = 50  # newest events kept for the dashboard; assumed: more than any terminal has lines


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How a run is shown."""

    dashboard: bool
    json: bool
    log: str = "plain"  # one of ``logger.logs.FORMS``: the lines where no dashboard is


class LiveRun:
    """One run from its drivers to its result document."""

    def __init__(self, config: LoadedConfig, writer: StoreWriter, limits: Limits, manner: Manner) -> None:
        self.config, self.manner = config, manner
        self.run = new_run_id()
        self._loop = asyncio.get_running_loop()
        self.clock = clock_for(config)
        self.pipeline = Pipeline(config.job)
        self.collector = Collector(self.clock, [p.name for p in config.probes], wake=self._wake)
        self.publisher = RunPublisher(
            config,
            self.run,
            writer.path,
            wanted=MAIN_THEN_WELCOME,
            tell=self._tell,
            keep=lambda batch: self.keeper.deliver(batch),  # noqa: PLW0108 - made next
        )
        self.keeper = StoreKeeper(
            writer,
            run_header(config, self.run),
            self._tell,
            broker=self.publisher.broker,
            broker_words=self.publisher.words,
            on_commit=self.publisher.committed,
        )
        self.feed = Feed(self.pipeline, self.run, self.collector.next_seq)
        self.outlet = self._outlet()
        self.session = Session(
            pipeline=self.pipeline,
            collector=self.collector,
            clock=self.clock,
            feed=self.feed,
            keeper=self.keeper,
            limits=limits,
            listener=self._show,
            silent_after_s=silent_after_s(config.job),
            on_firing=self._keep_firing,
            log=log_fault,
        )
        self._drivers = build_drivers(config, self.collector, self.clock)
        self._events: deque[Event] = deque(maxlen=EVENTS_SHOWN)
        self._screen: LiveScreen | None = None
        self._leaving: asyncio.Task[None] | None = None
        self.interrupt: Callable[[], None] = self.stop

    def _outlet(self) -> Outlet:
        config, manner, utc_us = self.config, self.manner, self.clock.utc_us
        log = JsonLines(config.job.name, self.run, config.units, utc_us) if manner.log == "json" else None
        lines = None if manner.dashboard else PlainLines(config.units, utc_us)
        return Outlet(config.units, json=manner.json, lines=lines, log=log)

    def stop(self) -> None:
        """End in order: a signal or a key asks for it."""
        self.session.stop(EndReason.STOPPED)
        self.outlet.hurry()

    async def go(self) -> tuple[dict[str, Any], EndReason]:
        """Run, end in order, store the result; the result document."""
        self.publisher.start()
        async with self._attendance() as attendance:
            reason = await self._measure()
            await attendance.ending()
            return await self._finish(reason), reason

    def _attendance(self) -> Attendance:
        """The service manager hears that the run is well; old runs let go of what the config says."""
        notifier = Notifier()
        beat = partial(
            heartbeat,
            notifier,
            alive=self.keeper.fresh,
            state=lambda: minute_line(self.session.snapshot, self.config.units),
        )
        retainer = Retainer(
            self.keeper.path,
            self.run,
            self._rules(),
            self.keeper,
            self.outlet.complain,
        )
        return Attendance(notifier, beat, [retainer.go], self.outlet.complain)

    def _rules(self) -> Rules:
        mqtt = self.config.mqtt
        hold_s = HOLD_S if mqtt is None else mqtt.keep
        return Rules(retention=self.config.retention, broker=self.publisher.broker, hold_s=hold_s)

    async def _measure(self) -> EndReason:
        """The run itself, with its screen."""
        async with AsyncExitStack() as stack:
            if self.manner.dashboard:
                self._screen = LiveScreen(
                    self._view,
                    self._key,
                    on_trouble=self._trouble,
                    print_lines=self.outlet.lines,
                    units=self.config.units,
                )
                await stack.enter_async_context(self._screen)
            reason = await self.session.run(self._drivers)
        if self._screen is not None and self._screen.dropped >= DROPPED_TOLD:
            self.outlet.complain(
                f"{self._screen.dropped} pictures of the dashboard were skipped, the terminal was too slow "
                "for them; the readings do not go that way"
            )
        return reason

    def leave_screen(self) -> None:
        """Give the terminal back now, whatever still runs."""
        if self._screen is not None:
            self._leaving = self._loop.create_task(self._screen.__aexit__(None, None, None))

    async def abandon(self) -> None:
        """After a fault of the core: what was read is stored, without a result."""
        if self.keeper.begun:
            self.keeper.end(RunEnd(ended_utc_us=self.clock.utc_us(), end_reason=EndReason.FAULT))
        await self._stop_storing()
        lost = self.keeper.lost()
        what = f"all but {lost} of the readings" if lost else "the readings"
        if failed := self.keeper.failed():
            self.outlet.complain(f"the run cannot be stored to its end: {failed}")
        elif self.feed.stored > lost:
            self.outlet.complain(
                f"{what} of run {self.run} are stored; `riselog replay {self.run}` computes them again"
            )

    async def _finish(self, reason: EndReason) -> dict[str, Any]:
        """The core's end, after the last word of the store; the run's end is the last that is stored."""
        if self.keeper.begun:
            await self.keeper.settled()
            if gap := self.keeper.gap():
                self.collector.note("storage-gap", gap)
        self.collector.sum_up()
        await asyncio.sleep(0)  # what the store said meanwhile comes through the loop
        told = self.feed.feed(r for r in self.collector.take() if isinstance(r, Noted))
        outcome = self.pipeline.finish()
        fresh = self.feed.keep_last(outcome.events)
        for firing in self.pipeline.take_firings():
            self._keep_firing(firing)
        self.session.show((*told, *fresh))
        ended_utc_us = self.clock.utc_us()
        document = result_document(outcome, self._facts(reason, ended_utc_us, stored=self.keeper.begun))
        if not self.keeper.begun:
            await self._stop_storing()
            return document
        self.keeper.keep(self.feed.batch(self.pipeline.snapshot(self.feed.last_t_ns or 0)), flush=False)
        end = RunEnd(ended_utc_us=ended_utc_us, end_reason=reason, result_json=json_text(document))
        self.keeper.end(end)
        await self._stop_storing()
        await asyncio.sleep(0)
        for late in self.collector.take():
            if isinstance(late, Noted):
                self.outlet.complain(late.event.text)
        if failed := self.keeper.failed():
            self.outlet.complain(f"the result is not stored: {failed}")
            return result_document(outcome, self._facts(reason, ended_utc_us, stored=False))
        return document

    async def _stop_storing(self) -> None:
        """The rest goes to the store, then from there to the broker, as far as it takes it."""
        self.publisher.hold()
        await self.keeper.stop()
        answered, left = await self.publisher.finish()
        for sentence in (left, await self.keeper.deliver_last(answered)):
            if sentence:
                self.outlet.complain(sentence)

    def _publish(self, snapshot: Snapshot) -> None:
        """The newest picture for the broker; it is dropped where the broker is too slow for it."""
        state = self.keeper.state()
        health = Health(store=state.text, commit_age_s=state.committed_age_s, lost_to_storage=state.lost)
        self.publisher.show(snapshot, self.collector.start_utc_us, health)

    def _facts(self, reason: str, ended_utc_us: int, *, stored: bool) -> RunFacts:
        lost = self.keeper.lost()
        start_us = self.collector.start_utc_us
        return RunFacts(
            run=self.run,
            simulated=self.config.simulated,
            stored=stored,
            started_utc=utc_text(ended_utc_us if start_us is None else start_us),
            ended_utc=utc_text(ended_utc_us),
            end_reason=reason,
            readings_stored=self.feed.stored - lost if self.keeper.begun else 0,
            readings_flagged=self.feed.flagged,
            readings_lost=lost,
        )

    def _keep_firing(self, firing: Firing) -> None:
        """The result of one firing is stored as soon as the firing is complete."""
        facts = self._facts("running", self.clock.utc_us(), stored=True)
        self.feed.keep_result(firing_result(self.pipeline, firing, facts), self.feed.last_t_ns or 0)

    def _wake(self) -> None:
        self.session.wake()

    def _tell(self, code: str, text: str) -> None:
        """The store's word, from whichever thread, into the one queue."""
        self._loop.call_soon_threadsafe(self.collector.note, code, text)

    def _trouble(self, text: str) -> None:
        self.collector.note("screen-trouble", text)

    def _show(self, snapshot: Snapshot, events: Sequence[Event]) -> None:
        self._events.extend(events)
        self.outlet.picture(snapshot, events)
        self._publish(snapshot)
        if events and self._screen is not None:
            self._screen.poke()

    def _view(self, state: ScreenState) -> DashboardView:
        snapshot = self.session.snapshot
        sim = self.config.sim
        return DashboardView(
            snapshot=snapshot,
            job=self.config.job.name,
            state=state,
            events=tuple(self._events),
            store=self.keeper.state(),
            broker=self.publisher.words(),
            simulated=self.config.simulated,
            elapsed_s=self.collector.elapsed_ns() / NS_PER_S,
            speed=sim.speed if sim else 1.0,
        )

    def _key(self, command: Command) -> None:
        if command.kind is CommandKind.END:
            self.stop()
        elif command.kind is CommandKind.INTERRUPT:
            self.interrupt()
        elif command.kind is CommandKind.MARK:
            self.session.mark(command.text)
