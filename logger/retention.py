"""What of ended runs goes when, as [store] keep and keep_size ask: the trace before the readings, in whole
runs; results and events never.

The decision is pure; a live run carries it out beside its readings, through the one writing thread.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from logger.believed_clock import AGREED_S, BelievedClock
from logger.clock import SystemClock
from logger.config.load import Retention
from logger.config.quantities import Dimension, show
from logger.config.schema import MqttTable
from logger.core.errors import StoreError
from logger.core.texts import duration_text
from logger.faults import said
from logger.store import Batch, Drop
from logger.store.kept import KeptReader, KeptRun

LOOK_S = 3600.0  # wall time between looks; assumed: what is kept in days need not go by the minute
TIGHT_S = 60.0  # wall time before a piece that found no space is asked for again; assumed
PIECE_S = 2.0  # wall time for a piece to be committed; assumed: two commits
HOLD_S = float(MqttTable.model_fields["keep"].default)  # s; as long as a broker without a config may be back


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What may go: ``broker`` is the one that the config names, which alone holds readings back without
    end (what is too old for it, it passes over); any other does for ``hold_s`` from a run's end on."""

    retention: Retention
    broker: str | None = None
    hold_s: float = HOLD_S

    def aged(self, run: KeptRun, now_utc_us: int | None) -> bool:
        """Whether it is older than is asked for; no by a clock that is not believed."""
        return _older(run, now_utc_us, self.retention.age_s)

    def too_large(self, used_bytes: int) -> bool:
        """Whether the store is."""
        limit = self.retention.size_bytes
        return limit is not None and used_bytes > limit

    def held_by(self, run: KeptRun, now_utc_us: int | None) -> tuple[str, ...]:
        """Brokers that the readings of the run wait for."""
        let_go = _older(run, now_utc_us, self.hold_s)
        return tuple(name for name in run.waiting if name == self.broker or not let_go)


def next_drop(
    runs: Sequence[KeptRun], rules: Rules, *, used_bytes: int, now_utc_us: int | None, stamp_utc_us: int
) -> Drop | None:
    """The next to go, or None. ``runs`` have ended and have a result, in their order; ``now_utc_us`` is
    None where the clock is not believed: then nothing goes by age. ``stamp_utc_us`` is told with the drop.

    What has begun to go goes wholly. Readings that a broker has not got stay.
    """
    large = rules.too_large(used_bytes)
    old, size = age_words(rules.retention), size_words(rules.retention)
    ways: tuple[tuple[Sequence[KeptRun], str], ...] = (
        ([r for r in runs if r.trace and r.trace_going], ""),
        ([r for r in runs if not r.trace and r.readings_going], ""),
        ([r for r in runs if rules.aged(r, now_utc_us)], old),
        (runs if large else (), size),
    )
    for candidates, why in ways:
        if chosen := _first(candidates, rules, now_utc_us):
            run, what = chosen
            begun = run.trace_going if what == "trace" else run.readings_going
            return Drop(run=run.run, what=what, why=begun or why, now_utc_us=stamp_utc_us)
    return None


def _begun(drop: Drop, runs: Sequence[KeptRun] | None) -> bool:
    """Whether the store has it that rows of that kind went; a run of which none are left is not listed."""
    if runs is None:
        return False
    left = next((run for run in runs if run.run == drop.run), None)
    return left is None or bool(left.trace_going if drop.what == "trace" else left.readings_going)


def _older(run: KeptRun, now_utc_us: int | None, limit_s: float | None) -> bool:
    return now_utc_us is not None and limit_s is not None and (now_utc_us - run.ended_utc_us) / 1e6 > limit_s


def _first(runs: Sequence[KeptRun], rules: Rules, now_utc_us: int | None) -> tuple[KeptRun, str] | None:
    """Derived rows before readings, of the oldest run that has some."""
    for run in runs:
        if run.trace:
            return run, "trace"
    for run in runs:
        if run.readings and not rules.held_by(run, now_utc_us):
            return run, "readings"
    return None


def age_words(retention: Retention) -> str:
    """As a key of the config."""
    return "" if retention.age_s is None else f'keep = "{duration_text(retention.age_s)}"'


def size_words(retention: Retention) -> str:
    """As a key of the config."""
    if retention.size_bytes is None:
        return ""
    return f'keep_size = "{show(retention.size_bytes, Dimension.STORAGE, "si")}"'


class Storing(Protocol):
    """The writing thread, as the retention sees it."""

    def fresh(self) -> bool:
        """Whether commits go through."""
        ...

    def deliver(self, batch: Batch) -> bool:
        """Queue a batch; whether it was taken."""
        ...

    def tight(self) -> bool:
        """Whether the last drop found no space on a full disk, and was forgotten."""
        ...


class HostClock(Protocol):
    """The host's clocks, as the retention sees them."""

    def now_ns(self) -> int:
        """Elapsed time, zero anywhere."""
        ...

    def utc_us(self) -> int:
        """Wall time; may be wrong."""
        ...


class Retainer:
    """Looks at a store once an hour and lets go what may go; ``tell`` is given a sentence for each run.

    ``run`` is the live one, in whose batches the drops go.
    """

    def __init__(
        self,
        store: Path,
        run: str,
        rules: Rules,
        storing: Storing,
        tell: Callable[[str], None],
        *,
        clock: HostClock | None = None,
        pause: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._store, self._run = store, run
        self._rules, self._storing, self._tell = rules, storing, tell
        self._clock = clock or SystemClock()
        self._pause = pause
        self._believed: BelievedClock | None = None  # made at the first look
        self._settled = False  # whether the clock was believed at the last look
        self._asked: Drop | None = None  # the last that was taken; told once the store has it
        self._told: set[tuple[str, str]] = set()

    async def go(self) -> None:
        """For as long as the run lasts; returns at once where all is kept."""
        if self._rules.retention == Retention():
            return
        while True:
            await self._tidy()
            await self._pause(LOOK_S if self._settled else AGREED_S)

    async def _tidy(self) -> None:
        """Piece by piece, none before the one before it can have been committed; what is stored is told."""
        while True:
            await self._pause(TIGHT_S if self._storing.tight() else PIECE_S)
            if not self._storing.fresh():
                continue
            drop, runs = await asyncio.to_thread(self._look)
            if self._asked is not None and _begun(self._asked, runs):
                self._say(self._asked)
            if drop is None:
                return
            if self._storing.deliver(Batch(run=self._run, drops=[drop])):
                self._asked = drop

    def _look(self) -> tuple[Drop | None, Sequence[KeptRun] | None]:
        """What is to go next, and what is kept so far, None where that cannot be seen."""
        try:
            with KeptReader(self._store) as reader:
                now = self._believe(reader)
                runs, used = reader.kept_runs(), reader.used_bytes()
        except StoreError as error:
            self._tell_once("store", "", f"what may be dropped cannot be seen now: {said(error)}")
            return None, None
        stamp = self._clock.utc_us()
        drop = next_drop(runs, self._rules, used_bytes=used, now_utc_us=now, stamp_utc_us=stamp)
        if drop is None:
            self._say_held(runs, used, now)
            self._say_limit(used)
        return drop, runs

    def _believe(self, reader: KeptReader) -> int | None:
        """The wall time by which something may go."""
        age_s, hold_s = self._rules.retention.age_s, self._rules.hold_s
        if self._believed is None:
            self._believed = BelievedClock(reader.stretches(self._run), max(age_s or 0.0, hold_s))
        now = self._believed.look(self._clock.utc_us(), self._clock.now_ns())
        self._settled = now is not None
        if age_s is not None and (doubt := self._believed.doubt):
            self._tell_once("clock", "", f"[store] {age_words(self._rules.retention)}: {doubt}")
        return now

    def _say(self, drop: Drop) -> None:
        self._tell_once(
            drop.run,
            drop.what,
            f"[store] {drop.why}: the {drop.what} of run {drop.run} go; its result and events stay"
            if drop.what == "readings"
            else f"[store] {drop.why}: the trace of run {drop.run} goes; a replay makes one again",
        )

    def _say_held(self, runs: Sequence[KeptRun], used: int, now: int | None) -> None:
        """Readings that would go, and a broker has not got."""
        large = self._rules.too_large(used)
        due = [run for run in runs if run.readings and (large or self._rules.aged(run, now))]
        for broker in sorted({name for run in due for name in self._rules.held_by(run, now)}):
            held = [run.run for run in due if broker in run.waiting]
            what = f"the readings of run {held[0]}" + (f" and {len(held) - 1} more" if held[1:] else "")
            self._tell_once(
                broker, "waiting", f'{what} are kept: the broker "{broker}" {self._holds(broker)}'
            )

    def _holds(self, broker: str) -> str:
        if broker == self._rules.broker:
            return "has not got them yet"
        return (
            f"has not got them, and the config does not name it; write [mqtt] name = "
            f'"{broker}" to send them there, else they may go {duration_text(self._rules.hold_s)} after '
            "their run"
        )

    def _say_limit(self, used: int) -> None:
        """A size that the config asks for and that cannot be had."""
        if self._rules.too_large(used):
            self._tell_once(
                "store",
                "size",
                f"{self._store} holds {show(used, Dimension.STORAGE, 'si')}, more than [store] "
                f"{size_words(self._rules.retention)}, and nothing more of it may go: results, events and "
                "the running run stay; ask for a larger size, or begin a new run more often (--for 24h)",
            )

    def _tell_once(self, run: str, what: str, text: str) -> None:
        if (run, what) not in self._told:
            self._told.add((run, what))
            self._tell(text)
