"""A unit that was on before the log, where people read it: dashboard, plain lines, the end, the report."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.core.kind_words import NO_FIRING
from logger.core.result import result_document
from logger.core.snapshot import Phase, Snapshot
from logger.report.page import render
from logger.screen.plain import event_line, result_lines
from simulators.scenarios import SCENARIOS
from tests.core.jobs import FACTS, feed
from tests.core.test_already_on import cut, told
from tests.shell.stored_run import stored_run
from tests.shell.test_screen_view import drawn, make_view


def shot_at(t_s: float) -> Snapshot:
    job, readings = cut("already-on", 0.0, t_s)
    return feed(job, readings).snapshot(readings[-1].t_ns)


@pytest.mark.parametrize(
    ("t_s", "phase", "hint"),
    [
        (40.0, Phase.FAN, "burner on already, or just off: no fan phase"),
        (100.0, Phase.WARM_UP, "burner on already; the output is settling"),
        (400.0, Phase.STEADY, "steady; its beginning was not seen"),
        (1500.0, Phase.FAN, "fan alone, waiting for the burner"),
        (1900.0, Phase.WARM_UP, "burner on, the output is still settling"),
    ],
)
@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_the_dashboard_says_it_beside_the_phase(
    t_s: float, phase: Phase, hint: str, size: tuple[int, int]
) -> None:
    shot = shot_at(t_s)
    assert shot.phase is phase
    (line,) = [line for line in drawn(make_view(shot), *size) if f" {phase.value.upper()} " in line]
    assert line.rstrip().endswith(hint)


def test_the_event_is_said_whole_with_its_next_step_in_lines_and_at_the_end() -> None:
    job, readings = cut("already-on", 0.0, 890.0)
    outcome = feed(job, readings).finish()
    (event,) = [event for event in outcome.events if event.code == "on-already"]
    ending = "let the fan run alone for 5 min once the rise is gone, and call again."
    assert event_line(event).startswith("01:03 on-already: The unit seems to be on already: a rise of 27.")
    assert event_line(event).endswith(ending)
    lines = result_lines(result_document(outcome, FACTS), "us")
    assert [line for line in lines if "on-already: The unit seems" in line and line.endswith(ending)]
    assert [line for line in lines if "on already when the log began or" in line and line.endswith(ending)]
    assert not [line for line in lines if NO_FIRING["gas"] in line]


def test_a_run_that_saw_nothing_else_ends_with_what_to_do() -> None:
    job, readings = cut("electric-stages", 500.0, 780.0, velocity=False)
    outcome = feed(job, readings).finish()
    lines = result_lines(result_document(outcome, FACTS), "si")
    assert [line for line in lines if line.endswith(told(outcome)[0]) and NO_FIRING["electric"] in line]


def test_the_report_has_it(tmp_path: Path) -> None:
    page = render(stored_run(SCENARIOS["already-on"].config_text, tmp_path / "job.db")[1])
    assert "The unit seems to be on already" in page
    assert "Begun before it was seen; counted from 0:00:03." in page
