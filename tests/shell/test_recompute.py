"""Replay against live: the same records in the same order give the same numbers, bit for bit."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger import recompute
from logger.collect import Collector, Noted, Record, Tick
from logger.config.load import LoadedConfig, loads_config
from logger.core.pipeline import Pipeline
from logger.core.readings import Flag, Quantity, Reading, ReadingBlock, Sample
from logger.core.result import result_document
from logger.documents import run_header
from logger.feed import Feed
from logger.recompute import Replayer, Source, compute, compute_stored, recover, source_of_run
from logger.store import Batch, StoredEvent, StoreFullError, StoreReader, StoreWriter
from simulators.scenarios import SCENARIOS
from tests.shell.stand_ins import UTC0, HandClock, block_of

S = 1_000_000_000


@pytest.fixture(scope="module")
def config() -> LoadedConfig:
    return loads_config(SCENARIOS["standard"].config_text, "test", None)


def record(actions: list[tuple[str, float]]) -> list[Record]:
    """What the collector makes of a life: readings of a unit that fires, interrupted by this and that."""
    clock = HandClock()
    collector = Collector(clock, ["ret", "sup", "baro", "duct"])
    second = 0
    for action, number in actions:
        for _ in range(20):
            second += 1
            clock.t_ns += S
            supply = 21.0 if second < 380 else 21.0 + 27.0 * (1.0 - 2.718281828 ** -((second - 380) / 40.0))
            for probe, value in (("ret", 21.0 + number / 100), ("sup", supply + number / 50)):
                collector.emit(Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=round(value, 2)))
        if action == "suspend":
            clock.slept_ns += int(10 + number * 100) * S
        elif action == "gap":
            clock.t_ns += int(10 + number * 1000) * S
        elif action == "mark":
            collector.note("mark", "x")
            collector.note("mark", "y")
        elif action == "tick":
            clock.t_ns += 2 * S
            collector.tick()
        elif action == "jump":
            clock.utc_shift_us += 5_000_000
        elif action == "flag":
            collector.emit(
                Sample(probe="sup", quantity=Quantity.TEMPERATURE, value=327.67, flag=Flag.NOT_KNOWN)
            )
    return collector.take()


def live(config: LoadedConfig, records: list[Record]) -> tuple[dict[str, Any], list[Any]]:
    pipeline = Pipeline(config.job)
    feed = Feed(pipeline, "abc", iter(range(10**6, 2 * 10**6)).__next__)
    for one in records:
        feed.feed([one])
    source = source_of(records, 10**9)
    outcome = pipeline.finish()
    facts = replace_facts(config, source, records)
    return result_document(outcome, facts), list(feed.batch().trace)


def replace_facts(config: LoadedConfig, source: Source, records: list[Record]) -> Any:
    replayer = Replayer(config, source)
    for _ in replayer.blocks():
        pass
    return replayer.facts("abc", stored=False)


def source_of(records: list[Record], size: int) -> Source:
    readings = [r for r in records if isinstance(r, Reading)]
    blocks = [block_of(readings[n : n + size]) for n in range(0, len(readings), size)]
    notes = [StoredEvent(seq=r.seq, event=r.event) for r in records if isinstance(r, Noted)]
    return Source(blocks=blocks, events=notes, started_utc_us=UTC0)


ACTIONS = st.lists(
    st.tuples(
        st.sampled_from(["", "", "", "suspend", "gap", "mark", "tick", "jump", "flag"]), st.floats(0.0, 1.0)
    ),
    min_size=1,
    max_size=60,
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(ACTIONS, st.integers(1, 500))
def test_blocks_of_any_size_give_the_live_numbers(
    config: LoadedConfig, actions: list[tuple[str, float]], size: int
) -> None:
    records = record(actions)
    document, trace = live(config, records)
    replayer = Replayer(config, source_of(records, size))
    rows: list[Any] = []
    for _ in replayer.blocks():
        rows += replayer.pipeline.take_trace()
    again = result_document(replayer.pipeline.finish(), replayer.facts("abc", stored=False))
    assert again == document
    assert rows == trace


def test_a_suspend_is_fed_back_in_its_place(config: LoadedConfig) -> None:
    """Without the event the replay would bridge the gap that the live run did not."""
    records = record([("", 0.0)] * 30 + [("suspend", 0.5)] + [("", 0.0)] * 5)
    source = source_of(records, 100)
    with_event, _ = compute(config, source, "abc")
    without, _ = compute(config, replace(source, events=()), "abc")
    assert [e["code"] for e in with_event["events"]].count("suspended") == 1
    assert len(with_event["cycles"]) != len(without["cycles"]) or with_event["cycles"] != without["cycles"]


def test_ticks_change_no_number(config: LoadedConfig) -> None:
    """advance(a); advance(b) is advance(b): ticks thrown in anywhere leave no trace."""
    records = record([("", 0.3)] * 40)
    ticked: list[Record] = []
    for one in records:
        if isinstance(one, Reading):
            ticked.append(Tick(one.t_ns))
        ticked.append(one)
    assert live(config, records) == live(config, ticked)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[StoreWriter]:
    with StoreWriter(tmp_path / "s.db", "test") as made:
        yield made


def test_what_is_stored_can_be_computed_again(config: LoadedConfig, writer: StoreWriter) -> None:
    records = record([("mark", 0.1), ("suspend", 0.2), *[("", 0.0)] * 30, ("flag", 0.0)])
    source = replace(source_of(records, 64), simulated=True)
    document, _ = compute_stored(config, source, run_header(config, "aaa", started_utc_us=UTC0), writer)
    with StoreReader(writer.path) as reader:
        again, replayer = compute(config, source_of_run(reader, "aaa"), "aaa")
        stored, flagged = reader.counts("aaa")
    assert {**again, "stored": True} == document
    assert (replayer.readings, replayer.flagged) == (stored, flagged)
    assert document["readings"]["flagged"] == 1


def test_recovery_marks_and_computes(config: LoadedConfig, writer: StoreWriter) -> None:
    readings = [r for r in record([("", 0.0)] * 10) if isinstance(r, Reading)]
    writer.begin_run(run_header(config, "cut", started_utc_us=UTC0))
    writer.write(Batch(run="cut", readings=readings))
    writer.begin_run(replace(run_header(config, "old"), config_text="[job]\nname = 3\n", started_utc_us=UTC0))
    writer.begin_run(run_header(config, "void", started_utc_us=UTC0))
    told = recover(writer)
    assert writer.unended_runs() == ()
    assert len(told) == 3
    assert "without a result" in told[1]
    with StoreReader(writer.path) as reader:
        rows = {row.run: row for row in reader.runs()}
        assert {row.end_reason for row in rows.values()} == {"interrupted"}
        assert [rows[r].verdict for r in ("cut", "old", "void")] == ["not-steady", None, "not-steady"]
    assert recover(writer) == ()


def test_a_run_that_breaks_the_core_is_ended_and_bars_nobody(
    config: LoadedConfig, writer: StoreWriter, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    readings = [r for r in record([("", 0.0)] * 2) if isinstance(r, Reading)]
    for run in ("cut", "also"):
        writer.begin_run(run_header(config, run, started_utc_us=UTC0))
        writer.write(Batch(run=run, readings=readings))

    def broken(self: Pipeline, block: ReadingBlock) -> Any:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(Pipeline, "update_block", broken)
    told = recover(writer)
    assert len(told) == 2
    assert "marked interrupted, without a result: internal fault in 'settling run cut'" in told[0]
    assert "planted" in (tmp_path / "riselog" / "log" / "riselog.log").read_text()
    monkeypatch.undo()
    assert recover(writer) == ()
    with StoreReader(writer.path) as reader:
        assert {row.end_reason for row in reader.runs()} == {"interrupted"}


def test_a_result_that_json_cannot_say_is_no_bar_either(
    config: LoadedConfig, writer: StoreWriter, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    writer.begin_run(run_header(config, "cut", started_utc_us=UTC0))
    monkeypatch.setattr(recompute, "compute", lambda *_: ({"verdict": None, "output_w": float("nan")}, None))
    (told,) = recover(writer)
    assert "without a result: internal fault" in told
    assert writer.unended_runs() == ()


def test_a_full_disk_leaves_a_cut_off_run_open_and_says_so(
    config: LoadedConfig, writer: StoreWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer.begin_run(run_header(config, "cut", started_utc_us=UTC0))
    monkeypatch.setattr(writer, "write", lambda _batch: raise_(StoreFullError("no space left")))
    (told,) = recover(writer)
    assert told == "run cut had been cut off and stays open: no space left"
    assert writer.unended_runs() == ("cut",)


def raise_(error: BaseException) -> Any:
    raise error


@pytest.mark.parametrize("error", [KeyboardInterrupt(), ZeroDivisionError("planted"), StoreFullError("full")])
def test_a_replay_that_is_cut_off_leaves_nothing(
    error: BaseException, config: LoadedConfig, writer: StoreWriter
) -> None:
    """Half an import would be taken for a run that was measured."""
    whole = source_of(record([("mark", 0.0)] * 10), 30)

    def breaking() -> Iterator[ReadingBlock]:
        for number, block in enumerate(whole.blocks):
            if number == 5:
                raise error
            yield block

    with pytest.raises(type(error)):
        compute_stored(
            config,
            replace(whole, blocks=breaking()),
            run_header(config, "aaa", started_utc_us=UTC0),
            writer,
        )
    assert writer.unended_runs() == ()
    with StoreReader(writer.path) as reader:
        assert reader.runs() == ()
    document, _ = compute_stored(config, whole, run_header(config, "aaa", started_utc_us=UTC0), writer)
    assert document["readings"]["stored"] == 400


def test_strange_probes_are_counted(config: LoadedConfig) -> None:
    readings = [
        Reading(n, n * S, "attic", Quantity.TEMPERATURE, 20.0, Flag.OK, UTC0, n * S) for n in range(7)
    ]
    document, replayer = compute(config, source_of(list(readings), 3), "abc")
    assert "7 readings of 'attic' are not used" in replayer.warning()
    assert document["firing"] is None
    assert document["readings"]["stored"] == 7
