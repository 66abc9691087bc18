"""A heat pump's defrosts and pauses where people read them: dashboard, plain lines, the report's picture.

The simulator's timeline says when its outdoor coil is thawed: 240 s from 420 + 2700 s on, and once more.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from logger.core.result import result_document
from logger.core.snapshot import Phase, Snapshot, silenced
from logger.report.page import render
from logger.report.trace import with_pauses
from logger.screen.plain import minute_line
from simulators.scenarios import SCENARIOS
from tests.core.jobs import FACTS, feed, play
from tests.shell.stored_run import stored_run
from tests.shell.test_screen_view import drawn, make_snapshot, make_view

THAW_S = 420 + 2700
SHOWN = {"heat-pump-defrost": "defrost", "heat-pump-strip": "pause"}


def shot_at(name: str, t_s: int) -> Snapshot:
    job, readings = play(name)
    before = [reading for reading in readings if reading.t_ns < t_s * 1_000_000_000]
    return feed(job, before).snapshot(before[-1].t_ns)


@pytest.mark.parametrize("name", SHOWN)
def test_the_phase_on_screen_is_a_defrost_where_the_air_shows_it_and_a_pause_else(name: str) -> None:
    shot = shot_at(name, THAW_S + 230)
    assert (shot.phase, shot.pause) == (Phase.COOL_DOWN, SHOWN[name])
    lines = drawn(make_view(shot), 100, 40)
    (line,) = [line for line in lines if f" {SHOWN[name].upper()} " in line]
    assert {"defrost": "comes back by itself", "pause": "or a defrost under auxiliary heat"}[
        SHOWN[name]
    ] in line
    assert not [line for line in lines if "COOL-DOWN" in line]
    assert f" {SHOWN[name]}: output" in minute_line(shot, "si")
    assert f"last known: {SHOWN[name]}" in minute_line(silenced(shot, 60.0), "si")


def test_no_pause_is_shown_while_it_heats_nor_of_another_unit() -> None:
    assert shot_at("heat-pump-defrost", THAW_S - 60).pause == ""
    gas = shot_at("standard", 420 + 1800 + 60)
    assert (gas.phase, gas.pause) == (Phase.COOL_DOWN, "")
    assert " COOL-DOWN " in "".join(drawn(make_view(gas), 100, 40))


@pytest.mark.parametrize("pause", ["defrost", "pause"])
def test_the_hint_stands_whole_on_the_narrow_screen(pause: str) -> None:
    shot = make_snapshot(kind="heat-pump", phase=Phase.COOL_DOWN, pause=pause)
    (line,) = [line for line in drawn(make_view(shot), 80, 24) if pause.upper() in line]
    assert line.rstrip().endswith(("by itself", "wait"))


def test_the_result_says_where_each_pause_was() -> None:
    for name, code in SHOWN.items():
        job, readings = play(name)
        (cycle,) = result_document(feed(job, readings).finish(), FACTS)["cycles"]
        assert [pause["code"] for pause in cycle["pauses"]] == [code, code]
        for pause, begin_s in zip(cycle["pauses"], (THAW_S, THAW_S + 240 + 2700), strict=True):
            assert abs(pause["start_s"] - begin_s) < 15
            assert begin_s + 240 <= pause["end_s"] < begin_s + 360  # the way back up is two minutes long
    job, readings = play("standard")
    (cycle,) = result_document(feed(job, readings).finish(), FACTS)["cycles"]
    assert cycle["pauses"] is None


def test_a_pause_over_two_phases_is_one_field_of_the_picture() -> None:
    spans = (("steady", 0.0, 900.0), ("warm-up", 900.0, 1100.0), ("cool-down", 1100.0, 1200.0))
    assert with_pauses(spans, [("pause", 890.0, 1180.0)]) == (
        ("steady", 0.0, 900.0),
        ("pause", 900.0, 1200.0),
    )
    assert with_pauses(spans, []) == spans
    assert with_pauses((), [("pause", 0.0, 1.0)]) == ()


@pytest.mark.parametrize("name", SHOWN)
def test_the_reports_picture_names_it(name: str, tmp_path: Path) -> None:
    page = render(stored_run(SCENARIOS[name].config_text, tmp_path / "job.db")[1])
    (phases,) = re.findall(r"phases were: ([^.]*)[.]", page)
    names = [span.split(" from ")[0] for span in phases.split("; ")]
    assert names.count(SHOWN[name]) == 2
    assert names[-2:] == ["heat-falling", "off"]  # its end, by the thermostat
    assert "auxiliary (strip) heat that was on is in both" in page
