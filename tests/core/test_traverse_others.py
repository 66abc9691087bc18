"""The fixed probe's factor, the mixed temperature, the fan curve and the electric step."""

from __future__ import annotations

from dataclasses import replace

import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.airflow import AirState
from logger.core.airflow_sources import FanCurve, from_fan_curve, state_of_density
from logger.core.electric_step import from_electric_step, mass_u95
from logger.core.errors import UsageError
from logger.core.params import VelocityBasis
from logger.core.traverse import Assumed, Method, Traverse, TraverseQuantity
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
    close, far, lone = (
        probe_factor(base, r, same_probe=True) for r in ((4.0, 4.01, 3.99), (4.0, 4.6, 3.4), (4.0,))
    )
    assert close.flow.u95 < lone.flow.u95 < far.flow.u95
    assert close.flow.u95 > measure(base).u95  # what the traverse does not know the probe cannot
    assert close.factor_u95 < close.config_u95 < close.flow.u95
    # one k: the probe's 2 % and the rest add up as squares (GUM 5.1.2)
    k = close.flow.combined.k
    assert (close.config_u95**2 + (k * 0.02) ** 2) ** 0.5 == pytest.approx(close.flow.u95, rel=1e-9)


def test_two_readings_that_happen_to_agree_prove_nothing() -> None:
    """3 % of one reading, assumed, over sqrt(n) (GUM 4.2.3); no k of one degree of freedom (12.7)."""
    base = walk()
    pairs = [(4.0, 4.0 * (1.0 + apart)) for apart in (0.0, 0.001, 0.01, 0.04)]
    found = [probe_factor(base, pair) for pair in pairs]
    for one in found:
        (fixed,) = [line for line in one.flow.lines if line.source == "fixed point"]
        assert fixed.u_w == pytest.approx(0.03 / 2**0.5)
        assert fixed.nu == float("inf")
        assert one.flow.u95 == pytest.approx(found[0].flow.u95, rel=1e-12)
    (apart,) = [line for line in probe_factor(base, (3.8, 4.2)).flow.lines if line.source == "fixed point"]
    assert apart.u_w == pytest.approx(0.05)  # half of what two readings are apart, over their mean
    assert apart.nu == 1.0


@pytest.mark.parametrize("read_pa", [9.6, None])
@pytest.mark.parametrize("points", list(VelocityBasis))
@pytest.mark.parametrize("live", list(VelocityBasis))
def test_the_density_counts_by_what_it_does_to_the_factor(
    points: VelocityBasis, live: VelocityBasis, read_pa: float | None
) -> None:
    """The pressure is moved by its own standard uncertainty, and the factor by the line (GUM 5.1.2)."""
    base = walk(speed=lambda _p: 4.0, basis=points)
    if read_pa is not None:
        taken = tuple(replace(p, velocity_m_s=None, velocity_pressure_pa=read_pa) for p in base.points)
        base = replace(base, points=taken)
    base = replace(base, assumed=(Assumed.PRESSURE,))
    found = probe_factor(base, (5.0, 5.0, 5.0), basis=live)
    u_pa = 3_000.0  # Pa, standard uncertainty of a pressure that nobody gave
    moved = probe_factor(replace(base, pressure_pa=base.pressure_pa - u_pa), (5.0, 5.0, 5.0), basis=live)
    by_hand = abs(moved.factor / found.factor - 1.0)
    line = sum(line.u_w for line in found.flow.lines if line.source == "density")
    assert line == pytest.approx(by_hand, rel=0.05, abs=1e-6)


def test_whose_calibration_is_in_the_live_airflow() -> None:
    """Written out with gains: Q_live / Q is the gain of one probe, the traverse's or the live one's."""
    true_m_s, at_point_m_s, traverse_gain, live_gain = 4.0, 5.0, 1.03, 0.95
    read = walk(speed=lambda _p: traverse_gain * true_m_s, velocity_u95=0.06)
    other = probe_factor(read, (live_gain * at_point_m_s,) * 3)
    live_m_s = other.factor * live_gain * at_point_m_s  # the live probe's own gain is gone
    assert live_m_s / true_m_s == pytest.approx(traverse_gain)
    assert abs(live_m_s / true_m_s - 1.0) < other.config_u95
    same = probe_factor(read, (traverse_gain * at_point_m_s,) * 3, same_probe=True)
    assert same.factor == pytest.approx(true_m_s / at_point_m_s)  # no gain in it
    assert (other.calibrated, same.calibrated) == (True, False)
    assert other.config_u95 == other.flow.u95 > same.config_u95
    assert other.flow.lines == same.flow.lines
    assert not probe_factor(read).calibrated  # first point and mean are of one probe


@pytest.mark.parametrize("basis", list(VelocityBasis))
def test_without_readings_the_first_point_is_the_fixed_one(basis: VelocityBasis) -> None:
    base = walk(basis=basis, pressure_pa=84_000.0, speed=lambda p: 3.0 + p.x)
    again = replace(base.points[0], velocity_m_s=1.02 * (base.points[0].velocity_m_s or 0))
    found = probe_factor(replace(base, repeat_first=again))
    first = base.points[0].velocity_m_s or 0
    assert found.readings == 2
    assert found.factor == pytest.approx(3.5 / (1.01 * first), rel=1e-9)
    codes = {check.code: check for check in found.checks}
    assert not codes["fixed-point"].ok
    assert "corner" in codes["fixed-point"].text
    # the repeat is in the drift's line, and there alone
    (fixed,) = [line for line in found.flow.lines if line.source == "fixed point"]
    assert (fixed.u_w, fixed.nu) == (pytest.approx(0.03 / 2**0.5), float("inf"))


def test_a_live_probe_of_another_kind_has_a_basis_of_its_own() -> None:
    """Velocity pressures give actual velocity; a thermal probe reads it x density / 1.2014 (definition)."""
    base = walk(pressure_pa=84_000.0)
    points = tuple(replace(p, velocity_m_s=None, velocity_pressure_pa=8.0) for p in base.points)
    pitot = replace(base, points=points)
    assert probe_factor(pitot, (4.0,)).basis is VelocityBasis.ACTUAL
    thermal = probe_factor(pitot, (3.0,), basis=VelocityBasis.STANDARD)
    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(21.5, 0.4, 84_000.0)
    rho = psychrolib.GetMoistAirDensity(21.5, w, 84_000.0)
    assert thermal.factor == pytest.approx((2 * 8.0 / rho) ** 0.5 * rho / 1.2014 / 3.0, rel=1e-3)


@pytest.mark.parametrize(
    ("readings", "code", "ok"),
    [
        ((4.0, 4.0, 4.0), "fixed-point", True),
        ((4.0, 4.0), "fixed-point", False),
        ((4.0, 4.6, 3.4), "fixed-point", False),
        ((4.0, 4.0, 4.0), "fixed-place", True),
        ((9.0, 9.0, 9.0), "fixed-place", False),
    ],
)
def test_a_poor_place_is_told(readings: tuple[float, ...], code: str, *, ok: bool) -> None:
    checks = {check.code: check.ok for check in probe_factor(walk(), readings).checks}
    assert checks[code] is ok


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


@pytest.mark.parametrize(("taken", "least_k"), [(24, 0.08), (20, 0.4), (1, 1.92)])
def test_missing_points_are_charged_even_where_the_rest_agree(taken: int, least_k: float) -> None:
    """Share missing x 2 K, the least that a heated stream spreads (assumed): by hand."""
    base = walk(quantity=TraverseQuantity.TEMPERATURE)
    points = tuple(replace(p, temperature_c=45.0, scatter_k=0.1) for p in base.points)
    whole = mixed_temperature(replace(base, points=points))
    part = replace(base, points=points[:taken])
    mixed = mixed_temperature(part)
    lines = {line.source: line.u_w for line in mixed.lines}
    assert lines["missing points"] == pytest.approx(least_k)
    assert mixed.placement_u95_k > max(whole.placement_u95_k, 1.95 * least_k)
    (complete,) = [c for c in check_mixed(part, mixed) if c.code == "complete"]
    assert not complete.ok
    if taken == 1:
        assert lines["sampling"] == pytest.approx(2.0)  # sqrt(2 x 2^2 / 2): no neighbour tells anything


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
    with pytest.raises(UsageError, match=r"the curve goes from 40 Pa \(0.161 in.wg\) to 360 Pa"):
        from_fan_curve(CURVE, 900.0, 500.0, 1.2, ROOM)
    humped = replace(CURVE, points=((0.2, 250.0), (0.5, 300.0), (1.0, 100.0)))
    with pytest.raises(UsageError, match="2 different flows"):
        from_fan_curve(humped, 900.0, 270.0, 1.2, ROOM)
    _, checks = from_fan_curve(CURVE, 1800.0, 800.0, 1.2, ROOM)
    assert [c.code for c in checks if not c.ok] == ["fan-speed"]


def test_a_fan_at_shut_off_moves_nothing() -> None:
    shut = replace(CURVE, points=((0.0, 380.0), *CURVE.points))
    with pytest.raises(UsageError, match=r"380 Pa .* moves no air by its curve"):
        from_fan_curve(shut, 900.0, 380.0, 1.2, ROOM)


def test_the_density_and_its_air() -> None:
    """A density that the air cannot have is told; what nobody gave is wider."""
    codes = [
        {c.code: c.ok for c in from_fan_curve(CURVE, 900.0, 250.0, density, ROOM)[1]}["density"]
        for density in (ROOM.density_kg_m3, 0.96 * ROOM.density_kg_m3)
    ]
    assert codes == [True, False]
    known, guessed = (
        from_fan_curve(CURVE, 900.0, 250.0, ROOM.density_kg_m3, ROOM, assumed)[0]
        for assumed in ((), (Assumed.PRESSURE,))
    )
    assert guessed.u95 > known.u95
    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(30.0, 0.3, 80_000.0)
    rho = psychrolib.GetMoistAirDensity(30.0, w, 80_000.0)
    assert state_of_density(30.0, 0.3, rho).pressure_pa == pytest.approx(80_000.0, rel=2e-3)


# -- electric step -------------------------------------------------------------------------------


def test_the_electric_step() -> None:
    """1.5 m3/s at 20 C 40 %, to 50 C at 101325 Pa is 54.587 kW (psychrolib, ASHRAE Fundamentals ch. 1)."""
    state = AirState.of(20.0, 0.4, 101_325.0)
    flow, _ = from_electric_step(54_587.0 + 300.0, 300.0, state, 50.0)
    assert flow.volume_m3_s == pytest.approx(1.5, rel=1e-4)
    assert flow.dry_air_kg_s == pytest.approx(1.7896, rel=1e-4)
    # power 1 %, rise half of 0.7 K in 29.3 K, placement 1.5 %, loss 0.16 %: by hand (GUM 5.1.2);
    # 5 % of saturation is 0.73 g/kg, and dh goes with 1.006 + 1.86 W: 0.13 %
    lines = {line.source: line.u_w for line in flow.lines}
    hand = (0.01005**2 + (0.35 / 29.3) ** 2 + 0.015**2 + 0.00159**2 + 0.00135**2) ** 0.5
    assert (flow.combined.u_w**2 - lines["density"] ** 2) ** 0.5 == pytest.approx(hand, rel=1e-3)
    assert mass_u95(flow) == pytest.approx(1.96 * hand, rel=1e-3)
    wide, _ = from_electric_step(54_587.0, 0.0, state, 50.0, assumed=(Assumed.PRESSURE,))
    assert wide.u95 > flow.u95
    assert mass_u95(wide) <= mass_u95(flow)  # the mass hangs on no pressure


@pytest.mark.parametrize(
    ("assumed", "other", "share"), [((Assumed.HUMIDITY,), 0.65, 1.0), ((), 0.45, 1.0), ((), 0.6, 2.0)]
)
def test_the_moisture_that_nobody_measured(assumed: tuple[Assumed, ...], other: float, share: float) -> None:
    """The mass of the same power and rise in damper or drier air, energies by psychrolib, against the line.

    50 % is taken: 15 % of saturation of doubt where nobody measured it, else 5 %; ``share`` of them off.
    """
    psychrolib.SetUnitSystem(psychrolib.SI)

    def rise_j_kg(humidity: float) -> float:
        w = psychrolib.GetHumRatioFromRelHum(20.0, humidity, 101_325.0)
        return float(psychrolib.GetMoistAirEnthalpy(50.0, w) - psychrolib.GetMoistAirEnthalpy(20.0, w))

    flow, _ = from_electric_step(54_587.0, 0.0, ROOM, 50.0, assumed=assumed)
    (line,) = [line for line in flow.lines if line.source == "humidity"]
    moved = abs(rise_j_kg(other) / rise_j_kg(0.5) - 1.0)
    assert moved == pytest.approx(share * line.u_w, rel=0.05)
    assert mass_u95(flow) > 2.0 * line.u_w


@settings(max_examples=80, deadline=None)
@given(
    st.floats(-1.5, 1.5).filter(lambda d: abs(d) > 0.01),
    st.floats(6.0, 40.0),
    st.floats(6.0, 60.0),
)
def test_one_offset_in_both_rises_is_never_counted_too_small(
    offset_k: float, step_k: float, firing_k: float
) -> None:
    """One zero offset (the u95 of the rise) in the step and in the firing; energies by psychrolib."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(20.0, 0.5, 101_325.0)

    def rise_j_kg(rise_k: float) -> float:
        warm, cold = (psychrolib.GetMoistAirEnthalpy(t, w) for t in (20.0 + rise_k, 20.0))
        return float(warm - cold)

    mass_kg_s = 1.5
    power_w = mass_kg_s * rise_j_kg(step_k)
    flow, checks = from_electric_step(power_w, 0.0, ROOM, 20.0 + step_k + offset_k, rise_u95_k=abs(offset_k))
    found_w = flow.dry_air_kg_s * rise_j_kg(firing_k + offset_k)
    error = found_w / (mass_kg_s * rise_j_kg(firing_k)) - 1.0
    assert error == pytest.approx((1 + offset_k / firing_k) / (1 + offset_k / step_k) - 1, abs=1e-3)
    (rise,) = [line for line in flow.lines if line.source == "rise"]
    here, job = 2.0 * rise.u_w, abs(offset_k) / (firing_k - abs(offset_k))
    assert abs(flow.dry_air_kg_s / mass_kg_s - 1.0) <= here + 1e-4
    assert abs(error) <= (here**2 + job**2) ** 0.5 + 1e-3
    assert "same-probes" in {check.code for check in checks}


def test_an_electric_step_that_cannot_be() -> None:
    with pytest.raises(UsageError, match="swapped"):
        from_electric_step(10_000.0, 0.0, ROOM, 15.0)
    with pytest.raises(UsageError, match="not below the power"):
        from_electric_step(1_000.0, 1_000.0, ROOM, 40.0)
    with pytest.raises(UsageError, match=r"rise of 5.0 K \(9.0 °F\) is known to ± 3.0 K"):
        from_electric_step(10_000.0, 0.0, ROOM, 25.0, rise_u95_k=3.0)
    with pytest.raises(UsageError, match="no unit has that"):
        from_electric_step(1e300, 0.0, ROOM, 40.0)
