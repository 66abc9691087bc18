"""``riselog study``: the same by seed whatever computes it, kept when it is ended, faults in a sentence."""

from __future__ import annotations

import csv
import importlib
import json
import os
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from logger.core.errors import UsageError
from logger.faults import guarded
from logger.many.job import Answer
from simulators.study import command
from simulators.study.bench import bench_of
from simulators.study.cli import app
from simulators.study.draws import Errors, Ground, drawn, stream
from simulators.study.options import StudyOptions, cells_of
from simulators.study.setting import Setting
from simulators.study.traverses import SPEED_M_S, Profile, traversed
from simulators.study.trial import run_trial
from simulators.study.work import Part
from tests.shell.cluster import ROOT, local_cluster

GUARD_S = 120.0  # a hang fails the test
FEW = ("--scenario", "standard", "--trials", "3", "--seed", "5")


def run(*arguments: str) -> Any:
    return CliRunner().invoke(app, list(arguments), catch_exceptions=False)


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path]:
    """Two cells of three trials, by one process, with a page and a table."""
    folder = tmp_path_factory.mktemp("study")
    made = run(
        *FEW,
        *("--probe-u95", "0.1 K,1 K", "--jobs", "1", "--json"),
        *("--output", str(folder / "s.html"), "--csv", str(folder / "s.csv")),
    )
    assert made.exit_code == 0
    return json.loads(made.stdout), folder


def test_the_document(once: tuple[dict[str, Any], Path]) -> None:
    document, _ = once
    assert (document["schema"], document["simulated"], document["interrupted"]) == (
        "riselog.study/1",
        True,
        False,
    )
    assert [row["probe_u95_k"] for row in document["scenarios"]] == [0.1, 1.0]
    promised = {"name", "trials", "bias_percent", "coverage", "coverage_low", "coverage_high", "false_steady"}
    promised |= {"missed_steady", "decision_delay_s_median", "wrong_verdicts"}
    for row in document["scenarios"]:
        assert promised <= set(row)
        assert (row["name"], row["trials"]) == ("standard", 3)
    fine, coarse = document["scenarios"]
    assert fine["u95_percent"] < coarse["u95_percent"]


def test_more_processes_and_a_cluster_give_the_same_bits(
    once: tuple[dict[str, Any], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("simulators.study.work.PART", 1)
    arguments = (*FEW, "--probe-u95", "0.1 K,1 K", "--json")
    assert json.loads(run(*arguments, "--jobs", "2").stdout) == once[0]
    with local_cluster(tmp_path / "cluster") as address:
        assert json.loads(run(*arguments, "--scheduler", address).stdout) == once[0]


def test_another_seed_gives_other_trials(once: tuple[dict[str, Any], Path]) -> None:
    bench = bench_of(Setting(scenario="standard", probe_u95_k=0.1))
    assert run_trial(bench, 5, 0) == run_trial(bench, 5, 0)
    assert run_trial(bench, 6, 0).output_w != run_trial(bench, 5, 0).output_w


def test_a_stream_hangs_on_its_own_key_alone() -> None:
    def first(*key: Any) -> float:
        return float(stream(*key).standard_normal())

    keys = [(1, "a", 0, "x"), (2, "a", 0, "x"), (1, "b", 0, "x"), (1, "a", 1, "x"), (1, "a", 0, "y")]
    assert len({first(*key) for key in keys}) == len(keys)
    assert first(*keys[0]) == first(*keys[0])


def test_errors_are_drawn_as_wide_as_the_budget_states() -> None:
    """A u95 is two standard deviations (GUM 6.2.1): 4 % of airflow, 0.3 K of a probe, 2 % of its place."""
    job = bench_of(Setting(scenario="standard")).job
    found = [drawn(job, 1, "standard", n, Ground()) for n in range(2_000)]

    def width(values: list[float]) -> float:
        return float((sum(v * v for v in values) / len(values)) ** 0.5)

    assert width([e.airflow for e in found]) == pytest.approx(0.02, rel=0.06)
    assert width([e.air["sup"].placement for e in found]) == pytest.approx(0.01, rel=0.06)
    between = [e.air["sup"].offset_k - e.air["ret"].offset_k for e in found]  # what is common cancels
    assert width(between) == pytest.approx(0.15 * 2**0.5, rel=0.06)
    assert 0.0 <= min(e.casing for e in found) < max(e.casing for e in found) <= 0.02


@pytest.mark.parametrize(
    "name",
    [
        "standard",
        "high-site",
        "outdoor-20",
        "two-stage-fan",
        "variable-fan",
        "electric-stages",
        "heat-pump",
        "heat-pump-defrost",
        "cooling-dry",
        "cooling-wet",
        "cooling-deep",
        "cooling-draw-through",
    ],
)
def test_trials_without_any_error_give_the_truth(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Perfect probes, nothing drawn, the casing's loss as assumed: what is left is the slow approach."""
    monkeypatch.setattr("simulators.study.trial.drawn", lambda *_: Errors())
    bench = bench_of(Setting(scenario=f"{name}-perfect"))
    trial = run_trial(bench, 1, 0)
    assert trial.output_w == pytest.approx(trial.truth_w, rel=0.008)
    assert trial.covered
    if name.startswith("cooling"):
        assert trial.sensible_w == pytest.approx(trial.true_sensible_w, rel=0.008)


def test_a_traverse_of_flat_air_finds_the_flow_and_few_points_of_a_profile_too_much() -> None:
    """The centre of a duct is faster than its mean: equal areas without the walls read high (ASHRAE
    Fundamentals, measurement, on why log-Tchebycheff is preferred; recalled)."""
    flat = Profile(power_x=0.0, power_y=0.0, lean_x=0.0, lean_y=0.0)
    assert flat.mean == pytest.approx(1.0, abs=1e-12)
    bent = Profile(power_x=1.0 / 7.0, power_y=0.0, lean_x=0.3, lean_y=0.0)
    assert bent.mean == pytest.approx(7.0 / 8.0, rel=2e-3)  # integral of s^(1/7); a lean adds nothing
    found = {
        m: sum(traversed(m, 1, "x", n)[0] for n in range(100)) / 100
        for m in ("equal-area 3x3", "log-tchebycheff 5x5")
    }
    assert found["equal-area 3x3"] > 1.04
    assert abs(found["log-tchebycheff 5x5"] - 1.0) < 0.02
    assert SPEED_M_S > 0.0


def test_a_defrost_is_seen_and_is_no_part_of_the_stretch() -> None:
    """The plant defrosts first after 2,700 s of running; no plate of the visit, no verdict."""
    bench = bench_of(Setting(scenario="heat-pump-defrost"))
    trial = run_trial(bench, 1, 0)
    assert (trial.defrosts, trial.verdict, trial.withheld) == (1, None, False)
    assert trial.mean_residual is not None
    assert trial.mean_residual < 0.01  # a defrost in it would take a sixth and more


def test_a_unit_that_cools_is_held_against_both_of_its_truths() -> None:
    """The coil's own equilibrium, by the plant; a plate of the visit's conditions is judged."""
    bench = bench_of(Setting(scenario="cooling-dry-perfect"))
    trial = run_trial(bench, 1, 3)
    assert trial.true_sensible_w == pytest.approx(trial.truth_w, rel=1e-3)  # nothing condenses
    assert trial.true_verdict == "meets"
    bench = bench_of(Setting(scenario="cooling-wet"))
    trial = run_trial(bench, 1, 1)
    assert trial.sensible_w is not None
    assert 0.6 < trial.sensible_w / trial.truth_w < 0.9
    assert trial.covered
    assert trial.verdict == "undecided"  # two humidities of 3 % decide nothing at 5 %


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.outside: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.outside += [
            str(value) for key, value in attrs if key in {"src", "href"} and not str(value).startswith("#")
        ]

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_page_loads_nothing_and_says_that_it_is_simulated(once: tuple[dict[str, Any], Path]) -> None:
    page = _Page()
    page.feed((once[1] / "s.html").read_text(encoding="utf-8"))
    text = " ".join(page.text)
    assert page.outside == []
    assert "SIMULATED" in text
    assert 0 < text.index("Which probe is needed") < text.index("Coverage and bias")
    assert "standard, probes ± 0.1 K" in text


def test_the_table_has_the_rows_of_the_document(once: tuple[dict[str, Any], Path]) -> None:
    document, folder = once
    with (folder / "s.csv").open(encoding="utf-8", newline="") as stream_:
        rows = list(csv.DictReader(stream_))
    assert [float(row["u95_percent"]) for row in rows] == [
        row["u95_percent"] for row in document["scenarios"]
    ]
    assert rows[0]["traverse"] == ""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--trials", "0"), "--trials 0: at least one"),
        (("--seed", "-1"), "--seed -1: write"),
        (("--jobs", "0"), "--jobs 0: at least one"),
        (("--jobs", "2", "--scheduler", "tcp://x:1"), "leave it out with --scheduler"),
        (("--scheduler", "nowhere"), "is no address"),
        (("--scenario", "standart"), "closest: standard"),
        (("--probe-u95", "0.1"), "--probe-u95: "),
        (("--probe-u95", "0.1 K,,"), "--probe-u95: "),
        (("--probe-u95", "0 K"), "--probe-u95: "),
        (("--window", "5 s"), "--window: '5 s'"),
        (("--window-max", "100 s"), "--window 120 s is longer than --window-max 100 s"),
        (("--time-constant", "0.5 s"), "--time-constant: '0.5 s'"),
        (("--humidity-u95", "1 K"), "--humidity-u95: "),
        (("--spread", "0 %"), "--spread: '0 %'"),
        (("--airflow-u95", "4 K"), "--airflow-u95: "),
        (("--traverse", "guess 3x3"), "write log-tchebycheff or equal-area"),
        (("--traverse", "equal-area 3x3", "--airflow-u95", "2 %"), "leave one out"),
        (("--probe-u95", ",".join(f"0.{n:03d} K" for n in range(1, 200))), "vary less at once"),
        (("--output", "/nowhere/at/all.html"), "cannot be written"),
        (("--window", "10 s"), "--window: '10 s' cannot be: write a value from 30 s on, up to 600 s"),
        (("--probe-u95", "-1 K"), "--probe-u95: '-1 K' cannot be: write a value above 0, up to 20"),
        (("--output", "study.pdf"), "--output study.pdf: the page is HTML; name a file that ends in .html"),
        (("--csv", "."), "--csv . is a folder"),
    ],
)
def test_wrong_use_is_told_in_a_sentence(arguments: tuple[str, ...], words: str) -> None:
    options = CliRunner().invoke(app, list(arguments))
    assert isinstance(options.exception, UsageError)
    assert words in str(options.exception)
    assert options.stdout == ""


def test_a_part_that_fails_is_told_and_harms_no_other(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(bench: Any, seed: int, number: int) -> Any:
        raise UsageError("no such air")

    monkeypatch.setattr("simulators.study.work.run_trial", broken)
    part = Part(cell=0, setting=Setting(scenario="standard"), seed=1, first=0, end=1)
    answer = part.answered()
    assert (answer.document, answer.exit_code, answer.reason) == (None, 2, "no such air")
    rows = command._rows((part.setting,), [part, part], {0: answer, 1: answer})
    assert rows[0]["trials"] == 0
    assert capsys.readouterr().err.count("no such air") == 1


def test_the_standard_list_can_be_run() -> None:
    assert len(cells_of(StudyOptions())) == 20


@pytest.mark.parametrize("came", [None, Answer(label="x", reason="no such air", exit_code=2)])
def test_ended_before_anything_was_done_nothing_is_written_and_it_is_said(
    came: Answer | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A page of before stays as it was."""

    def ended(*_: Any) -> Iterator[tuple[int, Answer]]:
        if came is not None:
            yield 0, came
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "spread", ended)
    page, table = tmp_path / "s.html", tmp_path / "s.csv"
    page.write_text("of before", encoding="utf-8")
    options = StudyOptions(scenarios=("standard",), trials=40, output=page, csv=table, json=True)
    assert guarded(lambda: command.study_command(options), "study") == 130
    out, err = capsys.readouterr()
    assert out == ""
    assert "ended before any trial of 2 parts was done: there is no answer, and nothing is written" in err
    assert "a part is 20 trials of one cell and takes 2 to 5 s" in err
    assert ("no such air" in err, "what is done is shown" in err) == (came is not None, False)
    assert [path.name for path in tmp_path.iterdir()] == ["s.html"]
    assert page.read_text(encoding="utf-8") == "of before"


def test_ended_with_something_done_the_rest_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = Part(cell=0, setting=Setting(scenario="standard"), seed=5, first=0, end=1).answered()

    def ended(*_: Any) -> Iterator[tuple[int, Answer]]:
        yield 0, done
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "spread", ended)
    page = tmp_path / "s.html"
    made = run("--scenario", "standard", "--scenario", "weak", "--trials", "1", "--output", str(page))
    assert (made.exit_code, "ended after 1 of 2 parts; what is done is shown" in made.stderr) == (0, True)
    said = "the rows hold those that were; none yet of weak."
    assert said in " ".join(made.stdout.split())
    assert said in page.read_text(encoding="utf-8")


@pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")
def test_ctrl_c_keeps_what_is_done(tmp_path: Path) -> None:
    """Ended once the first part must have come: a row with fewer trials than asked, and exit code 0."""
    script = (
        "import simulators.study.work as w, simulators.study.command as c\n"
        "from simulators.study.cli import app\n"
        "def told(label, inner=c.gathered):\n"
        "    def gathered(answers, settled, done):\n"
        "        def seen():\n"
        "            for one in settled:\n"
        "                yield one\n"
        "                print('part', flush=True, file=__import__('sys').stderr)\n"
        "        return inner(answers, seen(), done)\n"
        "    return gathered\n"
        "if __name__ == '__main__':\n"
        "    w.PART = 1\n"
        "    c.gathered = told('x')\n"
        "    app()\n"
    )
    (tmp_path / "go.py").write_text(script, encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, str(tmp_path / "go.py"), "--scenario", "standard", "--trials", "5000", "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        cwd=tmp_path,
    )
    assert process.stderr is not None
    end = time.monotonic() + GUARD_S
    while "part" not in process.stderr.readline() and time.monotonic() < end:
        pass
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=GUARD_S)
    document = json.loads(out)
    assert (process.returncode, document["interrupted"]) == (0, True)
    assert 0 < document["scenarios"][0]["trials"] < 5000
    assert "Traceback" not in err


def test_the_project_brings_the_command() -> None:
    """By an entry point, as `play` comes."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    module, _, name = project["entry-points"]["riselog.commands"]["study"].partition(":")
    assert getattr(importlib.import_module(module), name) is app
    assert "which probe is needed for ± 5 %, how long to wait" in " ".join(run("--help").stdout.split())
