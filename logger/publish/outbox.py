"""What is still to be sent, in its order, and what became of it. Reads the store; waits for nobody.

Order: events and results, then readings, oldest run first, then what the broker refused before. What
the broker has answered is gathered for the store's one writer and handed over by ``take``.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection
from pathlib import Path

from logger.core.readings import NS_PER_S, NS_PER_US
from logger.publish.books import OLD_PAGE, Books, Settled
from logger.publish.left import UNREADABLE
from logger.publish.live import Backlog
from logger.publish.parked import WHOLE_TOPIC, ParkedRound
from logger.publish.post import Post, Topics
from logger.publish.records import START, Item, Next, Place, reading_post, record_id, row_post
from logger.store.waiting import (
    COUNTED,
    OutboxPlace,
    PublishedRun,
    Unreadable,
    WaitingReader,
    WaitingReading,
)
from logger.text import one_line

__all__ = ["Item", "Outbox", "Settled"]

PAGE = 256  # records looked at in one step: some ms
AHEAD = 2_000  # readings settled beyond one that is not; assumed: more than any broker keeps in flight
_TOLD = 100  # different reasons told of records that cannot be read; assumed
_US_PER_S = NS_PER_S // NS_PER_US
_ODD = (ValueError, TypeError, OverflowError, RecursionError)  # what a damaged record gives


class Outbox:
    """One broker's share of one store, ``run`` being the run of this process. Every call is a step of some
    ms at most, however much waits.

    Raises
    ------
    StoreError
        From every call that reads: the store cannot be read. Nothing is lost by it: the call may be
        made again.
    """

    def __init__(self, path: Path, broker: str, run: str, topics: Topics) -> None:
        self._path = path
        self._reader = WaitingReader(path)
        self._broker = broker
        self._topics = topics
        try:
            self._books = Books(self._reader, broker, run)
        except BaseException:
            self.close()
            raise
        self._queue: deque[Next] = deque()
        self._more = False
        self._held = False  # no further reading before one is answered
        self._row_place = START
        self._rows_out: set[Place] = set()  # events and results on their way
        self._again_out: dict[Place, str] = {}  # parked ones on their way, with their topics
        self._round = ParkedRound()
        self._mute: dict[
            str, str
        ] = {}  # topics of which the broker acknowledges nothing -> why they are held
        self._mute_tries: set[str] = set()  # of these, those of which the next new record is sent
        self._old_place = START
        self._unreadable: dict[str, str] = {}  # why -> the sentence, empty once it is told

    def close(self) -> None:
        """Give the file back."""
        self._reader.close()

    def reopen(self) -> None:
        """Open the file anew; what was answered meanwhile is still known."""
        reader, old = WaitingReader(self._path), self._reader
        self._reader = reader
        self._books.read_by(reader)
        old.close()

    def store_id(self) -> str:
        """The store's random id."""
        return self._reader.store_id()

    @property
    def more(self) -> bool:
        """After a ``next`` that gave nothing: whether another call may give something."""
        return self._more

    def rewind(self, without: Collection[str] = ()) -> None:
        """A new connection: what was not answered is sent again, and what was refused is tried, but for the
        topics ``without``."""
        self._books.rewind()
        if unanswered := self._rows_out | {entry.place for entry in self._queue if entry.is_row}:
            key, seq = min(unanswered)
            self._row_place = min(self._row_place, (key, seq - 1))
        self._queue.clear()
        self._rows_out.clear()
        self._again_out.clear()
        self._round = ParkedRound()
        self.try_parked(without)

    def try_parked(self, without: Collection[str] = ()) -> None:
        """Send what was refused once more, when nothing else waits; not of the topics ``without``."""
        self._queue = deque(entry for entry in self._queue if not entry.again)
        self._round.begin(self._again_out.values())
        for topic in without:
            self._round.close(topic)
        self._mute_tries = set(self._mute).difference(without)

    def hold(self, topic: str, why: str) -> None:
        """What is new of it is parked unsent, but for one at each ``try_parked``, until one is answered."""
        self._mute[topic] = why
        self._mute_tries.discard(topic)

    def is_held(self, topic: str) -> bool:
        """Whether one is tried now and then, and no more."""
        return topic in self._mute

    def may_go(self, topic: str) -> bool:
        """Whether a new message of it is to be sent now; if held, it is the one that is tried."""
        if topic in self._mute and topic not in self._mute_tries:
            return False
        self._mute_tries.discard(topic)
        return True

    def release(self, topic: str) -> None:
        """It is not held any more."""
        self._mute.pop(topic, None)

    def next(self) -> Item | None:
        """The next record to send; ``None`` when there is none now, or none in this step: see ``more``."""
        self._more = not self._queue and self._fill()
        while self._queue:
            item = self._item(self._queue[0])
            entry = self._queue.popleft()
            if item is not None:
                self._note_sent(item, entry)
                if item.again or self.may_go(item.post.topic):
                    return item
                self._settle(item.place, item.kind, self._mute[item.post.topic], again=False)
            self._more = True
        return None

    def delivered(self, item: Item) -> None:
        """The broker has it."""
        self._round.answered(item.post.topic)
        self.release(item.post.topic)
        self._settle(item.place, item.kind, None, again=item.again)

    def refused(self, item: Item, reason: str, code: int | None = None) -> None:
        """The broker does not take it: it is parked, and the rest goes on."""
        if code in WHOLE_TOPIC:
            self._round.close(item.post.topic)
        else:
            if code is not None:
                self.release(item.post.topic)
            self._round.answered(item.post.topic)
        self._settle(item.place, item.kind, reason, again=item.again)

    def take_unreadable(self) -> tuple[str, ...]:
        """Sentences on records that cannot be read, each reason once."""
        new = [(why, text) for why, text in self._unreadable.items() if text]
        self._unreadable.update((why, "") for why, _ in new)
        return tuple(text for _, text in new)

    def take(self) -> Settled:
        """What was answered since the last call, for the store's writer."""
        return self._books.take()

    def give_back(self, settled: Settled) -> None:
        """The writer did not take what came last: it is handed over with the next."""
        self._books.give_back(settled)

    def pass_over_old(self, now_utc_us: int, keep_s: float, *, ours: bool = True) -> bool:
        """Pass over readings that have waited too long, one page of them; whether there may be more.
        ``ours``: those of the run of this process as well.

        At any time: what is on its way is left alone.
        """
        before_us = now_utc_us - round(keep_s * _US_PER_S)
        self._books.look_for_our_run()
        for key, run in self._books.runs.items():
            if key == self._books.our_key and not ours:
                continue
            if (behind := self._books.skip_old(run, before_us)) is not None:
                self._queue = deque(
                    e for e in self._queue if e.reading is None or not (key, 0) <= e.place < (key, behind)
                )
                return True
        places, last = self._reader.old_parked(self._broker, self._old_place, before_us, OLD_PAGE)
        let_go = {place for place in places if place not in self._again_out}
        if not ours:
            let_go = {place for place in let_go if place[0] != self._books.our_key}
        for place in let_go:
            self._books.let_go(place)
        self._queue = deque(e for e in self._queue if not (e.again and e.place in let_go))
        self._old_place = last or START
        return last is not None

    def backlog(self) -> Backlog:
        """What the broker has not got, the records on their way included."""
        books = self._books
        books.look_for_our_run()
        books.forget_stored()
        rows = len(self._rows_out) + sum(entry.is_row for entry in self._queue)
        rows += self._reader.count_untried(self._broker, self._row_place, COUNTED)
        rows -= books.unstored.untried_behind(self._row_place)
        readings = books.readings_waiting(COUNTED + 1)
        return Backlog(
            waiting=min(readings, COUNTED) + max(0, rows),
            more=readings > COUNTED,
            parked=max(0, books.parked),
            passed_over=books.passed_over,
        )

    def _fill(self) -> bool:
        """One step of looking for what is next; whether there was anything to look at."""
        self._books.look_for_our_run()
        return self._fill_rows() or self._fill_readings() or self._fill_parked()

    def _fill_rows(self) -> bool:
        """Events and results that were not tried yet."""
        page = self._reader.outbox_page(self._broker, self._row_place, PAGE)
        for row in page:
            if not row.parked and row.place not in self._books.unstored:
                self._queue.append(Next(row.place, row.kind))
        self._row_place = page[-1].place if page else self._row_place
        return bool(page)

    def _fill_readings(self) -> bool:
        """Readings of the oldest run that has some."""
        self._held = False
        for key, run in self._books.runs.items():
            if run.read_out:
                continue
            self._held = run.progress.under_way() and run.progress.ahead() >= AHEAD
            if self._held:
                return False
            page = self._reader.readings_from(key, run.next_seq, PAGE)
            for reading in page:
                if not run.progress.is_settled(reading.seq):
                    self._queue.append(Next((key, reading.seq), "reading", reading=reading))
            run.next_seq = page[-1].seq + 1 if page else run.next_seq
            run.read_out = not page and key != self._books.our_key
            if not page and run.progress.read_to(run.next_seq):
                run.moved = True
            if page or run.read_out:
                return True
        return False

    def _fill_parked(self) -> bool:
        """What was refused, without topics that are refused as a whole."""
        if self._held or not self._round.wanted():
            return False
        page = self._reader.outbox_page(self._broker, self._round.place, PAGE)
        for row in page:
            if row.parked and row.place not in self._again_out and not self._books.unstored.gone(row.place):
                self._look_at_parked(row)
        self._round.looked(page[-1].place if len(page) == PAGE else None)
        return True

    def _look_at_parked(self, row: OutboxPlace) -> None:
        if row.gone:
            self._books.let_go(row.place)
            return
        topic = self._topics(row.kind, *((row.probe, row.quantity) if row.kind == "reading" else ()))
        if self._round.choose(topic, row.place):
            self._queue.append(Next(row.place, row.kind, topic))

    def _item(self, entry: Next) -> Item | None:
        """The record with its message, ``None`` where there is nothing to send."""
        info = self._books.info(entry.place[0])
        if info is None or (entry.again and self._round.is_closed(entry.topic)):
            return None
        try:
            post = self._post(info, entry)
        except _ODD as error:
            self._set_apart(info, entry, one_line(str(error)))
            return None
        if post is None:  # it has gone since
            self._round.answered(entry.topic)
            return None
        return Item(run=info, seq=entry.place[1], kind=entry.kind, post=post, again=entry.again)

    def _post(self, info: PublishedRun, entry: Next) -> Post | None:
        if entry.kind == "reading":
            reading = entry.reading or self._reader.one_reading(*entry.place)
            if isinstance(reading, WaitingReading):
                return reading_post(self._topics, info, reading)
            odd: Unreadable | None = reading
        else:
            row = self._reader.one_row(self._broker, *entry.place)
            if row is not None and not isinstance(row, Unreadable):
                return row_post(self._topics, info, row)
            odd = row
        if odd is not None:
            raise ValueError(odd.why)
        return None

    def _set_apart(self, info: PublishedRun, entry: Next, why: str) -> None:
        """A record that cannot be read must not hold up the others."""
        if why not in self._unreadable and len(self._unreadable) < _TOLD:
            self._unreadable[why] = (
                f"{entry.kind} {record_id(info.run, entry.place[1])} cannot be read: {why}; it is kept apart "
                "and the rest goes on; keep a copy of the store and report this as a fault"
            )
        if entry.again:
            self._round.answered(entry.topic)
            return
        if entry.kind == "reading":
            self._books.runs[entry.place[0]].progress.sent(entry.place[1])
        self._settle(entry.place, entry.kind, f"{UNREADABLE}: {why}", again=False)

    def _note_sent(self, item: Item, entry: Next) -> None:
        if entry.again:
            self._again_out[item.place] = item.post.topic
        elif entry.is_row:
            self._rows_out.add(item.place)
        else:
            self._books.runs[item.place[0]].progress.sent(item.seq)

    def _settle(self, place: Place, kind: str, reason: str | None, *, again: bool) -> None:
        self._rows_out.discard(place)
        self._again_out.pop(place, None)
        self._books.settle(place, kind, reason, again=again)
