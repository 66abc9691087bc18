"""Writing and reading a store: what comes back, what a failed write leaves, how runs are found."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.errors import StoreError, UnknownRunError
from logger.core.readings import FLAG_CODES, Flag, Quantity, Reading, ReadingBlock
from logger.core.snapshot import Event, Freshness, Phase, ProbeState, Snapshot
from logger.core.snapshot import TestState as SteadyTest
from logger.store import (
    Batch,
    ClockSegment,
    CursorMove,
    OutboxMark,
    RunHeader,
    StorageGap,
    StoredEvent,
    StoredResult,
    StoreReader,
    StoreWriter,
)
from tests.shell.stand_ins import block_of

T0_US = 1_700_000_000_000_000
NO_TRACE = (None,) * 10


def header(run: str = "run-a", **more: object) -> RunHeader:
    return RunHeader(run=run, job="invented", started_utc_us=T0_US, **more)  # type: ignore[arg-type]


def reading(seq: int, value: float = 20.0, flag: Flag = Flag.OK, probe: str = "ret") -> Reading:
    return Reading(
        seq, seq * 10**9, probe, Quantity.TEMPERATURE, value, flag, T0_US + seq * 10**6, seq * 10**9
    )


def event(seq: int, code: str = "mark", text: str = "noted", origin: str = "shell") -> StoredEvent:
    return StoredEvent(seq=seq, event=Event(t_ns=seq * 10**9, code=code, text=text, origin=origin))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "invented.db"


@pytest.fixture
def writer(path: Path) -> Iterator[StoreWriter]:
    with StoreWriter(path, "riselog run invented.toml") as writer:
        writer.begin_run(header())
        yield writer


@pytest.fixture
def reader(writer: StoreWriter) -> Iterator[StoreReader]:
    with StoreReader(writer.path) as reader:
        yield reader


FULL = Batch(
    run="run-a",
    readings=[reading(0), reading(1, 655.35, Flag.NOT_KNOWN, "sup")],
    trace=[(0.0, 1.0, *NO_TRACE), (1.0, 2.0, *NO_TRACE)],
    events=[event(2), event(3, "steady", "found", "core")],
    results=[StoredResult(seq=4, t_ns=10**9, scope="firing", document='{"output_w":1.5}')],
    snapshot=Snapshot(t_ns=10**9, phase=Phase.STEADY, phase_since_s=1.0),
    clock_segments=[ClockSegment(t_ns=10**9, utc_us=5)],
    gaps=[StorageGap(first_seq=8, last_seq=12, count=4)],
    cursors=[CursorMove(broker="b", run="run-a", next_seq=1, above=(3, 4), passed_over=1)],
    marks=[OutboxMark(broker="b", run="run-a", seq=1, kind="reading", parked="not authorized")],
)


def test_everything_of_a_batch_comes_back(writer: StoreWriter, reader: StoreReader) -> None:
    writer.write(FULL)
    (block,) = reader.blocks("run-a")
    assert [block.channels[i] for i in block.channel] == [
        ("ret", Quantity.TEMPERATURE),
        ("sup", Quantity.TEMPERATURE),
    ]
    assert block.value.tolist() == [20.0, 655.35]
    assert [FLAG_CODES[i] for i in block.flag] == [Flag.OK, Flag.NOT_KNOWN]
    assert block.utc_us.tolist() == [T0_US, T0_US + 10**6]
    assert reader.trace("run-a") == list(FULL.trace)
    assert reader.events("run-a") == tuple(FULL.events)
    assert reader.shell_events("run-a") == (FULL.events[0],)
    assert reader.results("run-a") == tuple(FULL.results)
    assert reader.snapshot("run-a") == FULL.snapshot
    assert reader.header("run-a").clock_segments == tuple(FULL.clock_segments)
    assert reader.storage_gaps("run-a") == tuple(FULL.gaps)
    assert reader.counts("run-a") == (2, 1)


def test_header_comes_back(writer: StoreWriter, reader: StoreReader) -> None:
    full = header(
        "run-b",
        boot_id="b",
        versions={"riselog": "1", "numpy": "2"},
        config_text='[job]\nname = "°"\n',
        files={"t.json": "{}\n"},
        simulated=True,
        scenario="standard",
        seed=3,
        replay_of="run-a",
        clock_segments=(ClockSegment(t_ns=0, utc_us=T0_US),),
    )
    writer.begin_run(full)
    assert reader.header("run-b") == full


def test_snapshot_with_all_its_parts_comes_back(writer: StoreWriter, reader: StoreReader) -> None:
    snapshot = Snapshot(
        t_ns=1,
        phase=Phase.WARM_UP,
        phase_since_s=2.0,
        rise_window_k=(19.4, 36.1),
        tests=(SteadyTest(name="slope", value=None, limit=0.1, ok=False),),
        probes=(ProbeState(name="ret", role="return", temperature_c=20.5, state=Freshness.STALE),),
    )
    writer.write(Batch(run="run-a", snapshot=replace(snapshot, t_ns=0)))
    writer.write(Batch(run="run-a", snapshot=snapshot))
    assert reader.snapshot("run-a") == snapshot


def with_unused_channel(block: ReadingBlock) -> ReadingBlock:
    """The same block with a channel that none of its readings has."""
    return replace(block, channels=(*block.channels, ("unused", Quantity.POWER)))


def readings_in(reader: StoreReader, run: str, size: int = 65_536) -> list[Reading]:
    return [
        Reading(seq, t, *b.channels[channel], value, FLAG_CODES[flag], utc, arrival)
        for b in reader.blocks(run, size)
        for seq, t, channel, value, flag, utc, arrival in zip(
            b.seq.tolist(), b.t_ns.tolist(), b.channel.tolist(), b.value.tolist(), b.flag.tolist(),
            b.utc_us.tolist(), b.arrival_ns.tolist(), strict=True,
        )
    ]  # fmt: skip


big = st.integers(-(2**62), 2**62)
any_reading = st.builds(
    Reading,
    seq=st.integers(0, 2**39),
    t_ns=big,
    probe=st.sampled_from(["ret", "sup", "a-1_"]),
    quantity=st.sampled_from(Quantity),
    value=st.floats(allow_nan=False, allow_infinity=False),
    flag=st.sampled_from(Flag),
    utc_us=big,
    arrival_ns=big,
)


@settings(max_examples=40, deadline=None)
@given(
    readings=st.lists(any_reading, min_size=1, max_size=30, unique_by=lambda r: r.seq),
    size=st.integers(1, 40),
)
def test_a_list_and_a_block_store_the_same_bits(
    readings: list[Reading], size: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("bits") / "s.db"
    with StoreWriter(path, "test") as writer, StoreReader(path) as reader:
        for run, form in (("list", readings), ("block", with_unused_channel(block_of(readings)))):
            writer.begin_run(header(run))
            writer.write(Batch(run=run, readings=form))
            assert readings_in(reader, run, size) == sorted(readings)
            assert reader.counts(run)[0] == len(readings)


@pytest.mark.parametrize("count", [141, 142, 143, 284, 500])
def test_a_long_block_is_stored_to_its_last_row(count: int, writer: StoreWriter, reader: StoreReader) -> None:
    """A statement takes 142 readings (999 parameters, sqlite.org/limits.html, by 7 columns)."""
    readings = [reading(n, 20.0 + n / 64) for n in range(count)]
    writer.write(Batch(run="run-a", readings=block_of(readings)))
    assert readings_in(reader, "run-a", 1000) == readings


def test_view_names_everything_for_a_human(writer: StoreWriter) -> None:
    writer.write(FULL)
    writer.begin_run(header("run-b"))
    writer.write(Batch(run="run-b", readings=[reading(0, 30.0)]))
    raw = sqlite3.connect(writer.path)
    rows = raw.execute(
        "SELECT run, seq, t_s, probe, quantity, value, unit, flag, utc FROM reading_named"
    ).fetchall()
    raw.close()
    assert rows == [
        ("run-a", 0, 0.0, "ret", "temperature", 20.0, "degC", "ok", "2023-11-14T22:13:20.000Z"),
        ("run-a", 1, 1.0, "sup", "temperature", 655.35, "degC", "not-known", "2023-11-14T22:13:21.000Z"),
        ("run-b", 0, 0.0, "ret", "temperature", 30.0, "degC", "ok", "2023-11-14T22:13:20.000Z"),
    ]


def test_readings_are_looked_at_only_where_their_number_is_wanted(
    writer: StoreWriter, reader: StoreReader
) -> None:
    writer.write(FULL)
    seen: list[str] = []
    reader._conn.set_trace_callback(seen.append)
    assert reader.runs(count=False)[0].readings is None
    assert (reader.run_count(), reader.end_reason("run-a")) == (1, None)
    assert not [statement for statement in seen if "FROM reading" in statement]
    assert reader.runs()[0].readings == 2


def test_order_in_the_transaction(writer: StoreWriter) -> None:
    """Readings first, then derived rows, then delivery; one BEGIN and one COMMIT around all."""
    statements: list[str] = []
    writer._conn.set_trace_callback(statements.append)
    writer.write(FULL)
    writer._conn.set_trace_callback(None)
    assert statements[0] == "BEGIN IMMEDIATE"
    assert statements[-1] == "COMMIT"
    tables = [
        s.split("INTO ")[1].split()[0]
        for s in statements
        if s.startswith("INSERT") and "INTO channel" not in s
    ]
    assert list(dict.fromkeys(tables)) == [
        "broker", "delivery_cursor", "delivered_above", "outbox", "reading", "trace", "event", "result",
        "snapshot", "clock_segment", "storage_gap",
    ]  # fmt: skip


BROKEN = {
    "event": replace(FULL, events=[StoredEvent(seq=2, event=Event(t_ns=0, code=None, text="x"))]),  # type: ignore[arg-type]
    "result": replace(FULL, results=[StoredResult(seq=4, t_ns=0, scope="firing", document="{broken")]),
    "snapshot": replace(FULL, snapshot=Snapshot(t_ns=0, phase=Phase.FAN, phase_since_s=float("nan"))),
    "trace": replace(FULL, trace=[(0.0,)]),
    "outbox": replace(FULL, marks=[OutboxMark(broker="b", run="run-a", seq=2, kind=None, parked="x")]),  # type: ignore[arg-type]
    "reading": replace(FULL, readings=[reading(0), reading(1, float("nan"))]),
    "seq": replace(FULL, readings=[reading(0), reading(-1)]),
    "seq twice": replace(FULL, readings=[reading(0), reading(0)]),
    "probe": replace(FULL, readings=[reading(0), reading(1, probe="\x1b[2J")]),
}


@pytest.mark.parametrize("name", BROKEN)
def test_one_bad_row_rolls_the_whole_batch_back(name: str, writer: StoreWriter, reader: StoreReader) -> None:
    with pytest.raises(StoreError) as caught:
        writer.write(BROKEN[name])
    assert "\n" not in str(caught.value)
    assert reader.counts("run-a") == (0, 0)
    assert reader.trace("run-a") == []
    assert reader.events("run-a") == reader.results("run-a") == ()
    writer.write(FULL)  # keys given in the undone part are not used again
    assert readings_in(reader, "run-a") == list(FULL.readings)


def test_trace_of_later_batches_follows(writer: StoreWriter, reader: StoreReader) -> None:
    rows = [(float(n), 0.0, *NO_TRACE) for n in range(5)]
    writer.write(Batch(run="run-a", trace=rows[:2]))
    writer.begin_run(header("run-b"))
    writer.write(Batch(run="run-b", trace=rows[:1]))
    writer.write(Batch(run="run-a", trace=rows[2:]))
    assert reader.trace("run-a") == rows


def outbox(writer: StoreWriter) -> list[tuple[object, ...]]:
    rows = writer._conn.execute(
        "SELECT name, run, seq, kind, parked_reason, tries FROM outbox"
        " JOIN broker USING (broker_key) JOIN run USING (run_key) ORDER BY run_key, seq"
    )
    return [tuple(row) for row in rows]


def test_delivery_state(writer: StoreWriter) -> None:
    writer.write(FULL)
    writer.write(Batch(run="run-a", cursors=[CursorMove(broker="b", run="run-a", next_seq=5, passed_over=2)]))
    rows = writer._conn.execute("SELECT next_seq, passed_over FROM delivery_cursor").fetchall()
    above = writer._conn.execute("SELECT count(*) FROM delivered_above").fetchall()
    assert (rows, above) == ([(5, 3)], [(0,)])
    assert outbox(writer) == [
        ("b", "run-a", 1, "reading", "not authorized", 1),
        ("b", "run-a", 2, "event", None, 0),
        ("b", "run-a", 3, "event", None, 0),
        ("b", "run-a", 4, "result", None, 0),
    ]


def test_a_mark_parks_again_or_takes_the_row_away(writer: StoreWriter) -> None:
    """Also of another run than the one that is written."""
    writer.write(FULL)
    writer.begin_run(header("run-b"))
    marks = [OutboxMark(broker="b", run="run-a", seq=1, kind="reading", parked="quota")]
    marks += [OutboxMark(broker="b", run="run-a", seq=seq, kind="event") for seq in (2, 3)]
    writer.write(Batch(run="run-b", marks=marks))
    assert outbox(writer) == [
        ("b", "run-a", 1, "reading", "quota", 2),
        ("b", "run-a", 4, "result", None, 0),
    ]


def test_a_run_without_a_broker_fills_no_outbox(writer: StoreWriter) -> None:
    """A replay, or a run before a broker was named."""
    writer.write(replace(FULL, cursors=(), marks=()))
    writer.end_run("run-a", T0_US + 9, "ended", '{"verdict":"meets"}')
    assert outbox(writer) == []


def test_the_end_of_a_published_run_is_in_the_outbox(writer: StoreWriter) -> None:
    """Also when the next start of the program ends it, after a crash."""
    writer.write(Batch(run="run-a", cursors=[CursorMove(broker="b", run="run-a", next_seq=0)]))
    writer.mark_ended("run-a", "interrupted", '{"verdict":"not-steady"}')
    assert outbox(writer) == [("b", "run-a", 0, "result", None, 0)]


def test_end_of_a_run(writer: StoreWriter, reader: StoreReader) -> None:
    writer.write(FULL)
    writer.end_run("run-a", T0_US + 9, "ended", '{"verdict":"meets"}')
    (row,) = reader.runs()
    assert (row.verdict, row.ended_utc_us, row.end_reason, row.readings) == ("meets", T0_US + 9, "ended", 2)
    result = reader.results("run-a")[-1]
    assert (result.scope, result.seq) == ("run", 13)  # behind the readings, events and the storage gap
    with pytest.raises(StoreError, match="a run ends once"):
        writer.end_run("run-a", 0, "ended", None)


def test_a_bad_result_ends_nothing(writer: StoreWriter) -> None:
    with pytest.raises(StoreError, match="not a JSON object"):
        writer.end_run("run-a", 0, "ended", "[1]")
    assert writer.unended_runs() == ("run-a",)


def test_cut_off_runs_end_at_their_last_reading(writer: StoreWriter, reader: StoreReader) -> None:
    writer.write(FULL)
    writer.begin_run(header("run-b"))
    assert writer.unended_runs() == ("run-a", "run-b")
    writer.mark_ended("run-a")
    writer.mark_ended("run-b", result_json='{"verdict":null}')
    assert writer.unended_runs() == ()
    first, second = reader.runs()
    assert (first.ended_utc_us, first.end_reason, first.verdict) == (T0_US + 10**6, "interrupted", None)
    assert (second.ended_utc_us, second.verdict) == (T0_US, None)


def test_runs_are_found(writer: StoreWriter, reader: StoreReader) -> None:
    for run in ("abc1", "abc2", "abc", "zz%"):
        writer.begin_run(header(run))
    found = {text: reader.find_run(text) for text in ("last", "abc", "abc1", "r", "zz", "zz%")}
    assert found == {"last": "zz%", "abc": "abc", "abc1": "abc1", "r": "run-a", "zz": "zz%", "zz%": "zz%"}


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("ab", "could be any of 3 in .*: abc, abc2, abc1; give more"),
        ("", "could be any of 4"),
        ("q\x1b[31m", r"no run 'q\[31m' in .*; the newest are abc, abc2, abc1, run-a"),
        ("%", "no run '%'"),
        ("a_c", "no run 'a_c'"),
    ],
)
def test_unknown_run_names_candidates(text: str, part: str, writer: StoreWriter, reader: StoreReader) -> None:
    for run in ("abc1", "abc2", "abc"):
        writer.begin_run(header(run))
    with pytest.raises(UnknownRunError, match=part):
        reader.find_run(text)


def test_no_run_yet(path: Path) -> None:
    with StoreWriter(path, "test"), StoreReader(path) as reader:
        assert reader.runs() == ()
        with pytest.raises(UnknownRunError, match="holds no run yet"):
            reader.find_run("last")


@pytest.mark.parametrize("run", ["", "last", "a\nb", "x" * 65, "\ud800"])
def test_run_ids_are_checked(run: str, writer: StoreWriter) -> None:
    with pytest.raises(StoreError, match="run id"):
        writer.begin_run(header(run))


def test_a_run_begins_once(writer: StoreWriter) -> None:
    with pytest.raises(StoreError, match="UNIQUE"):
        writer.begin_run(header())
    with pytest.raises(StoreError, match="no run 'other'"):
        writer.write(Batch(run="other"))


def test_text_from_outside_is_cleaned_and_capped(writer: StoreWriter, reader: StoreReader) -> None:
    writer.write(Batch(run="run-a", events=[event(0, text="a\x1b[31m\n\u202eb\ud800" + "c" * 5000)]))
    (stored,) = reader.events("run-a")
    assert stored.event.text.startswith("a[31mbccc")
    assert len(stored.event.text) == 1000


def test_a_file_too_large_is_refused_whole(writer: StoreWriter) -> None:
    with pytest.raises(StoreError, match="has more than"):
        writer.begin_run(header("run-b", files={"big": "x" * (4 * 1024 * 1024 + 1)}))


def test_reading_goes_on_while_writing(writer: StoreWriter, reader: StoreReader) -> None:
    """A half-read iteration sees whole batches, holds nothing up and pins no log."""
    writer.write(Batch(run="run-a", readings=[reading(n) for n in range(10)]))
    blocks = reader.blocks("run-a", size=6)
    assert len(next(blocks)) == 6
    writer._conn.execute("BEGIN IMMEDIATE")
    writer._rows.insert(Batch(run="run-a", readings=[reading(n) for n in range(10, 20)]))
    assert reader.counts("run-a") == (10, 0)  # nothing of what is not committed
    writer._conn.execute("COMMIT")
    assert [len(block) for block in blocks] == [6, 6, 2]
    busy, *_ = writer._conn.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert busy == 0


def test_a_reader_cannot_write(writer: StoreWriter, reader: StoreReader) -> None:
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._conn.execute("DELETE FROM run")
