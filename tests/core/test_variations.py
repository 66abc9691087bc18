"""The core on the simulator's plant under odd circumstances: stages, still air, few and bad probes.

Truth is the simulator's own (see ``test_scenarios``); here the plant, the timeline or the probes
are varied beyond the named scenarios.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from logger.config.load import loads_config
from logger.core.air import volume_m3_kg
from logger.core.ledger import COLUMN, Ledger, means
from logger.core.params import (
    AirflowParams,
    AirflowSource,
    Burner,
    FanDrive,
    FanHeatMode,
    JobParams,
    OutdoorAir,
    Plane,
    ProbeParams,
    Role,
)
from logger.core.pipeline import Pipeline
from logger.core.readings import Flag, Quantity, Reading
from logger.core.result import result_document
from logger.core.snapshot import Phase
from simulators.driver import SimDriver
from simulators.plant import simulate
from simulators.probes import speak
from simulators.scenario import Scenario
from simulators.scenarios import find
from simulators.unit import Timeline
from tests.core.jobs import FACTS, feed, feed_live, make_job, make_reading
from tests.shell.stand_ins import block_of

STANDARD = find("standard")
UNIT = STANDARD.plant
FULL_W = UNIT.stage_input_w[0]
TWO = ("ret", "sup")
ALL = ("ret", "sup", "duct", "baro")
SIGNAL = {"ret": "return", "sup": "supply", "duct": "velocity", "baro": "pressure"}


def readings_of(scenario: Scenario, names: Sequence[str], seed: int = 1) -> list[Reading]:
    """What the scenario's probes say, in order of time."""
    run = simulate(scenario.plant, scenario.timeline)
    rows = []
    for order, name in enumerate(names):
        spoken = speak(scenario.probes[SIGNAL[name]], name, seed, run.t_s, run.signals(SIGNAL[name]))
        rows += [
            (t, order, name, q, v) for t, q, v in zip(spoken.t_ns, spoken.quantity, spoken.value, strict=True)
        ]
    rows.sort(key=lambda row: row[:2])
    zero = rows[0][0]
    return [
        Reading(n, int(t - zero) // 1000 * 1000, name, q, float(v), Flag.OK, int(t) // 1000, int(t - zero))
        for n, (t, _, name, q, v) in enumerate(rows)
    ]


def job_of(scenario: Scenario, names: Sequence[str], **unit: object) -> JobParams:
    """The scenario's job with some of its probes."""
    job = loads_config(scenario.config_text, "test.toml", {"sim": SimDriver.Options}).job
    probes = tuple(p for p in job.probes if p.name in names)
    return replace(job, probes=probes, unit=replace(job.unit, **unit))


def outcome_of(job: JobParams, readings: Sequence[Reading]) -> tuple[dict[str, Any], Pipeline]:
    core = feed(job, readings)
    return result_document(core.finish(), FACTS), core


def codes(document: dict[str, Any]) -> set[str]:
    return {event["code"] for event in document["events"]}


def two_stage(tau_s: float, *burner: tuple[float, float, int]) -> Scenario:
    """60 % and full fire; fan from 60 s to six minutes after the burner."""
    end_s = burner[-1][1]
    plant = replace(UNIT, stage_input_w=(0.6 * FULL_W, FULL_W), time_constant_s=tau_s)
    timeline = Timeline(duration_s=end_s + 480.0, fan=((60.0, end_s + 360.0),), burner=burner)
    return replace(STANDARD, plant=plant, timeline=timeline)


@pytest.mark.parametrize("names", [TWO, ALL], ids=["two probes", "four probes"])
@pytest.mark.parametrize("tau_s", [60.0, 120.0, 200.0])
def test_full_fire_after_a_lower_stage_is_found(tau_s: float, names: Sequence[str]) -> None:
    scenario = two_stage(tau_s, (420.0, 1020.0, 0), (1020.0, 2820.0, 1))
    document, _ = outcome_of(job_of(scenario, names), readings_of(scenario, names))
    assert document["firing"]["output_w"] == pytest.approx(scenario.truth.output_w, rel=0.012)
    assert len(document["cycles"]) == 1


@pytest.mark.parametrize("stages", [1, 2])
@pytest.mark.parametrize("tau_s", [60.0, 200.0])
def test_a_lower_stage_is_never_held_against_the_full_plate(tau_s: float, stages: int) -> None:
    """Full fire 20 min, then 60 % for 30 min: full fire wins, or there is no verdict."""
    scenario = two_stage(tau_s, (420.0, 1620.0, 1), (1620.0, 3420.0, 0))
    document, _ = outcome_of(job_of(scenario, ALL, stages=stages), readings_of(scenario, ALL))
    assert document["verdict"] in ("meets", "undecided", None)
    if document["verdict"] is None:
        assert "10 %" in document["reason"]
    else:
        assert document["firing"]["output_w"] == pytest.approx(scenario.truth.output_w / 0.6, rel=0.012)


def test_two_probes_are_enough_when_the_fan_is_seen_to_start() -> None:
    cold = replace(STANDARD, plant=replace(UNIT, outdoor_c=5.0))
    # 5 % is just beyond what two probes and a pressure by altitude can decide
    document, _ = outcome_of(job_of(cold, TWO, tolerance=0.06), readings_of(cold, TWO))
    assert document["verdict"] == "meets"
    assert document["firing"]["output_w"] == pytest.approx(cold.truth.output_w, rel=0.01)


@pytest.mark.parametrize("outdoor_c", [-30.0, 5.0, 30.0, 38.0])
def test_a_duct_in_still_air_is_no_fan_phase(outdoor_c: float) -> None:
    """Idle 12 min, burner, fan half a minute later: without a velocity nobody knows the fan heat."""
    timeline = Timeline(duration_s=3000.0, fan=((730.0, 2860.0),), burner=((700.0, 2500.0, 0),))
    scenario = replace(STANDARD, plant=replace(UNIT, outdoor_c=outdoor_c), timeline=timeline)
    document, _ = outcome_of(job_of(scenario, TWO), readings_of(scenario, TWO))
    (event,) = [event for event in document["events"] if event["code"] == "fan-heat-unknown"]
    assert "assumed" in event["text"]
    assert abs(document["firing"]["output_w"] - scenario.truth.output_w) < document["firing"]["output_u95_w"]


@pytest.mark.parametrize("outdoor_c", [-10.0, 5.0, 35.0, 38.0])
def test_a_fan_that_stopped_long_ago_is_no_fan_phase(outdoor_c: float) -> None:
    timeline = Timeline(
        duration_s=4300.0, fan=((60.0, 420.0), (2050.0, 4180.0)), burner=((2020.0, 3820.0, 0),)
    )
    scenario = replace(STANDARD, plant=replace(UNIT, outdoor_c=outdoor_c), timeline=timeline)
    document, _ = outcome_of(job_of(scenario, TWO), readings_of(scenario, TWO))
    firing = document["firing"]
    assert "fan-heat-unknown" in codes(document)
    assert firing["air_heat_w"] + firing["casing_loss_w"] == pytest.approx(scenario.truth.output_w, rel=0.013)
    assert abs(firing["output_w"] - scenario.truth.output_w) < firing["output_u95_w"]
    assert document["verdict"] in ("meets", "undecided")


def test_a_hot_duct_that_never_fired_gets_no_verdict() -> None:
    readings = []
    for t in range(1500):
        readings.append(make_reading(len(readings), t + 0.1, "ret", 21.0 + 0.05 * (t % 3)))
        readings.append(make_reading(len(readings), t + 0.6, "sup", 34.0 + 0.05 * (t % 5)))
    document, _ = outcome_of(make_job(), readings)
    assert document["verdict"] is None
    assert "beginning was not seen" in document["reason"]


@pytest.mark.parametrize("tau_s", [450.0, 600.0])
def test_a_very_slow_plant_is_seen(tau_s: float) -> None:
    end_s = 420.0 + 8 * tau_s
    timeline = Timeline(duration_s=end_s + 900, fan=((60.0, end_s + 800),), burner=((420.0, end_s, 0),))
    scenario = replace(STANDARD, plant=replace(UNIT, time_constant_s=tau_s), timeline=timeline)
    document, _ = outcome_of(job_of(scenario, ALL), readings_of(scenario, ALL))
    assert [cycle["steady"] for cycle in document["cycles"]] == [True]
    assert document["firing"]["output_w"] == pytest.approx(scenario.truth.output_w, rel=0.015)


def test_a_burner_that_ramps_up_is_seen() -> None:
    ramp = ((420.0, 0.1), (1020.0, 1.0), (9999.0, 1.0))
    timeline = Timeline(duration_s=3900.0, fan=((60.0, 3780.0),), burner=((420.0, 3420.0, 0),))
    scenario = replace(STANDARD, plant=replace(UNIT, input_profile=ramp), timeline=timeline)
    document, _ = outcome_of(job_of(scenario, ALL), readings_of(scenario, ALL))
    assert document["firing"]["output_w"] == pytest.approx(scenario.truth.output_w, rel=0.012)


def with_supply(readings: Sequence[Reading], at_s: float, add_k: float) -> list[Reading]:
    """One wild supply reading."""
    wild = next(
        n
        for n, r in enumerate(readings)
        if r.probe == "sup" and r.quantity is Quantity.TEMPERATURE and r.t_ns >= at_s * 1e9
    )
    changed = list(readings)
    changed[wild] = changed[wild]._replace(value=changed[wild].value + add_k)
    return changed


@pytest.mark.parametrize("at_s", [300.0, 600.0, 1500.0])
def test_one_wild_reading_makes_no_firing_and_ends_none(at_s: float) -> None:
    job, readings = job_of(STANDARD, ALL), readings_of(STANDARD, ALL)
    document, _ = outcome_of(job, with_supply(readings, at_s, 40.0))
    assert len(document["cycles"]) == 1
    assert document["firing"]["output_w"] == pytest.approx(STANDARD.truth.output_w, rel=0.012)
    assert document["firing"]["steady_end_s"] > 2200


def settled_at_s() -> float:
    document, _ = outcome_of(job_of(STANDARD, ALL), readings_of(STANDARD, ALL))
    return next(float(e["t_s"]) for e in document["events"] if e["code"] == "steady")


@pytest.mark.parametrize("offset_s", [-2.0, -1.0, 0.0, 1.0])
@pytest.mark.parametrize("pause_s", [1.0, 4.0])
def test_a_velocity_that_skips_a_beat_loses_no_firing(offset_s: float, pause_s: float) -> None:
    start_s = settled_at_s() + offset_s
    readings = [
        r._replace(value=0.0) if r.probe == "duct" and 0 <= r.t_ns / 1e9 - start_s < pause_s else r
        for r in readings_of(STANDARD, ALL)
    ]
    document, _ = outcome_of(job_of(STANDARD, ALL), readings)
    assert [cycle["steady"] for cycle in document["cycles"]] == [True]


def test_detector_and_phase_agree_after_every_tick() -> None:
    core = Pipeline(job_of(STANDARD, ALL))
    for reading in with_supply(readings_of(STANDARD, ALL), 1500.0, 30.0):
        core.update(reading)
        assert core.detector.steady is (core.cycles.phase is Phase.STEADY)


def live_flow_job() -> JobParams:
    job = job_of(STANDARD, ALL)
    volume_m3_s = job.airflow.volume_m3_s
    speeds = [
        r.value
        for r in readings_of(STANDARD, ("duct",))
        if r.quantity is Quantity.VELOCITY and 500 < r.t_ns / 1e9 < 2000
    ]
    flow = AirflowParams(
        source=AirflowSource.PROBE,
        probe="duct",
        area_m2=1.0,
        factor=volume_m3_s / float(np.mean(speeds)),
        u95=0.02,
    )
    return replace(job, airflow=flow)


def test_a_live_velocity_gives_a_result_for_all_its_noise() -> None:
    document, _ = outcome_of(live_flow_job(), readings_of(STANDARD, ALL))
    assert document["firing"]["output_w"] == pytest.approx(STANDARD.truth.output_w, rel=0.03)
    assert "velocity probe" in {line["source"] for line in document["budget"]}


def test_only_the_airflow_probe_counts_for_a_live_airflow() -> None:
    job = live_flow_job()
    job = replace(job, probes=(*job.probes, ProbeParams(name="other", role=Role.VELOCITY, u95=0.05)))
    readings = []
    for r in readings_of(STANDARD, ALL):
        readings.append(r)
        if r.probe == "duct" and r.quantity is Quantity.VELOCITY:
            readings.append(r._replace(probe="other", value=2.0 * r.value))
    assert outcome_of(job, readings)[0]["firing"] == outcome_of(live_flow_job(), readings)[0]["firing"]


def test_air_that_runs_backwards_gives_no_output() -> None:
    readings = [
        r._replace(value=-r.value) if r.quantity is Quantity.VELOCITY else r
        for r in readings_of(STANDARD, ALL)
    ]
    document, _ = outcome_of(live_flow_job(), readings)
    assert document["firing"] is None
    assert "reverse-flow" in codes(document)


def test_a_pressure_probe_replaces_the_altitude_in_number_and_budget() -> None:
    job = replace(job_of(STANDARD, ALL), pressure_u_pa=3000.0, pressure_assumed=True)
    document, _ = outcome_of(job, readings_of(STANDARD, ALL))
    line = next(line for line in document["budget"] if line["source"] == "pressure")
    assert line["u_w"] < 0.002 * document["firing"]["output_w"]
    probe = job.probes_of(Role.PRESSURE)[0]
    expected = probe.u95 / 2.0 / document["firing"]["pressure_pa"]
    net_w = document["firing"]["air_heat_w"] - document["firing"]["fan_heat_w"]
    assert line["u_w"] == pytest.approx(expected * net_w, rel=1e-6)
    wrong = replace(job, pressure_pa=101_325.0, unit=replace(job.unit, fan_drive=FanDrive.PROGRAMMED_FLOW))
    held, _ = outcome_of(wrong, readings_of(STANDARD, ALL))
    assert held["firing"]["dry_air_kg_s"] == pytest.approx(STANDARD.truth.dry_air_kg_s, rel=0.01)


@pytest.mark.parametrize("wrong_k", [-15.0, -8.0, 8.0])
def test_a_traverse_in_hot_supply_air_does_not_hang_on_the_first_reading(wrong_k: float) -> None:
    """The return duct is off by some kelvin until the fan runs."""
    truth = STANDARD.truth
    volume = truth.dry_air_kg_s * float(volume_m3_kg(truth.supply_c, UNIT.humidity_ratio, UNIT.pressure_pa))
    flow = AirflowParams(
        source=AirflowSource.FIXED,
        at=Plane.SUPPLY,
        burner=Burner.ON,
        volume_m3_s=volume,
        temperature_c=truth.supply_c,
        humidity=0.1,
    )
    job = replace(job_of(STANDARD, TWO), airflow=flow)
    readings = [
        r._replace(value=r.value + wrong_k)
        if r.probe == "ret" and r.quantity is Quantity.TEMPERATURE and r.t_ns < 55e9
        else r
        for r in readings_of(STANDARD, TWO)
    ]
    document, _ = outcome_of(job, readings)
    assert document["firing"]["output_w"] == pytest.approx(truth.output_w, rel=0.015)


def outdoor_result(u95: float) -> dict[str, Any]:
    unit = replace(
        make_job().unit,
        outdoor_air=OutdoorAir.FRACTION,
        outdoor_fraction=0.2,
        outdoor_fraction_u95=u95,
        fan_heat=FanHeatMode.GIVEN,
        fan_heat_w=400.0,
    )
    job = make_job(
        unit=unit, probes=(*make_job().probes, ProbeParams(name="out", role=Role.OUTDOOR, u95=0.5))
    )
    readings = []
    for t in range(1200):
        rise_k = 27.0 * (1 - np.exp(-t / 60.0))
        for probe, value in (("ret", 21.0), ("out", 1.0), ("sup", 17.0 + rise_k + 0.02 * (t % 3))):
            readings.append(make_reading(len(readings), t + 0.2, probe, float(value)))
    return outcome_of(job, readings)[0]


def test_the_stated_share_of_outdoor_air_stands_in_the_budget() -> None:
    """d output = u_x m (h_return - h_outdoor): 2.5 % of 1.1 kg/s x 1.01 kJ/kg K x 20 K, about 560 W."""
    documents = {u95: outdoor_result(u95) for u95 in (0.05, 0.10)}
    lines = {
        u95: next(line["u_w"] for line in d["budget"] if line["source"] == "outdoor air")
        for u95, d in documents.items()
    }
    assert lines[0.05] == pytest.approx(0.025 * 1.1 * 1_016.0 * 20.0, rel=0.05)
    assert lines[0.10] == pytest.approx(2.0 * lines[0.05], rel=1e-9)


def firing_of(supply_c: Callable[[float], float], entering_c: float = 20.0, **unit: object) -> dict[str, Any]:
    readings = []
    for t in range(900):
        readings.append(make_reading(len(readings), t + 0.1, "ret", entering_c + 0.02 * (t % 3)))
        readings.append(make_reading(len(readings), t + 0.6, "sup", supply_c(t)))
    return outcome_of(make_job(unit=replace(make_job().unit, **unit)), readings)[0]


def test_the_plate_limits_are_told_at_once() -> None:
    def supply_c(t: float) -> float:
        return 20.0 + 52.0 * (1 - float(np.exp(-t / 60.0)))

    told = firing_of(supply_c, max_supply_c=70.0, rise_window_k=(19.0, 40.0))
    at_s = {event["code"]: event["t_s"] for event in told["events"]}
    assert at_s["rise-above-window"] < 60 * np.log(52 / 12) + 20  # closed form: 40 K is reached then
    assert at_s["supply-above-maximum"] < 60 * np.log(52 / 2) + 20
    assert "entering-below-minimum" not in at_s
    kept = firing_of(supply_c, max_supply_c=75.0, rise_window_k=(19.0, 55.0))
    assert not {"rise-above-window", "supply-above-maximum"} & codes(kept)


def test_entering_air_below_the_plates_minimum_is_told() -> None:
    document = firing_of(
        lambda t: 35.0 - 25.0 * float(np.exp(-t / 60.0)), entering_c=8.0, min_entering_c=10.0
    )
    assert "entering-below-minimum" in codes(document)


@pytest.mark.parametrize("names", [("ret",), ("sup",), ("baro",)])
def test_a_probe_that_never_speaks_is_named(names: Sequence[str]) -> None:
    document, _ = outcome_of(job_of(STANDARD, ALL), readings_of(STANDARD, names))
    silent = {e["probe"] for e in document["events"] if e["code"] == "probe-silent"}
    missing = {"ret", "sup"} - set(names)
    assert missing <= silent
    assert all(name in document["reason"] for name in missing)


def test_a_probe_that_reports_seldom_is_told_once_not_for_ever() -> None:
    slow = replace(
        STANDARD, probes={**STANDARD.probes, "supply": replace(STANDARD.probes["supply"], interval_s=10.0)}
    )
    document, _ = outcome_of(job_of(slow, ALL), readings_of(slow, ALL))
    assert len([e for e in document["events"] if e["probe"] == "sup"]) < 15
    assert "probe-slow" in codes(document)


def test_a_humidity_that_falls_silent_is_held_and_said() -> None:
    readings = [
        r
        for r in readings_of(STANDARD, ALL)
        if not (r.probe == "ret" and r.quantity is Quantity.HUMIDITY and r.t_ns > 600e9)
    ]
    document, _ = outcome_of(job_of(STANDARD, ALL), readings)
    assert "humidity-held" in codes(document)
    assert document["firing"]["output_w"] == pytest.approx(STANDARD.truth.output_w, rel=0.01)


def test_a_room_as_hot_as_a_sensor_fault_does_not_stop_the_core() -> None:
    readings = [
        r._replace(value=150.0)
        if r.probe == "ret" and r.quantity is Quantity.TEMPERATURE and n % 50 == 0
        else r
        for n, r in enumerate(readings_of(STANDARD, ALL))
    ]
    outcome_of(job_of(STANDARD, ALL), readings)


def test_rows_of_a_large_unit_stay_exact_over_hours() -> None:
    """650 kW for four hours: 9.4e9 J, far beyond what fixed point in 64 bits would hold at once."""
    ledger = Ledger(15_000)
    ledger.clear(1)
    row = [1.0] * len(COLUMN)
    row[COLUMN.output_w] = 650_000.0
    for _ in range(14_400):
        ledger.post(tuple(row))
    mean = means(ledger.at(1), ledger.at(14_401))
    assert mean is not None
    assert mean[COLUMN.output_w] == 650_000.0


def test_a_table_that_starts_late_makes_no_empty_hours() -> None:
    late = [make_reading(n, 3e6 + n, "ret", 20.0) for n in range(20)]
    single = feed_live(make_job(), late)
    block = Pipeline(make_job())
    block.update_block(block_of(late))
    rows = single.take_trace()
    assert len(rows) < 25
    assert block.take_trace() == rows
    assert block.update_block(block_of([])) == ()


def test_a_minute_probe_and_a_short_fan_phase_do_not_stop_the_core() -> None:
    job = replace(make_job(), cycles=replace(make_job().cycles, min_fan_phase_s=30.0))
    readings = []
    for t in range(0, 7200, 60):
        into = t % 3600
        supply_c = -2.0 if into < 300 else 20.4 if into < 1200 else 47.0
        readings.append(make_reading(len(readings), t, "ret", 20.0))
        readings.append(make_reading(len(readings), t + 1, "sup", supply_c + 0.1 * (t % 7)))
    outcome_of(job, readings)


def test_a_wild_reading_stays_out_of_the_stretch_that_it_ends() -> None:
    """70 K once in 170 s would be 0.4 K, 1.5 % of the rise."""
    job, readings = job_of(STANDARD, ALL), readings_of(STANDARD, ALL)
    at_s = settled_at_s() + 52.0
    document, core = outcome_of(job, with_supply(readings, at_s, 70.0))
    firing = core.book.done[0]
    assert firing.stretches[0].end_s <= at_s + 2.0
    for stretch in firing.stretches:
        assert stretch.means.output_w == pytest.approx(STANDARD.truth.output_w, rel=0.012)
    assert "stage-suspected" not in codes(document)


def test_a_pressure_probe_far_off_the_altitude_is_not_believed() -> None:
    readings = [
        r._replace(value=85_000.0) if r.quantity is Quantity.PRESSURE else r
        for r in readings_of(STANDARD, ALL)
    ]
    document, _ = outcome_of(job_of(STANDARD, ALL), readings)
    assert "pressure-implausible" in codes(document)
    assert document["firing"]["output_w"] == pytest.approx(STANDARD.truth.output_w, rel=0.01)


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("limit-cycling", "a limit seems to trip"),
        ("frozen-supply", "probe sup repeated one value"),
        ("short-firing", "the longest 16"),
    ],
)
def test_the_reason_never_asks_for_more_heat_against_a_warning(name: str, part: str) -> None:
    scenario = find(name)
    document, _ = outcome_of(job_of(scenario, ALL), readings_of(scenario, ALL))
    assert part in document["reason"]
    assert ("fire longer" in document["reason"]) is (name == "short-firing")


@pytest.mark.parametrize(("share", "told"), [(1.0, False), (0.8, True)])
def test_a_live_airflow_is_held_against_the_traverse_once_the_fan_has_run_up(
    share: float, *, told: bool
) -> None:
    """The same flow is never told, from the fan's first turn; a fifth less is."""
    job = live_flow_job()
    reference = replace(job_of(STANDARD, ALL).airflow, u95=0.05)
    flow = replace(job.airflow, factor=share * job.airflow.factor, reference=reference)
    document, _ = outcome_of(replace(job, airflow=flow), readings_of(STANDARD, ALL))
    assert ("airflow-off-traverse" in codes(document)) is told
