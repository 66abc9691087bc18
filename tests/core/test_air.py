"""Moist air against the handbook's equations, printed values, and CoolProp as independent oracle.

Values of "PS" are psychrolib's, of "CP" CoolProp's (HumidAir: real gas, enhancement factor), run
for these states beforehand; the tolerance is one in the last digit shown.
"""

from __future__ import annotations

import math

import numpy as np
import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core import air
from logger.core.heat import SHORTCUT_J_M3_K, air_heat_w, shortcut_w

FT_M = 0.3048  # m, exact
PSI_PA = 6894.757  # Pa per psi
LB_KG = 0.45359237  # kg, exact
FT3_M3 = FT_M**3
BTU_LB_J_KG = 2326.0  # J/kg per Btu/lb, international table, exact
BTU_H_W = 1055.05585 / 3600.0  # W per Btu/h
CFM_M3_S = FT3_M3 / 60.0


def celsius(temp_f: float) -> float:
    return (temp_f - 32.0) / 1.8


def coolprop(name: str, temp_c: float, pressure_pa: float, **known: float) -> float:
    ((key, value),) = known.items()
    return float(HAPropsSI(name, "T", temp_c + 273.15, "P", pressure_pa, key, value))


@pytest.mark.parametrize(
    ("altitude_m", "pressure_kpa"),
    [(0, 101.325), (500, 95.461), (1000, 89.875), (1500, 84.556), (2000, 79.495), (3000, 70.108)],
)
def test_standard_pressure(altitude_m: float, pressure_kpa: float) -> None:
    """2021 ASHRAE Handbook - Fundamentals (SI) ch. 1 eq. (3) and table 1."""
    assert air.standard_pressure_pa(altitude_m) / 1000.0 == pytest.approx(pressure_kpa, abs=0.002)
    formula = 101.325 * (1.0 - 2.25577e-5 * altitude_m) ** 5.2559
    assert air.standard_pressure_pa(altitude_m) / 1000.0 == pytest.approx(formula, abs=0.002)


@pytest.mark.parametrize(
    ("altitude_ft", "pressure_psia"),
    [(0, 14.696), (1000, 14.1727), (2000, 13.6645), (5000, 12.2278), (5280, 12.1002), (7000, 11.3399)],
)
def test_standard_pressure_by_feet(altitude_ft: float, pressure_psia: float) -> None:
    """The same equation; the printed table in these units rounds differently (recalled)."""
    assert air.standard_pressure_pa(altitude_ft * FT_M) / PSI_PA == pytest.approx(pressure_psia, abs=0.001)


STATES = [  # temp_c, RH, Pa; then W, v m3/kg, rho kg/m3, h kJ/kg of PS, and of CP: ASHRAE ch. 1
    (20.0, 0.5, 101_325, (0.007262, 0.8402, 1.1989, 38.55), (0.007294, 0.8399, 1.1994, 38.62)),
    (0.0, 0.8, 101_325, (0.003016, 0.77755, 1.2900, 7.54), (0.003028, 0.77709, 1.2907, 7.57)),
    (20.0, 0.5, 84_556, (0.008722, 1.0091, 0.9996, 42.26), (0.008756, 1.0088, 0.9999, 42.37)),
    (20.0, 0.3, 79_495, (0.005538, 1.0679, 0.9416, 34.18), (0.005559, 1.0676, 0.9419, 34.28)),
]


@pytest.mark.parametrize(("temp_c", "humidity", "pressure_pa", "ours", "_"), STATES)
def test_states_of_the_handbook_equations(
    temp_c: float, humidity: float, pressure_pa: float, ours: tuple[float, ...], _: object
) -> None:
    """ASHRAE Fundamentals ch. 1 eqs. (11), (20), (26), (30)."""
    w = air.humidity_ratio(temp_c, humidity, pressure_pa)
    assert w == pytest.approx(ours[0], abs=1e-6)
    assert air.volume_m3_kg(temp_c, w, pressure_pa) == pytest.approx(ours[1], abs=1e-4)
    assert air.density_kg_m3(temp_c, w, pressure_pa) == pytest.approx(ours[2], abs=1e-4)
    assert air.enthalpy_j_kg(temp_c, w) / 1000.0 == pytest.approx(ours[3], abs=0.01)


@pytest.mark.parametrize(("temp_c", "humidity", "pressure_pa", "_", "theirs"), STATES)
def test_states_of_the_oracle(
    temp_c: float, humidity: float, pressure_pa: float, _: object, theirs: tuple[float, ...]
) -> None:
    w = coolprop("W", temp_c, pressure_pa, R=humidity)
    volume = coolprop("Vda", temp_c, pressure_pa, R=humidity)
    assert w == pytest.approx(theirs[0], abs=1e-6)
    assert volume == pytest.approx(theirs[1], abs=1e-4)
    assert (1.0 + w) / volume == pytest.approx(theirs[2], abs=1e-4)
    assert coolprop("H", temp_c, pressure_pa, R=humidity) / 1000.0 == pytest.approx(theirs[3], abs=0.01)


AGREEMENT = [
    *[state[:3] for state in STATES],
    (celsius(70.0), 0.4, 14.696 * PSI_PA),
    (10.0, 0.6, 101_325),
    (30.0, 0.3, 95_461),
    (35.0, 0.3, 101_325),
]


@pytest.mark.parametrize(("temp_c", "humidity", "pressure_pa"), AGREEMENT)
def test_agreement_with_coolprop(temp_c: float, humidity: float, pressure_pa: float) -> None:
    """CoolProp lies above by: density 0.02..0.07 %, W 0.3..0.5 %, enthalpy 0.02..0.13 kJ/kg.

    Bounds rounded outwards by half of the last digit; W because of the enhancement factor.
    """
    w = air.humidity_ratio(temp_c, humidity, pressure_pa)
    oracle_w = coolprop("W", temp_c, pressure_pa, R=humidity)
    oracle_density = (1.0 + oracle_w) / coolprop("Vda", temp_c, pressure_pa, R=humidity)
    oracle_enthalpy = coolprop("H", temp_c, pressure_pa, R=humidity)
    assert 0.00015 <= oracle_density / air.density_kg_m3(temp_c, w, pressure_pa) - 1.0 <= 0.00075
    assert 0.0025 <= oracle_w / w - 1.0 <= 0.0055
    assert 15.0 <= oracle_enthalpy - air.enthalpy_j_kg(temp_c, w) <= 135.0


@pytest.mark.parametrize(
    ("temp_f", "pressure_psia", "w", "volume_ft3_lb", "density_lb_ft3", "enthalpy_btu_lb"),
    [  # W of 70 F 40 % in every row; PS in inch-pound units
        (70.0, 14.696, 0.006211, 13.486, 0.07461, 23.583),
        (120.0, 14.696, 0.006211, 14.759, 0.06817, 35.721),
        (70.0, 12.228, 0.007480, 16.241, 0.06203, 24.968),
        (120.0, 12.228, 0.007480, 17.774, 0.05668, 37.135),
    ],
)
def test_states_in_inch_pound_units(
    temp_f: float,
    pressure_psia: float,
    w: float,
    volume_ft3_lb: float,
    density_lb_ft3: float,
    enthalpy_btu_lb: float,
) -> None:
    """ASHRAE Fundamentals ch. 1, inch-pound edition: its enthalpy counts dry air from 0 F.

    Its heat capacity, 0.240 Btu/(lb F), is 0.12 % below that of the SI edition, 1.006 kJ/(kg K).
    """
    pressure_pa = pressure_psia * PSI_PA
    ours = air.humidity_ratio(celsius(70.0), 0.4, pressure_pa)
    temp_c = celsius(temp_f)
    assert ours == pytest.approx(w, abs=1e-6)
    volume = air.volume_m3_kg(temp_c, ours, pressure_pa) * LB_KG / FT3_M3
    assert volume == pytest.approx(volume_ft3_lb, abs=1e-3)
    density = air.density_kg_m3(temp_c, ours, pressure_pa) * FT3_M3 / LB_KG
    assert density == pytest.approx(density_lb_ft3, abs=1e-5)
    enthalpy = (air.enthalpy_j_kg(temp_c, ours) - air.enthalpy_j_kg(celsius(0.0), 0.0)) / BTU_LB_J_KG
    assert enthalpy == pytest.approx(enthalpy_btu_lb, rel=0.0012)


def test_moisture_after_heating_at_constant_humidity_ratio() -> None:
    """70 F 40 % heated to 120 F: 8.57 % there, dew point 44.60 F at both ends (PS)."""
    pressure_pa = 14.696 * PSI_PA
    w = air.humidity_ratio(celsius(70.0), 0.4, pressure_pa)
    assert air.relative_humidity(celsius(120.0), w, pressure_pa) == pytest.approx(0.0857, abs=1e-4)
    dew_point_k = coolprop("D", celsius(120.0), pressure_pa, W=w)
    assert dew_point_k - 273.15 == pytest.approx(celsius(44.60), abs=0.07)  # 0.4 % of W, as above
    assert air.relative_humidity(celsius(44.60), w, pressure_pa) == pytest.approx(1.0, abs=2e-4)


HEATINGS = [  # entering degC, RH, supply degC, Pa; dh kJ/kg of PS and of CP
    (21.11, 0.4, 48.89, 101_325, 28.265, 28.288),
    (20.0, 0.5, 50.0, 84_556, 30.667, 30.686),
    (20.0, 0.3, 55.0, 79_495, 35.571, 35.592),
]


@pytest.mark.parametrize(("entering_c", "humidity", "supply_c", "pressure_pa", "ours", "theirs"), HEATINGS)
def test_enthalpy_rise_at_constant_humidity_ratio(
    entering_c: float, humidity: float, supply_c: float, pressure_pa: float, ours: float, theirs: float
) -> None:
    w = air.humidity_ratio(entering_c, humidity, pressure_pa)
    assert air_heat_w(1.0, entering_c, supply_c, w) / 1000.0 == pytest.approx(ours, abs=0.01)
    oracle_w = coolprop("W", entering_c, pressure_pa, R=humidity)
    oracle = coolprop("H", supply_c, pressure_pa, W=oracle_w) - coolprop(
        "H", entering_c, pressure_pa, W=oracle_w
    )
    assert oracle / 1000.0 == pytest.approx(theirs, abs=0.01)
    assert air_heat_w(1.0, entering_c, supply_c, w) == pytest.approx(oracle, rel=0.001)


def test_holding_relative_humidity_would_be_threefold() -> None:
    """70 -> 120 F at 40 % at BOTH ends is 38.73 Btu/lb, not 12.14 (PS): the error this tool must not make."""
    pressure_pa = 14.696 * PSI_PA
    w = air.humidity_ratio(celsius(70.0), 0.4, pressure_pa)
    wrong_w = air.humidity_ratio(celsius(120.0), 0.4, pressure_pa)
    wrong = air.enthalpy_j_kg(celsius(120.0), wrong_w) - air.enthalpy_j_kg(celsius(70.0), w)
    assert wrong / BTU_LB_J_KG == pytest.approx(38.73, rel=0.0015)
    right = air_heat_w(1.0, celsius(70.0), celsius(120.0), w)
    assert right / BTU_LB_J_KG == pytest.approx(12.14, rel=0.0015)


@settings(max_examples=60, deadline=None)
@given(
    entering_c=st.floats(5.0, 30.0),
    humidity=st.floats(0.2, 0.9),
    rise_k=st.floats(10.0, 45.0),
    pressure_pa=st.floats(70_000.0, 104_000.0),
)
def test_humidity_ratio_is_held_and_relative_humidity_never(
    entering_c: float, humidity: float, rise_k: float, pressure_pa: float
) -> None:
    """CoolProp with W held gives the same heat; with RH held it gives far more."""
    supply_c = entering_c + rise_k
    w = air.humidity_ratio(entering_c, humidity, pressure_pa)
    heat = air_heat_w(1.0, entering_c, supply_c, w)
    oracle_w = coolprop("W", entering_c, pressure_pa, R=humidity)
    start = coolprop("H", entering_c, pressure_pa, W=oracle_w)
    held_w = coolprop("H", supply_c, pressure_pa, W=oracle_w) - start
    held_rh = coolprop("H", supply_c, pressure_pa, R=humidity) - start
    assert heat == pytest.approx(held_w, rel=0.003)  # ideal-gas mixture against real gas, humid thin air
    assert heat < 0.9 * held_rh
    assert air.relative_humidity(supply_c, w, pressure_pa) < humidity


def test_shortcut_is_1_08_btu_per_h_cfm_f() -> None:
    """Standard air 0.075 lb/ft3, 60 min/h, 0.240 Btu/(lb F): 1.080 exactly. Derived."""
    factor = shortcut_w(CFM_M3_S, 1.0 / 1.8) / BTU_H_W
    assert factor == pytest.approx(1.080, abs=1e-6)
    assert factor * 0.244 / 0.240 == pytest.approx(1.10, abs=0.005)  # with moist air's heat capacity


def test_mass_of_standard_air_is_4_5_lb_per_h_and_cfm() -> None:
    """0.075 x 60 = 4.5. Derived."""
    mass_kg_m3 = SHORTCUT_J_M3_K / (0.240 * BTU_LB_J_KG * 1.8)
    assert mass_kg_m3 * CFM_M3_S * 3600.0 / LB_KG == pytest.approx(4.5, abs=1e-6)


@pytest.mark.parametrize(
    ("temp_f", "vapour_btu_lb", "total_factor", "grain_factor"),
    [  # 4.5 x h = 4842 (handbooks print 4840), per 7000 grains 0.69; 4.5 x 1061 / 7000 = 0.68: derived
        (32.0, 1076.0, 4840.0, 0.69),
        (0.0, 1061.0, 4775.0, 0.68),
    ],
)
def test_enthalpy_of_water_vapour_behind_the_latent_factors(
    temp_f: float, vapour_btu_lb: float, total_factor: float, grain_factor: float
) -> None:
    """What a change of W alone adds at one temperature is the enthalpy of that much vapour."""
    added = (air.enthalpy_j_kg(celsius(temp_f), 0.010) - air.enthalpy_j_kg(celsius(temp_f), 0.005)) / 0.005
    assert added / BTU_LB_J_KG == pytest.approx(vapour_btu_lb, rel=0.001)
    assert 4.5 * added / BTU_LB_J_KG == pytest.approx(total_factor, rel=0.001)
    assert 4.5 * added / BTU_LB_J_KG / 7000.0 == pytest.approx(grain_factor, abs=0.005)


@pytest.mark.parametrize(
    ("pressure_psia", "plane_f", "factor"),
    [(14.696, 70.0, 1.0800), (14.696, 120.0, 0.9869), (12.228, 70.0, 0.8989), (12.228, 120.0, 0.8214)],
)
def test_true_factor_in_place_of_1_08(pressure_psia: float, plane_f: float, factor: float) -> None:
    """60 dh / (v dT) for ACTUAL cfm, 70 F 40 % -> 120 F (PS, inch-pound: 0.12 % below SI)."""
    pressure_pa = pressure_psia * PSI_PA
    w = air.humidity_ratio(celsius(70.0), 0.4, pressure_pa)
    volume = air.volume_m3_kg(celsius(plane_f), w, pressure_pa)
    heat_w = air_heat_w(CFM_M3_S / volume, celsius(70.0), celsius(120.0), w)
    assert heat_w / BTU_H_W / 50.0 == pytest.approx(factor * 1.0012, abs=0.0005)


@settings(max_examples=100, deadline=None)
@given(temp_c=st.floats(-20.0, 60.0), w=st.floats(1e-4, 0.02))
def test_temperature_comes_back_from_enthalpy(temp_c: float, w: float) -> None:
    assert air.temperature_c(air.enthalpy_j_kg(temp_c, w), w) == pytest.approx(temp_c, abs=1e-9)
    oracle_h = coolprop("H", temp_c, 101_325, W=w) if w < coolprop("W", temp_c, 101_325, R=1.0) else math.nan
    if math.isfinite(oracle_h):
        assert air.temperature_c(oracle_h, w) == pytest.approx(temp_c, abs=0.2)


@given(st.floats(-40.0, 120.0), st.floats(0.0, 0.1), st.floats(60_000.0, 110_000.0), st.floats(0.0, 1.0))
def test_what_every_tick_computes_is_the_library_bit_for_bit(
    temp_c: float, w: float, pressure_pa: float, humidity: float
) -> None:
    assert air.enthalpy_j_kg(temp_c, w) == psychrolib.GetMoistAirEnthalpy(temp_c, w)
    assert air.volume_m3_kg(temp_c, w, pressure_pa) == psychrolib.GetMoistAirVolume(temp_c, w, pressure_pa)
    vapour_pa = humidity * psychrolib.GetSatVapPres(min(temp_c, 60.0))
    assert air.humidity_ratio(temp_c, humidity, pressure_pa) == psychrolib.GetHumRatioFromVapPres(
        vapour_pa, pressure_pa
    )


HUMIDITIES = st.floats(0.0, 1.0) | st.sampled_from([0.0, 1e-9, 1.0])
STATES = st.lists(st.tuples(st.floats(-40.0, 90.0), HUMIDITIES, st.floats(7e4, 1.1e5)), min_size=1)


@given(STATES)
def test_of_many_states_at_once_each_has_its_own_bits(states: list[tuple[float, float, float]]) -> None:
    temps_c, humidities, pressures_pa = (np.array(column) for column in zip(*states, strict=True))
    w = air.humidity_ratios(temps_c, humidities, pressures_pa)
    assert w.tolist() == [air.humidity_ratio(*state) for state in states]
    alone = [air.enthalpy_j_kg(c, one) for (c, *_), one in zip(states, w.tolist(), strict=True)]
    assert air.enthalpy_j_kg(temps_c, w).tolist() == alone
    alone = [air.volume_m3_kg(c, one, pa) for (c, _, pa), one in zip(states, w.tolist(), strict=True)]
    assert air.volume_m3_kg(temps_c, w, pressures_pa).tolist() == alone
