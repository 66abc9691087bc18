"""A whole run through the command line, and the same run computed again."""

import csv
import hashlib
import io
import json
import sqlite3
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from logger.core.snapshot import TRACE_COLUMNS
from logger.store import StoreReader
from simulators.scenarios import SCENARIOS
from tests.e2e.conftest import Program

WALL_CLOCK = ("run", "stored", "started_utc", "ended_utc")


def same(document: dict[str, Any]) -> dict[str, Any]:
    """All but what hangs on this machine: the wall clock, and a disk that was slow while it was live."""
    kept = {key: value for key, value in document.items() if key not in WALL_CLOCK}
    return kept | {"events": [event for event in document["events"] if event["code"] != "overrun"]}


def test_the_demo_finds_the_truth(demo: Any) -> None:
    """The scenario's own true output lies inside the stated uncertainty, and the plate is met."""
    _, done = demo
    assert done.code == 0
    result = done.document
    assert result["schema"] == "riselog.result/1"
    assert (result["simulated"], result["stored"], result["end_reason"]) == (True, True, "ended")
    truth = SCENARIOS["standard"].truth
    firing = result["firing"]
    assert firing["output_w"] == pytest.approx(truth.output_w, abs=firing["output_u95_w"])
    assert firing["output_w"] == pytest.approx(truth.output_w, rel=0.02)
    assert firing["start_s"] == pytest.approx(truth.burner_s[-1][0], abs=60.0)
    assert result["verdict"] == "meets"
    assert sum(line["share"] for line in result["budget"]) == pytest.approx(1.0)
    assert result["readings"]["lost_to_storage"] == 0


def test_the_caution_and_what_was_assumed_go_to_stderr(demo: Any) -> None:
    _, done = demo
    assert "controls nothing" in done.err
    assert "assumed" in done.err
    assert "steady:" in done.err


def test_replay_is_the_live_run_bit_for_bit(demo: Any, tmp_path: Path) -> None:
    program, live = demo
    run = live.document["run"]
    done = program("replay", run, "--json")
    assert done.code == 0
    again = done.document
    assert again["run"] != run
    assert again["stored"] is True
    assert same(again) == same(live.document)
    with StoreReader(program.store) as reader:
        trace, replayed = reader.trace(run), reader.trace(again["run"])
        assert len(trace) > 2000
        assert replayed == trace  # floats compared exactly
        assert reader.header(again["run"]).replay_of == run
        old = [(e.event.t_ns, e.event.code, e.event.text) for e in reader.events(run)]
        new = [(e.event.t_ns, e.event.code, e.event.text) for e in reader.events(again["run"])]
        assert sorted(new) == sorted(old)
        firings = [r for r in reader.results(again["run"]) if r.scope == "firing"]
        assert len(firings) == len(live.document["cycles"])


def test_a_replay_of_the_replay_is_the_same_again(demo: Any) -> None:
    program, live = demo
    done = program("replay", live.document["run"][:8], "--no-store", "--json")
    assert done.document["stored"] is False
    assert same(done.document) == same(live.document)


def test_an_exported_csv_gives_the_same_result(demo: Any, tmp_path: Path) -> None:
    program, live = demo
    run, csv_path, config = live.document["run"], tmp_path / "r.csv", tmp_path / "job.toml"
    config.write_text(SCENARIOS["standard"].config_text, encoding="utf-8")
    assert program("export", run, "--output", csv_path).code == 0
    with csv_path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == live.document["readings"]["stored"]
    done = program("replay", csv_path, "--config", config, "--json", "--no-store")
    assert done.code == 0
    assert same(done.document) == same(live.document)


CORRECTED = (
    (
        '[probes.sup]\nrole = "supply"',
        '[probes.sup]\noffset = "0.37 K"\nmatched = 2026-01-05\n'
        'matched_at = "21 °C"\ngain = "0.4 %"\ngain_u95 = "0.3 %"\nhumidity_offset = "1.3 %"\n'
        'role = "supply"',
    ),
    ('[probes.ret]\nrole = "return"', '[probes.ret]\noffset = "-0.21 K"\nweight = 2\nrole = "return"'),
    (
        "[sim]\n",
        '[probes.ret2]\nrole = "return"\ndriver = "sim"\noffset = "0.1 K"\n\n'
        '[probes.meter]\nrole = "gas"\ndriver = "sim"\nmax_age = "60 s"\n\n'
        '[gas]\nheating_value = "1036 Btu/ft3"\nmeter_temperature = "55 °F"\n\n[sim]\n',
    ),
)
FLAGGED = {  # row of the export: flag and value; None: the value as it is
    700: ("not-known", "327.67"),
    1401: ("out-of-range", "655.35"),
    2222: ("duplicate", None),
    3003: ("late", None),
    6500: ("clock-jump", None),
}


@pytest.fixture(scope="module")
def corrected(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A run with offsets, a gain, two probes of one role and a gas counter, and its config."""
    program = Program(tmp_path_factory.mktemp("corrected"))
    text = SCENARIOS["standard"].config_text
    for old, new in CORRECTED:
        assert old in text
        text = text.replace(old, new)
    config = program.folder / "job.toml"
    config.write_text(text, encoding="utf-8")
    return program, config, program("run", config, "--json")


def test_a_csv_holds_raw_readings_and_the_config_corrects_them(corrected: Any) -> None:
    """Offsets and gains are taken off once more, not twice; the counter gives the same input."""
    program, config, live = corrected
    table = program.folder / "readings.csv"
    assert program("export", "last", "--output", table).code == 0
    done = program("replay", table, "--config", config, "--json", "--no-store")
    assert live.document["input"]["measured_w"] is not None
    assert live.document["firing"] is not None
    assert same(done.document) == same(live.document)


def test_flags_go_out_and_come_back(corrected: Any) -> None:
    """A table with every flag is stored, exported again as the very same bytes, and computes the same."""
    program, config, _ = corrected
    first, second = program.folder / "flagged.csv", program.folder / "again.csv"
    lines = program("export", "last").out.splitlines(keepends=True)
    for row, (flag, value) in FLAGGED.items():
        fields = lines[row].rstrip("\n").split(",")
        fields[3], fields[5] = value or fields[3], flag
        lines[row] = ",".join(fields) + "\n"
    first.write_text("".join(lines), encoding="utf-8")
    stored = program("replay", first, "--config", config, "--json").document
    assert stored["readings"]["flagged"] == len(FLAGGED) - 1  # a clock-jump is no fault of the value
    assert program("export", stored["run"], "--output", second).code == 0
    assert second.read_bytes() == first.read_bytes()
    again = program("replay", second, "--config", config, "--json", "--no-store").document
    assert same(again) == same(stored)


@pytest.mark.parametrize("how", ["ending", "option"])
def test_parquet_is_the_store_bit_for_bit(corrected: Any, how: str) -> None:
    """Read back by pyarrow's own reader; the digest is that of the CSV by FIPS 180-4."""
    program, _, live = corrected
    run, table = live.document["run"], program.folder / f"{how}.parquet"
    options = {"ending": ["--output", table], "option": ["--format", "parquet", "--output", table]}[how]
    assert program("export", run, *options).code == 0
    found = pq.read_table(table)
    with StoreReader(program.store) as reader:
        blocks, header, trace = list(reader.blocks(run)), reader.header(run), reader.trace(run)
    for name in ("value", "seq"):
        stored = np.concatenate([getattr(block, name) for block in blocks])
        assert found.column(name).to_numpy().tobytes() == stored.tobytes()
    rows = list(csv.DictReader(io.StringIO(program("export", run).out)))
    for name in ("probe", "quantity", "unit", "flag"):
        assert found.column(name).to_pylist() == [row[name] for row in rows]
    times = [datetime.fromisoformat(row["time"]) for row in rows]
    assert found.column("time").to_pylist() == times
    about = {key.decode(): value.decode() for key, value in found.schema.metadata.items()}
    assert about["riselog.run"] == run
    assert about["riselog.job"] == live.document["job"]
    assert about["riselog.simulated"] == "true"
    assert about["riselog.config"] == header.config_text
    assert json.loads(about["riselog.versions"]) == header.versions
    text = program("export", run).out
    assert about["riselog.readings_sha256"] == hashlib.sha256(text.encode()).hexdigest()

    assert program("export", run, "--what", "trace", *options).code == 0
    found = pq.read_table(table)
    assert found.schema.metadata[b"riselog.readings_sha256"].decode() == about["riselog.readings_sha256"]
    assert found.column("output_w").to_pylist() == [row[TRACE_COLUMNS.index("output_w")] for row in trace]
    assert found.schema.field("output_w").metadata == {b"unit": b"W"}
    assert found.num_rows == len(trace)


def test_export_to_stdout(demo: Any) -> None:
    program, live = demo
    trace = program("export", live.document["run"], "--what", "trace")
    rows = list(csv.reader(io.StringIO(trace.out)))
    assert rows[0][:3] == ["t_s", "phase", "entering_c"]
    readings = program("export", live.document["run"]).out
    assert readings.startswith("time,probe,quantity,value,unit,flag\n")


def test_the_list_of_runs(demo: Any) -> None:
    program, live = demo
    rows = program("runs", "--json").document
    (row,) = [r for r in rows if r["run"] == live.document["run"]]
    assert {"run", "job", "started_utc", "ended_utc", "verdict", "readings"} <= set(row)
    assert row["verdict"] == "meets"
    assert row["readings"] == live.document["readings"]["stored"]
    assert live.document["run"] in program("runs").out


def test_the_store_is_for_its_owner_alone(demo: Any) -> None:
    program, _ = demo
    assert program.store.stat().st_mode & 0o077 == 0
    with sqlite3.connect(f"{program.store.as_uri()}?mode=ro", uri=True) as store:
        assert store.execute("PRAGMA quick_check").fetchone() == ("ok",)
    store.close()


def test_other_settings_change_the_answer(demo: Any, tmp_path: Path) -> None:
    """A plate 12 % higher: what met it is below it now."""
    program, live = demo
    config = tmp_path / "higher.toml"
    text = SCENARIOS["standard"].config_text
    assert "109000 Btu/h" in text
    config.write_text(text.replace("109000 Btu/h", "122000 Btu/h"), encoding="utf-8")
    done = program("replay", live.document["run"], "--config", config, "--json", "--no-store")
    assert done.code == 0
    assert done.document["verdict"] == "below"
    assert done.document["firing"]["output_w"] == live.document["firing"]["output_w"]


def test_readings_of_a_probe_that_is_not_in_the_config_are_named_once(demo: Any, tmp_path: Path) -> None:
    program, live = demo
    text = SCENARIOS["standard"].config_text
    start, end = text.index("[probes.duct]"), text.index("[probes.baro]")
    config = tmp_path / "fewer.toml"
    config.write_text(text[:start] + text[end:], encoding="utf-8")
    done = program("replay", live.document["run"], "--config", config, "--json", "--no-store")
    (warning,) = [line for line in done.err.splitlines() if "'duct'" in line]
    assert "not used" in warning
    assert done.document["firing"] is not None


def test_plain_lines_when_there_is_no_terminal(program: Any) -> None:
    done = program("demo", "--speed", "max", "--scenario", "short-firing")
    assert done.code == 3
    assert "\x1b" not in done.out + done.err
    assert "RESULT" in done.out
    assert "no steady stretch" in done.out
    assert "00:00" in done.out


def test_a_run_from_a_config_file_ends_at_its_result(program: Any, write_config: Any) -> None:
    done = program("run", write_config(), "--until", "result", "--json")
    assert done.code == 0
    assert done.document["end_reason"] == "result"
    demo_end_s = SCENARIOS["standard"].truth.burner_s[-1][1]
    assert done.document["firing"]["steady_end_s"] < demo_end_s
    truth_w = SCENARIOS["standard"].truth.output_w
    assert done.document["firing"]["output_w"] == pytest.approx(truth_w, rel=0.03)


def test_for_ends_in_reading_time(program: Any, write_config: Any) -> None:
    done = program("run", write_config(), "--for", "5min", "--json")
    assert done.code == 3
    assert (done.document["end_reason"], done.document["firing"]) == ("time", None)
    assert done.document["verdict"] == "not-steady"
    with StoreReader(program.store) as reader:
        (block,) = reader.blocks(done.document["run"])
        assert 299e9 <= int(block.t_ns.max()) <= 300e9


def test_an_exported_csv_in_another_order_is_not_trusted_blindly(demo: Any, tmp_path: Path) -> None:
    """Sorted by probe, its rows lie before earlier ones: flagged, counted and said, not believed."""
    program, live = demo
    csv_path, config = tmp_path / "r.csv", tmp_path / "job.toml"
    config.write_text(SCENARIOS["standard"].config_text, encoding="utf-8")
    assert program("export", live.document["run"], "--output", csv_path).code == 0
    header, *rows = csv_path.read_text(encoding="utf-8").splitlines(keepends=True)
    first = rows[0].split(",")[1]
    rows.sort(key=lambda row: (row.split(",")[1] != first, row.split(",")[1]))
    csv_path.write_text(header + "".join(rows), encoding="utf-8")
    done = program("replay", csv_path, "--config", config, "--json", "--no-store")
    assert done.code == 3
    assert done.document["readings"]["flagged"] > live.document["readings"]["flagged"]
    (said,) = [line for line in done.err.splitlines() if "late" in line]
    assert "called usable there" in said
    assert "sort the rows by time" in said


def test_runs_of_a_store_in_another_place_are_listed_and_last(
    program: Any, write_config: Any, tmp_path: Path
) -> None:
    place = tmp_path / "elsewhere" / "hall.db"
    config = write_config(("[sim]", f'[store]\npath = "{place}"\n\n[sim]'))
    run = program("run", config, "--for", "60s", "--json").document["run"]
    (row,) = program("runs", "--json").document
    assert row["run"] == run
    again = program("replay", "last", "--no-store", "--json")
    assert again.document["end_reason"] == "time"
