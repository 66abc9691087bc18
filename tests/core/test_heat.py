"""Heat in the air against worked cases in two unit systems, with CoolProp as independent oracle.

The cases are invented; their results are those of psychrolib ("PS") and CoolProp ("CP"), run
beforehand from Q = flow / v(state) x dh at the return's humidity ratio. PS in inch-pound units
lies 0.12 % below SI: its dry air has 0.240 Btu/(lb F), 1.0048 kJ/(kg K), in place of 1.006.
"""

from __future__ import annotations

from typing import NamedTuple

import pytest
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core import air, heat
from logger.core.params import AirflowParams, AirflowSource

PSI_PA = 6894.757  # Pa per psi
LB_KG = 0.45359237  # kg, exact
BTU_H_W = 1055.05585 / 3600.0  # W per Btu/h
CFM_M3_S = 0.3048**3 / 60.0
FPM_M_S = 0.3048 / 60.0
IP_BELOW_SI = 0.0012  # of the heat, as said above
REFERENCE_KG_M3 = 0.075 * LB_KG / 0.3048**3  # standard air, 0.075 lb/ft3


def celsius(temp_f: float) -> float:
    return (temp_f - 32.0) / 1.8


class Case(NamedTuple):
    volume_m3_s: float
    return_c: float
    humidity: float
    supply_c: float
    pressure_pa: float
    at_return: bool

    @classmethod
    def ip(
        cls, cfm: float, return_f: float, humidity: float, supply_f: float, psia: float, *, at_return: bool
    ) -> Case:
        volume, pressure_pa = cfm * CFM_M3_S, psia * PSI_PA
        return cls(volume, celsius(return_f), humidity, celsius(supply_f), pressure_pa, at_return)

    @property
    def plane_c(self) -> float:
        return self.return_c if self.at_return else self.supply_c


def ours_w(case: Case) -> float:
    w = air.humidity_ratio(case.return_c, case.humidity, case.pressure_pa)
    flow = heat.dry_air_flow_kg_s(case.volume_m3_s, case.plane_c, w, case.pressure_pa)
    return heat.air_heat_w(flow, case.return_c, case.supply_c, w)


def coolprop_w(case: Case) -> float:
    def at(name: str, temp_c: float, key: str, value: float) -> float:
        return float(HAPropsSI(name, "T", temp_c + 273.15, "P", case.pressure_pa, key, value))

    w = at("W", case.return_c, "R", case.humidity)
    rise = at("H", case.supply_c, "W", w) - at("H", case.return_c, "W", w)
    return case.volume_m3_s / at("Vda", case.plane_c, "W", w) * rise


IP_CASES = [  # flow, states; Btu/h of PS in inch-pound units, of CP
    (Case.ip(2000, 70, 0.40, 120, 14.696, at_return=True), 108_002, 108_256),
    (Case.ip(2000, 70, 0.40, 120, 12.228, at_return=True), 89_891, 90_077),
    (Case.ip(2000, 70, 0.40, 120, 14.696, at_return=False), 98_686, 98_896),
    (Case.ip(2000, 70, 0.40, 120, 12.228, at_return=False), 82_138, 82_291),
    (Case.ip(3200, 65, 0.35, 118, 14.696, at_return=True), 184_844, 185_262),
    (Case.ip(3200, 65, 0.35, 118, 14.696, at_return=False), 167_885, 168_223),
    (Case.ip(4800, 68, 0.30, 125, 13.664, at_return=False), 248_806, 249_302),
    (Case.ip(4800, 68, 0.30, 125, 13.664, at_return=True), 275_682, 276_298),
]


@pytest.mark.parametrize(("case", "handbook_btu_h", "coolprop_btu_h"), IP_CASES)
def test_heat_in_inch_pound_cases(case: Case, handbook_btu_h: float, coolprop_btu_h: float) -> None:
    assert coolprop_w(case) / BTU_H_W == pytest.approx(coolprop_btu_h, rel=0.0005)
    assert ours_w(case) / BTU_H_W == pytest.approx(handbook_btu_h * (1 + IP_BELOW_SI), rel=0.0005)
    assert ours_w(case) == pytest.approx(coolprop_w(case), rel=0.0015)


@pytest.mark.parametrize(("psia", "si_btu_h"), [(14.696, 108_126), (12.228, 89_994)])
def test_reference_case_by_the_si_equations(psia: float, si_btu_h: float) -> None:
    """PS in SI for the same case; 5000 ft is 12.228 psia."""
    case = Case.ip(2000, 70, 0.40, 120, psia, at_return=True)
    assert ours_w(case) / BTU_H_W == pytest.approx(si_btu_h, rel=0.0005)


@pytest.mark.parametrize(("at_return", "lb_h"), [(True, 8_898), (False, 8_130)])
def test_dry_air_of_the_reference_case(at_return: bool, lb_h: float) -> None:  # noqa: FBT001
    """PS: pounds of DRY air per hour in 2000 cfm, measured in either plane."""
    case = Case.ip(2000, 70, 0.40, 120, 14.696, at_return=at_return)
    w = air.humidity_ratio(case.return_c, case.humidity, case.pressure_pa)
    flow = heat.dry_air_flow_kg_s(case.volume_m3_s, case.plane_c, w, case.pressure_pa)
    assert flow * 3600.0 / LB_KG == pytest.approx(lb_h, abs=1.0)


SI_CASES = [  # return degC, RH, supply degC, Pa, m3/s; kW of PS and CP at return, at supply
    ((1.5, 20.0, 0.40, 50.0, 101_325.0), (54.587, 54.653), (49.520, 49.567)),
    ((1.5, 20.0, 0.40, 50.0, 84_556.0), (45.566, 45.608), (41.336, 41.365)),
    ((2.2, 18.0, 0.35, 48.0, 79_495.0), (63.243, 63.288), (57.335, 57.365)),
]


@pytest.mark.parametrize("at_return", [True, False])
@pytest.mark.parametrize(("state", "kw_at_return", "kw_at_supply"), SI_CASES)
def test_heat_in_si_cases(
    state: tuple[float, float, float, float, float],
    kw_at_return: tuple[float, float],
    kw_at_supply: tuple[float, float],
    at_return: bool,  # noqa: FBT001
) -> None:
    case = Case(*state, at_return)
    handbook_kw, coolprop_kw = kw_at_return if at_return else kw_at_supply
    assert ours_w(case) / 1000.0 == pytest.approx(handbook_kw, rel=0.0005)
    assert coolprop_w(case) / 1000.0 == pytest.approx(coolprop_kw, rel=0.0005)


def test_dry_air_of_the_si_case() -> None:
    """PS: 1.5 m3/s at 20 C 40 %, 101,325 Pa."""
    w = air.humidity_ratio(20.0, 0.4, 101_325.0)
    assert heat.dry_air_flow_kg_s(1.5, 20.0, w, 101_325.0) == pytest.approx(1.7896, abs=1e-4)


def test_ratio_of_the_two_planes() -> None:
    """The same cfm read in the hot supply is less air: v_ret / v_sup = 0.9135, about 529.67/579.67 R."""
    at_return, at_supply = (Case.ip(2000, 70, 0.40, 120, 14.696, at_return=plane) for plane in (True, False))
    assert ours_w(at_supply) / ours_w(at_return) == pytest.approx(0.9135, abs=5e-4)
    assert ours_w(at_supply) / ours_w(at_return) == pytest.approx(529.67 / 579.67, abs=5e-4)


def test_shortcut_may_be_19_percent_wrong() -> None:
    """1.08 x 4800 cfm x 57 F = 295,488 Btu/h where the truth at 2000 ft, supply plane, is 18.8 % less."""
    case = Case.ip(4800, 68, 0.30, 125, 13.664, at_return=False)
    shortcut = heat.shortcut_w(case.volume_m3_s, case.supply_c - case.return_c)
    assert shortcut / BTU_H_W == pytest.approx(295_488, rel=1e-6)
    assert shortcut / ours_w(case) - 1.0 == pytest.approx(0.188, abs=0.002)


flows = st.floats(0.05, 20.0)
temps = st.floats(-10.0, 40.0)
rises = st.floats(0.1, 60.0)
ratios = st.floats(0.0005, 0.015)


@settings(max_examples=100)
@given(flow=flows, factor=st.floats(0.1, 10.0), entering_c=temps, rise_k=rises, w=ratios)
def test_heat_is_proportional_to_the_flow_and_changes_sign_with_the_rise(
    flow: float, factor: float, entering_c: float, rise_k: float, w: float
) -> None:
    supply_c = entering_c + rise_k
    one = heat.air_heat_w(flow, entering_c, supply_c, w)
    assert one > 0.0
    assert heat.air_heat_w(factor * flow, entering_c, supply_c, w) == pytest.approx(factor * one, rel=1e-12)
    assert heat.air_heat_w(flow, supply_c, entering_c, w) == pytest.approx(-one, rel=1e-12)
    assert heat.air_heat_w(flow, entering_c, entering_c, w) == 0.0


@settings(max_examples=100)
@given(volume=flows, return_c=temps, rise_k=rises, w=ratios, pressure_pa=st.floats(70_000.0, 104_000.0))
def test_the_same_air_measured_in_either_plane_gives_the_same_heat(
    volume: float, return_c: float, rise_k: float, w: float, pressure_pa: float
) -> None:
    """The volume grows with absolute temperature (ideal gas law), the dry mass does not."""
    supply_c = return_c + rise_k
    grown = volume * (supply_c + 273.15) / (return_c + 273.15)
    at_return = heat.dry_air_flow_kg_s(volume, return_c, w, pressure_pa)
    assert heat.dry_air_flow_kg_s(grown, supply_c, w, pressure_pa) == pytest.approx(at_return, rel=1e-9)


@pytest.mark.parametrize(
    ("temp_f", "psia", "density_lb_ft3", "velocity_fpm"),
    [  # 1000 fpm of standard air; W of 70 F 40 % at that pressure (PS)
        (120.0, 14.696, 0.06817, 1100.1),
        (70.0, 12.228, 0.06203, 1209.0),
        (120.0, 12.228, 0.05668, 1323.2),
    ],
)
def test_actual_from_standard_velocity(
    temp_f: float, psia: float, density_lb_ft3: float, velocity_fpm: float
) -> None:
    w = air.humidity_ratio(celsius(70.0), 0.4, psia * PSI_PA)
    density = air.density_kg_m3(celsius(temp_f), w, psia * PSI_PA)
    assert density * 0.3048**3 / LB_KG == pytest.approx(density_lb_ft3, abs=1e-5)
    actual = heat.standard_to_actual_velocity(1000 * FPM_M_S, REFERENCE_KG_M3, density)
    assert actual / FPM_M_S == pytest.approx(velocity_fpm, rel=0.001)


@pytest.mark.parametrize(
    ("pressure_pa", "reference", "density", "velocity"),
    [  # CP: 5.00 m/s of standard air at 50 C, W of 20 C 40 %
        (101_325.0, 1.2, 1.0887, 5.511),
        (84_556.0, 1.2, 0.9079, 6.609),
        (101_325.0, 1.204, 1.0887, 5.530),
        (84_556.0, 1.204, 0.9079, 6.631),
    ],
)
def test_actual_from_standard_velocity_in_si(
    pressure_pa: float, reference: float, density: float, velocity: float
) -> None:
    w = air.humidity_ratio(20.0, 0.4, pressure_pa)
    ours = air.density_kg_m3(50.0, w, pressure_pa)
    assert ours == pytest.approx(density, rel=0.001)
    assert heat.standard_to_actual_velocity(5.0, reference, ours) == pytest.approx(velocity, rel=0.001)


def test_reference_densities_in_circulation() -> None:
    """rho = p / (287.042 T): 1.204 is dry air of 20 C, 1.200 of 21 C; 0.075 lb/ft3 is 1.2014. Derived."""
    assert air.density_kg_m3(20.0, 0.0, 101_325.0) == pytest.approx(1.204, abs=5e-4)
    assert air.density_kg_m3(21.0, 0.0, 101_325.0) == pytest.approx(1.200, abs=5e-4)
    assert pytest.approx(1.2014, abs=5e-5) == REFERENCE_KG_M3
    spread = air.density_kg_m3(20.0, 0.0, 101_325.0) / air.density_kg_m3(21.0, 0.0, 101_325.0) - 1.0
    assert spread == pytest.approx(0.0035, abs=1.5e-4)
    default = AirflowParams(source=AirflowSource.PROBE).reference_density_kg_m3
    assert default == pytest.approx(REFERENCE_KG_M3, abs=5e-5)


@settings(max_examples=100)
@given(
    velocity=st.floats(0.5, 15.0),
    area=st.floats(0.02, 2.0),
    temp_c=st.floats(0.0, 60.0),
    w=ratios,
    pressure_pa=st.floats(70_000.0, 104_000.0),
)
def test_dry_mass_from_standard_velocity_is_that_of_the_actual_volume(
    velocity: float, area: float, temp_c: float, w: float, pressure_pa: float
) -> None:
    """Moist mass rho_std v A holds (1 + w) of dry air; no pressure or temperature enters. Derived."""
    dry = heat.dry_air_from_standard_velocity(velocity, area, 1.2014, w)
    assert dry * (1.0 + w) == pytest.approx(1.2014 * velocity * area, rel=1e-12)
    density = air.density_kg_m3(temp_c, w, pressure_pa)
    actual = heat.standard_to_actual_velocity(velocity, 1.2014, density)
    assert heat.dry_air_flow_kg_s(actual * area, temp_c, w, pressure_pa) == pytest.approx(dry, rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(x=st.floats(0.0, 0.4), outdoor_c=st.floats(-10.0, 15.0), outdoor_rh=st.floats(0.3, 0.9))
def test_mixing_agrees_with_coolprop(x: float, outdoor_c: float, outdoor_rh: float) -> None:
    """Enthalpy and water of the mix from CoolProp, its temperature found there again."""
    pressure = 98_800.0

    def at(name: str, key: str, value: float, temp_c: float) -> float:
        return float(HAPropsSI(name, "T", temp_c + 273.15, "P", pressure, key, value))

    w_ret, w_out = at("W", "R", 0.3, 21.0), at("W", "R", outdoor_rh, outdoor_c)
    w = (1 - x) * w_ret + x * w_out
    h = (1 - x) * at("H", "W", w_ret, 21.0) + x * at("H", "W", w_out, outdoor_c)
    expected_c = HAPropsSI("T", "H", h, "P", pressure, "W", w) - 273.15
    mixed_c, mixed_w = heat.mix_air(x, 21.0, w_ret, outdoor_c, w_out)
    assert mixed_w == pytest.approx(w, rel=1e-12)
    assert mixed_c == pytest.approx(expected_c, abs=0.02)


def test_unseen_outdoor_air_understates_the_heat() -> None:
    """21 C inside, 0 C outside, rise 27 K: 10 % outdoor air hides 0.1 x 21 K of 27 K, 8 %. Derived."""
    w = air.humidity_ratio(21.0, 0.3, 101_325.0)
    w_out = air.humidity_ratio(0.0, 0.8, 101_325.0)
    mixed_c, mixed_w = heat.mix_air(0.10, 21.0, w, 0.0, w_out)
    true = heat.air_heat_w(1.0, mixed_c, 48.0, mixed_w)
    assert true / heat.air_heat_w(1.0, 21.0, 48.0, w) - 1.0 == pytest.approx(0.078, abs=0.003)
    assert heat.mix_air(0.0, 21.0, w, 0.0, w_out) == pytest.approx((21.0, w), rel=1e-12)
