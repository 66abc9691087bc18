"""A change of the airflow that fits the plates' ratio passes for no stage, and gets no verdict as one.

The simulator knows which stage burned: its low one throughout, with a belt that slips by just what the high
stage would give more. Without a velocity and without the gas both look alike in the air.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from logger.core.budget import combine
from logger.core.gas import GasInput
from logger.core.params import AirflowParams, AirflowSource, JobParams, UnitKind, VisitParams
from logger.core.pipeline import Outcome
from logger.core.readings import Reading
from logger.core.result import result_document
from logger.core.stage_results import levels
from logger.core.stage_words import BY_OUTPUT, CHANGED, SAME_GAS, SLOW
from simulators.scenario import Scenario
from simulators.scenarios import find
from tests.core.jobs import FACTS, feed, play
from tests.core.test_stages import LOW, LOW_FLOW, UP, burned, fired, staged_job, truths_w, without_velocity
from tests.core.test_variations import ALL, FULL_W, readings_of

SLIP_S = 1800.0
SLIPPED = 0.69  # of the air: makes the rise of 0.7 of the heat that of all of it (found by trying)


def slipping(over_s: float, left: float = SLIPPED) -> Scenario:
    """The low stage throughout; within ``over_s`` the air falls to ``left``."""
    scenario = fired((420.0, 4200.0, 0))
    profile = ((0.0, 1.0), (SLIP_S, 1.0), (SLIP_S + over_s, left))
    return replace(scenario, plant=replace(scenario.plant, fan_profile=profile))


def blind(scenario: Scenario, seed: int = 1) -> tuple[JobParams, list[Reading]]:
    return without_velocity(staged_job(scenario), readings_of(scenario, ALL, seed))


def told(job: JobParams, readings: list[Reading]) -> tuple[Outcome, dict[str, Any]]:
    outcome = feed(job, readings).finish()
    return outcome, result_document(outcome, FACTS)


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6])
def test_a_slip_by_just_the_ratio_of_the_plates_is_told_with_its_doubt(seed: int) -> None:
    job, readings = play("two-stage-slip", seed)
    _, document = told(job, list(readings))
    low, high = document["stage_results"]
    truth_w = find("two-stage-slip").truth.output_w
    assert truth_w == pytest.approx(0.85 * (job.unit.plate_output_w or 0.0), rel=0.01)  # burned throughout
    assert high["output_w"] / truth_w == pytest.approx(1.0 / 0.85, rel=0.02)  # what is made of less air
    for row in (low, high):
        assert "a change of the airflow (belt, damper, fan speed) by as much looks the same" in row["doubt"]
        assert "measure the gas input" in row["doubt"]
        assert row["reason"] is None
    no_verdict_for_the_doubt(document)
    (event,) = [event for event in document["events"] if event["code"] == "stage-by-ratio"]
    assert "look now at the unit" in event["text"]
    assert 1500.0 < event["t_s"] < 2400.0  # while there is something to look at


def no_verdict_for_the_doubt(document: dict[str, Any]) -> None:
    """Neither a verdict nor its chances, in the run as in its firings; the number stands under its if."""
    chances = [document[key] for key in ("p_low", "p_high", "p_meets", "decidable_tolerance")]
    assert (document["verdict"], chances) == (None, [None] * 4)
    assert [cycle["verdict"] for cycle in document["cycles"]] == [None]
    assert f"{document['nameplate']['ratio']:.1%}" in document["reason"]
    assert "if this was full fire" in document["reason"]
    assert BY_OUTPUT in document["reason"]
    assert "measure the gas input at each level" in document["reason"]
    assert "visit.stage_forced" in document["reason"]
    assert document["firing"]["output_w"] > 0.0


@pytest.mark.parametrize("over_s", [300.0, 600.0])
def test_a_slow_slip_is_no_stage_whatever_its_ratio(over_s: float) -> None:
    """The heat exchanger's own time constant is 120 s: a burner's step takes no longer than its lighting."""
    _, document = told(*blind(slipping(over_s)))
    for row in document["stage_results"]:
        assert (row["stage"], row["ratio"], row["doubt"]) == (None, None, None)
        assert row["reason"].lower().startswith(SLOW[:40])
    assert document["verdict"] is None
    assert SLOW in document["reason"]


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize("low_flow", [None, LOW_FLOW])
def test_true_stages_keep_their_numbers_and_have_the_doubt_too(seed: int, low_flow: float | None) -> None:
    """Nothing shows them either, so neither is judged; the numbers stand, and they are right."""
    scenario = fired(*UP, low_flow=low_flow or 1.0)
    job, readings = without_velocity(staged_job(scenario, low_flow), readings_of(scenario, ALL, seed))
    _, document = told(job, readings)
    rows = document["stage_results"]
    assert [row["stage"] for row in rows] == [1, 2]
    for row, truth_w in zip(rows, truths_w(scenario), strict=True):
        assert abs(row["output_w"] - truth_w) < row["output_u95_w"]
        assert "ratio" in row["doubt"]
    assert ('airflow.source = "probe"' in rows[0]["doubt"]) is (low_flow is not None)
    no_verdict_for_the_doubt(document)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_full_fire_that_was_held_is_judged_and_the_lower_level_keeps_its_doubt(seed: int) -> None:
    job, readings = blind(fired(*UP), seed)
    _, document = told(replace(job, visit=VisitParams(full_fire=True)), readings)
    low, high = document["stage_results"]
    assert (high["stage"], high["doubt"], bool(low["doubt"])) == (2, None, True)
    assert document["verdict"] in ("meets", "undecided")
    assert BY_OUTPUT not in document["reason"]


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_fan_that_goes_with_the_stages_shows_them_by_the_velocity_of_each(seed: int) -> None:
    """The velocity is no airflow here, only its ratio from level to level is used."""
    scenario = fired(*UP, low_flow=LOW_FLOW)
    _, document = told(staged_job(scenario, LOW_FLOW), readings_of(scenario, ALL, seed))
    assert [(row["stage"], row["doubt"]) for row in document["stage_results"]] == [(1, None), (2, None)]
    assert document["verdict"] in ("meets", "undecided")


@pytest.mark.parametrize("seed", [1, 2])
def test_a_slip_is_no_stage_of_such_a_fan_whatever_its_rise(seed: int) -> None:
    """The low stage at its own airflow, then a slip to what makes the rise of the high one: 0.7 of the heat
    over 0.7 of its air (and the air of the low stage was 0.85 of it). The velocity falls, and has to rise."""
    scenario = fired((420.0, 4200.0, 0))
    profile = ((0.0, 1.0), (419.0, 1.0), (425.0, LOW_FLOW), (SLIP_S, LOW_FLOW), (SLIP_S + 5.0, SLIPPED))
    scenario = replace(scenario, plant=replace(scenario.plant, fan_profile=profile))
    _, document = told(staged_job(scenario, LOW_FLOW), readings_of(scenario, ALL, seed))
    rows = document["stage_results"]
    assert [row["stage"] for row in rows] == [1, 2]
    assert rows[1]["output_w"] / truths_w(scenario)[0] == pytest.approx(1.0 / LOW, rel=0.03)  # and is wrong
    assert all(row["doubt"] for row in rows)
    no_verdict_for_the_doubt(document)


@pytest.mark.parametrize(("left", "stage", "shown"), [(1.0, 1, True), (SLIPPED, 0, False)])
def test_one_level_of_such_a_fan_is_shown_by_the_velocity_of_the_fan_phase(
    left: float, stage: int, *, shown: bool
) -> None:
    """Full fire throughout, or the low stage with a belt that slips as it lights: the rise is the same."""
    scenario = fired((420.0, 2220.0, stage))
    profile = ((0.0, 1.0), (419.0, 1.0), (425.0, left))
    scenario = replace(scenario, plant=replace(scenario.plant, fan_profile=profile))
    _, document = told(staged_job(scenario, LOW_FLOW), readings_of(scenario, ALL))
    (row,) = document["stage_results"]
    assert row["stage"] == 2
    assert row["ratio"] == pytest.approx(1.0, abs=0.04)
    assert (row["doubt"] is None, document["verdict"] is not None) == (shown, shown)


def test_a_velocity_in_the_duct_leaves_no_doubt_and_a_slip_no_stage() -> None:
    scenario = fired(*UP)
    _, document = told(staged_job(scenario), readings_of(scenario, ALL))
    assert [(row["stage"], row["doubt"]) for row in document["stage_results"]] == [(1, None), (2, None)]
    assert BY_OUTPUT not in document["reason"]
    assert not [event for event in document["events"] if event["code"] == "stage-by-ratio"]

    scenario = slipping(5.0)
    _, document = told(staged_job(scenario), readings_of(scenario, ALL))
    rows = document["stage_results"]
    assert [(row["stage"], row["doubt"]) for row in rows] == [(None, None)] * 2
    assert all(row["reason"].lower().startswith(CHANGED[:40]) for row in rows)
    assert document["verdict"] is None


def test_a_live_velocity_leaves_no_doubt() -> None:
    scenario = fired(*UP)
    area_m2 = scenario.plant.duct_area_m2
    live = AirflowParams(source=AirflowSource.PROBE, probe="duct", area_m2=area_m2, u95=0.04)
    _, document = told(replace(staged_job(scenario), airflow=live), readings_of(scenario, ALL))
    assert [(row["stage"], row["doubt"]) for row in document["stage_results"]] == [(1, None), (2, None)]


def _with_gas(outcome: Outcome, shares: tuple[float, ...], source: str = "counter") -> None:
    (firing,) = outcome.firings
    gases: list[GasInput] = [replace(burned(share * FULL_W, combine([])), source=source) for share in shares]
    firing.stretches[:] = [
        replace(stretch, gas=gas) for stretch, gas in zip(firing.stretches, gases, strict=True)
    ]


def test_the_gas_at_each_level_shows_the_stages_or_that_there_are_none() -> None:
    job, readings = blind(fired(*UP))
    outcome, _ = told(job, readings)
    _with_gas(outcome, (LOW, 1.0))
    assert [(level.stage, level.unproven) for level in levels(job, outcome.firings)] == [(1, ""), (2, "")]
    assert result_document(outcome, FACTS)["verdict"] in ("meets", "undecided")

    _with_gas(outcome, (LOW, LOW))
    assert [(level.stage, level.reason) for level in levels(job, outcome.firings)] == [(None, SAME_GAS)] * 2
    document = result_document(outcome, FACTS)
    assert (document["verdict"], SAME_GAS in document["reason"]) == (None, True)


def test_a_meter_timed_once_shows_the_level_whose_gas_it_is() -> None:
    """One timing stands beside both levels: it says nothing of a change from one to the other."""
    job, readings = blind(fired(*UP))
    outcome, _ = told(job, readings)
    for share, doubted, judged in ((1.0, [True, False], True), (LOW, [False, True], False)):
        _with_gas(outcome, (share, share), "timed")
        assert [bool(level.unproven) for level in levels(job, outcome.firings)] == doubted
        document = result_document(outcome, FACTS)
        assert (document["verdict"] is not None) is judged
    assert BY_OUTPUT in document["reason"]


def test_gas_above_the_plate_is_told_with_its_caution_whatever_the_doubt() -> None:
    job, readings = blind(fired(*UP, strength=1.12))
    _, document = told(job, readings)
    assert [bool(row["doubt"]) for row in document["stage_results"]] == [True, True]
    assert document["verdict"] is None
    assert "Over-firing and carbon monoxide are possible" in document["reason"]


def test_one_level_is_told_by_its_output_alone_unless_gas_or_operator_say_it() -> None:
    """The slip came before: the low stage's rise is that of the high one all along."""
    scenario = fired((420.0, 2220.0, 0))
    scenario = replace(scenario, plant=replace(scenario.plant, fan_profile=((0.0, SLIPPED),)))
    job, readings = blind(scenario)
    outcome, document = told(job, readings)
    (row,) = document["stage_results"]
    assert row["stage"] == 2  # and it is the low one that burns
    assert "by its output alone" in row["doubt"]
    assert "let the other stages settle too" in row["doubt"]
    no_verdict_for_the_doubt(document)
    for share, doubted in ((1.0, False), (LOW, True)):
        _with_gas(outcome, (share,))
        (level,) = levels(job, outcome.firings)
        assert bool(level.unproven) is doubted
    (level,) = levels(replace(job, visit=VisitParams(full_fire=True)), outcome.firings)
    assert (level.stage, level.unproven) == (2, "")


def test_a_unit_of_one_stage_and_one_that_modulates_have_no_such_doubt() -> None:
    job, readings = blind(fired((420.0, 2220.0, 1)))
    for unit in (
        replace(job.unit, stages=1, stage_output_w=()),
        replace(job.unit, stages=16, modulating=True, stage_output_w=()),
    ):
        _, document = told(replace(job, unit=unit), readings)
        assert all(row["doubt"] is None for row in document["stage_results"] or ())
        assert BY_OUTPUT not in document["reason"]


def test_of_elements_nobody_is_sent_to_a_gas_meter() -> None:
    job, readings = blind(fired(*UP))
    job = replace(job, unit=replace(job.unit, kind=UnitKind.ELECTRIC))
    _, document = told(job, readings)
    assert all(row["doubt"] for row in document["stage_results"])
    assert document["verdict"] is None
    assert "leave a velocity probe in the duct, or hold the full load and set" in document["reason"]
    assert "gas" not in document["reason"]
    assert "manifold" not in document["reason"]
