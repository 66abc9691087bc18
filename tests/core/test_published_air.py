"""The core against worked examples as they were printed; sources and tolerances: ``published_air``.

Where an example is told by a wet bulb, CoolProp (HumidAir) says the humidity that a probe would read.
"""

from __future__ import annotations

from typing import Any

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from logger.core import air, heat
from logger.core.params import AirflowParams, AirflowSource
from tests.core.published_air import (
    CHART,
    COILS,
    HEATING,
    HEATING_NEAR,
    MIXES,
    PERFECT_GAS,
    SATURATED,
    Coil,
    Mix,
)
from tests.core.test_kinds import SEA_LEVEL_PA
from tests.core.test_kinds_cooling import cooling_job, document_of_block, story

SATURATION_21_C = 0.015724  # kg/kg at 21 degC: HANDBOOK table 2


def humidity_pct(
    temp_c: float, wet_bulb_c: float, printed_pct: float, pressure_pa: float = SEA_LEVEL_PA
) -> float:
    """What a probe would read: as printed, or what CoolProp has of the wet bulb."""
    if printed_pct:
        return printed_pct
    kelvin = temp_c + 273.15, wet_bulb_c + 273.15
    return 100.0 * float(HAPropsSI("R", "T", kelvin[0], "P", pressure_pa, "B", kelvin[1]))


def humidity_of_pct(temp_c: float, w: float) -> float:
    """The same of a printed moisture."""
    return 100.0 * float(HAPropsSI("R", "T", temp_c + 273.15, "P", SEA_LEVEL_PA, "W", w))


def fired(coil: Coil) -> dict[str, Any]:
    """The result of a whole run in which the coil stands at the example's states."""
    (front_c, *front), (back_c, *back) = coil.front, coil.back
    by_moisture = coil.front_g_kg / 1_000.0, coil.saturation_pct / 100.0 * SATURATION_21_C
    front_pct = humidity_of_pct(front_c, by_moisture[0]) if by_moisture[0] else humidity_pct(front_c, *front)
    back_pct = humidity_of_pct(back_c, by_moisture[1]) if by_moisture[1] else humidity_pct(back_c, *back)
    flow = AirflowParams(source=AirflowSource.MASS, mass_kg_s=coil.dry_kg_s, u95=0.04)
    if coil.volume_m3_s:
        flow = AirflowParams(
            source=AirflowSource.FIXED,
            volume_m3_s=coil.volume_m3_s,
            temperature_c=front_c,
            humidity=front_pct / 100.0,
            u95=0.04,
        )
    firing: dict[str, Any] = document_of_block(
        cooling_job(airflow=flow), story((front_c, front_pct), (back_c, back_pct))
    )["firing"]
    return firing


@pytest.mark.parametrize("coil", COILS, ids=lambda coil: coil.source)
def test_a_coil_has_its_printed_capacities(coil: Coil) -> None:
    """``output_w`` has the condensate's own heat in; where the answer has it out, it is taken off here."""
    firing = fired(coil)
    total_kw, water_g_s = firing["output_w"] / 1_000.0, 1_000.0 * firing["condensate_kg_s"]
    assert firing["dry_air_kg_s"] == pytest.approx(coil.printed_dry_kg_s, rel=PERFECT_GAS)
    assert total_kw == pytest.approx(coil.total_kw, rel=coil.near_total)
    assert water_g_s == pytest.approx(coil.water_g_s, rel=coil.near_water)
    if coil.net_kw is not None:
        net_kw = total_kw - water_g_s / 1_000.0 * coil.water_kj_kg
        assert net_kw == pytest.approx(coil.net_kw, rel=coil.near_total)
        # it has the term in: the answer that has it out is the further one
        assert abs(total_kw - coil.total_kw) < abs(total_kw - coil.net_kw)
    if coil.sensible_kw is not None:
        assert firing["sensible_w"] / 1_000.0 == pytest.approx(coil.sensible_kw, rel=coil.near_sensible)
    if coil.ratio is not None:
        assert firing["sensible_heat_ratio"] == pytest.approx(coil.ratio, abs=coil.near_ratio)
    assert firing["sensible_w"] + firing["latent_w"] == pytest.approx(firing["output_w"], rel=1e-9)


def moisture_of(state: tuple[float, float, float], printed_g_kg: float | None) -> float:
    if printed_g_kg is not None:
        return printed_g_kg / 1_000.0
    return air.humidity_ratio(state[0], humidity_pct(*state) / 100.0, SEA_LEVEL_PA)


@pytest.mark.parametrize("mix", MIXES, ids=lambda mix: mix.source)
def test_two_streams_mix_as_printed(mix: Mix) -> None:
    w1, w2 = moisture_of(mix.first, mix.first_g_kg), moisture_of(mix.second, mix.second_g_kg)
    dry_kg_s = mix.dry_kg_s
    if mix.volumes_m3_s is not None:
        first, second = mix.volumes_m3_s
        dry_kg_s = (
            heat.dry_air_flow_kg_s(first, mix.first[0], w1, SEA_LEVEL_PA),
            heat.dry_air_flow_kg_s(second, mix.second[0], w2, SEA_LEVEL_PA),
        )
        assert dry_kg_s == pytest.approx(mix.dry_kg_s, rel=PERFECT_GAS)
    share = dry_kg_s[1] / sum(dry_kg_s)
    temp_c, w = heat.mix_air(share, mix.first[0], w1, mix.second[0], w2)
    assert temp_c == pytest.approx(mix.temp_c, abs=mix.near_c)
    if mix.w_g_kg is not None:
        assert 1_000.0 * w == pytest.approx(mix.w_g_kg, abs=mix.near_g_kg)
    if mix.rh_pct is not None:
        rh_pct = 100.0 * air.relative_humidity(temp_c, w, SEA_LEVEL_PA)
        assert rh_pct == pytest.approx(mix.rh_pct, abs=mix.near_pct)
    if mix.wet_bulb_c is not None:
        wet_k = float(HAPropsSI("B", "T", temp_c + 273.15, "P", SEA_LEVEL_PA, "W", w))
        assert wet_k - 273.15 == pytest.approx(mix.wet_bulb_c, abs=mix.near_wet_c)
    if mix.volume_m3_s is not None:
        volume = sum(dry_kg_s) * air.volume_m3_kg(temp_c, w, SEA_LEVEL_PA)
        assert volume == pytest.approx(mix.volume_m3_s, rel=PERFECT_GAS)


def test_air_that_is_heated_takes_up_what_is_printed() -> None:
    volume_m3_s, entering_c, entering_pct, leaving_c, dry_kg_s, heat_kw = HEATING
    w = air.humidity_ratio(entering_c, entering_pct / 100.0, SEA_LEVEL_PA)
    flow_kg_s = heat.dry_air_flow_kg_s(volume_m3_s, entering_c, w, SEA_LEVEL_PA)
    assert flow_kg_s == pytest.approx(dry_kg_s, rel=PERFECT_GAS)
    taken_w = heat.air_heat_w(flow_kg_s, entering_c, leaving_c, w)
    assert taken_w / 1_000.0 == pytest.approx(heat_kw, rel=HEATING_NEAR)


@pytest.mark.parametrize(("pressure_pa", "temp_c", "wet_bulb_c", "w", "h", "rh", "v"), CHART)
def test_states_read_from_the_charts(
    pressure_pa: float, temp_c: float, wet_bulb_c: float, w: float, h: float, rh: float, v: float
) -> None:
    """0.7 % and half of the last printed digit."""
    pct = humidity_pct(temp_c, wet_bulb_c, 0.0, pressure_pa)
    assert pct == pytest.approx(rh, abs=0.5 + PERFECT_GAS * rh)
    found = air.humidity_ratio(temp_c, pct / 100.0, pressure_pa)
    assert 1_000.0 * found == pytest.approx(w, abs=0.05 + PERFECT_GAS * w)
    assert air.enthalpy_j_kg(temp_c, found) / 1_000.0 == pytest.approx(h, abs=0.05 + PERFECT_GAS * h)
    assert air.volume_m3_kg(temp_c, found, pressure_pa) == pytest.approx(v, abs=0.0005 + PERFECT_GAS * v)


@pytest.mark.parametrize(("temp_c", "w", "v", "h"), SATURATED)
def test_saturated_air_of_the_table_is_within_what_it_says_of_a_perfect_gas(
    temp_c: float, w: float, v: float, h: float
) -> None:
    found = air.humidity_ratio(temp_c, 1.0, SEA_LEVEL_PA)
    assert found == pytest.approx(w, rel=PERFECT_GAS)
    assert air.volume_m3_kg(temp_c, found, SEA_LEVEL_PA) == pytest.approx(v, rel=PERFECT_GAS)
    assert air.enthalpy_j_kg(temp_c, found) / 1_000.0 == pytest.approx(h, rel=PERFECT_GAS)
