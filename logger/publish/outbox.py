"""What is still to be sent, in its order, and what became of it. Reads the store; waits for nobody.

Order: events and results, then readings, oldest run first, then what the broker refused before. What
the broker has answered is gathered for the store's one writer and handed over by ``take``.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.core.readings import NS_PER_S, NS_PER_US
from logger.publish.live import Backlog
from logger.publish.post import Post, Topics
from logger.publish.progress import Progress
from logger.publish.reasons import WHOLE_TOPIC
from logger.publish.records import reading_post, row_post
from logger.store.records import CursorMove, OutboxMark
from logger.store.waiting import PublishedRun, WaitingReader, WaitingRow

PAGE = 256  # records read at once: some ms
OLD_PAGE = 10_000  # readings looked at at once for their age: some ms
COUNTED = 100_000  # readings; beyond, the backlog is "more than" that
_US_PER_S = NS_PER_S // NS_PER_US
_START = (0, -1)  # before every place: run keys begin at 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One record on its way. ``again``: it was parked before."""

    run: PublishedRun
    seq: int
    kind: str
    post: Post
    again: bool = False


@dataclass(slots=True)
class _Run:
    """A run with readings that may wait."""

    info: PublishedRun
    progress: Progress
    next_seq: int  # the next to be read from the store
    moved: bool = False
    read_out: bool = False  # a run that has ended, and nothing more of it is in the store
    passed_over: int = 0  # not handed to the store yet


@dataclass(frozen=True, slots=True)
class Settled:
    """What the store is to be told; ``rows`` and ``parked`` are what that will change in its counts."""

    cursors: Sequence[CursorMove] = ()
    marks: Sequence[OutboxMark] = ()
    rows: int = 0
    parked: int = 0

    def __bool__(self) -> bool:
        return bool(self.cursors or self.marks)


class Outbox:
    """One broker's share of one store, ``run`` being the run of this process.

    Raises
    ------
    StoreError
        From every call that reads: the store cannot be read.
    """

    def __init__(self, path: Path, broker: str, run: str, topics: Topics) -> None:
        self._reader = WaitingReader(path)
        self._broker = broker
        self._run = run
        self._topics = topics
        self._known: dict[int, PublishedRun] = {}
        self._runs: dict[int, _Run] = {}
        for info in self._reader.published_runs(broker):
            self._begin(info)
        self._queue: deque[Item] = deque()
        self._marks: list[OutboxMark] = []
        self._rows_change = self._parked_change = 0  # by the marks, once they are stored
        self._row_place = self._parked_place = _START
        self._parked_due = False
        self._closed_topics: set[str] = set()  # not tried again in this round
        self._answered: set[tuple[int, int]] = set()  # events and results that the broker has answered
        self._given_up: set[tuple[int, int]] = set()  # parked readings, until the store takes their rows away

    def close(self) -> None:
        """Give the file back."""
        self._reader.close()

    def store_id(self) -> str:
        """The store's random id."""
        return self._reader.store_id()

    def rewind(self) -> None:
        """A new connection: what was not answered is sent again, and what was refused is tried."""
        self._queue.clear()
        self._row_place = _START
        for run in self._runs.values():
            run.progress.rewind()
            run.next_seq = run.progress.next_seq
            run.read_out = False
        self.try_parked()

    def try_parked(self) -> None:
        """Send what was refused once more, when nothing else waits."""
        self._parked_place = _START
        self._parked_due = True
        self._closed_topics.clear()

    def next(self) -> Item | None:
        """The next record to send, ``None`` when there is none now."""
        while self._queue or self._fill():
            item = self._queue.popleft()
            if item.again and item.post.topic in self._closed_topics:
                continue
            if item.kind == "reading" and not item.again:
                self._runs[item.run.run_key].progress.sent(item.seq)
            return item
        return None

    def _fill(self) -> bool:
        self._queue.extend(self._fresh_rows() or self._fresh_readings() or self._parked())
        return bool(self._queue)

    def delivered(self, item: Item) -> None:
        """The broker has it."""
        self._settle(item, None)

    def refused(self, item: Item, reason: str, code: int | None = None) -> None:
        """The broker does not take it: it is parked, and the rest goes on."""
        if code in WHOLE_TOPIC:
            self._closed_topics.add(item.post.topic)
        self._settle(item, reason)

    def _settle(self, item: Item, reason: str | None) -> None:
        fresh_reading = item.kind == "reading" and not item.again
        if fresh_reading:
            run = self._runs[item.run.run_key]
            run.progress.settled(item.seq)
            run.moved = True
        elif item.kind != "reading":
            self._answered.add((item.run.run_key, item.seq))
        if reason is not None or not fresh_reading:
            self._mark(item.run, item.seq, item.kind, reason)
        self._rows_change -= item.kind != "reading" and not item.again
        self._parked_change += (reason is not None) - item.again

    def _mark(self, run: PublishedRun, seq: int, kind: str, reason: str | None) -> None:
        self._marks.append(OutboxMark(broker=self._broker, run=run.run, seq=seq, kind=kind, parked=reason))

    def take(self) -> Settled:
        """What was answered since the last call, for the store's writer."""
        cursors = []
        for run in self._runs.values():
            if run.moved:
                cursors.append(
                    CursorMove(
                        broker=self._broker,
                        run=run.info.run,
                        next_seq=run.progress.next_seq,
                        above=run.progress.above(),
                        passed_over=run.passed_over,
                    )
                )
                run.moved, run.passed_over = False, 0
        settled = Settled(cursors, self._marks, self._rows_change, self._parked_change)
        self._marks, self._rows_change, self._parked_change = [], 0, 0
        return settled

    def give_back(self, settled: Settled) -> None:
        """The writer did not take it: it is handed over with the next."""
        self._marks = [*settled.marks, *self._marks]
        self._rows_change += settled.rows
        self._parked_change += settled.parked
        by_name = {run.info.run: run for run in self._runs.values()}
        for move in settled.cursors:
            if move.run in by_name:
                by_name[move.run].moved = True
                by_name[move.run].passed_over += move.passed_over

    def pass_over_old(self, now_utc_us: int, keep_s: float) -> bool:
        """Pass over readings that have waited too long, one page of them; whether there may be more.

        Only between connections, when nothing is on its way.
        """
        before_us = now_utc_us - round(keep_s * _US_PER_S)
        for run in self._runs.values():
            key, start = run.info.run_key, run.progress.next_seq
            count, behind = self._reader.old_readings(key, start, before_us, OLD_PAGE)
            if count:
                early = sum(1 for seq in run.progress.above() if seq < behind)
                run.progress.skip_to(behind)
                run.next_seq = behind
                run.passed_over += count - early
                run.moved = True
                return True
        self._old_parked(before_us)
        return False

    def _old_parked(self, before_us: int) -> None:
        """Readings that were refused too wait no longer than the others."""
        places = self._reader.old_parked(self._broker, before_us, OLD_PAGE)
        for key, seq in places:
            if (run := self._runs.get(key)) is not None and (key, seq) not in self._given_up:
                self._given_up.add((key, seq))
                self._mark(run.info, seq, "reading", None)
                self._parked_change -= 1
                run.passed_over += 1
                run.moved = True

    def backlog(self) -> Backlog:
        """What the broker has not got, the records on their way included."""
        rows, parked = self._reader.outbox_counts(self._broker, COUNTED)
        passed_over = self._reader.passed_over(self._broker)
        readings = 0
        for run in self._runs.values():
            passed_over += run.passed_over
            if run.read_out and not run.progress.under_way():
                continue
            room = COUNTED + 1 - readings
            found = self._reader.count_from(run.info.run_key, run.progress.next_seq, room)
            readings += max(0, found - len(run.progress.above()))
        return Backlog(
            waiting=min(readings, COUNTED) + max(0, rows + self._rows_change),
            more=readings > COUNTED,
            parked=max(0, parked + self._parked_change),
            passed_over=passed_over,
        )

    def _begin(self, info: PublishedRun) -> None:
        self._known[info.run_key] = info
        self._runs[info.run_key] = _Run(info, Progress(info.next_seq, info.above), info.next_seq)

    def _look_for_our_run(self) -> None:
        if not any(info.run == self._run for info in self._known.values()):
            info = self._reader.published_run(self._broker, self._run)
            if info is not None:
                self._begin(info)

    def _fresh_rows(self) -> list[Item]:
        """Events and results that were not tried yet."""
        self._look_for_our_run()
        items: list[Item] = []
        while not items:
            rows = self._reader.waiting_rows(self._broker, self._row_place, PAGE)
            if not rows:
                break
            self._row_place = (rows[-1].run_key, rows[-1].seq)
            fresh = [row for row in rows if (row.run_key, row.seq) not in self._answered]
            items += [item for row in fresh if (item := self._item(row)) is not None]
        return items

    def _fresh_readings(self) -> list[Item]:
        for run in self._runs.values():
            page = [] if run.read_out else self._reader.readings_from(run.info.run_key, run.next_seq, PAGE)
            if not page:
                run.read_out = run.info.run != self._run
                continue
            run.next_seq = page[-1].seq + 1
            return [
                Item(run=run.info, seq=r.seq, kind="reading", post=reading_post(self._topics, run.info, r))
                for r in page
                if not run.progress.is_settled(r.seq)
            ] or self._fresh_readings()
        return []

    def _parked(self) -> list[Item]:
        """A page of what was refused, without topics that were refused again in this round."""
        while self._parked_due:
            rows = self._reader.parked_rows(self._broker, self._parked_place, PAGE)
            if not rows:
                self._parked_due = False
                break
            self._parked_place = (rows[-1].run_key, rows[-1].seq)
            rows = [row for row in rows if (row.run_key, row.seq) not in self._given_up]
            items = [item for row in rows if (item := self._item(row, again=True)) is not None]
            if items:
                return items
        return []

    def _item(self, row: WaitingRow, *, again: bool = False) -> Item | None:
        info = self._known.get(row.run_key)
        if info is None:
            return None
        if row.kind != "reading":
            post = row_post(self._topics, info, row)
        else:
            reading = self._reader.one_reading(row.run_key, row.seq)
            if reading is None:
                return None
            post = reading_post(self._topics, info, reading)
        return Item(run=info, seq=row.seq, kind=row.kind, post=post, again=again)
