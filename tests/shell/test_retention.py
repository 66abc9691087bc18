"""What a store lets go, and what never: results, events, and the readings of what is not settled yet."""

import asyncio
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import logger.believed_clock
import logger.retention
from logger.config.load import Retention, loads_config
from logger.core.errors import StoreError
from logger.core.readings import Flag, Quantity, Reading
from logger.core.snapshot import Event
from logger.export import export_command
from logger.live import run_live
from logger.live_run import Manner
from logger.recompute import source_of_run
from logger.registry import DriverOptions
from logger.replay import replay_command
from logger.report.evidence import gather
from logger.report.page import render
from logger.retention import HOLD_S, Retainer, Rules, next_drop
from logger.session import Limits
from logger.store import (
    Batch,
    CursorMove,
    Drop,
    OutboxMark,
    RunEnd,
    RunHeader,
    StoredEvent,
    StoreReader,
    StoreWriter,
)
from logger.store.kept import KeptReader, KeptRun
from logger.store.waiting import WaitingReader
from logger.stored import runs_command
from simulators.scenarios import SCENARIOS

DAY_US = 86_400_000_000
UTC0 = 1_700_000_000_000_000
CONFIG = SCENARIOS["standard"].config_text
RESULT = json.dumps({"verdict": "meets", "readings": {"stored": 300, "flagged": 0}})


def add_run(
    writer: StoreWriter, run: str, *, ended_utc_us: int | None, result: str | None = RESULT, rows: int = 300
) -> None:
    readings = [
        Reading(n, n * 1_000_000_000, "ret", Quantity.TEMPERATURE, 21.0, Flag.OK, UTC0 + n * 1_000_000, n)
        for n in range(rows)
    ]
    event = StoredEvent(seq=rows, event=Event(t_ns=0, code="firing", text="seen"))
    trace = [(float(n), *([None] * 11)) for n in range(rows)]
    header = RunHeader(run=run, job="hall", started_utc_us=UTC0, config_text=CONFIG)
    end = None
    if ended_utc_us is not None:
        end = RunEnd(ended_utc_us=ended_utc_us, end_reason="ended", result_json=result)
    writer.write(Batch(run=run, header=header, readings=readings, trace=trace, events=[event], end=end))


def drop(run: str, what: str, rows: int = 50_000) -> Drop:
    return Drop(run=run, what=what, why='keep = "90 days"', now_utc_us=UTC0 + 100 * DAY_US, rows=rows)


def count(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as raw:
        return int(raw.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store with a run that has ended and one that goes on."""
    path = tmp_path / "hall.db"
    with StoreWriter(path, "test") as writer:
        add_run(writer, "old", ended_utc_us=UTC0)
        add_run(writer, "open", ended_utc_us=None)
    return path


def test_pieces_until_nothing_is_left_and_one_event_that_says_so(path: Path) -> None:
    with StoreWriter(path, "test") as writer:
        for expected in (200, 100, 0, 0):
            writer.write(Batch(run="open", drops=[drop("old", "readings", 100)]))
            with StoreReader(path) as reader:
                assert reader.counts("old")[0] == expected
                assert reader.counts("open")[0] == 300
    with StoreReader(path) as reader:
        events = [s.event for s in reader.events("old")]
        assert [e.code for e in events] == ["firing", "readings-dropped"]
        assert events[1].text.startswith("300 readings were dropped on 2024-02-22 ([store] keep")
        assert [r.document for r in reader.results("old")] == [RESULT]
        assert len(reader.trace("old")) == 300
        rows = {row.run: row for row in reader.runs()}
    assert (rows["old"].dropped, rows["old"].readings, rows["old"].verdict) == (True, 0, "meets")
    assert (rows["open"].dropped, rows["open"].readings) == (False, 300)


def test_a_trace_that_is_going_is_not_shown_in_part(path: Path) -> None:
    with StoreWriter(path, "test") as writer:
        writer.write(Batch(run="open", drops=[drop("old", "trace", 100)]))
    assert count(path, "trace") == 500
    with StoreReader(path) as reader:
        assert reader.trace("old") == []
        assert reader.counts("old")[0] == 300
        assert source_of_run(reader, "old").events == ()  # a replay does not feed the drop back


@pytest.mark.parametrize("what", ["trace", "readings"])
def test_nothing_goes_of_a_run_without_its_result(path: Path, what: str) -> None:
    """Asked for by mistake even then: the batch beside it is stored, nothing is dropped."""
    with StoreWriter(path, "test") as writer:
        add_run(writer, "no-result", ended_utc_us=UTC0, result=None)
        before = count(path, "reading"), count(path, "trace")
        for run in ("open", "no-result", "never-heard-of"):
            writer.write(Batch(run="open", drops=[drop(run, what)]))
    assert (count(path, "reading"), count(path, "trace")) == before
    assert count(path, "event") == 3
    with KeptReader(path) as reader:
        assert [kept.run for kept in reader.kept_runs()] == ["old"]


def test_readings_that_a_broker_has_not_got_wait(path: Path) -> None:
    """For every broker that the store knows, also one that no config names any more."""
    with StoreWriter(path, "test") as writer:
        moves = [
            CursorMove(broker="b", run="old", next_seq=299),
            CursorMove(broker="a", run="old", next_seq=0),
        ]
        writer.write(Batch(run="old", cursors=moves))
        with KeptReader(path) as reader:
            assert [k.waiting for k in reader.kept_runs()] == [("a", "b")]
        writer.write(Batch(run="old", cursors=[CursorMove(broker="b", run="old", next_seq=300)]))
        with KeptReader(path) as reader:
            assert [k.waiting for k in reader.kept_runs()] == [("a",)]
        parked = [OutboxMark(broker="b", run="old", seq=7, kind="reading", parked="refused")]
        writer.write(Batch(run="old", marks=parked))
    with KeptReader(path) as reader:
        assert [k.waiting for k in reader.kept_runs()] == [("a", "b")]


def test_what_goes_unsent_is_told_counted_and_waits_for_nobody(path: Path) -> None:
    with StoreWriter(path, "test") as writer:
        move = CursorMove(broker="b", run="old", next_seq=100, above=(150, 290))
        marks = [
            OutboxMark(broker="b", run="old", seq=seq, kind="reading", parked="refused") for seq in (7, 290)
        ]
        writer.write(Batch(run="old", cursors=[move, CursorMove(broker="c", run="old", next_seq=300)]))
        writer.write(Batch(run="old", marks=marks))
        writer.write(Batch(run="open", drops=[drop("old", "readings", 160)]))
        assert count(path, "outbox") == 1
        assert count(path, "delivered_above") == 1
        with WaitingReader(path) as reader:
            # 100 to 159 but for the one that was delivered, and the refused one
            assert (reader.passed_over("b"), reader.passed_over("c")) == (60, 0)
            assert reader.published_run("b", "old").next_seq == 160  # type: ignore[union-attr]
        writer.write(Batch(run="open", drops=[drop("old", "readings")]))
    assert (count(path, "outbox"), count(path, "delivered_above")) == (0, 0)
    with WaitingReader(path) as reader:
        assert reader.passed_over("b") == 60 + 139 + 1
        (event,) = [s.event for s in reader.events("old") if s.event.code == "readings-dropped"]
    assert event.text.endswith('; 200 of them never reached the broker "b"')
    with KeptReader(path) as reader:
        assert [k.waiting for k in reader.kept_runs()] == [()]


def test_freed_pages_count_as_free(path: Path) -> None:
    with StoreWriter(path, "test") as writer:
        add_run(writer, "large", ended_utc_us=UTC0, rows=5_000)
        with KeptReader(path) as reader:
            before = reader.used_bytes()
        writer.write(Batch(run="open", drops=[drop("large", "trace"), drop("large", "readings")]))
        with KeptReader(path) as reader:
            # 46 bytes a reading and some 20 a row of a trace without values: schema
            assert before - reader.used_bytes() > 5_000 * 46


def kept(run: str, age_days: float = 0.0, **changes: Any) -> KeptRun:
    fields = {"trace": True, "readings": True, "trace_going": "", "readings_going": "", "waiting": ()}
    return KeptRun(run=run, job="hall", ended_utc_us=UTC0 - round(age_days * DAY_US), **(fields | changes))


NINETY = Retention(age_s=90 * 86_400.0)
SMALL = Retention(size_bytes=1e6)


@pytest.mark.parametrize(
    ("runs", "retention", "used", "expected"),
    [
        ([kept("a", 365)], Retention(), 10**12, None),  # all for ever, where nothing is said
        ([kept("a", 89)], NINETY, 10**12, None),
        ([kept("a", 91), kept("b", 90.5), kept("c", 1)], NINETY, 0, ("a", "trace")),
        ([kept("a", 91, trace=False), kept("b", 90.5)], NINETY, 0, ("b", "trace")),
        ([kept("a", 91, trace=False), kept("b", 90.5, trace=False)], NINETY, 0, ("a", "readings")),
        ([kept("a", 91, trace=False, waiting=("b",))], NINETY, 0, None),
        ([kept("a", 91, waiting=("b",))], NINETY, 0, ("a", "trace")),
        ([kept("a", 2), kept("b", 1)], SMALL, 10**6, None),
        ([kept("a", 2), kept("b", 1)], SMALL, 10**6 + 1, ("a", "trace")),
        ([kept("a", 2, trace=False), kept("b", 1, trace=False)], SMALL, 2 * 10**6, ("a", "readings")),
        # in whole runs: what has begun goes on, though it is small enough now
        ([kept("a", 2, trace=False, readings_going="keep_size")], SMALL, 0, ("a", "readings")),
        # the order is that of the runs: a clock that was wrong does not make one older
        ([kept("a", 1), kept("b", 300)], SMALL, 2 * 10**6, ("a", "trace")),
        # a broker that the config does not name holds them for a while
        ([kept("a", 13, trace=False, waiting=("x",))], SMALL, 2 * 10**6, None),
        ([kept("a", 15, trace=False, waiting=("x",))], SMALL, 2 * 10**6, ("a", "readings")),
        ([kept("a", 15, trace=False, waiting=("b", "x"))], SMALL, 2 * 10**6, None),
    ],
)
def test_what_goes_next(
    runs: list[KeptRun], retention: Retention, used: int, expected: tuple[str, str] | None
) -> None:
    rules = Rules(retention=retention, broker="b")
    found = next_drop(runs, rules, used_bytes=used, now_utc_us=UTC0, stamp_utc_us=UTC0)
    assert (None if found is None else (found.run, found.what)) == expected


def test_what_goes_on_names_the_key_that_began_it() -> None:
    both = Rules(retention=Retention(age_s=90 * 86_400.0, size_bytes=1e6))
    begun = kept("a", 1, trace=False, readings_going='keep_size = "1 MB"')
    found = next_drop([begun], both, used_bytes=0, now_utc_us=UTC0, stamp_utc_us=UTC0)
    assert found is not None
    assert found.why == 'keep_size = "1 MB"'


def test_nothing_goes_by_a_clock_that_is_not_believed_but_by_size() -> None:
    runs = [kept("a", 900, trace=False), kept("b", 900, trace=False, waiting=("x",))]

    def found(rules: Rules, used: int) -> str | None:
        drop = next_drop(runs, rules, used_bytes=used, now_utc_us=None, stamp_utc_us=UTC0)
        return drop and drop.run

    assert found(Rules(retention=NINETY), 10**9) is None
    assert found(Rules(retention=SMALL), 10**9) == "a"
    del runs[0]  # what waits for another broker cannot be told to be old
    assert found(Rules(retention=SMALL), 10**9) is None


@given(
    ages=st.lists(st.floats(0.0, 400.0), max_size=6),
    keep_days=st.none() | st.floats(0.1, 300.0),
    limit=st.none() | st.floats(0.0, 20.0),
)
def test_followed_to_its_end_it_stops_and_takes_no_more_than_it_must(
    ages: list[float], keep_days: float | None, limit: float | None
) -> None:
    """Each run has a trace of size 1 and readings of size 2."""
    state = {f"r{n}": [age, True, True] for n, age in enumerate(sorted(ages, reverse=True))}
    retention = Retention(age_s=None if keep_days is None else keep_days * 86_400.0, size_bytes=limit)

    def used() -> int:
        return sum(trace + 2 * readings for _, trace, readings in state.values())  # type: ignore[misc]

    for _ in range(2 * len(state) + 1):
        runs = [
            kept(run, age, trace=bool(trace), readings=bool(readings))
            for run, (age, trace, readings) in state.items()
            if trace or readings
        ]
        rules = Rules(retention=retention)
        found = next_drop(runs, rules, used_bytes=used(), now_utc_us=UTC0, stamp_utc_us=UTC0)
        if found is None:
            break
        old = keep_days is not None and state[found.run][0] * 86_400.0 > keep_days * 86_400.0 - 1e-3
        assert old or (limit is not None and used() > limit)
        state[found.run][1 if found.what == "trace" else 2] = False
    else:
        raise AssertionError("it never ends")
    if limit is not None:
        assert used() <= limit
    for age, _, readings in state.values():
        assert not (readings and keep_days is not None and age > keep_days + 1e-6)


class HandedOver:
    """A writing thread that writes at once."""

    def __init__(self, writer: StoreWriter) -> None:
        self.writer = writer
        self.stale = 2  # looks at which no commit comes through yet
        self.pieces = 0

    def fresh(self) -> bool:
        self.stale -= 1
        return self.stale < 0

    def deliver(self, batch: Batch) -> bool:
        self.writer.write(batch)
        self.pieces += 1
        return True

    def tight(self) -> bool:
        return False


class Lost(HandedOver):
    """A writing thread that takes a piece, and cannot store it."""

    def deliver(self, batch: Batch) -> bool:
        self.pieces += 1
        return True


class Tight(Lost):
    """A writing thread that takes a piece, and finds no space for it."""

    def tight(self) -> bool:
        return self.pieces > 0


class Refusing(HandedOver):
    """A writing thread whose storing has failed."""

    def deliver(self, batch: Batch) -> bool:
        self.pieces += 1
        return False


class TimeAsPaused:
    """The host's clocks, driven by the pauses of a retainer that ends after ``last_s``."""

    def __init__(self, ahead_s: float, last_s: float) -> None:
        self.elapsed_s, self.ahead_s, self._last_s = 0.0, ahead_s, last_s

    def now_ns(self) -> int:
        return round(self.elapsed_s * 1e9)

    def utc_us(self) -> int:
        return UTC0 + round((self.elapsed_s + self.ahead_s) * 1e6)

    async def pause(self, seconds: float) -> None:
        self.elapsed_s += seconds
        if self.elapsed_s > self._last_s:
            raise asyncio.CancelledError


async def retained(
    path: Path,
    rules: Rules,
    *,
    ahead_days: float = 91.0,
    last_s: float = 8_000.0,
    thread: type[HandedOver] = HandedOver,
) -> tuple[list[str], int]:
    """What a retainer says in that time, and the pieces that went."""
    told: list[str] = []
    time = TimeAsPaused(ahead_days * 86_400.0, last_s)
    with StoreWriter(path, "test") as writer:
        storing = thread(writer)
        retainer = Retainer(path, "open", rules, storing, told.append, clock=time, pause=time.pause)
        with pytest.raises(asyncio.CancelledError):
            await retainer.go()
    return told, storing.pieces


async def test_a_retainer_empties_what_is_old_and_says_so(path: Path) -> None:
    told, pieces = await retained(path, Rules(retention=NINETY))
    assert pieces == 2
    with KeptReader(path) as reader:
        assert reader.kept_runs() == ()
        assert reader.counts("open")[0] == 300
    assert told == [
        '[store] keep = "90 days": the trace of run old goes; a replay makes one again',
        '[store] keep = "90 days": the readings of run old go; its result and events stay',
    ]


async def test_what_was_not_stored_is_not_told(path: Path) -> None:
    told, pieces = await retained(path, Rules(retention=NINETY), last_s=700.0, thread=Lost)
    assert told == []
    assert pieces > 2
    assert count(path, "reading") == 600


async def test_on_a_full_disk_a_piece_is_asked_for_once_a_minute(path: Path) -> None:
    # believed after 600 s; then one a minute for 610 s
    _, pieces = await retained(path, Rules(retention=NINETY), last_s=1_210.0, thread=Tight)
    assert 9 <= pieces <= 11


async def test_what_was_not_taken_is_not_told_though_it_has_begun_before(path: Path) -> None:
    with StoreWriter(path, "test") as writer:
        writer.write(Batch(run="open", drops=[drop("old", "trace", 100)]))
    told, pieces = await retained(path, Rules(retention=NINETY), last_s=700.0, thread=Refusing)
    assert (told, pieces > 2) == ([], True)


async def test_a_look_that_fails_after_the_last_piece_is_made_up_for(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What went is told at the next look; no sooner, as nobody has seen it."""
    told: list[str] = []
    before: list[int] = []
    looks = 0

    class Blind(KeptReader):
        def kept_runs(self) -> tuple[KeptRun, ...]:
            nonlocal looks
            runs = super().kept_runs()
            if not runs and (looks := looks + 1) == 1:
                before.append(len(told))
                raise StoreError("hall.db: planted")
            if looks == 2:
                before.append(len(told))
            return runs

    monkeypatch.setattr(logger.retention, "KeptReader", Blind)
    time = TimeAsPaused(91 * 86_400.0, 12_000.0)
    with StoreWriter(path, "test") as writer:
        storing = HandedOver(writer)
        rules = Rules(retention=NINETY)
        retainer = Retainer(path, "open", rules, storing, told.append, clock=time, pause=time.pause)
        with pytest.raises(asyncio.CancelledError):
            await retainer.go()
    assert before == [1, 2]  # the trace; and that it cannot be seen
    assert [text.split(":")[0] for text in told] == [
        '[store] keep = "90 days"',
        "what may be dropped cannot be seen now",
        '[store] keep = "90 days"',
    ]
    assert told[2].endswith("the readings of run old go; its result and events stay")


async def test_nothing_goes_by_age_before_the_clock_has_gone_evenly(path: Path) -> None:
    assert await retained(path, Rules(retention=NINETY), last_s=590.0) == ([], 0)


async def test_a_clock_a_year_ahead_drops_nothing_and_says_so_once(path: Path) -> None:
    """Yesterday's run, and a clock that somebody set to the wrong year."""
    told, pieces = await retained(path, Rules(retention=NINETY), ahead_days=366.0, last_s=90_000.0)
    (sentence,) = told
    assert sentence == (
        '[store] keep = "90 days": the clock says 2024-11-14 and the store\'s newest record before it is of '
        "2023-11-14: nothing goes by age before 2025-02-12; set the clock if one of the two is wrong"
    )
    assert (pieces, count(path, "reading")) == (0, 600)


async def test_readings_that_wait_for_a_broker_are_told_once_with_what_to_do(path: Path) -> None:
    with StoreWriter(path, "test") as writer:
        add_run(writer, "older", ended_utc_us=UTC0, rows=10)
        moves = [CursorMove(broker=b, run=r, next_seq=0) for b in ("b", "x") for r in ("old", "older")]
        writer.write(Batch(run="old", cursors=moves))
    held = Rules(retention=Retention(age_s=86_400.0), broker="b")
    told, _ = await retained(path, held, ahead_days=2.0)
    assert [line for line in told if "broker" in line] == [
        'the readings of run old and 1 more are kept: the broker "b" has not got them yet',
        'the readings of run old and 1 more are kept: the broker "x" has not got them, and the config does '
        'not name it; write [mqtt] name = "x" to send them there, else they may go 14 days after their run',
    ]
    assert count(path, "reading") == 300 + 10 + 300
    without = Rules(retention=Retention(age_s=86_400.0))  # [mqtt] is not in the config now
    assert (
        len([line for line in (await retained(path, without, ahead_days=13.0))[0] if "broker" in line]) == 2
    )
    assert count(path, "reading") == 610
    await retained(path, without, ahead_days=HOLD_S / 86_400.0 + 0.1)
    assert count(path, "reading") == 300


async def test_a_store_that_stays_too_large_is_told_once(tmp_path: Path) -> None:
    path = tmp_path / "hall.db"
    with StoreWriter(path, "test") as writer:
        add_run(writer, "open", ended_utc_us=None)
    told, pieces = await retained(path, Rules(retention=Retention(size_bytes=1.0)), last_s=20_000.0)
    (sentence,) = told
    assert "nothing more of it may go" in sentence
    assert pieces == 0


@pytest.fixture
async def dropped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[Path, str, int]:
    """A real run, a hundred days old, whose readings went while the next one was running."""
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    monkeypatch.setattr(logger.retention, "PIECE_S", 0.05)
    monkeypatch.setattr(logger.believed_clock, "AGREED_S", 0.0)
    path = tmp_path / "riselog" / "hall.db"
    text = SCENARIOS["short-firing"].config_text
    config = loads_config(text, "test", DriverOptions(), f'[store]\nkeep = "90 days"\npath = "{path}"\n')
    plain = Manner(dashboard=False, json=True)
    with StoreWriter(path, "test") as writer:
        await run_live(config, writer, Limits(), plain)
        with StoreReader(path) as reader:
            (row,) = reader.runs()
        assert row.dropped is False
        writer._conn.execute("UPDATE run SET ended_utc_us = ended_utc_us - ?", (100 * DAY_US,))
        slower = loads_config(
            text.replace('speed = "max"', "speed = 400"),
            "test",
            DriverOptions(),
            '[store]\nkeep = "90 days"\n',
        )
        await run_live(slower, writer, Limits(), plain)
    assert "the readings of run" in capsys.readouterr().err
    return path, row.run, row.readings or 0


async def test_each_command_says_what_became_of_such_a_run(
    dropped: tuple[Path, str, int], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path, run, counted = dropped
    with StoreReader(path) as reader:
        old, new = reader.runs()
        assert (old.run, old.dropped, old.readings, old.verdict) == (run, True, 0, "not-steady")
        assert (new.dropped, new.end_reason) == (False, "ended")
        assert new.readings
        assert [r.scope for r in reader.results(run)] == ["firing", "run"]
    assert runs_command(None, json=True) == 0
    first, second = json.loads(capsys.readouterr().out)
    assert (first["readings_dropped"], second["readings_dropped"]) == (True, False)
    assert runs_command(None, json=False) == 0
    assert "(readings dropped)" in capsys.readouterr().out
    for call in (
        lambda: replay_command(run, None, store=False, json=True),
        lambda: export_command(run, None, output=None, form=None, what="readings"),
        lambda: export_command(run, None, output=None, form=None, what="trace"),
    ):
        with pytest.raises(StoreError, match=r"readings were dropped on .*riselog report") as caught:
            call()
        assert caught.value.exit_code == 4
    page = render(evidence := gather(path, run))
    assert "readings were dropped on" in page
    assert "none: the readings were dropped" in page
    assert evidence.readings == counted > 0


def test_no_key_of_the_config_means_no_look_at_the_store() -> None:
    class Untouched:
        def __getattr__(self, name: str) -> Any:
            raise AssertionError(name)

    asyncio.run(Retainer(Path("nowhere"), "r", Rules(retention=Retention()), Untouched(), print).go())
