"""``riselog watch``: the dashboard of a logger that runs elsewhere, from its store alone.

Every look is a read-only connection that is closed again: the logger does not notice, and a terminal
that is paused holds nothing. What is shown is what is committed, at most a second old.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import sys
from dataclasses import dataclass
from pathlib import Path

from logger.clock import SystemClock, utc_text
from logger.config.load import LoadedConfig, load_config, loads_config
from logger.core.errors import ConfigError, StoreError, UsageError
from logger.core.readings import NS_PER_S
from logger.core.snapshot import TRACE_COLUMNS, Event, Phase, Snapshot
from logger.faults import complain, said
from logger.screen.history import IDLE_S, LEAD_S, History
from logger.screen.live import LiveScreen, can_show
from logger.screen.model import Command, CommandKind, DashboardView, HistoryPoint, ScreenState, StoreState
from logger.screen.printer import LinePrinter
from logger.signals import signals
from logger.store import StoreHeldError, all_stores
from logger.store.lock import refuse_held
from logger.store.records import TraceRow
from logger.store.watched import WatchedReader
from logger.stored import job_store
from logger.text import clean_text

LOOK_S = 0.5  # wall time between looks: design, 2 Hz
EVENTS_SHOWN = 50  # newest events; assumed: more than any terminal has lines
STALE_S = 10.0  # wall time without a commit that is worth a word; assumed: one is due every second
_LOGGERS = ("riselog run", "riselog demo")  # commands that log; others hold a store for a moment
_PHASES = tuple(Phase)
_COLUMN = {name: place for place, name in enumerate(TRACE_COLUMNS)}


def watch_command(config_path: Path | None) -> int:
    """Body of ``riselog watch``; the exit code."""
    path = _find() if config_path is None else job_store(load_config(config_path, None))
    if not logger_of(path):
        raise StoreError(
            f"no logger runs on {path}; `riselog run` starts one, `riselog runs` lists what is stored"
        )
    complain(asyncio.run(_watch(Watcher(path))))
    return 0


def logger_of(path: Path) -> StoreHeldError | None:
    """Who logs to a store at this moment: the refusal that another writer would get; or None."""
    try:
        refuse_held(path)
    except StoreHeldError as held:
        return held if not held.command or held.command.startswith(_LOGGERS) else None
    return None


def _find() -> Path:
    """The store of the one logger that runs here."""
    live = [(path, held) for path in all_stores() if (held := logger_of(path))]
    if not live:
        raise StoreError("no logger runs here; `riselog run CONFIG` starts one")
    if len(live) > 1:
        which = "; ".join(f"pid {held.pid} ({held.command}) on {path}" for path, held in live)
        raise UsageError(f"{len(live)} loggers run here, name the config of one: {which}")
    return live[0][0]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    """What stays the same while a run is watched."""

    run: str
    job: str
    simulated: bool
    units: str
    speed: float | None
    started_utc_us: int

    def words(self) -> str:
        """Who is watched, since when."""
        since = utc_text(self.started_utc_us)[:19].replace("T", " ")
        job = clean_text(self.job) + (" (simulated)" if self.simulated else "")
        return f"watching run {self.run} of job {job}, begun {since} UTC"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Newest:
    """What one look found."""

    snapshot: Snapshot
    events: tuple[Event, ...]
    broker: str
    lost: int
    age_s: float | None


class Watcher:
    """Looks at a store; ``ended`` says why there is nothing more to see, once there is not."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.shown: tuple[_Run, _Newest] | None = None
        self.ended = ""
        self.trouble = ""
        self._run: _Run | None = None
        self._history = History()
        self._place = -1
        self._pid = 0  # of the logger at the look before

    def look(self) -> None:
        """One look; never raises for a store that cannot be read now."""
        held = logger_of(self.path)  # first: a run's end is stored before the logger lets go
        pid = held.pid if held is not None else 0
        restarted = 0 not in (pid, self._pid) and pid != self._pid
        self._pid = pid
        try:
            with WatchedReader(self.path) as reader:
                self._read(reader, settling=held is not None and not restarted)
            self.trouble = ""
        except (StoreError, OSError) as error:
            self.trouble = said(error) if isinstance(error, StoreError) else f"{self.path}: {error.strerror}"
        if not self.ended and (held is None or restarted):
            self.ended = self._gone(pid)

    def _gone(self, pid: int) -> str:
        """The logger has ended, and the run that was watched has not; ``pid`` is another logger's, or 0."""
        if pid:
            return f"the logger has ended and another was started (pid {pid}); `riselog watch` shows its run"
        if self._run is None:
            return "the logger has ended; `riselog runs` lists what is stored"
        return (
            f"the logger is gone and run {self._run.run} has no end; the next `riselog run` of the job "
            "settles it"
        )

    def _read(self, reader: WatchedReader, *, settling: bool) -> None:
        if self._run is not None and (reason := reader.end_reason(self._run.run)) is not None:
            if reason == "interrupted" and settling:  # cut off long ago: the logger was settling it
                self._run, self._history, self._place = None, History(), -1
            else:
                self.ended = _end_sentence(reader, self._run.run, reason)
        if self._run is None:
            self._run = _open_run(reader)
        if self._run is not None:
            self._read_run(reader, self._run)

    def _read_run(self, reader: WatchedReader, known: _Run) -> None:
        run = known.run
        snapshot = reader.snapshot(run)
        if snapshot is None:
            return
        rows, self._place = reader.newest_trace(run, self._place, _rows_wanted(snapshot))
        for row in rows:
            self._history.add(_point(row), snapshot.firing_start_s)
        newest = _Newest(
            snapshot=snapshot,
            events=tuple(stored.event for stored in reader.newest_events(run, EVENTS_SHOWN)),
            broker=reader.broker_words(run),
            lost=sum(gap.count for gap in reader.storage_gaps(run)),
            age_s=_commit_age_s(self.path),
        )
        self.shown = known, newest

    def view(self, state: ScreenState) -> DashboardView:
        """The frame of the newest look; there must have been a picture."""
        assert self.shown is not None
        run, newest = self.shown
        text = self.trouble or _store_trouble(newest)
        return DashboardView(
            snapshot=newest.snapshot,
            job=run.job,
            state=state,
            history=self._history.get(),
            events=newest.events,
            store=StoreState(
                ok=not text,
                path=str(self.path),
                committed_age_s=newest.age_s,
                lost=newest.lost,
                text=text,
            ),
            broker=newest.broker or "not configured",
            simulated=run.simulated,
            elapsed_s=newest.snapshot.t_ns / NS_PER_S,
            speed=run.speed,
        )


def _open_run(reader: WatchedReader) -> _Run | None:
    run = reader.open_run()
    if run is None:
        return None
    header = reader.header(run)
    config: LoadedConfig | None = None
    with contextlib.suppress(ConfigError):  # of another version: its picture can be shown all the same
        config = loads_config(header.config_text, f"config of run {run}", None, stored=header.files)
    return _Run(
        run=run,
        job=header.job,
        simulated=header.simulated,
        units="us" if config is None else config.units,
        speed=config.sim.speed if config is not None and config.sim else 1.0,
        started_utc_us=header.started_utc_us,
    )


def _end_sentence(reader: WatchedReader, run: str, reason: str) -> str:
    verdict = next((row.verdict for row in reader.runs(count=False) if row.run == run), None)
    return (
        f"run {run} has ended ({clean_text(reason)}): {clean_text(str(verdict or 'no verdict'))}; "
        f"`riselog report {run}` shows it"
    )


def _rows_wanted(snapshot: Snapshot) -> int:
    """Rows of the trace, one a second at most, that the plot can have use for."""
    t_s, start_s = snapshot.t_ns / NS_PER_S, snapshot.firing_start_s
    return math.ceil(IDLE_S if start_s is None else max(t_s - start_s, 0.0) + LEAD_S) + 1


def _point(row: TraceRow) -> HistoryPoint:
    t_s, phase = row[_COLUMN["t_s"]], row[_COLUMN["phase"]]
    return HistoryPoint(
        t_s or 0.0,
        row[_COLUMN["return_c"]],
        row[_COLUMN["supply_c"]],
        row[_COLUMN["rise_k"]],
        _PHASES[int(phase or 0)],
    )


def _commit_age_s(path: Path) -> float | None:
    """Wall time since the log beside the store was written to."""
    try:
        written_s = path.with_name(f"{path.name}-wal").stat().st_mtime
    except OSError:
        return None
    return max(0.0, SystemClock().utc_us() / 1e6 - written_s)


def _store_trouble(newest: _Newest) -> str:
    """What keeps the picture from being fresh, or nothing."""
    disk = [e for e in newest.events if e.code in ("disk-full", "disk-space-back")]
    if disk and disk[-1].code == "disk-full":
        return f"this picture is old: {disk[-1].text}"
    if newest.age_s is not None and newest.age_s > STALE_S:
        return f"nothing was stored for {newest.age_s:.0f} s: see the logger's own messages, and its disk"
    return ""


async def _watch(watcher: Watcher) -> str:
    """Show the run until it ends or the user leaves; the last word."""
    left = asyncio.Event()
    with signals(left.set, left.set, terminal=True):
        await asyncio.to_thread(watcher.look)
        if watcher.shown is None and not watcher.ended:
            complain("the logger has no reading yet; its picture comes with the first (Ctrl-C leaves)")
        while watcher.shown is None and not (watcher.ended or left.is_set()):
            await _look_again(watcher, left)
        if watcher.shown is not None and not left.is_set():
            await _show(watcher, left)
    return watcher.ended or "no longer watching; the logger goes on"


async def _look_again(watcher: Watcher, left: asyncio.Event) -> None:
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(left.wait(), LOOK_S)
    if not left.is_set():
        await asyncio.to_thread(watcher.look)


async def _show(watcher: Watcher, left: asyncio.Event) -> None:
    printer = LinePrinter(sys.stdout)

    def key(command: Command) -> None:
        if command.kind in (CommandKind.END, CommandKind.INTERRUPT):
            left.set()

    screen = LiveScreen(
        watcher.view,
        key,
        on_trouble=complain,
        print_lines=printer.offer,
        units=watcher.shown[0].units if watcher.shown else "us",
        watching=True,
    )
    named: _Run | None = None
    lines = not can_show()  # the dashboard names the job itself
    async with screen:
        while not (watcher.ended or left.is_set() or printer.error):
            if lines and watcher.shown and named is not watcher.shown[0]:
                named = watcher.shown[0]
                printer.offer([named.words()])
            await _look_again(watcher, left)
    with contextlib.suppress(TimeoutError):  # a terminal that takes nothing is not waited for
        await asyncio.wait_for(printer.close(), LOOK_S)
