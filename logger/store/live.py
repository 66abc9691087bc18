"""Storing during a live run, one step at a time; ``thread`` gives it a thread of its own.

While the disk is full, events and results still go into the space that the reserve held;
readings are not kept, but counted, and where they lack is stored as a ``StorageGap``. Pages that are free
inside the file are space as well (it never shrinks): once they come to as much as the reserve, readings are
stored again until half of that is left, which stays for events and results.

What old runs let go goes after all else, each piece in a transaction of its own: it needs space in the log
before it gives any. A piece that does not fit is forgotten; who asked for it looks again.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import replace

from logger.core.errors import StoreError
from logger.core.readings import NS_PER_S
from logger.store.faults import StoreBusyError, StoreFullError
from logger.store.gap import Gap, widened
from logger.store.health import StoreHealth
from logger.store.merge import last_seq, listed, merged
from logger.store.records import Batch, Drop, StorageGap
from logger.store.writer import StoreWriter

Tell = Callable[[str, str], None]
"""Takes a code and a sentence; called in the writing thread or in the one that calls ``put``."""

HIGH_WATER = 20_000  # readings; assumed: over an hour of five probes at 1 Hz
DELIVERY_S = 60.0  # between two commits of nothing but delivery, on a full disk; assumed: what a crash
# loses of it is sent again
SMALL_PIECE = 5_000  # rows of a drop where space is short; some 170 kB of log for readings (measured)
_LAST_TRIES = 3  # at the end, when another program holds the file; 5 s each


class LiveWriter:
    """Gathers batches of one run and stores them, one transaction a step.

    ``put`` may be called from any thread and never waits for the disk; ``step`` by one thread.
    """

    def __init__(
        self,
        writer: StoreWriter,
        run: str,
        *,
        tell: Tell,
        now_ns: Callable[[], int],
        high_water: int = HIGH_WATER,
        on_commit: Callable[[], None] = lambda: None,
    ) -> None:
        self._writer = writer
        self._run = run
        self._tell = tell
        self._now_ns = now_ns
        self._high_water = high_water
        self._on_commit = on_commit
        self._lock = threading.Lock()
        self._queue: deque[Batch] = deque()
        self._waiters: list[tuple[int, Future[int]]] = []
        self._overrun = False
        self._waiting = 0
        self._offered = self._stored = 0  # readings
        self._put_seq = self._taken_seq = -1
        self._closing = False
        self._busy = False
        self._inside = False  # the disk is full, and readings go into free pages of the file
        self._gap: Gap | None = None
        self._owed: Batch | None = None  # events and results that did not fit even then
        self._health = StoreHealth(
            waiting=0,
            committed_seq=-1,
            commits=0,
            last_commit_ns=None,
            lost_to_storage=0,
            full=False,
            tight=False,
            busy=False,
            failed="",
            gap="",
        )

    def put(self, batch: Batch) -> None:
        """Queue a batch. Its records come after those of the batch before; readings as a list.

        Raises
        ------
        StoreError
            Storing has failed for good, or has ended; nothing is queued.
        """
        with self._lock:
            self._offered += len(batch.readings)
            if self._health.failed or self._closing:
                raise StoreError(self._health.failed or "storing has ended; nothing more can be stored")
            self._queue.append(batch)
            self._waiting += len(batch.readings)
            self._put_seq = max(self._put_seq, last_seq(batch))
            waiting, told = self._waiting, self._overrun
            self._overrun = waiting > self._high_water or (told and waiting > self._high_water // 2)
        if self._overrun and not told:
            self._tell(
                "overrun",
                f"{waiting} readings wait for a slow disk; none is lost; close other programs",
            )

    def committed(self, seq: int) -> Future[int]:
        """Done when every record up to ``seq`` is committed, or counted as lost to a full disk.

        The result is the count of readings lost so far; a ``StoreError`` when storing failed.
        """
        future: Future[int] = Future()
        with self._lock:
            if seq <= self._health.committed_seq:
                future.set_result(self._health.lost_to_storage)
            elif self._health.failed:
                future.set_exception(StoreError(self._health.failed))
            else:
                self._waiters.append((seq, future))
        return future

    def settled(self) -> Future[int]:
        """As ``committed``, of all that was put so far."""
        with self._lock:
            seq = self._put_seq
        return self.committed(seq)

    def health(self) -> StoreHealth:
        """How storing goes."""
        with self._lock:
            lost = self._health.lost_to_storage
            if self._health.failed:
                lost = self._offered - self._stored
            gap = "" if self._gap is None else self._gap.text
            return replace(
                self._health, waiting=self._waiting, lost_to_storage=lost, gap=gap, busy=self._busy
            )

    def step(self) -> None:
        """Store what waits, in one transaction, then drop what may go. Never raises: trouble is told and
        kept in ``health``."""
        with self._lock:
            taken = [self._owed, *self._queue] if self._owed else list(self._queue)
            self._queue.clear()
            self._owed = None
            self._waiting = 0
            self._taken_seq = self._put_seq
        tries = self._health.full and not self._inside  # the gap alone is worth one
        if self._health.failed or not (taken or tries):
            return
        batch = merged(self._run, taken)
        drops, batch = batch.drops, replace(batch, drops=())
        try:
            fits = self._store_full(batch) if self._health.full else self._store(batch)
            self._busy = False
            self._let_go(drops, fits=fits)
        except StoreBusyError as error:
            self._put_back(batch)
            if not self._busy:
                self._tell("store-busy", f"{error}; the readings wait meanwhile")
            self._busy = True
        except StoreError as error:
            self.fail(str(error))
        except Exception as error:  # noqa: BLE001 - a thread that dies unseen would lose readings
            self.fail(f"internal fault while storing ({error!r}); report it")

    def finish(self) -> None:
        """Store the rest, a ``StorageGap`` that is still open included; ``put`` takes no more."""
        with self._lock:
            self._closing = True
        for _ in range(_LAST_TRIES):
            self.step()
            if self.idle():
                return
        self.fail("the last records did not fit on the disk, or another program holds the file")

    def fail(self, sentence: str) -> None:
        """Give up storing: nothing more is taken, and all who wait are told."""
        with self._lock:
            self._health = replace(self._health, failed=sentence)
            waiters, self._waiters = self._waiters, []
        for _, future in waiters:
            with suppress(Exception):  # cancelled meanwhile
                future.set_exception(StoreError(sentence))
        self._tell("store-failed", f"nothing more is stored: {sentence}")

    def idle(self) -> bool:
        """Whether all that was put is stored, or cannot be."""
        with self._lock:
            return bool(self._health.failed) or not (self._queue or self._owed)

    def _store(self, batch: Batch) -> bool:
        """The normal case; the first full disk leads over to the other one. Whether all that must be stored
        is; so do the next three."""
        try:
            self._write(batch)
        except StoreFullError as error:
            return self._no_room(batch, str(error))
        self._done(stored=len(batch.readings))
        return True

    def _store_full(self, batch: Batch) -> bool:
        """A full disk so far: all again once the reserve could be taken back, or free pages of the file do
        instead; else what must fit."""
        held = self._writer.reserve.restore()
        least = self._writer.reserve.size // (2 if self._inside else 1)
        if not held and self._writer.free_bytes() < least:
            return self._no_room(batch, f"{self._writer.path}: little is left; free some space on that disk")
        try:
            self._write(replace(batch, gaps=(*batch.gaps, *_rows(self._gap))))
        except StoreFullError as error:
            return self._no_room(batch, str(error))
        again, self._inside = self._inside, not held
        with self._lock:
            gap, self._gap = self._gap, None
            self._health = replace(self._health, full=not held, tight=self._health.tight and not held)
        self._done(stored=len(batch.readings))
        if held or not again:
            where = "" if held else "; the disk is still full, they take the space of what old runs let go"
            self._tell("disk-space-back", f"readings are stored again{where}")
        if gap is not None:
            self._tell("storage-gap", gap.text)
        return True

    def _no_room(self, batch: Batch, why: str) -> bool:
        """No space for readings, from now on or still; the log takes of the reserve what it needs."""
        news = self._inside or not self._health.full
        self._inside = False
        if news or self._writer.reserve.held:
            self._writer.reserve.give_up()
            self._writer.fold()
        with self._lock:
            self._health = replace(self._health, full=True)
        if news:
            self._tell(
                "disk-full", f"readings are shown but no longer stored, only events and results: {why}"
            )
        return self._store_essentials(batch)

    def _store_essentials(self, batch: Batch) -> bool:
        """Store what matters beside the readings, and count these as lost: only now, for a file that
        another program holds lets all of the batch wait.

        Each commit eats from the last space: the gap alone is worth none before the end, what a broker has
        got waits for another one, or a while.
        """
        readings = listed(batch)
        gap = widened(self._gap, readings)
        bare = replace(batch, readings=(), trace=(), snapshot=None)
        if not (self._closing or self._is_urgent(batch)):
            self._count_lost(gap, len(readings))
            if batch.cursors or batch.marks:
                self._put_back(bare)
            self._done(commit=False)
            return True
        try:
            self._write(replace(bare, gaps=(*batch.gaps, *_rows(gap))))
        except StoreFullError:
            self._count_lost(gap, len(readings))
            self._put_back(bare)
            return False
        self._count_lost(gap, len(readings))
        self._done()
        return True

    def _let_go(self, drops: Sequence[Drop], *, fits: bool) -> None:
        """Drop piece by piece; none while what must be stored does not fit, and small ones where space is
        short."""
        for drop in drops:
            short = self._health.full or self._health.tight
            piece = replace(drop, rows=min(drop.rows, SMALL_PIECE)) if short else drop
            try:
                if fits:
                    self._write(Batch(run=self._run, drops=[piece]))
            except StoreBusyError:
                return
            except StoreFullError:
                fits = False
            with self._lock:
                self._health = replace(self._health, tight=not fits)

    def _write(self, batch: Batch) -> None:
        """One transaction; on a full disk once more in the space of a log that could be folded."""
        try:
            self._writer.write(batch)
        except StoreFullError:
            if not self._writer.fold():
                raise
            self._writer.write(batch)

    def _is_urgent(self, batch: Batch) -> bool:
        """Whether it is worth a commit on a full disk."""
        if any((batch.header, batch.events, batch.results, batch.clock_segments, batch.end)):
            return True
        last_ns = self._health.last_commit_ns
        overdue = last_ns is None or self._now_ns() - last_ns >= DELIVERY_S * NS_PER_S
        return overdue and bool(batch.cursors or batch.marks)

    def _count_lost(self, gap: Gap | None, count: int) -> None:
        with self._lock:
            self._gap = gap
            self._health = replace(self._health, lost_to_storage=self._health.lost_to_storage + count)

    def _put_back(self, batch: Batch) -> None:
        with self._lock:
            self._owed = batch
            self._waiting += len(batch.readings)

    def _done(self, *, stored: int = 0, commit: bool = True) -> None:
        """All that was taken is stored or counted: tell those who wait for it."""
        now_ns, seq = self._now_ns(), self._taken_seq
        with self._lock:
            self._stored += stored
            self._health = replace(self._health, committed_seq=seq)
            if commit:
                self._health = replace(self._health, commits=self._health.commits + 1, last_commit_ns=now_ns)
            lost = self._health.lost_to_storage
            ready = [future for wanted, future in self._waiters if wanted <= seq]
            self._waiters = [pair for pair in self._waiters if pair[0] > seq]
        if commit:
            self._on_commit()
        for future in ready:
            with suppress(Exception):  # cancelled meanwhile
                future.set_result(lost)


def _rows(gap: Gap | None) -> tuple[StorageGap, ...]:
    return () if gap is None else (gap.row,)
