"""A whole run through the command line, and the same run computed again."""

import csv
import io
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from logger.store import StoreReader
from simulators.scenarios import SCENARIOS

WALL_CLOCK = ("run", "stored", "started_utc", "ended_utc")


def same(document: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in document.items() if key not in WALL_CLOCK}


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
