"""The outbox over a real store, step by step, without a broker: what goes out, and what a step costs."""

import itertools
import json
from collections import defaultdict, deque
from collections.abc import Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.core.errors import StoreError
from logger.core.readings import Flag, Quantity, Reading
from logger.core.snapshot import Event
from logger.publish.books import Unstored
from logger.publish.outbox import AHEAD, PAGE, Item, Outbox, Settled
from logger.publish.post import Topics
from logger.publish.progress import Progress
from logger.publish.records import reading_post
from logger.store import Batch, CursorMove, RunHeader, StoredEvent, StoredResult, StoreWriter
from logger.store.kept import KeptReader
from logger.store.records import OutboxMark, RunEnd
from logger.store.waiting import WaitingReader

TOPICS = Topics(prefix="p", site="s", job="j")
CHANNELS = (("ret", Quantity.TEMPERATURE), ("sup", Quantity.TEMPERATURE))
RET, SUP = "p/s/j/reading/ret/temperature", "p/s/j/reading/sup/temperature"
DAY_S = 86_400.0
BARRED, ODD = 0x87, 0x80  # MQTT 5.0, 2.4: not authorized, unspecified error


class Desk:
    """A store with its writer, and an outbox over it."""

    def __init__(self, path: Path) -> None:
        self.writer = StoreWriter(path, "test")
        self.writer._conn.execute("PRAGMA synchronous = OFF")  # no power is lost here
        self.outboxes: list[Outbox] = []
        self.seq = 0
        self.run = ""

    def begin(self, run: str, *, broker: str = "b") -> None:
        self.run, self.seq = run, 0
        header = RunHeader(run=run, job="j", started_utc_us=0)
        move = CursorMove(broker=broker, run=run, next_seq=0)
        self.writer.write(Batch(run=run, header=header, cursors=[move]))

    def readings(self, count: int, utc_us: int = 0, *, value: float = 20.0) -> None:
        new = [
            Reading(seq, seq, *CHANNELS[seq % 2], value, Flag.OK, utc_us, seq)
            for seq in range(self.seq, self.seq + count)
        ]
        self.seq += count
        self.writer.write(Batch(run=self.run, readings=new))

    def event(self) -> None:
        event = StoredEvent(seq=self.seq, event=Event(t_ns=0, code="mark", text="x", origin="shell"))
        self.seq += 1
        self.writer.write(Batch(run=self.run, events=[event]))

    def result(self) -> None:
        result = StoredResult(seq=self.seq, t_ns=0, scope="firing", document="{}")
        self.seq += 1
        self.writer.write(Batch(run=self.run, results=[result]))

    def parked(self, count: int) -> None:
        """So many readings that the broker refused."""
        first = self.seq
        self.readings(count)
        marks = [
            OutboxMark(broker="b", run=self.run, seq=seq, kind="reading", parked="no")
            for seq in range(first, self.seq)
        ]
        move = CursorMove(broker="b", run=self.run, next_seq=self.seq)
        self.writer.write(Batch(run=self.run, cursors=[move], marks=marks))

    def outbox(self, run: str | None = None) -> Outbox:
        made = Outbox(self.writer.path, "b", self.run if run is None else run, TOPICS)
        self.outboxes.append(made)
        return made

    def keep(self, settled: Settled) -> None:
        self.writer.write(Batch(run=self.run, cursors=settled.cursors, marks=settled.marks))

    def sql(self, query: str, *values: object) -> list[tuple[object, ...]]:
        return [tuple(row) for row in self.writer._conn.execute(query, values).fetchall()]

    def close(self) -> None:
        for outbox in self.outboxes:
            outbox.close()
        self.writer.close()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = Desk(tmp_path / "s.db")
    yield made
    made.close()


def following(outbox: Outbox) -> Item | None:
    """As the connection does it, with no pause between steps."""
    while (item := outbox.next()) is None and outbox.more:
        pass
    return item


def drain(outbox: Outbox, ids: list[str] | None = None) -> list[str]:
    """Hand out all there is, each delivered at once; the ids in order."""
    ids = [] if ids is None else ids
    while (item := following(outbox)) is not None:
        ids.append(json.loads(item.post.payload)["id"])
        outbox.delivered(item)
    return ids


class Cost:
    """Rows that the outbox reads, and instructions of SQLite's machine, of each call in turn."""

    def __init__(self, outbox: Outbox, monkeypatch: pytest.MonkeyPatch) -> None:
        self.rows = self.queries = self.ticks = 0
        reader = outbox._reader
        inner = reader._all

        def counted(query: str, values: tuple[object, ...] = ()) -> list[object]:
            found = inner(query, values)
            self.rows += len(found)
            self.queries += 1
            return found

        monkeypatch.setattr(reader, "_all", counted)
        reader._conn.set_progress_handler(self._tick, 100)

    def _tick(self) -> int:
        self.ticks += 1
        return 0

    def clear(self) -> None:
        self.rows = self.queries = self.ticks = 0


def test_a_barred_topic_with_100_000_parked_records_is_passed_by_in_small_steps(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.begin("r1")
    desk.parked(100_000)
    outbox = desk.outbox()
    outbox.rewind()
    cost, tried, steps = Cost(outbox, monkeypatch), [], 0
    made: list[object] = []
    monkeypatch.setattr("logger.publish.outbox.reading_post", _counting(made))
    most_rows = most_ticks = 0
    while True:
        cost.clear()
        item = outbox.next()
        steps += 1
        most_rows, most_ticks = max(most_rows, cost.rows), max(most_ticks, cost.ticks)
        if item is not None:
            tried.append(item.post.topic)
            outbox.refused(item, "no", BARRED)
        elif not outbox.more:
            break
    assert sorted(tried) == [RET, SUP]  # one of each topic
    assert len(made) == 2
    assert most_rows <= PAGE + 2
    assert most_ticks * 100 < 100 * PAGE  # instructions: some dozens a row
    assert steps > 100_000 / PAGE
    assert outbox.backlog().parked == 100_000


def _counting(made: list[object]) -> object:
    def counted(*parts: object) -> object:
        made.append(parts)
        return reading_post(*parts)  # type: ignore[arg-type]

    return counted


def test_the_rest_of_a_topic_follows_its_first_record_in_order(desk: Desk) -> None:
    desk.begin("r1")
    desk.parked(600)
    outbox = desk.outbox()
    outbox.rewind()
    first = [following(outbox), following(outbox), following(outbox)]
    assert [item and item.post.topic for item in first] == [RET, SUP, None]
    assert first[0] is not None
    assert first[1] is not None
    outbox.refused(first[0], "no", BARRED)
    outbox.delivered(first[1])
    assert drain(outbox) == [f"r1/{seq}" for seq in range(3, 600, 2)]
    desk.keep(outbox.take())
    assert desk.sql("SELECT count(*), min(seq % 2), max(seq % 2) FROM outbox") == [(300, 0, 0)]


def test_one_record_that_is_refused_for_itself_does_not_bar_its_topic(desk: Desk) -> None:
    desk.begin("r1")
    desk.parked(10)
    outbox = desk.outbox()
    outbox.rewind()
    item = following(outbox)
    assert item is not None
    outbox.refused(item, "too large", 0x95)
    assert sorted(drain(outbox), key=lambda name: int(name[3:])) == [f"r1/{seq}" for seq in range(1, 10)]


def test_a_try_while_records_are_on_their_way_sends_none_of_them_twice(desk: Desk) -> None:
    desk.begin("r1")
    desk.parked(8)
    outbox = desk.outbox()
    outbox.rewind()
    for _ in range(2):
        item = following(outbox)
        assert item is not None
        outbox.delivered(item)
    out = [following(outbox) for _ in range(3)]
    outbox.try_parked()
    later = []
    while (item := following(outbox)) is not None:
        later.append(item)
    for one in (*out, *later):
        assert one is not None
        outbox.delivered(one)
    rest = drain(outbox)
    seqs = [one.seq for one in (*out, *later) if one is not None] + [int(name[3:]) for name in rest]
    assert sorted(seqs) == list(range(2, 8))


def test_of_a_topic_with_two_on_their_way_none_goes_out_again_when_one_is_answered(desk: Desk) -> None:
    desk.begin("r1")
    desk.parked(10)
    outbox = desk.outbox()
    outbox.rewind()
    for _ in range(2):
        item = following(outbox)
        assert item is not None
        outbox.delivered(item)
    out = [item for item in (following(outbox) for _ in range(4)) if item is not None]
    outbox.try_parked()
    outbox.refused(out[0], "no", ODD)
    outbox.refused(out[1], "no", ODD)
    assert {item.seq for item in out} == {2, 3, 4, 5}
    assert sorted(drain(outbox)) == ["r1/2", "r1/3", "r1/6", "r1/7", "r1/8", "r1/9"]


def test_what_the_writer_does_not_take_goes_with_the_next(desk: Desk) -> None:
    desk.begin("r1")
    desk.readings(6, 5)
    desk.event()
    outbox = desk.outbox()
    outbox.rewind()
    event, first, *rest = (following(outbox) for _ in range(7))
    for item in (event, *rest[1:]):
        assert item is not None
        outbox.delivered(item)
    assert rest[0] is not None
    outbox.refused(rest[0], "no", ODD)
    for _ in range(3):
        outbox.give_back(outbox.take())
    desk.keep(outbox.take())
    assert not outbox.take()
    assert first is not None
    fresh = desk.outbox()
    fresh.rewind()
    assert drain(fresh) == ["r1/0", "r1/1"]


def test_what_was_delivered_before_is_not_counted_as_passed_over(desk: Desk) -> None:
    """Nor does what was looked at already go out afterwards."""
    desk.begin("r1")
    desk.readings(6)
    outbox = desk.outbox()
    outbox.rewind()
    items = [following(outbox) for _ in range(3)]
    assert items[1] is not None
    outbox.delivered(items[1])
    outbox.rewind()
    first = following(outbox)
    assert first is not None
    outbox.delivered(first)
    while outbox.pass_over_old(1, 0.0):
        pass
    assert outbox.backlog().passed_over == 4
    outbox.give_back(outbox.take())
    assert drain(outbox) == []
    desk.keep(outbox.take())
    assert desk.sql("SELECT next_seq, passed_over FROM delivery_cursor") == [(6, 4)]


def test_all_parked_readings_that_are_too_old_are_passed_over(desk: Desk) -> None:
    desk.begin("r1")
    desk.parked(25_000)
    desk.readings(5, round(100 * DAY_S * 1e6))
    outbox = desk.outbox()
    outbox.rewind()
    steps = 1
    while outbox.pass_over_old(round(100 * DAY_S * 1e6), 14 * DAY_S):
        steps += 1
    assert steps > 10
    backlog = outbox.backlog()
    assert (backlog.parked, backlog.passed_over, backlog.waiting) == (0, 25_000, 5)
    desk.keep(outbox.take())
    assert desk.sql("SELECT count(*) FROM outbox") == [(0,)]
    assert desk.sql("SELECT passed_over FROM delivery_cursor") == [(25_000,)]
    assert outbox.backlog() == backlog


def test_nothing_that_is_on_its_way_is_passed_over(desk: Desk) -> None:
    """Readings of a run with one on its way stay, and the parked one that is tried now."""
    desk.begin("r1")
    desk.parked(2)
    desk.begin("r2")
    desk.readings(4)
    outbox = desk.outbox()
    outbox.rewind()
    fresh = [following(outbox) for _ in range(4)]
    again = following(outbox)
    assert again is not None
    assert again.again
    while outbox.pass_over_old(round(100 * DAY_S * 1e6), DAY_S):
        pass
    assert outbox.backlog().passed_over == 1  # the other parked one
    for item in (*fresh, again):
        assert item is not None
        outbox.delivered(item)
    assert drain(outbox) == []
    desk.keep(outbox.take())
    backlog = outbox.backlog()
    assert (backlog.waiting, backlog.parked, backlog.passed_over) == (0, 0, 1)


def test_parked_readings_that_the_store_has_dropped_do_not_stay_for_ever(desk: Desk) -> None:
    desk.begin("r1")
    desk.parked(6)
    desk.sql("DELETE FROM reading WHERE id & 1099511627775 < 4")
    outbox = desk.outbox()
    outbox.rewind()
    assert drain(outbox) == ["r1/4", "r1/5"]
    desk.keep(outbox.take())
    assert desk.sql("SELECT count(*) FROM outbox") == [(0,)]
    assert outbox.backlog().passed_over == 4


def test_runs_that_are_wholly_delivered_are_not_looked_at_again(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(1_000):
        desk.begin(f"old{n}")
        desk.readings(2)
        if n != 500:
            desk.keep(Settled([CursorMove(broker="b", run=f"old{n}", next_seq=2)]))
    desk.begin("ours")
    desk.readings(3)
    outbox = desk.outbox()
    assert len(outbox._books.runs) == 2
    cost = Cost(outbox, monkeypatch)
    outbox.rewind()
    assert drain(outbox) == ["old500/0", "old500/1", "ours/0", "ours/1", "ours/2"]
    assert cost.queries < 60
    desk.keep(outbox.take())
    cost.clear()
    outbox.rewind()
    assert drain(outbox) == []
    assert cost.queries <= 6
    assert len(desk.outbox()._books.runs) == 0 or desk.outbox().backlog().waiting == 0


def test_one_answer_that_never_comes_holds_the_rest_within_bounds(desk: Desk) -> None:
    desk.begin("r1")
    desk.readings(3 * AHEAD)
    outbox = desk.outbox()
    outbox.rewind()
    lost = following(outbox)
    told = 0
    for _ in range(40):
        for _ in range(100):
            if (item := following(outbox)) is not None:
                outbox.delivered(item)
        settled = outbox.take()
        told += sum(len(move.above) for move in settled.cursors)
        desk.keep(settled)
    ((kept,),) = desk.sql("SELECT count(*) FROM delivered_above")
    assert kept == told  # each was written once
    assert AHEAD <= told <= AHEAD + PAGE
    assert outbox.backlog().waiting == 3 * AHEAD - told
    assert lost is not None
    outbox.rewind()
    assert drain(outbox)[0] == "r1/0"
    desk.keep(outbox.take())
    assert desk.sql("SELECT next_seq FROM delivery_cursor") == [(3 * AHEAD,)]
    assert desk.sql("SELECT count(*) FROM delivered_above") == [(0,)]
    assert outbox.backlog().waiting == 0


def test_a_run_that_was_delivered_after_a_hole_waits_no_more(desk: Desk) -> None:
    """The one that was not answered is delivered over the next connection; then nothing is left of the run,
    for this process and for whoever decides what may go."""
    desk.begin("r1")
    desk.readings(5)
    desk.event()
    desk.readings(5)
    outbox = desk.outbox()
    out = [following(outbox) for _ in range(11)]
    for item in out:
        if item is not None and item.seq not in (0, 7):
            outbox.delivered(item)
    desk.keep(outbox.take())
    assert desk.sql("SELECT count(*) FROM delivered_above") == [(8,)]
    outbox.rewind()
    assert drain(outbox) == ["r1/0", "r1/7"]
    desk.keep(outbox.take())
    assert desk.sql("SELECT next_seq FROM delivery_cursor") == [(11,)]
    assert desk.sql("SELECT count(*) FROM delivered_above") == [(0,)]
    end = RunEnd(ended_utc_us=10, end_reason="ended", result_json="{}")
    desk.writer.write(Batch(run="r1", end=end))
    outbox.rewind()
    drain(outbox)
    desk.keep(outbox.take())
    with KeptReader(desk.writer.path) as reader:
        assert [run.waiting for run in reader.kept_runs()] == [()]
    with WaitingReader(desk.writer.path) as reader:
        assert reader.published_runs("b") == ()


def test_an_island_of_an_earlier_start_is_passed_by(desk: Desk) -> None:
    """All readings are delivered, as the store has it from a program that was killed."""
    desk.begin("r1")
    desk.readings(5)
    desk.writer.write(
        Batch(run="r1", cursors=[CursorMove(broker="b", run="r1", next_seq=1, above=(1, 2, 3))])
    )
    desk.writer.write(Batch(run="r1", end=RunEnd(ended_utc_us=10, end_reason="ended", result_json="{}")))
    with KeptReader(desk.writer.path) as reader:
        assert [run.waiting for run in reader.kept_runs()] == [("b",)]
    desk.writer.write(Batch(run="r1", cursors=[CursorMove(broker="b", run="r1", next_seq=1, above=(4,))]))
    with KeptReader(desk.writer.path) as reader:
        assert [run.waiting for run in reader.kept_runs()] == [()]
    desk.begin("r2")
    outbox = desk.outbox()
    assert drain(outbox) == ["r1/5"]  # the result
    desk.keep(outbox.take())
    assert desk.sql("SELECT next_seq FROM delivery_cursor ORDER BY run_key") == [(5,), (0,)]


def test_a_cursor_never_goes_back(desk: Desk) -> None:
    desk.begin("r1")
    desk.readings(9)
    for next_seq in (5, 3):
        desk.writer.write(Batch(run="r1", cursors=[CursorMove(broker="b", run="r1", next_seq=next_seq)]))
    assert desk.sql("SELECT next_seq FROM delivery_cursor") == [(5,)]


def test_a_store_that_takes_nothing_costs_no_memory() -> None:
    """Hand-over after hand-over with nothing new."""
    unstored = Unstored()
    unstored.note((1, 7), gone=True, untried=True)
    for _ in range(1_000):
        unstored.hand()
        unstored.forget_stored(lambda _place: False)
    assert len(unstored._handed) <= 2
    unstored.note((1, 8), gone=True, untried=False)
    unstored.hand()
    unstored.give_back()
    unstored.hand()
    assert (1, 7) in unstored
    assert (1, 8) in unstored


class CountedSeqs(deque[int]):
    """How often the front is looked at."""

    looks = 0

    def __getitem__(self, index: object) -> int:  # type: ignore[override]
        CountedSeqs.looks += 1
        return super().__getitem__(index)  # type: ignore[index]


def test_an_answer_looks_at_the_front_alone() -> None:
    progress = Progress(0)
    progress._sent = CountedSeqs()
    for seq in range(1_000):
        progress.sent(seq)
    CountedSeqs.looks = 0
    for seq in range(1, 1_000):
        progress.settled(seq)
    assert CountedSeqs.looks == 999
    assert progress.take_news() == tuple(range(1, 1_000))
    assert progress.take_news() == ()
    progress.settled(0)
    assert (progress.next_seq, progress.above(), progress.take_news()) == (1_000, (), ())


def test_records_that_cannot_be_read_are_set_apart_and_said_once(desk: Desk) -> None:
    desk.begin("r1")
    desk.readings(8)
    desk.result()
    desk.result()
    desk.event()
    desk.readings(2, value=float("inf"))
    desk.sql("UPDATE result SET document = '{' WHERE seq = 8")
    desk.sql("DELETE FROM event WHERE seq = 10")
    desk.sql("INSERT INTO channel VALUES (77, 'ret', 'smell', '1')")
    desk.sql("UPDATE reading SET channel_key = 77 WHERE id & 255 = 2")
    desk.sql("UPDATE reading SET channel_key = 78 WHERE id & 255 = 3")
    desk.sql("UPDATE reading SET flag = 99 WHERE id & 255 = 4")
    outbox = desk.outbox()
    for _ in range(2):
        outbox.rewind()
        ids = drain(outbox)
        desk.keep(outbox.take())
        assert ids == ([] if _ else ["r1/9", "r1/0", "r1/1", "r1/5", "r1/6", "r1/7"])
    rows = desk.sql("SELECT seq, kind, parked_reason, tries FROM outbox ORDER BY seq")
    assert [(seq, kind) for seq, kind, *_ in rows] == [
        (2, "reading"), (3, "reading"), (4, "reading"), (8, "result"), (10, "event"),
        (11, "reading"), (12, "reading"),
    ]  # fmt: skip
    reasons = [str(reason) for _, _, reason, _ in rows]
    assert all(reason.startswith("cannot be read: ") for reason in reasons)
    for part, reason in zip(
        ("'smell' is not known", "channel", "flag 99", "", "no event", "value is inf"),
        reasons,
        strict=False,
    ):
        assert part in reason
    said = outbox.take_unreadable()
    assert len(said) == len(set(reasons)) == 6
    assert "reading r1/2 cannot be read: its quantity 'smell' is not known; it is kept apart" in said[2]
    assert outbox.take_unreadable() == ()
    backlog = outbox.backlog()
    assert (backlog.waiting, backlog.parked) == (0, 7)


def test_an_event_of_a_run_without_a_cursor_goes_out(desk: Desk) -> None:
    desk.begin("r1")
    desk.event()
    desk.sql("DELETE FROM delivery_cursor")
    desk.begin("r2")
    outbox = desk.outbox()
    assert drain(outbox) == ["r1/0"]
    desk.keep(outbox.take())
    assert desk.sql("SELECT count(*) FROM outbox") == [(0,)]


def test_a_store_that_cannot_be_read_for_a_while_loses_nothing(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.begin("r1")
    desk.parked(4)
    desk.readings(4)
    desk.event()
    outbox = desk.outbox()
    outbox.rewind()
    inner, calls = outbox._reader._all, itertools.count()

    def shaky(query: str, values: tuple[object, ...] = ()) -> list[object]:
        if next(calls) % 5 == 4:
            raise StoreError("the disk is away")
        return inner(query, values)

    monkeypatch.setattr(outbox._reader, "_all", shaky)
    ids: list[str] = []
    for _ in range(100):
        try:
            drain(outbox, ids)
        except StoreError:
            continue
    assert sorted(ids) == [f"r1/{seq}" for seq in range(9)]


def test_the_backlog_counts_all_runs_before_any_connection(desk: Desk) -> None:
    """Also this process' own run, which begins after the outbox is made."""
    desk.begin("old")
    desk.readings(800)
    desk.parked(7)
    desk.event()
    outbox = desk.outbox("new")
    desk.begin("new")
    desk.readings(20)
    desk.event()
    backlog = outbox.backlog()
    assert (backlog.waiting, backlog.parked) == (22, 7)  # the 800 lie below the cursor of the parked ones
    desk.begin("newer")
    desk.readings(30)
    assert desk.outbox("newest").backlog().waiting == 22 + 30


def test_events_are_counted_behind_however_many_parked_records(desk: Desk) -> None:
    desk.begin("r1")
    desk.parked(3_000)
    desk.event()
    desk.result()
    outbox = desk.outbox()
    assert outbox.backlog().waiting == 2
    outbox.rewind()
    item = following(outbox)
    assert item is not None
    assert item.kind == "event"
    assert outbox.backlog().waiting == 2
    outbox.delivered(item)
    assert outbox.backlog().waiting == 1
    outbox.rewind()
    assert outbox.backlog().waiting == 1  # though the store does not know it yet


def test_what_waits_for_other_brokers_is_known(desk: Desk) -> None:
    desk.begin("r1", broker="host:1883")
    desk.readings(10)
    desk.event()
    desk.writer.write(
        Batch(run="r1", cursors=[CursorMove(broker="host:1883", run="r1", next_seq=3, above=(5, 6))])
    )
    desk.begin("r2", broker="done")
    desk.readings(2)
    desk.writer.write(Batch(run="r2", cursors=[CursorMove(broker="done", run="r2", next_seq=2)]))
    desk.begin("r3")
    desk.readings(4)
    with WaitingReader(desk.writer.path) as reader:
        assert reader.other_brokers("b") == (("host:1883", 6),)
        assert reader.other_brokers("host:1883") == (("b", 4),)


class World:
    """The outbox and what it should know, as sets: whatever happens, nothing may be lost or come twice."""

    def __init__(self, path: Path) -> None:
        self.desk = Desk(path)
        self.number = 0
        self.kinds: dict[tuple[str, int], str] = {}
        self.topics: dict[tuple[str, int], str] = {}
        self.utc: dict[tuple[str, int], int] = {}
        self.odd: set[tuple[str, int]] = set()
        self.delivered: set[tuple[str, int]] = set()  # as the outbox and the store know it
        self.ever: set[tuple[str, int]] = set()
        self.flying: list[Item] = []
        self.out: set[tuple[str, int]] = set()  # handed out for the first time in this connection
        self.tried: set[tuple[str, int]] = set()  # handed out again in this round
        self.limit_us = 0
        self.pending: list[tuple[Settled, set[tuple[str, int]]]] = []
        self.untold: set[tuple[str, int]] = set()
        self.new_run()

    def new_run(self) -> None:
        """After a crash of the one before."""
        self.number += 1
        self.desk.begin(f"r{self.number}")
        self.restart()

    def add(self, kinds: Sequence[str], utc_us: int) -> None:
        for kind in kinds:
            name, seq = (self.desk.run, self.desk.seq), self.desk.seq
            self.kinds[name], self.utc[name] = kind.removeprefix("odd "), utc_us
            if kind == "event":
                self.desk.event()
            elif kind.endswith("result"):
                self.desk.result()
            else:
                self.desk.readings(1, utc_us, value=float("inf") if kind.startswith("odd") else 20.0)
            if kind.startswith("odd"):
                self.odd.add(name)
            if kind == "odd result":
                self.desk.sql(
                    "UPDATE result SET document = '[' WHERE seq = ?"
                    " AND run_key = (SELECT max(run_key) FROM run)",
                    seq,
                )
            self.topics[name] = (RET, SUP)[seq % 2] if kind.endswith("reading") else kind

    def hand_out(self) -> None:
        item = following(self.outbox)
        if item is None:
            return
        name = (item.run.run, item.seq)
        assert name not in self.delivered | self.odd
        assert name not in {(other.run.run, other.seq) for other in self.flying}
        if item.again:
            assert name not in self.tried
            self.tried.add(name)
        else:
            assert name not in self.out
            if item.kind == "reading":  # in order: of its topic nothing later was handed out before
                assert all(
                    self.order(name) > self.order(other)
                    for other in self.out
                    if self.topics[other] == self.topics[name]
                )
            self.out.add(name)
        self.flying.append(item)

    def order(self, name: tuple[str, int]) -> tuple[int, int]:
        return int(name[0][1:]), name[1]

    def answer(self, which: int, code: int) -> None:
        if not self.flying:
            return
        item = self.flying.pop(which % len(self.flying))
        name = (item.run.run, item.seq)
        if code:
            self.outbox.refused(item, "no", code)
        else:
            self.outbox.delivered(item)
            self.delivered.add(name)
            self.ever.add(name)
            self.untold.add(name)

    def take(self, *, taken: bool) -> None:
        settled = self.outbox.take()
        if taken:
            self.pending.append((settled, self.untold))
            self.untold = set()
        else:
            self.outbox.give_back(settled)

    def store(self) -> None:
        if self.pending:
            settled, _ = self.pending.pop(0)
            self.desk.keep(settled)
            self.check_cursors()

    def check_cursors(self) -> None:
        """Below a stored cursor everything is delivered, parked or old."""
        parked = set(self.desk.sql("SELECT run, seq FROM outbox JOIN run USING (run_key)"))
        for run, next_seq in self.desk.sql(
            "SELECT run, next_seq FROM delivery_cursor JOIN run USING (run_key)"
        ):
            for name, kind in self.kinds.items():
                if kind == "reading" and name[0] == run and name[1] < int(str(next_seq)):
                    assert name in self.ever or name in parked or self.utc[name] < self.limit_us

    def lose(self) -> None:
        self.outbox.rewind()
        self.flying.clear()
        self.out.clear()
        self.tried.clear()

    def try_parked(self) -> None:
        self.outbox.try_parked()
        self.tried = {(item.run.run, item.seq) for item in self.flying if item.again}

    def restart(self) -> None:
        """A crash: what the store was not told is not known any more."""
        for _, names in self.pending:
            self.delivered -= names
        self.delivered -= self.untold
        self.pending.clear()
        self.untold.clear()
        self.outbox = self.desk.outbox()
        self.lose()

    def grow_old(self, now_us: int) -> None:
        self.limit_us = max(self.limit_us, now_us)
        while self.outbox.pass_over_old(self.limit_us, 0.0):
            pass

    def check_counts(self) -> None:
        """Nothing is counted twice or forgotten; what has grown old is counted as that."""
        backlog = self.outbox.backlog()
        open_ = set(self.kinds) - self.delivered
        old = {name for name in open_ if self.kinds[name] == "reading" and self.utc[name] < self.limit_us}
        assert backlog.waiting + backlog.parked <= len(open_)
        assert backlog.waiting + backlog.parked >= len(open_ - old)

    def finish(self) -> None:
        for _ in range(3):
            self.lose()
            while (item := following(self.outbox)) is not None:
                self.flying.append(item)
                self.answer(0, 0)
            self.take(taken=True)
            while self.pending:
                self.store()
        never = set(self.kinds) - self.ever - self.odd
        assert all(self.kinds[name] == "reading" and self.utc[name] < self.limit_us for name in never)
        left = set(self.desk.sql("SELECT run, seq FROM outbox JOIN run USING (run_key)"))
        assert left <= self.odd
        assert all(self.utc[name] < self.limit_us for name in self.odd - left)
        backlog = self.outbox.backlog()
        assert (backlog.waiting, backlog.parked) == (0, len(left))
        assert backlog.passed_over >= len(never)
        fresh = self.desk.outbox()
        assert fresh.backlog() == backlog


KINDS = st.sampled_from(["reading"] * 6 + ["event", "result", "odd reading", "odd result"])
STEPS = st.one_of(
    st.tuples(st.just("add"), st.lists(KINDS, min_size=1, max_size=6), st.integers(0, 20)),
    st.tuples(st.just("out"), st.integers(1, 8)),
    st.tuples(st.just("answer"), st.integers(0, 50), st.sampled_from([0, 0, 0, ODD, BARRED])),
    st.tuples(st.just("take"), st.booleans()),
    st.tuples(st.sampled_from(["store", "lose", "try", "new run", "restart"])),
    st.tuples(st.just("old"), st.integers(0, 15)),
)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(steps=st.lists(STEPS, max_size=40))
def test_whatever_happens_nothing_is_lost_and_nothing_comes_twice(steps: list[tuple[object, ...]]) -> None:
    with TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr("logger.publish.outbox.PAGE", 3)
        patch.setattr("logger.publish.books.OLD_PAGE", 2)
        patch.setattr("logger.publish.outbox.OLD_PAGE", 2)
        patch.setattr("logger.publish.outbox.AHEAD", 4)
        world = World(Path(folder) / "s.db")
        try:
            for name, *values in steps:
                _do(world, str(name), values)
                world.check_counts()
            world.finish()
        finally:
            world.desk.close()


def _do(world: World, name: str, values: list[object]) -> None:
    plain = {
        "store": world.store,
        "lose": world.lose,
        "try": world.try_parked,
        "new run": world.new_run,
        "restart": world.restart,
    }
    if name in plain:
        plain[name]()
    elif name == "add":
        world.add(values[0], values[1])  # type: ignore[arg-type]
    elif name == "out":
        for _ in range(values[0]):  # type: ignore[call-overload]
            world.hand_out()
    elif name == "answer":
        world.answer(values[0], values[1])  # type: ignore[arg-type]
    elif name == "take":
        world.take(taken=bool(values[0]))
    else:
        world.grow_old(values[0])  # type: ignore[arg-type]


def test_the_world_is_not_idle(tmp_path: Path) -> None:
    """The model above does hand out, refuse and pass over: a check that it checks."""
    world = World(tmp_path / "s.db")
    world.add(["reading", "event", "reading", "odd reading", "odd result"], 5)
    seen: dict[str, int] = defaultdict(int)
    for _ in range(5):
        world.hand_out()
        seen["out"] = max(seen["out"], len(world.flying))
    world.answer(0, 0)
    world.answer(0, BARRED)
    world.take(taken=True)
    world.store()
    world.grow_old(10)
    world.check_counts()
    world.finish()
    assert seen["out"] == 3
    world.desk.close()


def test_what_is_new_of_a_held_topic_is_parked_unsent_but_for_one_at_each_try(desk: Desk) -> None:
    desk.begin("r1")
    desk.readings(2)
    outbox = desk.outbox()
    assert [following(outbox), following(outbox)][-1] is not None
    outbox.rewind()
    outbox.hold(SUP, "never acknowledges it")
    desk.readings(8)
    assert drain(outbox) == ["r1/0", "r1/2", "r1/4", "r1/6", "r1/8"]
    desk.keep(outbox.take())
    assert outbox.backlog().parked == 5
    assert desk.sql("SELECT DISTINCT parked_reason FROM outbox") == [("never acknowledges it",)]
    outbox.rewind(without={SUP})
    desk.readings(4)
    assert drain(outbox) == ["r1/10", "r1/12"]
    outbox.rewind()  # a new one and a parked one
    desk.readings(4)
    sent = []
    while (item := following(outbox)) is not None:
        sent.append((item.seq, item.again))
        if item.post.topic == RET:
            outbox.delivered(item)
    assert sent == [(14, False), (15, False), (16, False), (1, True)]
    desk.keep(outbox.take())
    outbox.rewind()
    assert sorted(drain(outbox)) == sorted(f"r1/{n}" for n in range(1, 18, 2))  # one was acknowledged
    desk.keep(outbox.take())
    assert outbox.backlog().parked == 0


def test_a_refusal_of_its_own_ends_the_hold_of_a_topic(desk: Desk) -> None:
    """The broker answers again; the reading goes out with the others."""
    desk.begin("r1")
    outbox = desk.outbox()
    outbox.hold(SUP, "never acknowledges it")
    outbox.try_parked()
    desk.readings(2)
    first, second = following(outbox), following(outbox)
    assert first is not None
    assert second is not None
    outbox.delivered(first)
    outbox.refused(second, "odd", ODD)
    desk.readings(2)
    assert drain(outbox)[:2] == ["r1/2", "r1/3"]
