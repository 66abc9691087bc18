"""A live run's store: header at the first reading, batches to the writing thread, losses counted."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import replace

from logger.clock import SystemClock
from logger.core.errors import StoreError
from logger.core.readings import NS_PER_S
from logger.screen.model import StoreState
from logger.store import Batch, RunHeader, StoreWriter, WriterThread


class StoreKeeper:
    """The run in the store: its header at the first reading, then batches to the writing thread."""

    def __init__(self, writer: StoreWriter, header: RunHeader, tell: Callable[[str, str], None]) -> None:
        self._writer = writer
        self._header = header
        self._wall = SystemClock()
        self._thread = WriterThread(writer, header.run, tell=tell, now_ns=self._wall.now_ns)
        self._pending: deque[tuple[int, int]] = deque()  # last seq and count of batches on their way
        self._unkept = 0  # readings that came after storing had failed
        self.begun = False

    def begin(self, started_utc_us: int) -> None:
        """Store the header and start the thread."""
        self._writer.begin_run(replace(self._header, started_utc_us=started_utc_us))
        self._thread.start()
        self.begun = True

    def keep(self, batch: Batch, *, flush: bool) -> None:
        """Queue a batch. Once storing has failed for good the run goes on, and what it lacks is counted."""
        count = len(batch.readings)
        try:
            self._thread.put(batch, flush=flush)
        except StoreError:
            self._unkept += count
            return
        if isinstance(batch.readings, list) and batch.readings:
            self._pending.append((batch.readings[-1].seq, count))
        committed = self._thread.health().committed_seq
        while self._pending and self._pending[0][0] <= committed:
            self._pending.popleft()

    def stop(self) -> None:
        """Store what waits; blocks."""
        if self.begun:
            self._thread.stop()

    def lost(self) -> int:
        """Readings that are not in the store."""
        health = self._thread.health()
        waiting = sum(n for seq, n in self._pending if seq > health.committed_seq) if health.failed else 0
        return health.lost_to_storage + self._unkept + waiting

    def state(self) -> StoreState:
        """For the dashboard."""
        health = self._thread.health()
        age_s = None
        if health.last_commit_ns is not None:
            age_s = (self._wall.now_ns() - health.last_commit_ns) / NS_PER_S
        text = health.failed or ("the disk is full: free some space" if health.full else "")
        return StoreState(
            ok=not text, path=str(self._writer.path), committed_age_s=age_s, lost=self.lost(), text=text
        )

    def failed(self) -> str:
        """Why nothing is stored any more, or nothing."""
        return self._thread.health().failed
