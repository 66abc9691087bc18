"""A session with all that stands around it: store, signals, screen, and the end in order."""

from __future__ import annotations

import asyncio
import os
import sys
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from typing import Any

from logger.clock import utc_text
from logger.collect import Collector, Noted
from logger.config.load import LoadedConfig
from logger.core.errors import RiselogError, StoreError
from logger.core.firing import Firing
from logger.core.pipeline import Outcome, Pipeline
from logger.core.readings import NS_PER_S
from logger.core.result import RunFacts, result_document
from logger.core.snapshot import Event, Snapshot
from logger.documents import exit_code, firing_result, json_text, new_run_id, print_result, run_header
from logger.faults import ENDED_AT_ONCE, complain, internal_fault, log_fault, said
from logger.feed import Feed
from logger.keeper import StoreKeeper
from logger.screen.live import LiveScreen, can_show
from logger.screen.model import Command, CommandKind, DashboardView, ScreenState
from logger.screen.plain import PlainLines, write_lines
from logger.session import EndReason, Limits, Session
from logger.signals import signals
from logger.sources import build_drivers, clock_for
from logger.store import StoreWriter

HURRY_S = 2.0  # wall time for the way out after a second Ctrl-C; assumed
EVENTS_SHOWN = 50  # newest events kept for the dashboard; assumed: more than any terminal has lines


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How a run is shown."""

    dashboard: bool
    json: bool


class LiveRun:
    """One run from its drivers to its result document."""

    def __init__(self, config: LoadedConfig, writer: StoreWriter, limits: Limits, manner: Manner) -> None:
        self.config, self.manner = config, manner
        self.run = new_run_id()
        self._loop = asyncio.get_running_loop()
        self.clock = clock_for(config)
        self.pipeline = Pipeline(config.job)
        self.collector = Collector(self.clock, [p.name for p in config.probes], wake=self._wake)
        self.keeper = StoreKeeper(writer, run_header(config, self.run), self._tell)
        self._writer = writer
        self.feed = Feed(self.pipeline, self.run, self.collector.next_seq)
        self.session = Session(
            pipeline=self.pipeline,
            collector=self.collector,
            clock=self.clock,
            feed=self.feed,
            keeper=self.keeper,
            limits=limits,
            listener=self._show,
            on_firing=self._keep_firing,
            log=log_fault,
        )
        self._drivers = build_drivers(config, self.collector, self.clock)
        self._events: deque[Event] = deque(maxlen=EVENTS_SHOWN)
        self._plain: PlainLines | None = PlainLines(config.units)
        self._screen: LiveScreen | None = None
        self._leaving: asyncio.Task[None] | None = None
        self.interrupt: Callable[[], None] = lambda: self.session.stop(EndReason.STOPPED)

    async def go(self) -> tuple[dict[str, Any], EndReason]:
        """Run, end in order, store the result; the result document."""
        async with AsyncExitStack() as stack:
            if self.manner.dashboard:
                self._plain = None
                self._screen = LiveScreen(
                    self._view, self._key, on_trouble=self._trouble, units=self.config.units
                )
                await stack.enter_async_context(self._screen)
            reason = await self.session.run(self._drivers)
        return await self._finish(reason), reason

    def leave_screen(self) -> None:
        """Give the terminal back now, whatever still runs."""
        if self._screen is not None:
            self._leaving = self._loop.create_task(self._screen.__aexit__(None, None, None))

    async def abandon(self) -> None:
        """After a fault of the core: what was read is stored, without a result."""
        await asyncio.to_thread(self.keeper.stop)
        if not self.keeper.begun:
            return
        try:
            self._writer.end_run(self.run, self.clock.utc_us(), EndReason.FAULT, None)
        except StoreError as error:
            complain(said(error))
            return
        complain(
            f"the readings of run {self.run} are stored; `riselog replay {self.run}` computes them again"
        )

    async def _finish(self, reason: EndReason) -> dict[str, Any]:
        outcome = self.pipeline.finish()
        fresh = self.feed.keep_last(outcome.events)
        for firing in self.pipeline.take_firings():
            self._keep_firing(firing)
        if self.keeper.begun:
            self.keeper.keep(self.feed.batch(self.pipeline.snapshot(self.feed.last_t_ns or 0)), flush=True)
        self._print(self.session.snapshot, fresh)
        await asyncio.to_thread(self.keeper.stop)
        await asyncio.sleep(0)  # what the store said at its end comes through the loop
        for late in self.collector.take():
            if isinstance(late, Noted):
                complain(late.event.text)
        ended_utc_us = self.clock.utc_us()
        document = self._document(outcome, reason, ended_utc_us, stored=self.keeper.begun)
        if not self.keeper.begun:
            return document
        try:
            if self.keeper.failed():
                raise StoreError(self.keeper.failed())  # noqa: TRY301 - one way out for both
            self._writer.end_run(self.run, ended_utc_us, reason, json_text(document))
        except StoreError as error:
            complain(f"the result is not stored: {said(error)}")
            document = self._document(outcome, reason, ended_utc_us, stored=False)
        return document

    def _document(
        self, outcome: Outcome, reason: EndReason, ended_utc_us: int, *, stored: bool
    ) -> dict[str, Any]:
        return result_document(outcome, self._facts(reason, ended_utc_us, stored=stored))

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
            readings_stored=max(0, self.feed.stored - lost) if self.keeper.begun else 0,
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
        self._print(snapshot, events)
        if events and self._screen is not None:
            self._screen.poke()

    def _print(self, snapshot: Snapshot, events: Sequence[Event]) -> None:
        """Plain lines; a reader that has gone away does not end the logging."""
        if self._plain is None:
            return
        try:
            out = sys.stderr if self.manner.json else sys.stdout
            write_lines(self._plain.update(snapshot, events), out)
        except (OSError, ValueError):
            self._plain = None

    def _view(self, state: ScreenState) -> DashboardView:
        snapshot = self.session.snapshot
        sim = self.config.sim
        return DashboardView(
            snapshot=snapshot,
            job=self.config.job.name,
            state=state,
            events=tuple(self._events),
            store=self.keeper.state(),
            simulated=self.config.simulated,
            elapsed_s=self.collector.elapsed_ns() / NS_PER_S,
            speed=sim.speed if sim else 1.0,
        )

    def _key(self, command: Command) -> None:
        if command.kind is CommandKind.END:
            self.session.stop(EndReason.STOPPED)
        elif command.kind is CommandKind.INTERRUPT:
            self.interrupt()
        elif command.kind is CommandKind.MARK:
            self.session.mark(command.text)


async def run_live(config: LoadedConfig, writer: StoreWriter, limits: Limits, manner: Manner) -> int:
    """One live run with its signals; prints the result; the exit code."""
    live = LiveRun(config, writer, limits, manner)
    main = asyncio.current_task()
    hurry = False

    def at_once() -> None:
        nonlocal hurry
        hurry = True
        live.leave_screen()
        asyncio.get_running_loop().call_later(HURRY_S, os._exit, ENDED_AT_ONCE)
        if main is not None:
            main.cancel()

    try:
        with signals(live.interrupt, at_once, terminal=manner.dashboard) as ask:
            live.interrupt = ask
            document, reason = await live.go()
    except asyncio.CancelledError:
        if not hurry:
            raise
        complain(
            f"ended at once; the readings of run {live.run} are stored up to the last commit, and the next "
            "run of this job computes their result"
        )
        sys.stdout.flush()
        os._exit(ENDED_AT_ONCE)  # a disk that hangs must not hold the end up
    except Exception:
        await live.abandon()
        raise
    code = _close(live, document, reason)
    if live.session.stuck:
        complain(f"driver {', '.join(live.session.stuck)} did not end when told to; report it to its author")
        writer.close()
        sys.stdout.flush()
        os._exit(code)  # the loop would wait for that driver
    return code


def _close(live: LiveRun, document: dict[str, Any], reason: EndReason) -> int:
    """Show the result and say what went wrong; the exit code."""
    fatal = live.session.fatal if reason is EndReason.NO_SOURCE else None
    if fatal is not None and not live.keeper.begun:
        if isinstance(fatal, RiselogError):
            raise fatal
        return internal_fault(fatal, "run")
    print_result(document, live.config.units, json=live.manner.json, where=str(live.keeper.state().path))
    if isinstance(fatal, RiselogError):
        complain(said(fatal))
        return fatal.exit_code
    if fatal is not None:
        return internal_fault(fatal, "run")
    if live.keeper.begun and not document["stored"]:
        return StoreError.exit_code
    return exit_code(document)


def dashboard_wanted(*, headless: bool, json: bool) -> bool:
    """Whether to draw: asked for, and there is a terminal for it."""
    return not headless and not json and can_show()
