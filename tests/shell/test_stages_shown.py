"""Stages where people read them: the plate of the stage that is on, and a doubt that is never left out.

The simulator's timeline says which stage burns: in ``two-stage-slip`` the low one throughout.
"""

from __future__ import annotations

from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest

from logger.core.result import result_document
from logger.core.snapshot import Phase, Snapshot, silenced
from logger.core.stage_words import BY_OUTPUT
from logger.report.answer import key_numbers
from logger.report.evidence import Evidence
from logger.report.page import render
from logger.report.values import Numbers, plain
from logger.screen.plain import minute_line, result_lines, stage_words
from simulators.scenarios import SCENARIOS
from tests.core.jobs import FACTS, feed, play
from tests.shell.stored_run import stored_run
from tests.shell.test_screen_view import drawn, make_snapshot, make_view

FULL, LOW = "109,000", "92,600"  # Btu/h, as the invented plate of ``two-stage-slip`` is shown


def shot_at(name: str, t_s: int) -> Snapshot:
    job, readings = play(name)
    before = [reading for reading in readings if reading.t_ns < t_s * 1_000_000_000]
    return feed(job, before).snapshot(before[-1].t_ns)


def panel(shot: Snapshot, width: int = 80, height: int = 24) -> str:
    return " ".join(" ".join(drawn(make_view(shot, events=()), width, height)).split())


def test_the_low_stage_is_held_against_its_own_plate() -> None:
    shot = shot_at("two-stage-slip", 1400)
    assert (shot.stage, shot.stage_likely) == (1, True)
    assert shot.stage_plate_w == pytest.approx(92_650 * 1055.056 / 3600.0, rel=1e-5)  # NIST SP 811
    assert shot.plate_output_w == pytest.approx(109_000 * 1055.056 / 3600.0, rel=1e-5)
    for width in (80, 120):
        text = panel(shot, width)
        assert f"likely stage 1: {LOW}" in text
        assert FULL not in text
    assert "likely stage 1" in minute_line(shot, "us")


def test_before_it_is_steady_no_plate_stands_for_the_stage() -> None:
    shot = shot_at("two-stage-slip", 600)
    assert (shot.phase, shot.stages, shot.stage) == (Phase.WARM_UP, 2, None)
    narrow, wide = panel(shot), panel(shot, 120)
    assert "stage not known yet" in narrow
    assert FULL not in narrow
    assert f"stage not known yet, full nameplate {FULL}" in wide
    assert "— of nameplate" in narrow  # no share of a plate that may be another stage's
    assert "stage not known yet" in minute_line(shot, "us")


def test_a_stage_that_the_velocity_shows_is_not_only_likely() -> None:
    shot = shot_at("two-stage", 2700)
    assert (shot.stage, shot.stage_likely) == (2, False)
    assert f"nameplate of stage 2: {FULL}" in panel(shot, 120)


def test_the_airflow_of_a_stage_goes_with_its_plate() -> None:
    shot = shot_at("two-stage-fan", 1300)
    if shot.stage is not None:
        assert shot.airflow_from == f"stage {shot.stage}"
    late = shot_at("two-stage-fan", 2700)
    assert (late.stage, late.airflow_from) == (2, "stage 2")


def test_a_unit_of_one_stage_shows_its_plate_as_ever() -> None:
    shot = shot_at("standard", 1500)
    assert (shot.stages, shot.stage, shot.stage_plate_w, stage_words(shot)) == (1, None, None, "")
    assert f"nameplate {FULL}" in panel(shot)
    assert "stage" not in panel(shot)


@pytest.mark.parametrize(
    ("changes", "words", "share"),
    [
        ({"stage": 1, "stage_plate_w": 27_000.0}, "stage 1: ", "of its plate"),
        ({"stage": 1, "stage_plate_w": 27_000.0, "stage_likely": True}, "stage 1? ", "of its plate"),
        ({"stage": 1, "stage_plate_w": None}, "stage 1", "— of its plate"),
        ({"stage": None}, "stage not known", "— of nameplate"),
    ],
)
def test_the_words_of_a_stage_fit_the_narrow_screen(
    changes: dict[str, object], words: str, share: str
) -> None:
    settled = {"phase": Phase.STEADY, "output_is_final": True, "output_w": 31_790.0, "stages": 2}
    shot = make_snapshot(**settled, **changes)
    text = panel(shot)
    assert words in text
    assert share in text
    assert "yet" not in text.split("STEADINESS")[0]
    small = panel(shot, 60, 12)  # no room for large digits
    assert words in small or stage_words(shot) in small
    off = replace(shot, phase=Phase.FAN, stage=None)
    assert stage_words(off) == ""
    assert "nameplate 109" in panel(off, 120)
    assert stage_words(silenced(shot, 90.0)) == "stage not known yet"


def run_of(name: str, tmp_path: Path) -> Evidence:
    """A stored run of a scenario, as a report takes it."""
    return stored_run(SCENARIOS[name].config_text, tmp_path / "job.db")[1]


@pytest.mark.parametrize(("name", "untold"), [("two-stage-fan", True), ("two-stage", False)])
def test_the_picture_says_why_no_moment_has_an_output(name: str, tmp_path: Path, *, untold: bool) -> None:
    page = render(run_of(name, tmp_path))
    assert ("the stretch's mean alone" in unescape(page)) is untold
    assert ("mean output" in page) is untold


def test_the_doubt_stands_in_result_lines_report_and_document(tmp_path: Path) -> None:
    evidence = run_of("two-stage-slip", tmp_path)
    (low, high) = evidence.document["stage_results"]
    assert low["doubt"] == high["doubt"]
    assert "looks the same" in low["doubt"]
    lines = result_lines(evidence.document, "us")
    assert sum(low["doubt"] in line for line in lines) == 2
    assert evidence.document["verdict"] is None
    assert not any(line.startswith("  chances") for line in lines)
    (output,) = [line for line in lines if line.startswith("  output")]
    assert output.endswith("Btu/h (95 %), if stage 2 was on")
    (reason,) = [line for line in lines if BY_OUTPUT in line]
    assert reason.endswith("and set visit.stage_forced.")  # what to do is not cut off
    page = unescape(render(evidence))
    assert page.count("a change of the airflow (belt, damper, fan speed) by as much looks the same") >= 2
    assert BY_OUTPUT in page
    assert "If stage 2 was on, the unit delivered" in page
    assert "no verdict against a nameplate is given" in page
    assert "with a probability of <" not in page


def test_the_shortcut_speaks_the_readers_units() -> None:
    """1.08 Btu/h per cfm and degF is 1.21 kW per m3/s and K (NIST SP 811)."""
    job, readings = play("two-stage")
    document = result_document(feed(job, readings).finish(), FACTS)
    for units, words, degree in (("us", "1.08 x cfm", "°F"), ("si", "1.21 x m³/s", "K")):
        assert f"{words} x rise" in " ".join(result_lines(document, units))
        table = key_numbers(Numbers(document, units))
        assert table is not None
        note = next(plain(row.cells[-1]) for row in table.rows if row.label.startswith("Shortcut"))
        assert note.startswith(f"{words} x {degree} of standard air")
    firing = document["firing"]
    assert firing["shortcut_w"] == pytest.approx(
        1_210.0 * firing["airflow_m3_s"] * firing["rise_k"], rel=0.003
    )


def test_no_doubt_no_line() -> None:
    job, readings = play("two-stage")
    document = result_document(feed(job, readings).finish(), FACTS)
    text = " ".join(result_lines(document, "us"))
    assert "looks the same" not in text
    assert "if stage" not in text
