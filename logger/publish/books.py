"""What one broker has got of each run of a store, and what the store is still to be told of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import chain

from logger.publish.progress import Progress
from logger.publish.records import Place
from logger.store.records import CursorMove, OutboxMark
from logger.store.waiting import PublishedRun, WaitingReader

OLD_PAGE = 2_000  # records looked at in one step for their age: some ms


@dataclass(slots=True)
class RunBook:
    """A run with readings that may wait."""

    info: PublishedRun
    progress: Progress
    next_seq: int  # the next to be read from the store
    moved: bool = False
    read_out: bool = False  # a run that has ended, and nothing more of it is in the store
    passed_over: int = 0  # not handed to the store yet

    @property
    def waiting(self) -> bool:
        """Whether the broker may lack some of its readings."""
        return not self.read_out or self.progress.under_way()


@dataclass(frozen=True, slots=True)
class Settled:
    """What the store is to be told."""

    cursors: Sequence[CursorMove] = ()
    marks: Sequence[OutboxMark] = ()

    def __bool__(self) -> bool:
        return bool(self.cursors or self.marks)


@dataclass(frozen=True, slots=True)
class _Note:
    gone: bool
    untried: bool


_NOTES = {(gone, untried): _Note(gone, untried) for gone in (False, True) for untried in (False, True)}


class Unstored:
    """Records that the broker has answered, until the store says so too: what a look at the store would still
    show as it was. The store is told in groups, in order; it takes a group whole or not at all.

    >>> unstored = Unstored()
    >>> unstored.note((1, 7), gone=True, untried=True); _ = unstored.hand()
    >>> (1, 7) in unstored, unstored.gone((1, 7)), unstored.untried_behind((0, 0))
    (True, True, 1)
    >>> unstored.forget_stored(lambda place: None); (1, 7) in unstored
    False
    """

    def __init__(self) -> None:
        self._new: dict[Place, _Note] = {}
        self._handed: deque[dict[Place, _Note]] = deque()

    def __contains__(self, place: Place) -> bool:
        return place in self._new or any(place in group for group in self._handed)

    def gone(self, place: Place) -> bool:
        """Whether its row in the outbox will go."""
        return any(place in group and group[place].gone for group in (*self._handed, self._new))

    def untried_behind(self, place: Place) -> int:
        """How many behind that place the store shows as untried."""
        notes = chain.from_iterable(group.items() for group in (*self._handed, self._new))
        return sum(note.untried and at > place for at, note in notes)

    def note(self, place: Place, *, gone: bool, untried: bool) -> None:
        """Its row in the outbox goes, or else it is parked; ``untried``: it was neither before."""
        self._new.pop(place, None)  # the last one noted is the last one stored
        self._new[place] = _NOTES[gone, untried]  # shared: there may be very many

    def hand(self) -> None:
        """What was noted since is a group, and on its way to the store."""
        if self._new or not self._handed or self._handed[-1]:  # one empty group says it
            self._handed.append(self._new)
            self._new = {}

    def give_back(self) -> None:
        """The newest group is not taken: it goes with the next."""
        self._new = self._handed.pop() | self._new

    def forget_stored(self, is_parked: Callable[[Place], bool | None]) -> None:
        """Look with ``is_parked`` (``None``: no row) how far the store has come: one look for each group
        at most."""
        for count in range(len(self._handed), 0, -1):
            group = self._handed[count - 1]
            if not group:
                continue
            place, note = next(reversed(group.items()))
            if is_parked(place) is (None if note.gone else True):
                for _ in range(count):
                    self._handed.popleft()
                break
        while self._handed and not self._handed[0]:
            self._handed.popleft()


class Books:
    """``runs`` are those with something to send, oldest first, and ``run``, that of this process; all calls
    may raise ``StoreError``."""

    def __init__(self, reader: WaitingReader, broker: str, run: str) -> None:
        self._reader = reader
        self._broker = broker
        self._run = run
        self.runs: dict[int, RunBook] = {}
        self.our_key: int | None = None
        self.unstored = Unstored()
        self._others: dict[int, PublishedRun] = {}  # without a cursor
        self._marks: list[OutboxMark] = []
        for info in reader.published_runs(broker):
            self._begin(info)
        _, self.parked = reader.outbox_counts(broker)
        self.passed_over = reader.passed_over(broker)

    def read_by(self, reader: WaitingReader) -> None:
        """Look into the same store by another reader."""
        self._reader = reader

    def _begin(self, info: PublishedRun) -> None:
        if info.run == self._run:
            self.our_key = info.run_key
        self.runs[info.run_key] = RunBook(info, Progress(info.next_seq, info.above), info.next_seq)

    def look_for_our_run(self) -> None:
        """It may have begun since."""
        if self.our_key is None:
            info = self._reader.published_run(self._broker, self._run)
            if info is not None:
                self._begin(info)

    def info(self, run_key: int) -> PublishedRun | None:
        """The run of a record."""
        if run_key in self.runs:
            return self.runs[run_key].info
        if run_key not in self._others and (info := self._reader.any_run(self._broker, run_key)) is not None:
            self._others[run_key] = info
        return self._others.get(run_key)

    def rewind(self) -> None:
        """What is not settled will be sent again."""
        self.forget_stored()
        for run in self.runs.values():
            if run.waiting:
                run.progress.rewind()
                run.next_seq, run.read_out = run.progress.next_seq, False

    def forget_stored(self) -> None:
        """Look how far the store has come with what it was told."""
        self.unstored.forget_stored(lambda place: self._reader.is_parked(self._broker, *place))

    def settle(self, place: Place, kind: str, reason: str | None, *, again: bool) -> None:
        """The broker has it, or it is parked for that ``reason``; ``again``: it was parked before."""
        fresh_reading = kind == "reading" and not again
        if fresh_reading:
            run = self.runs[place[0]]
            run.progress.settled(place[1])
            run.moved = True
        if fresh_reading and reason is None:  # its row in the outbox is none
            return
        self._mark(place, kind, reason)
        if reason is None or not again:
            self.unstored.note(place, gone=reason is None, untried=kind != "reading" and not again)
        self.parked += (reason is not None) - again

    def let_go(self, place: Place) -> None:
        """A parked reading is passed over."""
        if self.unstored.gone(place):
            return
        self._mark(place, "reading", None)
        self.unstored.note(place, gone=True, untried=False)
        self.parked -= 1
        if (run := self.runs.get(place[0])) is not None:
            self._count_passed_over(run, 1)

    def skip_old(self, run: RunBook, before_us: int) -> int | None:
        """Pass over a page of readings of before that time; the seq behind them, ``None`` without any. A run
        with something on its way is left alone."""
        if run.progress.under_way():
            return None
        key, start = run.info.run_key, run.progress.next_seq
        count, behind = self._reader.old_readings(key, start, before_us, OLD_PAGE)
        if not count:
            return None
        early = sum(1 for seq in run.progress.above() if seq < behind)
        run.progress.skip_to(behind)
        run.next_seq = max(run.next_seq, behind)
        self._count_passed_over(run, count - early)
        return behind

    def _count_passed_over(self, run: RunBook, count: int) -> None:
        run.passed_over += count
        self.passed_over += count
        run.moved = True

    def _mark(self, place: Place, kind: str, reason: str | None) -> None:
        info = self.info(place[0])
        if info is not None:  # the store has no row of a run that it does not know
            mark = OutboxMark(broker=self._broker, run=info.run, seq=place[1], kind=kind, parked=reason)
            self._marks.append(mark)

    def readings_waiting(self, limit: int) -> int:
        """How many readings the broker has not got; no more than ``limit`` are counted."""
        readings = 0
        for run in self.runs.values():
            if run.waiting and readings < limit:
                start = run.progress.next_seq
                found = self._reader.count_from(run.info.run_key, start, limit - readings)
                readings += max(0, found - run.progress.ahead())
        return readings

    def take(self) -> Settled:
        """What was answered since the last call, for the store's writer."""
        cursors = []
        for run in self.runs.values():
            if run.moved:
                cursors.append(
                    CursorMove(
                        broker=self._broker,
                        run=run.info.run,
                        next_seq=run.progress.next_seq,
                        above=run.progress.take_news(),
                        passed_over=run.passed_over,
                    )
                )
                run.moved, run.passed_over = False, 0
        settled = Settled(cursors, self._marks)
        self._marks = []
        self.unstored.hand()
        return settled

    def give_back(self, settled: Settled) -> None:
        """The writer did not take what came last: it is handed over with the next."""
        self._marks = [*settled.marks, *self._marks]
        self.unstored.give_back()
        by_name = {run.info.run: run for run in self.runs.values()}
        for move in settled.cursors:
            run = by_name[move.run]
            run.moved = True
            run.passed_over += move.passed_over
            run.progress.give_back(move.above)
