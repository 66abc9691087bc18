"""The fixed probe's factor, the mixed temperature, the fan curve and the electric step."""

from __future__ import annotations

from dataclasses import replace

import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.airflow import AirState
from logger.core.airflow_sources import FanCurve, from_electric_step, from_fan_curve
from logger.core.errors import UsageError
from logger.core.params import VelocityBasis
from logger.core.traverse import Method, Traverse, TraverseQuantity
from logger.core.traverse_factor import probe_factor
from logger.core.traverse_flow import measure
from logger.core.traverse_mix import check_mixed, mixed_temperature
from tests.core.ducts import ROUND, walk

ROOM = AirState.of(20.0, 0.5, 101_325.0)

# -- factor ------------------------------------------------------------------------------------


def test_the_factor_of_a_power_law_in_a_round_duct() -> None:
    """Mean over centre of u = (y/R)^(1/7) is 49/60, integrated by hand; log-linear 5 a radius: -0.15 %."""
    base = walk(ROUND, Method.LOG_LINEAR, (10, 2), lambda p: 5.0 * (1 - abs(2 * p.x - 1)) ** (1 / 7))
    found = probe_factor(base, (5.0, 5.0))
    assert found.factor == pytest.approx(49 / 60 * (1 - 0.0015), rel=1e-4)
    live_m3_s = found.factor * 5.0 * ROUND.area_m2  # standard: as the probe reads
    assert live_m3_s == pytest.approx(measure(base).standard_volume_m3_s, rel=1e-9)


def test_readings_that_disagree_widen_it() -> None:
    base = walk()
    close, far, lone = (probe_factor(base, r) for r in ((4.0, 4.01, 3.99), (4.0, 4.6, 3.4), (4.0,)))
    assert close.flow.u95 < lone.flow.u95 < far.flow.u95
    assert close.flow.u95 > measure(base).u95  # what the traverse does not know the probe cannot
    assert close.factor_u95 < close.config_u95 < close.flow.u95
    # the probe's 4 % and the rest add up as squares, near k = 2 (GUM 5.1.2)
    assert (close.config_u95**2 + 0.0392**2) ** 0.5 == pytest.approx(close.flow.u95, rel=0.01)


@pytest.mark.parametrize("basis", list(VelocityBasis))
def test_without_readings_the_first_point_is_the_fixed_one(basis: VelocityBasis) -> None:
    base = walk(basis=basis, pressure_pa=84_000.0, speed=lambda p: 3.0 + p.x)
    again = replace(base.points[0], velocity_m_s=1.02 * (base.points[0].velocity_m_s or 0))
    found = probe_factor(replace(base, repeat_first=again))
    first = base.points[0].velocity_m_s or 0
    assert found.readings == 2
    assert found.factor == pytest.approx(3.5 / (1.01 * first), rel=1e-9)


def test_a_fixed_point_without_flow_is_refused() -> None:
    with pytest.raises(UsageError, match="no flow"):
        probe_factor(walk(), (4.0, 0.0))


# -- mixed temperature ---------------------------------------------------------------------------


def warm(basis: VelocityBasis, temps: list[float], speeds: list[float]) -> Traverse:
    base = walk(method=Method.EQUAL_AREA, grid=(3, 3), basis=basis, quantity=TraverseQuantity.TEMPERATURE)
    points = tuple(
        replace(p, temperature_c=t, velocity_m_s=v, scatter_k=0.1)
        for p, t, v in zip(base.points, temps, speeds, strict=True)
    )
    return replace(base, points=points)


TEMPS = [40.0, 42.0, 44.0, 46.0, 48.0, 50.0, 52.0, 54.0, 56.0]
SPEEDS = [2.0, 3.0, 4.0, 5.0, 6.0, 5.0, 4.0, 3.0, 1.0]


def test_each_point_counts_with_its_mass_flow() -> None:
    """sum(rho v T) / sum(rho v) by hand, rho ~ 1 / T of an ideal gas; a standard velocity is rho v."""
    actual = [v / (t + 273.15) for v, t in zip(SPEEDS, TEMPS, strict=True)]
    for basis, weights in ((VelocityBasis.STANDARD, SPEEDS), (VelocityBasis.ACTUAL, actual)):
        expected = sum(w * t for w, t in zip(weights, TEMPS, strict=True)) / sum(weights)
        assert mixed_temperature(warm(basis, TEMPS, SPEEDS)).mixed_c == pytest.approx(expected, rel=1e-12)


def test_mixing_keeps_the_enthalpy() -> None:
    """Sum of the parts' enthalpies at one moisture is that of the mix (psychrolib), within its curvature."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    mixed_c = mixed_temperature(warm(VelocityBasis.STANDARD, TEMPS, SPEEDS)).mixed_c
    parts = sum(v * psychrolib.GetMoistAirEnthalpy(t, 0.006) for v, t in zip(SPEEDS, TEMPS, strict=True))
    assert psychrolib.GetMoistAirEnthalpy(mixed_c, 0.006) == pytest.approx(parts / sum(SPEEDS), rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(20, 60), min_size=9, max_size=9), st.lists(st.floats(0.5, 9), min_size=9, max_size=9)
)
def test_the_mix_lies_between_coldest_and_warmest(temps: list[float], speeds: list[float]) -> None:
    mixed = mixed_temperature(warm(VelocityBasis.ACTUAL, temps, speeds))
    assert min(temps) - 1e-9 <= mixed.mixed_c <= max(temps) + 1e-9
    assert mixed.placement_u95_k <= mixed.u95_k
    shifted = mixed_temperature(warm(VelocityBasis.STANDARD, [t + 5 for t in temps], speeds))
    still = mixed_temperature(warm(VelocityBasis.STANDARD, temps, speeds))
    assert shifted.mixed_c == pytest.approx(still.mixed_c + 5, abs=1e-9)


def test_a_layered_stream_is_told() -> None:
    """Warm where it is fast: the plain mean is off."""
    flat = warm(VelocityBasis.STANDARD, [45.0] * 9, SPEEDS)
    layered = warm(
        VelocityBasis.STANDARD, [30.0] * 3 + [60.0] * 3 + [30.0] * 3, [1.0] * 3 + [9.0] * 3 + [1.0] * 3
    )
    told = [{c.code: c.ok for c in check_mixed(t, mixed_temperature(t))} for t in (flat, layered)]
    assert told[0]["spread"]
    assert mixed_temperature(layered).mixed_c == pytest.approx((60 * 9 + 30 * 2) / 11)
    assert mixed_temperature(layered).placement_u95_k > 10 * mixed_temperature(flat).placement_u95_k


def test_a_point_without_temperature_is_refused() -> None:
    with pytest.raises(UsageError, match="a temperature and a velocity"):
        mixed_temperature(walk())


# -- fan curve -----------------------------------------------------------------------------------

CURVE = FanCurve(
    speed_rpm=900.0, density_kg_m3=1.2, points=((0.5, 360.0), (0.8, 300.0), (1.1, 200.0), (1.4, 40.0))
)


def test_on_the_curve_itself() -> None:
    flow, _ = from_fan_curve(CURVE, 900.0, 250.0, 1.2, ROOM)
    assert flow.volume_m3_s == pytest.approx(0.95)  # half way between two points of a straight piece
    psychrolib.SetUnitSystem(psychrolib.SI)
    v = psychrolib.GetMoistAirVolume(20.0, psychrolib.GetHumRatioFromRelHum(20.0, 0.5, 101_325.0), 101_325.0)
    assert flow.dry_air_kg_s == pytest.approx(0.95 / v)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.7, 1.4), st.floats(0.8, 1.3), st.floats(60.0, 350.0))
def test_the_fan_laws(speed: float, density: float, static_pa: float) -> None:
    """Q ~ n, p ~ rho n^2 (fan laws; ASHRAE HVAC Systems and Equipment, recalled)."""
    one, _ = from_fan_curve(CURVE, 900.0, static_pa, 1.2, ROOM)
    other, _ = from_fan_curve(CURVE, 900.0 * speed, static_pa * density / 1.2 * speed**2, density, ROOM)
    assert other.volume_m3_s == pytest.approx(one.volume_m3_s * speed, rel=1e-9)
    assert 0.1 < other.u95 < 1.0


def test_what_no_curve_can_tell() -> None:
    with pytest.raises(UsageError, match="the curve goes from 40 to 360 Pa"):
        from_fan_curve(CURVE, 900.0, 500.0, 1.2, ROOM)
    humped = replace(CURVE, points=((0.2, 250.0), (0.5, 300.0), (1.0, 100.0)))
    with pytest.raises(UsageError, match="2 different flows"):
        from_fan_curve(humped, 900.0, 270.0, 1.2, ROOM)
    _, checks = from_fan_curve(CURVE, 1800.0, 800.0, 1.2, ROOM)
    assert [c.code for c in checks if not c.ok] == ["fan-speed"]


# -- electric step -------------------------------------------------------------------------------


def test_the_electric_step() -> None:
    """1.5 m3/s at 20 C 40 %, to 50 C at 101325 Pa is 54.587 kW (psychrolib, ASHRAE Fundamentals ch. 1)."""
    state = AirState.of(20.0, 0.4, 101_325.0)
    flow, _ = from_electric_step(54_587.0 + 300.0, 300.0, state, 50.0)
    assert flow.volume_m3_s == pytest.approx(1.5, rel=1e-4)
    assert flow.dry_air_kg_s == pytest.approx(1.7896, rel=1e-4)
    # power 1 %, rise 0.35 K of 30 K, placement 1.5 %, loss 0.16 %: by hand (GUM 5.1.2)
    assert flow.combined.u_w == pytest.approx(
        (0.01005**2 + 0.01167**2 + 0.015**2 + 0.00159**2) ** 0.5, rel=1e-3
    )


def test_an_electric_step_that_cannot_be() -> None:
    with pytest.raises(UsageError, match="swapped"):
        from_electric_step(10_000.0, 0.0, ROOM, 15.0)
    with pytest.raises(UsageError, match="not below the power"):
        from_electric_step(1_000.0, 1_000.0, ROOM, 40.0)
