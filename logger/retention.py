"""What of ended runs goes when, as [store] keep and keep_size ask: the trace before the readings, in whole
runs; results and events never.

The decision is pure; a live run carries it out beside its readings, through the one writing thread.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Protocol

from logger.clock import SystemClock
from logger.config.load import Retention
from logger.config.quantities import Dimension, show
from logger.core.errors import StoreError
from logger.faults import said
from logger.store import Batch, Drop
from logger.store.kept import KeptReader, KeptRun

LOOK_S = 3600.0  # wall time between looks; assumed: what is kept in days need not go by the minute
PIECE_S = 2.0  # wall time for a piece to be committed; assumed: two commits
_DAY_S = 86_400.0


def next_drop(
    runs: Sequence[KeptRun], retention: Retention, *, used_bytes: int, now_utc_us: int
) -> Drop | None:
    """The next to go, or None. ``runs`` have ended and have a result, the oldest first.

    What has begun to go goes wholly. Readings that a broker has not got stay.
    """
    old = age_words(retention)
    aged = [r for r in runs if _age_s(r, now_utc_us) > (retention.age_s or float("inf"))]
    large = retention.size_bytes is not None and used_bytes > retention.size_bytes
    ways: tuple[tuple[Sequence[KeptRun], str], ...] = (
        ([r for r in runs if _going(r)], old or size_words(retention)),
        (aged, old),
        (runs if large else (), size_words(retention)),
    )
    for candidates, why in ways:
        if chosen := _first(candidates):
            run, what = chosen
            return Drop(run=run.run, what=what, why=why, now_utc_us=now_utc_us)
    return None


def _age_s(run: KeptRun, now_utc_us: int) -> float:
    return (now_utc_us - run.ended_utc_us) / 1e6


def _going(run: KeptRun) -> bool:
    return (run.trace and run.trace_going) or (run.readings and run.readings_going and not run.waiting)


def _first(runs: Sequence[KeptRun]) -> tuple[KeptRun, str] | None:
    """Derived rows before readings, of the oldest run that has some."""
    for run in runs:
        if run.trace:
            return run, "trace"
    for run in runs:
        if run.readings and not run.waiting:
            return run, "readings"
    return None


def age_words(retention: Retention) -> str:
    """As a key of the config."""
    return "" if retention.age_s is None else f'keep = "{retention.age_s / _DAY_S:g} days"'


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


class Retainer:
    """Looks at a store once an hour and lets go what may go; ``tell`` is given a sentence for each run.

    ``run`` is the live one, in whose batches the drops go; ``broker`` the one it is published to.
    """

    def __init__(
        self,
        store: Path,
        run: str,
        retention: Retention,
        storing: Storing,
        tell: Callable[[str], None],
        *,
        broker: str | None = None,
        now_utc_us: Callable[[], int] | None = None,
        pause: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._store, self._run, self._broker = store, run, broker
        self._retention, self._storing, self._tell = retention, storing, tell
        self._now_utc_us = now_utc_us or SystemClock().utc_us
        self._pause = pause
        self._told: set[tuple[str, str]] = set()

    async def go(self) -> None:
        """For as long as the run lasts; returns at once where all is kept."""
        if self._retention == Retention():
            return
        while True:
            await self._tidy()
            await self._pause(LOOK_S)

    async def _tidy(self) -> None:
        """Piece by piece, none before the one before it can have been committed."""
        while True:
            await self._pause(PIECE_S)
            if not self._storing.fresh():
                continue
            drop = await asyncio.to_thread(self._look)
            if drop is None:
                return
            self._say(drop)
            self._storing.deliver(Batch(run=self._run, drops=[drop]))

    def _look(self) -> Drop | None:
        try:
            with KeptReader(self._store) as reader:
                runs, used = reader.kept_runs(self._broker), reader.used_bytes()
        except StoreError as error:
            self._tell_once("store", "", f"what may be dropped cannot be seen now: {said(error)}")
            return None
        drop = next_drop(runs, self._retention, used_bytes=used, now_utc_us=self._now_utc_us())
        if drop is None:
            self._say_limits(runs, used)
        return drop

    def _say(self, drop: Drop) -> None:
        self._tell_once(
            drop.run,
            drop.what,
            f"[store] {drop.why}: the {drop.what} of run {drop.run} go; its result and events stay"
            if drop.what == "readings"
            else f"[store] {drop.why}: the trace of run {drop.run} goes; a replay makes one again",
        )

    def _say_limits(self, runs: Sequence[KeptRun], used: int) -> None:
        """What the config asks for and cannot be had."""
        for run in runs:
            if run.waiting and _age_s(run, self._now_utc_us()) > (self._retention.age_s or float("inf")):
                self._tell_once(
                    run.run, "waiting", f"the readings of run {run.run} are kept: they wait for the broker"
                )
        limit = self._retention.size_bytes
        if limit is not None and used > limit:
            self._tell_once(
                "store",
                "size",
                f"{self._store} holds {show(used, Dimension.STORAGE, 'si')}, more than [store] "
                f"{size_words(self._retention)}, and nothing more of it may go: results, events and the "
                "running run stay; ask for a larger size, or begin a new run more often (--for 24h)",
            )

    def _tell_once(self, run: str, what: str, text: str) -> None:
        if (run, what) not in self._told:
            self._told.add((run, what))
            self._tell(text)
