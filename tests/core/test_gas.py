"""Gas input by the meter: the definition by hand, the GUM by a reference library, and what must hold."""

from __future__ import annotations

from dataclasses import replace
from math import inf, sqrt

import GTC
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.budget import BudgetLine, combine
from logger.core.efficiency import against_plate, efficiency, gas_warnings
from logger.core.gas import (
    NET_TO_GROSS,
    Counted,
    GasInput,
    GasParams,
    Known,
    TimedTurns,
    counted_input,
    pressure_factor,
    temperature_factor,
    timed_input,
)
from logger.core.params import UnitKind, UnitParams
from tests.core.jobs import make_job

BTU_J = 1055.05585  # J: International Table, NIST SP 811 B.8
FT3_M3 = 0.3048**3  # exact
PSI_PA = 6894.757  # Pa, NIST SP 811 B.8
IN_WG_PA = 0.03609 * PSI_PA  # Pa: 1 in.wg = 0.03609 psi, as the worked example takes it
BTU_H = BTU_J / 3600.0  # W
EXACT = Known(0.0, 0.0)


def f_to_c(temp_f: float) -> float:
    return (temp_f - 32.0) / 1.8


def gas(**changes: object) -> GasParams:
    """The US mean heating value (EIA, "Heat Content of Natural Gas Consumed") at 14.73 psi, 60 °F."""
    base: dict[str, object] = {
        "heating_value_j_m3": Known(1037.0 * BTU_J / FT3_M3, 0.0),
        "gauge_pa": EXACT,
        "meter_c": Known(f_to_c(60.0), 0.0),
        "base_pressure_pa": 14.73 * PSI_PA,
        "base_c": f_to_c(60.0),
    }
    return GasParams(**(base | changes))  # type: ignore[arg-type]


def turns(ft3: float, *times_s: float, u_s: float = 0.0) -> TimedTurns:
    return TimedTurns(volume_m3=Known(ft3 * FT3_M3, 0.0), times_s=times_s, timing_u_s=u_s)


AT_BASE = Known(14.73 * PSI_PA, 0.0)


# 3600 s/h x ft3 x Btu/ft3 / s: by definition; no correction, the meter stands at the base
@pytest.mark.parametrize(
    ("ft3", "seconds", "btu_h"), [(2.0, 60.0, 124_440.0), (5.0, 75.0, 248_880.0), (2.0, 28.9, 258_353.0)]
)
def test_input_by_definition(ft3: float, seconds: float, btu_h: float) -> None:
    found = timed_input(gas(), turns(ft3, seconds), AT_BASE)
    assert found.input_w == pytest.approx(btu_h * BTU_H, rel=5e-6)
    assert found.factor == pytest.approx(1.0, abs=1e-12)


# Worked by hand: (p_air + 7 in.wg) / 14.73 psi x 519.67 °R / 514.67 °R
@pytest.mark.parametrize(
    ("air_psi", "factor", "btu_h"), [(14.696, 1.02470, 255_028.0), (12.228, 0.85553, 212_923.0)]
)
def test_input_brought_to_the_base(air_psi: float, factor: float, btu_h: float) -> None:
    meter = gas(gauge_pa=Known(7.0 * IN_WG_PA, 0.0), meter_c=Known(f_to_c(55.0), 0.0))
    found = timed_input(meter, turns(5.0, 75.0), Known(air_psi * PSI_PA, 0.0))
    assert found.factor == pytest.approx(factor, abs=1e-5)
    assert found.input_w == pytest.approx(btu_h * BTU_H, rel=1e-5)


def test_a_compensated_meter_skips_the_temperature_alone() -> None:
    # common practice, no source: such a meter counts as if the gas were at the base temperature
    meter = gas(gauge_pa=Known(7.0 * IN_WG_PA, 0.0), meter_c=None)
    assert temperature_factor(meter) == 1.0
    hand = (14.696 + 7.0 * 0.03609) / 14.73
    assert pressure_factor(meter, 14.696 * PSI_PA) == pytest.approx(hand, rel=1e-12)


def test_a_value_of_the_site_is_not_lowered_twice() -> None:
    # A supplier at 5000 ft who states the value per ft3 as delivered, behind 7 in.wg, means the same gas
    # (ideal gas law). Tolerance: 0.03609 psi is the inch of water at 60 °F, ours the conventional one.
    lowered = Known(1037.0 * (12.228 + 7.0 * 0.03609) / 14.73 * BTU_J / FT3_M3, 0.0)
    air = Known(12.228 * PSI_PA, 0.0)
    usual = Known(7.0 * IN_WG_PA, 0.0)
    by_base = timed_input(gas(gauge_pa=usual), turns(2.0, 60.0), air)
    by_site = timed_input(
        gas(gauge_pa=usual, heating_value_j_m3=lowered, of_site=True), turns(2.0, 60.0), air
    )
    assert by_site.pressure_factor == pytest.approx(1.0, abs=5e-5)
    assert by_site.input_w == pytest.approx(by_base.input_w, rel=5e-5)
    # the same meter before the regulator, at 2 psi, counts denser gas: by the ideal gas law
    high = pressure_factor(gas(gauge_pa=Known(2.0 * PSI_PA, 0.0), of_site=True), air.value)
    assert high == pytest.approx((12.228 + 2.0) / (12.228 + 7.0 * 0.03609), rel=5e-5)


def test_net_to_gross_holds_from_methane_to_heavy_natural_gas() -> None:
    # ISO 6976 at 25 °C, kJ/mol (recalled): methane 890.58 / 802.65, ethane 1560.69 / 1428.83. 95 % methane
    # with 5 % ethane is a light natural gas, 85 % with 15 % about the heaviest in the mains.
    ratios = [(890.58 * (1 - e) + 1560.69 * e) / (802.65 * (1 - e) + 1428.83 * e) for e in (0.0, 0.05, 0.15)]
    assert all(abs(NET_TO_GROSS - ratio) <= 0.005 for ratio in ratios)  # the rectangle of its budget line


def test_a_time_off_by_half_a_second() -> None:
    found = timed_input(gas(), turns(2.0, 28.9, u_s=0.25), AT_BASE)
    assert 2.0 * found.combined.u_w / found.input_w == pytest.approx(0.0173, abs=5e-5)  # 0.5 / 28.9


def test_budget_against_a_reference_library() -> None:
    """Every input as an uncertain number of GTC, the formula written out again."""
    meter = gas(
        heating_value_j_m3=Known(1037.0 * BTU_J / FT3_M3, 4.0 * BTU_J / FT3_M3),
        gauge_pa=Known(1800.0, 90.0),
        meter_c=Known(12.0, 1.5),
    )
    timed = TimedTurns(
        volume_m3=Known(5.0 * FT3_M3, 0.05 * FT3_M3), times_s=(75.2, 74.0, 76.3, 74.9), timing_u_s=0.01
    )
    air = Known(84_556.0, 700.0)
    found = timed_input(meter, timed, air)

    mean_s = sum(timed.times_s) / 4
    s = sqrt(sum((t - mean_s) ** 2 for t in timed.times_s) / 3)  # JCGM 100 4.2.2, 4.2.3
    volume = GTC.ureal(5.0 * FT3_M3, 0.05 * FT3_M3)
    time = GTC.ureal(mean_s, s / sqrt(4), 3)
    value = GTC.ureal(1037.0 * BTU_J / FT3_M3, 4.0 * BTU_J / FT3_M3)
    pressure = GTC.ureal(84_556.0, 700.0) + GTC.ureal(1800.0, 90.0)
    temperature = GTC.ureal(12.0, 1.5) + 273.15
    reference = volume / time * value * pressure / (14.73 * PSI_PA) * (f_to_c(60.0) + 273.15) / temperature
    assert found.input_w == pytest.approx(GTC.value(reference), rel=1e-12)
    assert found.combined.u_w == pytest.approx(GTC.uncertainty(reference), rel=1e-9)
    assert found.combined.nu_eff == pytest.approx(GTC.dof(reference), rel=1e-6)


def test_a_value_of_the_site_against_a_reference_library() -> None:
    meter = gas(gauge_pa=Known(13_800.0, 300.0), of_site=True)
    found = timed_input(meter, turns(5.0, 75.0), Known(84_556.0, 700.0))
    air, gauge = GTC.ureal(84_556.0, 700.0), GTC.ureal(13_800.0, 300.0)
    usual_pa = 7.0 * 249.08891  # conventional inch of water, NIST SP 811 B.8
    usual = GTC.ureal(usual_pa, usual_pa / sqrt(3))  # whether and what the supplier counted in
    reference = (air + gauge) / (air + usual)
    assert found.pressure_factor == pytest.approx(GTC.value(reference), rel=1e-6)
    u = found.combined.u_w / found.input_w
    assert u == pytest.approx(GTC.uncertainty(reference) / GTC.value(reference), rel=1e-3)


def test_scatter_counts_only_where_it_is_more_than_the_timing() -> None:
    def timing(*times_s: float) -> BudgetLine:
        found = timed_input(gas(), turns(2.0, *times_s, u_s=0.25), AT_BASE)
        return next(line for line in found.lines if line.source == "timing")

    assert timing(43.0, 43.0).nu == inf
    assert timing(43.0, 43.0).u_w == pytest.approx(timing(43.0).u_w / sqrt(2), rel=1e-12)
    assert timing(43.0, 45.0).nu == 1.0
    wide = timing(43.0, 45.0)
    input_w = timed_input(gas(), turns(2.0, 44.0), AT_BASE).input_w
    assert wide.u_w / input_w == pytest.approx(1.0 / 44.0, rel=1e-12)  # s / sqrt(n) = sqrt(2) / sqrt(2)


def test_counter_and_dial_say_the_same() -> None:
    counted = Counted(volume_m3=2.0 * FT3_M3, seconds=60.0, step_u_m3=0.0, meter=Known(1.0, 0.01))
    found = counted_input(gas(), counted, AT_BASE)
    assert found.input_w == pytest.approx(124_440.0 * BTU_H, rel=5e-6)
    assert found.combined.u_w == pytest.approx(0.01 * found.input_w, rel=1e-9)
    assert found.source == "counter"


ft3 = st.floats(0.05, 1e3)
seconds = st.floats(1.0, 1e4)
pressure = st.floats(5e4, 1.1e5)


@given(ft3, seconds, pressure, st.floats(0.1, 10.0))
def test_input_goes_with_volume_and_against_time(ft3: float, s: float, air_pa: float, times: float) -> None:
    meter, air = gas(gauge_pa=Known(1744.0, 100.0), meter_c=Known(8.0, 1.0)), Known(air_pa, 500.0)
    one = timed_input(meter, turns(ft3, s, u_s=0.0), air)
    more = timed_input(meter, turns(times * ft3, s, u_s=0.0), air)
    slower = timed_input(meter, turns(ft3, times * s, u_s=0.0), air)
    assert more.input_w == pytest.approx(times * one.input_w, rel=1e-9)
    assert slower.input_w == pytest.approx(one.input_w / times, rel=1e-9)
    assert more.combined.u_w == pytest.approx(times * one.combined.u_w, rel=1e-9)


@given(pressure, pressure, st.floats(-40.0, 60.0), st.floats(-40.0, 60.0))
def test_denser_gas_is_more_input(low_pa: float, high_pa: float, cold_c: float, warm_c: float) -> None:
    low_pa, high_pa = sorted((low_pa, high_pa))
    cold_c, warm_c = sorted((cold_c, warm_c))
    assert pressure_factor(gas(), low_pa) <= pressure_factor(gas(), high_pa)
    warm, cold = (temperature_factor(gas(meter_c=Known(c, 0.0))) for c in (warm_c, cold_c))
    assert warm <= cold


# -- efficiency ------------------------------------------------------------------------------------


def measured(input_w: float, u_w: float, nu: float = inf) -> GasInput:
    lines = (BudgetLine("dial", u_w, nu=nu),)
    return GasInput(
        input_w=input_w,
        pressure_factor=1.0,
        temperature_factor=1.0,
        lines=lines,
        combined=combine(lines),
        source="timed",
    )


def test_efficiency_against_a_reference_library() -> None:
    output = combine([BudgetLine("airflow", 620.0, nu=9.0), BudgetLine("supply temperature", 400.0)])
    found = efficiency(31_800.0, output, measured(39_500.0, 500.0, nu=3.0))
    one = GTC.ureal(31_800.0, 620.0, 9) + GTC.ureal(0.0, 400.0)
    reference = one / GTC.ureal(39_500.0, 500.0, 3)
    assert found.value == pytest.approx(GTC.value(reference), rel=1e-12)
    assert found.combined.u_w == pytest.approx(GTC.uncertainty(reference), rel=1e-9)
    assert found.combined.nu_eff == pytest.approx(GTC.dof(reference), rel=1e-6)


def codes(output_w: float, u_w: float, gas_w: float, gas_u_w: float, unit: UnitParams) -> list[str]:
    job = make_job(unit=unit)
    output = combine([BudgetLine("airflow", u_w)])
    return [code for code, _ in gas_warnings(job, output_w, output, measured(gas_w, gas_u_w))]


PLATE = UnitParams(plate_input_w=40_000.0, plate_output_w=32_000.0)


# Normal distribution: 95 % lie below mean + 1.645 u (any table of it). Limits 38,000 and 42,000 W.
@pytest.mark.parametrize(
    ("gas_w", "u_w", "said"),
    [
        (43_700.0, 1000.0, True),  # 1.70 u above the upper limit
        (43_600.0, 1000.0, False),  # 1.60 u
        (36_300.0, 1000.0, True),
        (36_400.0, 1000.0, False),
        (43_600.0, 500.0, True),
        (40_000.0, 100.0, False),
    ],
)
def test_input_off_the_plate_is_said_when_it_is_sure(gas_w: float, u_w: float, *, said: bool) -> None:
    assert ("input-off-plate" in codes(30_000.0, 300.0, gas_w, u_w, PLATE)) is said


def test_a_derated_plate_is_the_one_that_counts() -> None:
    # 4 % per 1000 ft counted from sea level: 0.80 at 5000 ft (ANSI Z223.1/NFPA 54 wording, recalled)
    derated = replace(PLATE, derate_factor=0.80, derated=True)
    assert "input-off-plate" in codes(25_000.0, 300.0, 40_000.0, 400.0, derated)
    assert "input-off-plate" not in codes(25_000.0, 300.0, 32_000.0, 400.0, derated)


# 85 %: most of a non-condensing unit (common practice, no source)
@pytest.mark.parametrize(
    ("output_w", "u_w", "said"),
    [(36_000.0, 300.0, True), (34_600.0, 600.0, False), (33_000.0, 100.0, False), (35_000.0, 300.0, True)],
)
def test_too_good_an_efficiency_is_said_when_it_is_sure(output_w: float, u_w: float, *, said: bool) -> None:
    assert ("efficiency-implausible" in codes(output_w, u_w, 40_000.0, 200.0, PLATE)) is said
    electric = replace(PLATE, kind=UnitKind.ELECTRIC)
    assert "efficiency-implausible" not in codes(output_w, u_w, 40_000.0, 200.0, electric)


# A condensing plate: 38,000 of 40,000 W, 95 %, and its tolerance of 2 %: 96.9 %; by the gross value no unit
# gives more than 100 % (first law)
@pytest.mark.parametrize(
    ("output_w", "plate_w", "said"),
    [
        (38_000.0, 38_000.0, False),
        (39_600.0, 38_000.0, True),
        (39_900.0, 39_600.0, False),
        (41_000.0, 39_600.0, True),
    ],
)
def test_a_condensing_plate_sets_its_own_limit(output_w: float, plate_w: float, *, said: bool) -> None:
    unit = replace(PLATE, plate_output_w=plate_w, tolerance=0.02)
    assert ("efficiency-implausible" in codes(output_w, 300.0, 40_000.0, 200.0, unit)) is said


def test_what_is_said_names_the_next_step() -> None:
    job, output = make_job(unit=PLATE), combine([BudgetLine("airflow", 100.0)])
    above = dict(gas_warnings(job, 38_000.0, output, measured(44_000.0, 200.0)))
    assert "stop and call the licensed" in above["input-off-plate"]
    assert "Suspect the airflow first" in above["efficiency-implausible"]
    below = dict(gas_warnings(job, 25_000.0, output, measured(34_000.0, 200.0)))
    assert "full fire" in below["input-off-plate"]
    assert against_plate(measured(44_000.0, 200.0), 40_000.0).p_high > 0.99
