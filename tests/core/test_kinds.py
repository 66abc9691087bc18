"""Units that burn nothing, end to end through the core: electric heat, heat pumps, cooling coils.

Outside checks: CoolProp HumidAir (real gas) for every enthalpy, closed forms for the streams.
"""

from __future__ import annotations

import re
from dataclasses import replace
from math import exp
from typing import Any

import numpy as np
import pytest
from CoolProp.HumidAirProp import HAPropsSI
from scipy.stats import norm

from logger.core.params import FanHeatMode, OutputAt, SteadyParams, UnitKind, UnitParams
from logger.core.readings import NS_PER_S
from logger.core.result import result_document
from simulators.scenarios import find
from tests.core.jobs import FACTS, feed, firing_readings, make_job, make_reading, play
from tests.core.stories import RETURN_C, RISE_K, Story

SEA_LEVEL_PA = 101_325.0
MASS_KG_S = 1.1  # of ``make_job``
GAS_WORDS = ("carbon monoxide", "flue", "gas", "burner")


def enthalpy_j_kg(temp_c: float, w: float, pressure_pa: float = SEA_LEVEL_PA) -> float:
    """Per kg of dry air. Source: CoolProp HumidAir."""
    return float(HAPropsSI("Hda", "T", temp_c + 273.15, "P", pressure_pa, "W", w))


def moisture(temp_c: float, humidity: float, pressure_pa: float = SEA_LEVEL_PA) -> float:
    """Humidity ratio. Source: CoolProp HumidAir."""
    return float(HAPropsSI("W", "T", temp_c + 273.15, "P", pressure_pa, "R", humidity))


def electric(**changes: Any) -> UnitParams:
    base = {
        "kind": UnitKind.ELECTRIC,
        "plate_output_w": 30_000.0,
        "fan_heat": FanHeatMode.GIVEN,
        "fan_heat_w": 450.0,
    }
    return UnitParams(**{**base, **changes})


def test_electric_heat_is_air_heat_less_the_fan_and_what_the_casing_loses() -> None:
    document = result_document(feed(make_job(unit=electric()), Story().readings()).finish(), FACTS)
    firing = document["firing"]
    w = moisture(RETURN_C, 0.5)  # assumed where no probe says it
    air_w = MASS_KG_S * (enthalpy_j_kg(RETURN_C + RISE_K, w) - enthalpy_j_kg(RETURN_C, w))
    # 1 % of the input, which is the output: an element has no flue
    assert firing["output_w"] == pytest.approx(air_w - 450.0 + 300.0, rel=2e-3)
    assert firing["casing_loss_w"] == pytest.approx(300.0, rel=1e-9)
    assert document["nameplate"]["kind"] == "electric"


def test_more_than_the_plate_of_an_electric_unit_speaks_of_no_gas() -> None:
    unit = electric(plate_output_w=20_000.0, rise_window_k=(5.0, 20.0), min_entering_c=25.0)
    document = result_document(feed(make_job(unit=unit), Story().readings()).finish(), FACTS)
    assert document["verdict"] == "above"
    assert "airflow" in document["reason"]
    codes = {event["code"] for event in document["events"]}
    assert {"rise-above-plate", "rise-above-window", "entering-below-minimum"} <= codes
    said = document["reason"] + "".join(event["text"] for event in document["events"])
    assert not [word for word in GAS_WORDS if word in said]


def test_more_than_the_plate_of_a_gas_unit_warns_of_carbon_monoxide() -> None:
    unit = UnitParams(plate_input_w=25_000.0, plate_output_w=20_000.0)
    document = result_document(feed(make_job(unit=unit), Story().readings()).finish(), FACTS)
    assert document["verdict"] == "above"
    assert "carbon monoxide" in document["reason"]


def test_electric_stages_end_to_end() -> None:
    """Truth: the simulated plant's equilibrium at full heat."""
    job, readings = play("electric-stages")
    document = result_document(feed(job, readings).finish(), FACTS)
    firing = document["firing"]
    assert abs(firing["output_w"] - find("electric-stages").truth.output_w) < firing["output_u95_w"]
    assert document["verdict"] == "meets"
    said = document["reason"] + "".join(event["text"] for event in document["events"])
    assert not [word for word in GAS_WORDS if word in said]


PUMP = UnitParams(kind=UnitKind.HEAT_PUMP, plate_output_w=13_600.0)
PUMP_RISE_K, ON_S, OFF_S = 12.0, 480, 5_000


def pump_story(
    pause: tuple[int, int] | None, *, after_s: int = 1_200, pause_k: float = -4.0
) -> tuple[Any, ...]:
    """Result and readings of a heat pump, time constant 60 s; in ``pause`` the air is cooled by 4 K."""
    rng = np.random.default_rng(5)

    def supply_c(t: float) -> float:
        rise_k, edges = 0.4 if t > 60 else 4.0, [(ON_S, PUMP_RISE_K), (OFF_S, 0.4)]
        if pause is not None:
            edges[1:1] = [(pause[0], pause_k), (pause[1], PUMP_RISE_K)]
        for at_s, level_k in edges:
            if t >= at_s:
                start_k = rise_k
                rise_k = level_k + (start_k - level_k) * exp(-(t - at_s) / 60.0)
        return RETURN_C + rise_k + float(rng.normal(0.0, 0.03))

    readings = firing_readings(supply_c, lambda _: RETURN_C + float(rng.normal(0.0, 0.03)), OFF_S + after_s)
    job = make_job(unit=PUMP, steady=SteadyParams(spread=0.03))
    return result_document(feed(job, readings).finish(), FACTS), readings


def test_a_heat_pumps_output_has_the_fan_in_it() -> None:
    document, _ = pump_story(None)
    firing = document["firing"]
    w = moisture(RETURN_C, 0.5)
    air_w = MASS_KG_S * (enthalpy_j_kg(RETURN_C + PUMP_RISE_K, w) - enthalpy_j_kg(RETURN_C, w))
    assert firing["output_w"] == pytest.approx(air_w, rel=3e-3)
    assert (firing["fan_heat_w"], firing["casing_loss_w"], firing["defrosts"]) == (None, None, 0)
    assert document["nameplate"]["ratio"] == pytest.approx(air_w / 13_600.0, rel=3e-3)
    (cycle,) = document["cycles"]
    assert cycle["end_s"] == pytest.approx(OFF_S + 60.0 * np.log(11.6 / 2.0), abs=10.0)  # 2 K: ``end``


@pytest.mark.parametrize("plate_w", [10_000.0, 13_600.0, 20_000.0], ids=["more", "as much", "less"])
def test_a_plate_of_other_conditions_gives_a_share_and_no_verdict(plate_w: float) -> None:
    """A heat pump's capacity goes with the outdoor air (its maker's table; common practice, no source)."""
    readings = pump_story(None)[1]
    rated = UnitParams(kind=UnitKind.HEAT_PUMP, plate_output_w=plate_w)
    judged = {}
    for at in OutputAt:
        job = make_job(unit=replace(rated, output_at=at), steady=SteadyParams(spread=0.03))
        judged[at] = result_document(feed(job, readings).finish(), FACTS)
    rating, visit = judged[OutputAt.RATING], judged[OutputAt.VISIT]
    assert (rating["verdict"], rating["p_low"], rating["p_high"]) == (None, None, None)
    assert rating["nameplate"]["ratio"] == visit["nameplate"]["ratio"] > 0.0
    assert f"{rating['nameplate']['ratio']:.1%}" in rating["reason"]
    assert "rating conditions" in rating["reason"]
    assert 'unit.output_at = "visit"' in rating["reason"]
    assert visit["verdict"] == {10_000.0: "above", 13_600.0: "undecided", 20_000.0: "below"}[plate_w]
    assert all(cycle["verdict"] is None for cycle in rating["cycles"])


def test_a_sound_heat_pump_in_the_cold_is_not_below_its_plate() -> None:
    """1.5 degC outdoors, the plate at 8.3 degC: less heat than the plate says is no fault."""
    job, readings = play("heat-pump-defrost")
    document = result_document(feed(job, readings).finish(), FACTS)
    assert document["nameplate"]["ratio"] < 0.9
    assert document["verdict"] is None
    assert document["firing"]["defrosts"] == 2


def test_a_defrost_is_told_left_out_and_does_not_end_the_firing() -> None:
    pause = (2_400, 2_700)
    document, _ = pump_story(pause)
    plain, _ = pump_story(None)
    firing = document["firing"]
    assert firing["defrosts"] == 1
    assert len(document["cycles"]) == 1
    (event,) = [event for event in document["events"] if event["code"] == "defrost"]
    assert "0:40:0" in event["text"]
    assert "0:45:0" in event["text"]
    start_s, end_s = firing["steady_start_s"], firing["steady_end_s"]
    assert end_s <= pause[0] + 5 or start_s >= pause[1]
    assert firing["output_w"] == pytest.approx(plain["firing"]["output_w"], rel=3e-3)
    # energy: what the air got, the pause with its cold air counted: 16 K x 300 s less of it
    missing_j = MASS_KG_S * 1_020.0 * 16.0 * 300.0  # J/(kg K) of moist air at 20 degC, 50 %
    assert plain["firing"]["energy_j"] - firing["energy_j"] == pytest.approx(missing_j, rel=0.02)


def test_a_thermostats_pause_is_no_defrost_and_is_left_out_too() -> None:
    """The fan alone gives 0.4 K; a defrost takes heat from the room, a pause does not."""
    pause = (2_400, 2_900)
    document, _ = pump_story(pause, pause_k=0.4)
    plain, _ = pump_story(None)
    firing = document["firing"]
    assert (firing["defrosts"], len(document["cycles"])) == (0, 1)
    codes = [event["code"] for event in document["events"] if event["code"] in ("defrost", "pause")]
    assert codes == ["pause"]
    assert firing["steady_end_s"] <= pause[0] + 5 or firing["steady_start_s"] >= pause[1]
    assert firing["output_w"] == pytest.approx(plain["firing"]["output_w"], rel=3e-3)


def test_a_pause_longer_than_a_defrost_is_the_end_of_a_firing() -> None:
    pause = (2_400, 3_500)
    document, _ = pump_story(pause)
    first, second = document["cycles"]
    assert first["end_s"] == pytest.approx(pause[0] + 30, abs=30)
    assert second["start_s"] == pytest.approx(pause[1], abs=15)
    assert not [event for event in document["events"] if event["code"] == "defrost"]


def test_a_log_that_ends_in_a_pause_ends_its_firing_with_the_heat() -> None:
    document, _ = pump_story(None, after_s=400)
    long, _ = pump_story(None)
    assert document["cycles"][0]["end_s"] == long["cycles"][0]["end_s"]
    assert document["cycles"][0]["energy_j"] == long["cycles"][0]["energy_j"]


def test_a_gas_unit_knows_no_defrost() -> None:
    document = result_document(feed(make_job(), Story().readings()).finish(), FACTS)
    assert document["firing"]["defrosts"] is None


@pytest.mark.parametrize("kind", [UnitKind.GAS, UnitKind.ELECTRIC])
@pytest.mark.parametrize(
    ("side", "surely"), [("below", 0.97), ("below", 0.999), ("above", 0.97), ("above", 0.999)]
)
def test_a_verdict_hardly_reached_asks_for_a_second_measurement(
    kind: UnitKind, side: str, surely: float
) -> None:
    """A plate put where the normal distribution (scipy) gives the verdict so much probability and no more.

    Too much gas is never a thing to measure twice: the words are then to stop.
    """
    readings = Story().readings()
    firing = result_document(feed(make_job(unit=electric(kind=kind)), readings).finish(), FACTS)["firing"]
    sign = 1.0 if side == "below" else -1.0
    border_w = firing["output_w"] + sign * firing["output_u95_w"] * norm.ppf(surely) / norm.ppf(0.975)
    unit = electric(kind=kind, plate_output_w=border_w / (1.0 - sign * 0.05))
    document = result_document(feed(make_job(unit=unit), readings).finish(), FACTS)
    assert document["verdict"] == side
    narrow = surely < 0.99 and not (kind is UnitKind.GAS and side == "above")
    assert ("decided narrowly" in document["reason"]) is narrow
    if not narrow:
        return
    assert "second time, with the airflow measured anew" in document["reason"]  # the most of its variance
    margin = float(re.findall(r"narrowly, with ([\d.]+)% of the plate", document["reason"])[0]) / 100.0
    u = firing["output_u95_w"] / norm.ppf(0.975) / unit.plate_output_w
    assert margin == pytest.approx((norm.ppf(surely) - norm.ppf(0.95)) * u, abs=0.0015)  # rounded up to 0.1 %
    for tolerance, verdict in ((0.05 + margin - 0.0015, side), (0.05 + margin, "undecided")):
        job = make_job(unit=replace(unit, tolerance=tolerance))  # a border so much further off
        assert result_document(feed(job, readings).finish(), FACTS)["verdict"] == verdict


def test_a_cold_duct_before_a_short_firing_is_no_swap() -> None:
    """Still air in a duct on a cold roof, 10 K below the room's; then a firing that has no time to settle."""
    still = [
        make_reading(2 * t + n, float(t), probe, temp_c)
        for t in range(600)
        for n, (probe, temp_c) in enumerate((("ret", 20.0), ("sup", 10.0)))
    ]
    fired = [r._replace(t_ns=r.t_ns + 600 * NS_PER_S) for r in Story(fire_end_s=900, end_s=1000).readings()]
    outcome = feed(make_job(), [*still, *fired]).finish()
    assert "rise-wrong-way" in {event.code for event in outcome.events}
    reason = result_document(outcome, FACTS)["reason"]
    assert "swapped" not in reason
    assert "longer" in reason


def test_output_over_electrical_input_is_no_efficiency_of_a_heat_pump() -> None:
    readings = pump_story(None)[1]
    unit = UnitParams(kind=UnitKind.HEAT_PUMP, plate_output_w=13_600.0, plate_input_w=4_000.0)
    job = make_job(unit=unit, steady=SteadyParams(spread=0.03))
    power = result_document(feed(job, readings).finish(), FACTS)["input"]
    assert power["efficiency_of_nameplate_input"] is None


@pytest.mark.parametrize("kind", list(UnitKind))
@pytest.mark.parametrize("swapped", [False, True])
def test_probes_that_were_swapped_are_told(kind: UnitKind, *, swapped: bool) -> None:
    """A rise of 27 K for 20 min: the right way for all that heats, the wrong one for a coil."""
    job = make_job(unit=electric(kind=kind, fan_heat=FanHeatMode.MEASURED, fan_heat_w=0.0))
    names = {"ret": "sup", "sup": "ret"} if swapped else {}
    readings = [r._replace(probe=names.get(r.probe, r.probe)) for r in Story().readings()]
    outcome = feed(job, readings).finish()
    events = [e for e in outcome.events if e.code == "rise-wrong-way"]
    assert len(events) == int(swapped is not kind.cools)
    if events:
        side = "warmer" if kind.cools else "cooler"
        assert side in events[0].text
        reason = result_document(outcome, FACTS)["reason"]
        assert "swapped" in reason
        assert side in reason
        assert "longer" not in reason
