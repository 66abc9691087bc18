"""A live run's store, as the event loop sees it: nothing here waits for the disk."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from logger.clock import SystemClock
from logger.core.errors import StoreError
from logger.core.readings import NS_PER_S
from logger.faults import said
from logger.screen.model import StoreState
from logger.store import Batch, CursorMove, RunEnd, RunHeader, StoreWriter, WriterThread, check_header

FRESH_S = 30.0  # wall time after which a commit is old; assumed: one is due every second
SETTLE_S = 15.0  # wall time for the last readings; assumed: three waits for a file that is held


class StoreKeeper:
    """The run in the store: header, batches and end all go to the writing thread, which alone waits
    for the disk.

    With ``broker``, its name, the run is one that is published, and ``broker_words`` says how that
    stands; ``on_commit`` is called in the writing thread.
    """

    def __init__(
        self,
        writer: StoreWriter,
        header: RunHeader,
        tell: Callable[[str, str], None],
        *,
        broker: str | None = None,
        broker_words: Callable[[], str] = lambda: "",
        on_commit: Callable[[], None] = lambda: None,
    ) -> None:
        check_header(header)
        self._broker, self._broker_words = broker, broker_words
        self._writer = writer
        self._header = header
        self._wall = SystemClock()
        self._thread = WriterThread(
            writer, header.run, tell=tell, now_ns=self._wall.now_ns, on_commit=on_commit
        )
        self.begun = False
        self._begun_ns = 0

    def begin(self, started_utc_us: int) -> None:
        """Start the thread, with the run's header as the first it stores."""
        header = replace(self._header, started_utc_us=started_utc_us)
        self._thread.start()
        self.begun, self._begun_ns = True, self._wall.now_ns()
        moves = [CursorMove(broker=self._broker, run=header.run, next_seq=0)] if self._broker else []
        self.keep(Batch(run=header.run, header=header, cursors=moves), flush=True)

    def keep(self, batch: Batch, *, flush: bool) -> None:
        """Queue a batch. Once storing has failed for good the run goes on, and what it lacks is counted."""
        if batch.snapshot is not None:
            batch = replace(batch, broker=self._broker_words())
        with suppress(StoreError):
            self._thread.put(batch, flush=flush)

    def deliver(self, batch: Batch) -> bool:
        """Queue what is not of the run itself (a broker's answers, what old runs let go), from any thread;
        whether it was taken."""
        if not self.begun:
            return False
        try:
            self._thread.put(batch)
        except StoreError:
            return False
        return True

    async def deliver_last(self, batch: Batch | None) -> str:
        """Store what a broker has answered, after ``stop``; why it could not be stored, or nothing."""
        if batch is None or not (batch.cursors or batch.marks):
            return ""
        try:
            await asyncio.to_thread(self._writer.write, batch)
        except StoreError as error:
            return said(error)
        return ""

    async def settled(self) -> None:
        """Return when all that was kept is stored or counted as lost, or storing has failed; bounded."""
        with suppress(StoreError, TimeoutError):
            await asyncio.wait_for(asyncio.wrap_future(self._thread.settled()), SETTLE_S)

    def end(self, end: RunEnd) -> None:
        """Queue the end of the run, the last that is stored."""
        self.keep(Batch(run=self._header.run, end=end), flush=True)

    async def stop(self) -> None:
        """Store what waits; it takes as long as the disk does, the loop goes on meanwhile."""
        if self.begun:
            await asyncio.to_thread(self._thread.stop)

    @property
    def path(self) -> Path:
        """The store's file."""
        return self._writer.path

    def lost(self) -> int:
        """Readings that are not in the store."""
        return self._thread.health().lost_to_storage

    def gap(self) -> str:
        """A sentence on the readings that a full disk keeps out at this moment, or nothing."""
        return self._thread.health().gap

    def state(self) -> StoreState:
        """For the dashboard."""
        health = self._thread.health()
        age_s = None
        if health.last_commit_ns is not None:
            age_s = (self._wall.now_ns() - health.last_commit_ns) / NS_PER_S
        text = health.failed or ("the disk is full: free some space" if health.full else "")
        return StoreState(
            ok=not text,
            path=str(self._writer.path),
            committed_age_s=age_s,
            lost=health.lost_to_storage,
            text=text,
        )

    def fresh(self) -> bool:
        """Whether storing goes on, or waits for what no new start would mend: a full disk, or another
        program that holds the file; the readings it would lose are kept here meanwhile."""
        if not self.begun:
            return True
        health = self._thread.health()
        last_ns = max(self._begun_ns, health.last_commit_ns or 0)
        in_time = self._wall.now_ns() - last_ns < FRESH_S * NS_PER_S
        return not health.failed and (in_time or health.full or health.busy)

    def tight(self) -> bool:
        """Whether what was to be dropped last found no space for that."""
        return self._thread.health().tight

    def failed(self) -> str:
        """Why nothing is stored any more, or nothing."""
        return self._thread.health().failed
