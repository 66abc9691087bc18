"""Results stage by stage: against the simulator's truth of each stage, and in closed form.

The simulator's fan, like its burner, is written apart from the core; its truth is the equilibrium of each
stage at the end of that stage, not a mean over the stretch.
"""

from __future__ import annotations

import re
from dataclasses import replace
from math import log
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.budget import Combined
from logger.core.firing import STAGE_CHANGE
from logger.core.gas import GasInput
from logger.core.params import (
    AirflowParams,
    AirflowSource,
    FanHeatMode,
    JobParams,
    ProbeParams,
    Role,
    UnitKind,
    UnitParams,
    VisitParams,
)
from logger.core.pipeline import Pipeline
from logger.core.readings import Reading
from logger.core.result import result_document
from logger.core.snapshot import TRACE_COLUMNS, Phase
from logger.core.stage import (
    ALIKE,
    BETWEEN,
    FITS_NONE,
    Seen,
    Told,
    by_output,
    by_rise,
    in_ratio,
    offs,
    on_plates,
    still_possible,
)
from logger.core.stage_results import levels
from simulators.plant import simulate
from simulators.rest import rest_at
from simulators.scenario import Scenario
from simulators.scenarios import find
from simulators.unit import Timeline
from tests.core.jobs import FACTS, feed, make_job, make_reading, play
from tests.core.stories import Story
from tests.core.test_kinds_cooling import cooling_job, story
from tests.core.test_variations import ALL, FULL_W, STANDARD, UNIT, job_of, readings_of

BTU_H_W = 1055.056 / 3600.0  # NIST SP 811
CFM_M3_S = 0.3048**3 / 60.0
LOW, LOW_FLOW = 0.70, 0.85  # of full fire, of its airflow
UP = ((420.0, 1620.0, 0), (1620.0, 3420.0, 1))  # 20 min of the low stage, 30 of the high one


def fired(*burner: tuple[float, float, int], low_flow: float = 1.0, strength: float = 1.0) -> Scenario:
    """Two stages; the fan goes with them, and in the fan phase at the speed of the high one."""
    end_s = burner[-1][1]
    profile: list[tuple[float, float]] = [(0.0, 1.0)]
    for start_s, _, stage in burner:
        share = (low_flow, 1.0)[stage]
        profile += [(start_s, profile[-1][1]), (start_s + 20.0, share)]
    plant = replace(
        UNIT,
        stage_input_w=(LOW * FULL_W * strength, FULL_W * strength),
        fan_profile=tuple(profile) if low_flow != 1.0 else (),
    )
    timeline = Timeline(duration_s=end_s + 480.0, fan=((60.0, end_s + 360.0),), burner=burner)
    return replace(STANDARD, plant=plant, timeline=timeline)


def staged_job(scenario: Scenario, low_flow: float | None = None, **unit: object) -> JobParams:
    """The plate's stages, and the airflow of each where the fan goes with them."""
    plate_w = job_of(scenario, ALL).unit.plate_output_w or 0.0
    job = job_of(scenario, ALL, stages=2, stage_output_w=(LOW * plate_w, plate_w), **unit)
    if low_flow is None:
        return job
    volume = job.airflow.volume_m3_s
    return replace(job, airflow=replace(job.airflow, stage_volume_m3_s=(low_flow * volume, volume)))


def result(job: JobParams, readings: list[Reading]) -> dict[str, Any]:
    return result_document(feed(job, readings).finish(), FACTS)


def truths_w(scenario: Scenario) -> list[float]:
    """Equilibrium output of each stage at its end, by the simulator."""
    run = simulate(scenario.plant, scenario.timeline)
    return [rest_at(run, stage, end_s).output_w for _, end_s, stage in scenario.timeline.burner]


# -- against the simulator ----------------------------------------------------------------------------
@pytest.mark.parametrize("seed", [1, 2, 6])
def test_each_stage_of_the_scenario_two_stage_has_its_truth_within_u95(seed: int) -> None:
    job, readings = play("two-stage", seed)
    rows = result(job, list(readings))["stage_results"]
    assert [row["stage"] for row in rows] == [1, 2]  # both were seen, so their order says which is which
    for row, truth_w in zip(rows, truths_w(find("two-stage")), strict=True):
        assert abs(row["output_w"] - truth_w) < row["output_u95_w"]
        assert row["reason"] is None
    assert rows[0]["ratio"] is None  # nobody said what the low stage gives
    assert rows[1]["ratio"] == pytest.approx(rows[1]["output_w"] / job.unit.plate_output_w)


@pytest.mark.parametrize("seed", [1, 2, 6])
def test_the_fan_goes_with_the_stages_and_each_has_its_truth_within_u95(seed: int) -> None:
    scenario = fired(*UP, low_flow=LOW_FLOW)
    document = result(staged_job(scenario, LOW_FLOW), readings_of(scenario, ALL, seed))
    rows = document["stage_results"]
    assert [row["stage"] for row in rows] == [1, 2]
    for row, truth_w in zip(rows, truths_w(scenario), strict=True):
        assert abs(row["output_w"] - truth_w) < row["output_u95_w"]
        assert row["output_w"] == pytest.approx(truth_w, rel=0.02)
        assert row["ratio"] == pytest.approx(1.0, abs=0.03)
    assert document["verdict"] in ("meets", "undecided")  # full fire against the full plate
    assert document["firing"]["output_w"] == rows[1]["output_w"]
    assert document["firing"]["energy_j"] is None  # the airflow between the stages is not known


def test_full_fire_then_the_low_stage() -> None:
    scenario = fired((420.0, 1920.0, 1), (1920.0, 3420.0, 0), low_flow=LOW_FLOW)
    rows = result(staged_job(scenario, LOW_FLOW), readings_of(scenario, ALL))["stage_results"]
    assert [row["stage"] for row in rows] == [1, 2]
    for row, truth_w in zip(rows, reversed(truths_w(scenario)), strict=True):
        assert abs(row["output_w"] - truth_w) < row["output_u95_w"]


def test_a_weak_unit_shows_both_stages_by_their_order() -> None:
    """12 % too little: full fire alone lies nearer to what is expected of the low stage."""
    scenario = fired(*UP, low_flow=LOW_FLOW, strength=0.88)
    document = result(staged_job(scenario, LOW_FLOW), readings_of(scenario, ALL))
    rows = document["stage_results"]
    assert [row["stage"] for row in rows] == [1, 2]
    for row, truth_w in zip(rows, truths_w(scenario), strict=True):
        assert abs(row["output_w"] - truth_w) < row["output_u95_w"]
    assert document["verdict"] == "below"
    assert not any(line["source"] == "stage not sure" for line in document["budget"])


def test_a_weak_unit_at_one_level_has_the_doubt_of_both_stages_in_its_budget() -> None:
    scenario = fired((420.0, 2220.0, 1), low_flow=LOW_FLOW, strength=0.88)
    document = result(staged_job(scenario, LOW_FLOW), readings_of(scenario, ALL))
    (row,) = document["stage_results"]
    (line,) = [line for line in document["budget"] if line["source"] == "stage not sure"]
    # the other stage's airflow makes 1 / 0.85 of it, less what the fan gives more of then: 365 W per 1000 cfm
    # (recalled) x (0.85 - 0.85^3), 176 W; one-sided, a rectangle (GUM 4.3.7)
    wrong = {1: 1.0 / LOW_FLOW - 1.0, 2: 1.0 - LOW_FLOW}[row["stage"]]
    assert line["u_w"] == pytest.approx((wrong * row["output_w"] - 176.0) / 3.0**0.5, rel=0.03)
    assert abs(row["output_w"] - truths_w(scenario)[0]) < row["output_u95_w"]
    assert document["verdict"] is None  # nothing shows that it was full fire


def test_stages_of_one_rise_are_not_guessed_and_the_live_probe_tells_them() -> None:
    scenario = fired((420.0, 2220.0, 0), (2220.0, 4020.0, 1), low_flow=LOW)  # a live velocity is noisy
    readings = readings_of(scenario, ALL)
    document = result(staged_job(scenario, LOW), readings)
    (row,) = document["stage_results"]
    assert (row["stage"], row["output_w"], row["output_u95_w"], row["ratio"]) == (None,) * 4
    assert "the rise cannot tell the stages" in row["reason"].lower()
    assert (document["verdict"], document["firing"]) == (None, None)
    assert ALIKE in document["reason"]
    (event,) = [event for event in document["events"] if event["code"] == "stage-unknown"]
    assert event["t_s"] < 1900  # while the first level still stands

    job = staged_job(scenario)
    live = AirflowParams(source=AirflowSource.PROBE, probe="duct", area_m2=UNIT.duct_area_m2, u95=0.04)
    rows = result(replace(job, airflow=live), readings)["stage_results"]
    assert [row["stage"] for row in rows] == [1, 2]
    for row, truth_w in zip(rows, truths_w(scenario), strict=True):
        assert abs(row["output_w"] - truth_w) < row["output_u95_w"]


def test_a_forced_full_fire_needs_no_rise_to_tell_it() -> None:
    scenario = fired((420.0, 2220.0, 1), low_flow=LOW)
    job = replace(staged_job(scenario, LOW), visit=VisitParams(full_fire=True))
    document = result(job, readings_of(scenario, ALL))
    (row,) = document["stage_results"]
    assert row["stage"] == 2
    assert abs(row["output_w"] - truths_w(scenario)[0]) < row["output_u95_w"]
    assert document["verdict"] in ("meets", "undecided")


def test_a_burner_that_modulates_has_levels_without_a_stage() -> None:
    plant = replace(UNIT, input_profile=((0.0, 0.5), (1800.0, 0.5), (2100.0, 1.0)))
    timeline = Timeline(duration_s=4200.0, fan=((60.0, 4080.0),), burner=((420.0, 3720.0, 0),))
    scenario = replace(STANDARD, plant=plant, timeline=timeline)
    job = job_of(scenario, ALL, stages=16, modulating=True)
    rows = result(job, readings_of(scenario, ALL))["stage_results"]
    run = simulate(plant, timeline)
    truths = [rest_at(run, 0, end_s).output_w for end_s in (1799.0, 3719.0)]
    assert [row["stage"] for row in rows] == [None, None]
    for row, truth_w in zip(rows, truths, strict=True):
        assert abs(row["output_w"] - truth_w) < row["output_u95_w"]
        assert row["ratio"] == pytest.approx(row["output_w"] / job.unit.plate_output_w)
        assert row["reason"] is None


@pytest.mark.parametrize("name", ["modulating", "variable-fan"])
def test_the_one_level_of_these_scenarios_has_its_truth_within_u95(name: str) -> None:
    job, readings = play(name)
    assert result(job, list(readings))["stage_results"] is None  # one stage, by the config
    told = replace(job, unit=replace(job.unit, stages=16, modulating=True))
    (row,) = result(told, list(readings))["stage_results"]
    assert abs(row["output_w"] - find(name).truth.output_w) < row["output_u95_w"]


def test_stages_of_one_airflow_change_nothing_else() -> None:
    job, readings = play("standard")
    plate_w = job.unit.plate_output_w or 0.0
    told = replace(job, unit=replace(job.unit, stages=2, stage_output_w=(LOW * plate_w, plate_w)))
    one, two = result(job, list(readings)), result(told, list(readings))
    (row,) = two.pop("stage_results")
    assert one.pop("stage_results") is None
    assert one == two
    assert (row["stage"], row["output_w"]) == (2, one["firing"]["output_w"])  # nearest by far, alone


# -- a change of the airflow is no stage --------------------------------------------------------------
SLIP = ((0.0, 1.0), (1800.0, 1.0), (1900.0, 0.86))  # of the air, within the firing; the heat stays


def slipped(stage: int) -> Scenario:
    """One stage throughout, its plate's own output; a belt slips meanwhile."""
    scenario = fired((420.0, 3420.0, stage))
    return replace(scenario, plant=replace(scenario.plant, fan_profile=SLIP))


def without_velocity(job: JobParams, readings: list[Reading]) -> tuple[JobParams, list[Reading]]:
    probes = tuple(probe for probe in job.probes if probe.role is not Role.VELOCITY)
    names = {probe.name for probe in probes}
    return replace(job, probes=probes), [reading for reading in readings if reading.probe in names]


@pytest.mark.parametrize(("stage", "plates"), [(0, True), (1, True), (0, False), (1, False)])
def test_a_belt_that_slips_is_taken_for_no_stage(stage: int, *, plates: bool) -> None:
    """Heat over less air is more rise: 1 / 0.86 of it, and no plate has stages so near to each other."""
    scenario = slipped(stage)
    job, readings = without_velocity(staged_job(scenario), readings_of(scenario, ALL))
    if not plates:
        job = replace(job, unit=replace(job.unit, stage_output_w=()))
    document = result(job, readings)
    low, high = document["stage_results"]
    assert high["output_w"] / low["output_w"] == pytest.approx(1.0 / 0.86, rel=0.02)
    assert (low["stage"], high["stage"]) == (None, None)
    assert document["verdict"] not in ("below", "above")
    assert "airflow" in document["reason"]
    assert "airflow" in low["reason"]
    events = [event for event in document["events"] if event["code"] == "airflow-may-have-changed"]
    assert len(events) == plates


def test_a_burner_that_modulates_is_not_above_its_plate_by_a_belt_that_slips() -> None:
    scenario = slipped(1)
    job, readings = without_velocity(
        job_of(scenario, ALL, stages=16, modulating=True), readings_of(scenario, ALL)
    )
    document = result(job, readings)
    assert len(document["stage_results"]) == 2
    assert (document["verdict"], document["nameplate"]["ratio"] > 1.1) == (None, True)
    assert "change of the airflow" in document["reason"]


def test_stages_without_their_plates_are_told_where_a_velocity_or_the_gas_shows_them() -> None:
    scenario = fired(*UP, strength=0.8)
    job = staged_job(scenario)
    job = replace(job, unit=replace(job.unit, stage_output_w=()))
    readings = readings_of(scenario, ALL)
    document = result(job, readings)
    assert [row["stage"] for row in document["stage_results"]] == [1, 2]
    assert document["verdict"] == "below"
    assert "highest of the levels" in document["reason"]

    blind, readings = without_velocity(job, readings)
    outcome = feed(blind, readings).finish()
    (firing,) = outcome.firings
    assert [level.stage for level in levels(blind, [firing])] == [None, None]
    assert result_document(outcome, FACTS)["verdict"] is None
    for shares, stages in (((LOW, 1.0), [1, 2]), ((1.0, 1.0), [None, None])):  # the meter's, at both levels
        firing.stretches[:] = [
            replace(stretch, gas=burned(share * FULL_W, stretch.combined))
            for stretch, share in zip(firing.stretches, shares, strict=True)
        ]
        assert [level.stage for level in levels(blind, [firing])] == stages


def burned(input_w: float, doubt: Combined) -> GasInput:
    return GasInput(
        input_w=input_w,
        pressure_factor=1.0,
        temperature_factor=1.0,
        lines=(),
        combined=doubt,
        source="counter",
    )


@pytest.mark.parametrize(
    ("outputs_w", "fit"),
    [
        ((70.0, 100.0), (True, True)),
        ((61.6, 88.0), (True, True)),  # 12 % too little of both
        ((56.0, 80.0), (True, False)),  # 20 %: ln(0.8) = -0.223
        ((70.0, 81.4), (False, False)),  # ln(81.4 / 70) = 0.151 in place of 0.357
        ((100.0, 116.3), (False, False)),
        ((70.0, 85.0, 100.0), (False, True)),  # three levels of two stages
    ],
)
def test_levels_fit_their_plates_by_ratio_and_each(
    outputs_w: tuple[float, ...], fit: tuple[bool, bool]
) -> None:
    unit = UnitParams(stages=2, stage_output_w=(70.0, 100.0))
    places = (1, None, 2) if len(outputs_w) == 3 else (1, 2)
    seen = [Seen(place, y_w, 0.05) for place, y_w in zip(places, outputs_w, strict=True)]
    assert (in_ratio(seen, unit), on_plates(seen, unit)) == fit


# -- what is shown meanwhile --------------------------------------------------------------------------
def test_no_output_is_shown_before_its_stage_is_known() -> None:
    scenario = fired((420.0, 1620.0, 0), low_flow=LOW_FLOW)
    core, seen = Pipeline(staged_job(scenario, LOW_FLOW)), set()
    for reading in readings_of(scenario, ALL):
        core.update(reading)
        if reading.seq % 400 == 0:
            shot = core.snapshot(reading.t_ns)
            known = shot.phase is Phase.STEADY and shot.output_is_final
            if shot.phase in (Phase.WARM_UP, Phase.STEADY):
                assert (shot.output_w is not None) is (shot.dry_air_kg_s is not None) is known
            if known:
                assert shot.airflow_from == "stage 1"
                seen.add(round(shot.output_w or 0.0, -3))
    at = TRACE_COLUMNS.index("output_w")
    assert all(row[at] is None for row in core.take_trace())
    assert seen == {round(truths_w(scenario)[0], -3)}


# -- closed form --------------------------------------------------------------------------------------
def standard_air_job(volumes: tuple[float, float], plates: tuple[float, float]) -> JobParams:
    """Dry standard air (1.2014 kg/m3: 21.1 degC at sea level), fan and casing left out."""
    unit = UnitParams(
        plate_output_w=plates[1],
        stages=2,
        stage_output_w=plates,
        fan_heat=FanHeatMode.NONE,
        casing_loss_w=0.0,
    )
    flow = AirflowParams(
        source=AirflowSource.FIXED, volume_m3_s=volumes[1], temperature_c=21.1, humidity=0.0, u95=0.03,
        stage_volume_m3_s=volumes,
    )  # fmt: skip
    probes = tuple(
        ProbeParams(name=name, role=role, u95=0.1, placement_u95=0.01, placement_assumed=False)
        for name, role in (("ret", Role.RETURN), ("sup", Role.SUPPLY))
    )
    return make_job(unit=unit, airflow=flow, probes=probes, humidity=1e-6, pressure_pa=101_325.0)


@pytest.mark.parametrize("stage", [1, 2])
def test_the_shortcut_of_standard_air_gives_each_stage(stage: int) -> None:
    """q = 1.08 cfm dt in Btu/h: 60 min/h x 0.075 lb/ft3 x 0.240 Btu/(lb degF), ASHRAE's standard air."""
    cfm, btu_h = (1500.0, 1850.0)[stage - 1], (73_000.0, 109_000.0)[stage - 1]
    rise_k = btu_h / (1.08 * cfm) / 1.8
    job = standard_air_job((1500.0 * CFM_M3_S, 1850.0 * CFM_M3_S), (73_000.0 * BTU_H_W, 109_000.0 * BTU_H_W))
    rng, rows = np.random.default_rng(4), []
    for t in range(1500):
        now_k = 0.0 if t < 300 else rise_k * (1.0 - np.exp(-(t - 300) / 60.0))
        rows.append(make_reading(len(rows), t + 0.1, "ret", round(21.1 + rng.normal(0.0, 0.03), 3)))
        rows.append(make_reading(len(rows), t + 0.5, "sup", round(21.1 + now_k + rng.normal(0.0, 0.03), 3)))
    (row,) = result(job, rows)["stage_results"]
    assert row["stage"] == stage
    assert row["output_w"] == pytest.approx(btu_h * BTU_H_W, rel=0.005)  # 0.240 is rounded from 0.2403
    assert row["ratio"] == pytest.approx(1.0, abs=0.005)


UNIT_2 = UnitParams(stages=2, stage_output_w=(20_000.0, 30_000.0), derate_factor=0.9)


@pytest.mark.parametrize(
    ("output_w", "u95", "told"),
    [
        (18_000.0, 0.05, Told(1)),  # 0.9 x 20 kW
        (27_000.0, 0.05, Told(2)),
        (24_500.0, 0.05, Told(2)),  # ln(27/24.5) = 0.097, ln(24.5/18) = 0.308
        (22_045.0, 0.05, BETWEEN),  # the geometric mean of both
        (24_500.0, 0.25, BETWEEN),
    ],
)
def test_an_output_is_of_the_nearest_stage_if_that_is_clearly_nearer(
    output_w: float, u95: float, told: Told | str
) -> None:
    assert by_output(offs((output_w, output_w), UNIT_2), u95) == told


@pytest.mark.parametrize(
    ("kind", "asked"),
    [
        (UnitKind.GAS, {"unit.stage_input", "unit.stage_output"}),
        (UnitKind.ELECTRIC, {"unit.stage_input", "unit.stage_output"}),
        (UnitKind.HEAT_PUMP, {"visit.stage_forced"}),
        (UnitKind.COOLING, {"visit.stage_forced"}),
    ],
)
def test_without_plates_an_output_has_no_stage_and_asks_for_keys_that_the_kind_has(
    kind: UnitKind, asked: set[str]
) -> None:
    """The config takes stage_input and stage_output of gas and electric heat alone."""
    job, readings = make_job(), Story().readings()
    if kind.cools:
        job, readings = cooling_job(), list(story((26.7, 51.0), (14.0, 92.0)))
    job = replace(job, unit=replace(job.unit, kind=kind, stages=2, stage_output_w=()))
    (row,) = result(job, readings)["stage_results"]
    assert row["stage"] is None
    assert row["output_w"] is not None
    assert set(re.findall(r"(?:unit|visit)\.\w+", row["reason"])) == asked


@pytest.mark.parametrize(
    ("off", "u95", "possible", "told"),
    [
        ((0.0, -0.2), 0.05, [1, 2], Told(1)),
        ((0.2, 0.0), 0.05, [1, 2], Told(2)),
        ((0.05, -0.15), 0.05, [1, 2], Told(1, near=2)),  # the other one, were it 15 % off its plate
        ((0.05, -0.05), 0.06, [1, 2], ALIKE),  # 0.10 apart, 0.12 needed
        ((-0.3, -0.6), 0.05, [1, 2], FITS_NONE),
        ((0.05, -0.15), 0.05, [2], Told(2)),  # the first had another rise in this firing
        ((0.0, -0.2, -0.05), 0.05, [1, 2, 3], ALIKE),  # the third is alike, if not the second
    ],
)
def test_a_rise_is_of_the_nearest_stage_if_they_can_be_told(
    off: tuple[float, ...], u95: float, possible: list[int], told: Told | str
) -> None:
    assert by_rise(off, u95, possible) == told


def test_another_level_of_a_firing_is_another_stage() -> None:
    off = (0.1, -0.1, -0.3)  # the rise expected of stage 3 is the highest
    assert still_possible(off, log(1.25), 1, STAGE_CHANGE) == [2, 3]
    assert still_possible(off, -log(1.25), 3, STAGE_CHANGE) == [1, 2]
    assert still_possible(off, log(1.05), 1, STAGE_CHANGE) == [1, 2, 3]
    assert still_possible(off, -log(1.25), 1, STAGE_CHANGE) == [1, 2, 3]  # there is no lower one: no guess


@given(
    st.lists(st.floats(1e3, 1e6), min_size=1, max_size=16, unique=True).map(sorted),
    st.data(),
    st.floats(0.0, 0.3),
)
def test_an_output_at_a_plate_is_never_another_stage(
    plates: list[float], data: st.DataObject, u95: float
) -> None:
    stage = data.draw(st.integers(0, len(plates) - 1))
    unit = UnitParams(stages=len(plates), stage_output_w=tuple(plates))
    told = by_output(offs([plates[stage]] * len(plates), unit), u95)
    assert told in (Told(stage + 1), BETWEEN)


def test_a_lower_stage_after_full_fire_burns_on_until_the_fan_stops() -> None:
    """Fan and burner go off at once: the heat did not end where the high stage did."""
    scenario = fired((420.0, 1920.0, 1), (1920.0, 3420.0, 0))
    scenario = replace(scenario, timeline=replace(scenario.timeline, fan=((60.0, 3420.0),)))
    (firing,) = feed(staged_job(scenario), readings_of(scenario, ALL)).finish().firings
    assert firing.fall_s is None or firing.fall_s > 3400
    assert firing.end_s == pytest.approx(3420.0, abs=60.0)
