"""Cooling coils end to end through the core: total, sensible and latent capacity, and their uncertainty.

Outside checks: CoolProp HumidAir (real gas), closed forms, the simulator's truth; printed examples are in
``test_published_air``. The tolerance was fixed before anything was computed: 0.5 % against a real gas.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, sqrt
from typing import Any

import numpy as np
import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from logger.core.coil_lines import zero_u_w
from logger.core.firing import expected
from logger.core.params import (
    AirflowParams,
    AirflowSource,
    FanPosition,
    JobParams,
    OutputAt,
    Plane,
    ProbeParams,
    Role,
    SteadyParams,
    UnitKind,
    UnitParams,
)
from logger.core.pipeline import Pipeline
from logger.core.readings import Quantity, Reading
from logger.core.result import result_document
from simulators.scenarios import find
from tests.core.jobs import FACTS, feed, feed_live, make_job, make_reading, play
from tests.core.test_kinds import GAS_WORDS, SEA_LEVEL_PA, enthalpy_j_kg, moisture
from tests.shell.stand_ins import block_of

MASS_KG_S = 1.1  # of ``make_job``
FAN_S, COOL_S, OFF_S, END_S, TAU_S = 60, 480, 2_400, 2_700, 60.0
FAN_K = 0.4
REAL_GAS = 0.005
ENTERING = (26.7, 51.0)  # degC and %, near the usual rating condition (80 °F, 67 °F wet bulb; recalled)
UNIT = UnitParams(kind=UnitKind.COOLING, plate_output_w=20_000.0)


def cooling_job(**changes: Any) -> JobParams:
    base: dict[str, Any] = {"unit": UNIT, "steady": SteadyParams(spread=0.03), "pressure_pa": SEA_LEVEL_PA}
    return make_job(**{**base, **changes})


def story(
    front: tuple[float, float],
    back: tuple[float, float],
    *,
    silent: tuple[str, ...] = (),
    humidity_until_s: int = END_S,
) -> list[Reading]:
    """Entering air and, from 480 s on, supply air: degC and %; ``silent`` probes say no humidity."""
    rng = np.random.default_rng(7)
    rows: list[Reading] = []

    def say(t_s: float, probe: str, value: float, quantity: Quantity) -> None:
        rows.append(make_reading(len(rows), t_s, probe, value)._replace(quantity=quantity))

    for t in range(END_S):
        gone = 1.0 - exp(-max(min(t, OFF_S) - COOL_S, 0) / TAU_S)
        gone *= exp(-max(t - OFF_S, 0) / TAU_S)
        supply_c = front[0] + FAN_K + (back[0] - front[0] - FAN_K) * gone
        damp = front[1] + (back[1] - front[1]) * gone
        for name, c, pct in (("ret", *front), ("sup", supply_c if t > FAN_S else front[0] - 2.0, damp)):
            say(t + (0.1 if name == "ret" else 0.5), name, c + rng.normal(0.0, 0.03), Quantity.TEMPERATURE)
            if name not in silent and t < humidity_until_s:
                say(t + (0.2 if name == "ret" else 0.6), name, pct, Quantity.HUMIDITY)
    return rows


def document_of_block(job: JobParams, readings: list[Reading]) -> dict[str, Any]:
    core = Pipeline(job)
    core.update_block(block_of(readings))
    return result_document(core.finish(), FACTS)


def document_of(job: JobParams, readings: list[Reading]) -> dict[str, Any]:
    return result_document(feed(job, readings).finish(), FACTS)


@pytest.mark.parametrize(
    ("front", "back"),
    [((26.7, 51.0), (14.0, 92.0)), ((32.0, 60.0), (18.0, 96.0)), ((24.0, 55.0), (12.0, 90.0))],
)
def test_capacities_against_a_real_gas(front: tuple[float, float], back: tuple[float, float]) -> None:
    # Source: CoolProp HumidAir
    firing = document_of(cooling_job(), story(front, back))["firing"]
    w1, w2 = moisture(front[0], front[1] / 100.0), moisture(back[0], back[1] / 100.0)
    total_w = MASS_KG_S * (enthalpy_j_kg(front[0], w1) - enthalpy_j_kg(back[0], w2))
    sensible_w = MASS_KG_S * (enthalpy_j_kg(front[0], w2) - enthalpy_j_kg(back[0], w2))
    assert firing["output_w"] == pytest.approx(total_w, rel=REAL_GAS)
    assert firing["air_heat_w"] == pytest.approx(-total_w, rel=REAL_GAS)
    assert firing["sensible_w"] == pytest.approx(sensible_w, rel=REAL_GAS)
    assert firing["latent_w"] == pytest.approx(total_w - sensible_w, rel=3 * REAL_GAS)  # a difference
    assert firing["sensible_heat_ratio"] == pytest.approx(sensible_w / total_w, rel=REAL_GAS)
    assert firing["condensate_kg_s"] == pytest.approx(MASS_KG_S * (w1 - w2), rel=2 * REAL_GAS)
    assert firing["rise_k"] == pytest.approx(back[0] - front[0], abs=0.1)
    assert firing["shortcut_w"] > 0.0
    assert (firing["fan_heat_w"], firing["casing_loss_w"], firing["defrosts"]) == (None, None, None)


def test_a_dry_coil_is_sensible_alone() -> None:
    """Closed form: no water moves, so the total is m (1006 + 1860 W) dT. ASHRAE ch. 1 eq. (30)."""
    w = moisture(26.0, 0.30)
    back_pct = 100.0 * float(HAPropsSI("R", "T", 13.0 + 273.15, "P", SEA_LEVEL_PA, "W", w))
    document = document_of(cooling_job(), story((26.0, 30.0), (13.0, back_pct)))
    firing = document["firing"]
    expected_w = MASS_KG_S * (1_006.0 + 1_860.0 * w) * 13.0
    assert firing["sensible_w"] == pytest.approx(expected_w, rel=REAL_GAS)
    assert firing["output_w"] == pytest.approx(expected_w, rel=2 * REAL_GAS)
    assert firing["sensible_heat_ratio"] == pytest.approx(1.0, abs=0.01)
    assert abs(firing["condensate_kg_s"]) < 1e-4


def test_energy_is_the_output_over_the_time() -> None:
    """First order, closed form: what a step of the output delivers from start to the end of its tail."""
    document = document_of(cooling_job(), story((26.7, 51.0), (14.0, 92.0)))
    firing = document["firing"]
    assert firing["energy_j"] == pytest.approx(firing["output_w"] * (OFF_S - COOL_S), rel=0.05)


@pytest.mark.parametrize("silent", [("sup",), ("ret",), ("ret", "sup")])
def test_without_both_humidities_there_is_sensible_heat_alone(silent: tuple[str, ...]) -> None:
    job, readings = cooling_job(), story((26.7, 51.0), (14.0, 92.0), silent=silent)
    core = feed(job, readings)
    document = result_document(core.finish(), FACTS)
    firing = document["firing"]
    assert firing["output_w"] is firing["output_u95_w"] is firing["latent_w"] is None
    assert firing["sensible_heat_ratio"] is firing["condensate_kg_s"] is firing["energy_j"] is None
    assert document["nameplate"]["ratio"] is document["verdict"] is None
    assert "humidity" in document["reason"]
    assert "sensible-only" in {event["code"] for event in document["events"]}
    w2 = moisture(14.0, 0.92)
    sensible_w = MASS_KG_S * (enthalpy_j_kg(26.7, w2) - enthalpy_j_kg(14.0, w2))
    assert abs(firing["sensible_w"] - sensible_w) < firing["sensible_u95_w"]
    assert firing["sensible_w"] == pytest.approx(
        sensible_w, rel=0.01
    )  # of its moisture only the heat capacity
    assert all(row[-1] is None for row in core.take_trace())


def behind_coil(share: float) -> tuple[float, float]:
    """degC and %: entering air of which that share passed by a saturated surface at 10.5 degC."""
    entering_w, surface_w = moisture(ENTERING[0], ENTERING[1] / 100.0), moisture(10.5, 1.0)
    temp_c, w = 10.5 + share * (ENTERING[0] - 10.5), surface_w + share * (entering_w - surface_w)
    rh = HAPropsSI("R", "T", temp_c + 273.15, "P", SEA_LEVEL_PA, "W", w)
    return temp_c, 100.0 * float(rh)


@pytest.mark.parametrize("shares", [(0.05, 0.35), (0.35, 0.05)])
def test_uneven_air_behind_a_coil_is_the_mean_of_all_probes(shares: tuple[float, float]) -> None:
    """Moisture is as uneven as the temperature; the order of the probes in the config is none of it."""
    names = ("s1", "s2")
    first, second = (story(ENTERING, behind_coil(share)) for share in shares)
    rows = [r for r in first if r.probe == "ret"]
    for name, one in zip(names, (first, second), strict=True):
        rows += [r._replace(probe=name) for r in one if r.probe == "sup"]
    rows.sort(key=lambda r: r.t_ns)
    readings = [r._replace(seq=n) for n, r in enumerate(rows)]
    probes = (
        ProbeParams(name="ret", role=Role.RETURN, u95=0.3),
        *(ProbeParams(name=name, role=Role.SUPPLY, u95=0.3) for name in names),
    )
    firing = document_of(cooling_job(probes=probes), readings)["firing"]
    middle_c, middle_pct = behind_coil(sum(shares) / 2.0)  # states of one mixing line have their mean on it
    entering = enthalpy_j_kg(ENTERING[0], moisture(ENTERING[0], ENTERING[1] / 100.0))
    middle = enthalpy_j_kg(middle_c, moisture(middle_c, middle_pct / 100.0))
    assert firing["output_w"] == pytest.approx(MASS_KG_S * (entering - middle), rel=REAL_GAS)


@pytest.mark.parametrize("off_pct", [-3.0, -1.5, 1.5, 3.0])
def test_an_ordinary_error_of_humidity_is_no_outdoor_air(off_pct: float) -> None:
    """3 % is the usual U95 of such probes (common practice, no source): within it nothing is implausible."""
    job, readings = play("cooling-wet-perfect", 1)
    rows = [
        r._replace(value=r.value + off_pct) if (r.probe, r.quantity) == ("sup", Quantity.HUMIDITY) else r
        for r in readings
    ]
    codes = {event["code"] for event in document_of_block(job, rows)["events"]}
    assert "fan-heat-measured" in codes
    assert not codes & {"fan-heat-implausible", "outdoor-air-suspected"}


def test_a_probe_that_is_off_in_temperature_is_off_in_moisture_and_no_outdoor_air() -> None:
    """Probes matched to 0.5 %, 0.3 K each; the supply probe 0.5 K cold, within 2.5 sqrt(2) x 0.15 K.

    At fixed relative humidity that is 2.7 kJ/(kg K) of enthalpy and not 1.0 (psychrolib, 26.7 degC, 51 %).
    """
    psychrolib.SetUnitSystem(psychrolib.SI)
    temps = [26.2, 27.2]
    ratios = [psychrolib.GetHumRatioFromRelHum(t, 0.51, SEA_LEVEL_PA) for t in temps]
    low, high = (psychrolib.GetMoistAirEnthalpy(t, w) for t, w in zip(temps, ratios, strict=True))
    job, readings = play("cooling-wet-perfect", 1)
    job = replace(job, probes=tuple(replace(p, humidity_u95=0.5) for p in job.probes))
    found_w = zero_u_w(job, 26.7, ratios[0], SEA_LEVEL_PA, 1.0, 1.0)
    assert found_w == pytest.approx(high - low, rel=0.02)
    cold = [
        r._replace(value=r.value - 0.5) if (r.probe, r.quantity) == ("sup", Quantity.TEMPERATURE) else r
        for r in readings
    ]
    codes = {event["code"] for event in document_of_block(job, cold)["events"]}
    assert "fan-heat-measured" in codes
    assert not codes & {"fan-heat-implausible", "outdoor-air-suspected"}


@pytest.mark.parametrize(
    ("matched", "pct", "u"),  # fractions; two probes of 3 % RH at 95 %, as much again of 0.4 % beyond 90 %
    [
        ((None, None), 51.0, 0.015 * sqrt(2.0)),
        ((None, None), 98.0, sqrt(2.0 * (0.015**2 + 0.016**2))),
        ((0.5, 0.5), 51.0, 0.0025 * sqrt(2.0)),
        ((0.5, 0.5), 98.0, sqrt(2.0 * (0.0025**2 + 0.016**2))),  # made in a room: says little up there
        ((0.5, None), 51.0, 0.015 * sqrt(2.0)),  # matched with nobody
    ],
)
def test_what_two_humidities_may_differ_by_in_the_same_air(
    matched: tuple[float | None, float | None], pct: float, u: float
) -> None:
    """The slope is psychrolib's, over 0.4 % RH at 26.7 degC."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratios = [
        psychrolib.GetHumRatioFromRelHum(26.7, (pct + d) / 100.0, SEA_LEVEL_PA) for d in (-0.2, 0.0, 0.2)
    ]
    low, _, high = (psychrolib.GetMoistAirEnthalpy(26.7, w) for w in ratios)
    named = zip(PROBES, matched, strict=True)
    job = cooling_job(probes=tuple(replace(p, humidity_u95=one) for p, one in named))
    found_w = zero_u_w(job, 26.7, ratios[1], SEA_LEVEL_PA, 1.0, 0.0)
    assert found_w == pytest.approx(u * (high - low) / 0.004, rel=0.01)


def test_humidity_that_falls_silent_gives_no_total() -> None:
    """Before anything was steady with it; what is steady first keeps its total: test_kinds_humidity_lost."""
    document = document_of(cooling_job(), story((26.7, 51.0), (14.0, 92.0), humidity_until_s=560))
    assert document["firing"]["output_w"] is document["verdict"] is None


def test_supply_air_moister_than_the_entering_air_is_told() -> None:
    document = document_of(cooling_job(), story((26.7, 40.0), (16.0, 99.0)))
    assert "humidity-mismatch" in {event["code"] for event in document["events"]}


@pytest.mark.parametrize("fan", list(FanPosition))
def test_the_fans_volume_is_that_of_the_air_at_its_inlet(fan: FanPosition) -> None:
    """A draw-through fan moves dried, cold air. Source: CoolProp HumidAir for its volume."""
    flow = AirflowParams(
        source=AirflowSource.FIXED,
        volume_m3_s=1.0,
        temperature_c=14.0,
        humidity=0.92,
        u95=0.04,
        at=Plane.SUPPLY if fan is FanPosition.DRAW_THROUGH else Plane.RETURN,
    )
    unit = UnitParams(kind=UnitKind.COOLING, plate_output_w=20_000.0, fan=fan)
    front, back = (26.7, 51.0), (14.0, 92.0)
    firing = document_of(cooling_job(unit=unit, airflow=flow), story(front, back))["firing"]
    c, pct = back if fan is FanPosition.DRAW_THROUGH else front
    inlet_c = c - (FAN_K if fan is FanPosition.DRAW_THROUGH else 0.0)
    w = moisture(c, pct / 100.0)
    volume = float(HAPropsSI("Vda", "T", inlet_c + 273.15, "P", SEA_LEVEL_PA, "W", w))
    assert firing["dry_air_kg_s"] == pytest.approx(1.0 / volume, rel=1e-3)


# -- uncertainty: propagation of distributions (JCGM 101), the output equation written once more -----------

TRIALS = 200_000


def saturation(temp_c: Any) -> Any:
    """Pa over water. Magnus form, Alduchov and Eskridge 1996: 610.94 exp(17.625 T / (T + 243.04))."""
    return 610.94 * np.exp(17.625 * temp_c / (temp_c + 243.04))


def state(temp_c: Any, rh: Any, pressure_pa: Any) -> tuple[Any, Any]:
    """Humidity ratio and enthalpy, J per kg of dry air. ASHRAE Fundamentals ch. 1 eqs. (20), (30)."""
    vapour = rh * saturation(temp_c)
    w = 0.621945 * vapour / (pressure_pa - vapour)
    return w, (1.006 * temp_c + w * (2501.0 + 1.86 * temp_c)) * 1000.0


PROBES = tuple(
    ProbeParams(name=name, role=role, u95=0.3, placement_u95=0.02, placement_assumed=False, gain_u95=0.005)
    for name, role in (("ret", Role.RETURN), ("sup", Role.SUPPLY))
)


@pytest.mark.parametrize(
    ("supply_pct", "near_u"),  # 0.2 % RH of u for each 1 % beyond 90 %, as the README says
    [(85.0, 0.0), (92.0, 0.004), (98.0, 0.016)],
)
def test_the_budget_holds_against_propagated_distributions(supply_pct: float, near_u: float) -> None:
    front, back = (26.7, 51.0), (14.0, supply_pct)
    flow = AirflowParams(
        source=AirflowSource.FIXED, volume_m3_s=1.0, temperature_c=26.7, humidity=0.51, u95=0.04
    )
    job = cooling_job(airflow=flow, probes=PROBES)
    document = document_of(job, story(front, back))
    lines = {line["source"]: line["u_w"] for line in document["budget"]}
    rng = np.random.default_rng(11)

    def draw(u: float) -> Any:
        return rng.normal(0.0, u, TRIALS)

    common = draw(0.25)
    e_c = front[0] + common + draw(0.15) + draw(0.0025) * (front[0] - 20.0)
    s_c = back[0] + common + draw(0.15) + draw(0.0025) * (back[0] - 20.0)
    pressure = SEA_LEVEL_PA + draw(1_000.0)
    w1, h1 = state(e_c, front[1] / 100.0 + draw(0.015), pressure)
    _, h2 = state(s_c, back[1] / 100.0 + draw(0.015) + draw(near_u), pressure)
    flowing = 1.0 + draw(0.02) + draw(0.01)
    dry_kg_s = flowing * pressure / (287.042 * (front[0] + 273.15) * (1.0 + 1.607858 * w1))
    trials = dry_kg_s * (h1 - h2) * (1.0 + draw(0.01) + draw(0.01))
    rest = sum(u**2 for name, u in lines.items() if name in {"scatter", "residual drift", "probe lag"})
    stated = sqrt(sum(u**2 for u in lines.values()) - rest)
    # 2 % of u: what is left of the density by the entering temperature, and second order
    assert stated == pytest.approx(float(np.std(trials)), rel=0.02)
    assert document["firing"]["output_w"] == pytest.approx(float(np.mean(trials)), rel=0.01)


def test_matched_humidities_leave_what_they_have_in_common() -> None:
    probes = tuple(
        ProbeParams(name=p.name, role=p.role, u95=0.3, humidity_u95=1.0, placement_u95=0.02) for p in PROBES
    )
    readings = story((26.7, 51.0), (14.0, 92.0))
    plain, matched = (document_of(cooling_job(probes=some), readings) for some in (PROBES, probes))
    lines = {line["source"]: line["u_w"] for line in matched["budget"]}
    assert {"entering humidity", "supply humidity", "humidity in common"} <= set(lines)
    assert matched["firing"]["output_u95_w"] < plain["firing"]["output_u95_w"]
    slopes = [
        state(c, rh + 0.005, SEA_LEVEL_PA)[1] - state(c, rh - 0.005, SEA_LEVEL_PA)[1]
        for c, rh in ((26.7, 0.51), (14.0, 0.92))
    ]
    apart = MASS_KG_S * 100.0 * (slopes[0] - slopes[1])  # W per fraction that both are off by
    assert lines["humidity in common"] == pytest.approx(0.015 * apart, rel=0.02)
    near_w = 0.004 * MASS_KG_S * 100.0 * slopes[1]  # at 92 %; no match takes it out
    assert lines["supply humidity near saturation"] == pytest.approx(near_w, rel=0.02)
    assert "entering humidity near saturation" not in lines
    assert lines["entering humidity"] == pytest.approx(0.005 * MASS_KG_S * 100.0 * slopes[0], rel=0.02)


@pytest.mark.parametrize("name", ["cooling-wet", "cooling-dry", "heat-pump"])
def test_what_a_set_up_can_decide_is_near_what_it_gets(name: str) -> None:
    job, readings = play(name)
    foretold = expected(job)
    assert foretold is not None
    firing = result_document(feed(job, readings).finish(), FACTS)["firing"]
    assert foretold[0] == pytest.approx(firing["output_u95_w"], rel=0.15)


@pytest.mark.parametrize("name", ["cooling-dry", "cooling-wet"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_parts_hold_the_simulators_truth(name: str, seed: int) -> None:
    job, readings = play(name, seed)
    document = result_document(feed(job, readings).finish(), FACTS)
    firing, truth = document["firing"], find(name).truth
    assert abs(firing["sensible_w"] - truth.sensible_w) < firing["sensible_u95_w"]
    assert abs(firing["latent_w"] - truth.latent_w) < firing["output_u95_w"]
    said = document["reason"] + "".join(event["text"] for event in document["events"])
    assert not [word for word in GAS_WORDS if word in said]


def test_a_replay_of_cooling_is_the_live_run_bit_for_bit() -> None:
    job, readings = play("cooling-wet")
    live, replayed = feed_live(job, readings), Pipeline(job)
    for start in range(0, len(readings), 4001):
        replayed.update_block(block_of(readings[start : start + 4001]))
    assert result_document(replayed.finish(), FACTS) == result_document(live.finish(), FACTS)
    assert replayed.take_trace() == live.take_trace()


def test_a_narrow_verdict_of_a_coil_asks_for_the_probes_to_be_exchanged() -> None:
    """Its budget is its humidities': a second visit with the same probes in the same places errs the same."""
    readings = story((26.7, 51.0), (14.0, 92.0))
    firing = document_of_block(cooling_job(), readings)["firing"]
    # 97 % by the normal distribution (table: 1.881 and 1.960 standard deviations)
    plate_w = (firing["output_w"] + firing["output_u95_w"] * 1.881 / 1.960) / 0.95
    unit = replace(UNIT, plate_output_w=plate_w, output_at=OutputAt.VISIT)
    document = document_of_block(cooling_job(unit=unit), readings)
    assert document["verdict"] == "below"
    assert "second time, with the probes of return and supply exchanged, before" in document["reason"]


@pytest.mark.parametrize("probe", ["sup", "ret"])
@pytest.mark.parametrize("pct", [0.0, 0.3, 1.4, 20.0, 50.0])
def test_a_humidity_probe_that_is_stuck_is_named_and_no_verdict_given(probe: str, pct: float) -> None:
    """On the plant's wet coil. Supply air so dry lies on no line from the entering air to saturated air
    (ASHRAE Handbook HVAC Systems and Equipment, air-cooling coils): found with CoolProp below."""
    job, readings = play("cooling-wet")
    stuck = [
        r._replace(value=pct) if r.probe == probe and r.quantity is Quantity.HUMIDITY else r for r in readings
    ]
    document = document_of_block(job, stuck)
    told = [event for event in document["events"] if event["code"] == "humidity-mismatch"]
    if probe == "ret" and pct == 50.0:  # near what it is
        assert not told
        return
    assert told
    assert told[0]["probe"] == "sup"
    assert document["verdict"] in (None, "not-steady")
    if document["firing"] is None or document["firing"]["output_w"] is None:
        assert "more water" in document["reason"]
        return
    assert "contradict each other" in document["reason"]
    firing = document["firing"]
    w1, w2 = firing["humidity_ratio"], moisture(firing["supply_c"], pct / 100.0)
    fall = (w1 - w2) / (firing["return_c"] - firing["supply_c"])
    colder = np.arange(-10.0, firing["supply_c"], 0.5)
    line = w2 - fall * (firing["supply_c"] - colder)
    assert all(w < moisture(float(c), 1.0) for c, w in zip(colder, line, strict=True))


def test_a_dry_probe_is_not_known_the_better_for_it() -> None:
    """U95 of the total at 0 % as at 5 %: no step of a slope may be cut off at no moisture."""
    job, readings = play("cooling-wet")
    u95_w = []
    for pct in (0.0, 5.0):
        dry = [
            r._replace(value=pct) if r.probe == "sup" and r.quantity is Quantity.HUMIDITY else r
            for r in readings
        ]
        firing = document_of_block(job, dry)["firing"]
        u95_w.append((firing["output_u95_w"], firing["latent_u95_w"]))
    assert u95_w[0] == pytest.approx(u95_w[1], rel=0.05)


@pytest.mark.parametrize("lost_s", [1000, 1400])
def test_a_humidity_that_is_lost_on_the_way_makes_no_second_level(lost_s: int) -> None:
    """The total before and the sensible heat after are two things: what was lost is named, not a stage."""
    job, readings = play("cooling-wet")
    lost_ns = lost_s * 1_000_000_000
    kept = [
        r for r in readings if not (r.probe == "sup" and r.quantity is Quantity.HUMIDITY and r.t_ns > lost_ns)
    ]
    document = document_of_block(job, kept)
    assert "stage-suspected" not in {event["code"] for event in document["events"]}
    assert "humidity" in document["reason"]
