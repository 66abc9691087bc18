"""Airflow where no traverse can be had: from the fan's curve. Poorer than a traverse, and it says so."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise

from logger.core.airflow import AirState, FlowCheck, MeasuredAirflow, density_u
from logger.core.budget import BudgetLine, combine
from logger.core.errors import UsageError
from logger.core.params import STANDARD_DENSITY_KG_M3
from logger.core.texts import density_text, duct_pressure_text
from logger.core.traverse import Assumed

CURVE_U = 0.05  # of the flow: a fan built in is not the fan on the test stand (assumed)
SYSTEM_EFFECT_U = 0.15  # of the pressure: where the taps stand, and the unit's own losses (assumed)
PRESSURE_READING_U = 0.02  # of the pressure: the manometer (assumed)
SPEED_U = 0.005  # of the speed: a tachometer (assumed)
SPEED_RANGE = (
    1.5  # times the curve's speed, or its inverse, beyond which the fan laws are stretched (assumed)
)
SAME_DENSITY = 0.01  # fraction: two densities of one air, a height or a temperature apart (assumed)
VOLUME_RANGE_M3_S = (0.001, 500.0)  # m3/s: what a fan moves, bounds of the job's config (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class FanCurve:
    """Volume (m3/s) and static pressure (Pa) of a fan at one speed and density, volumes rising."""

    speed_rpm: float
    density_kg_m3: float
    points: tuple[tuple[float, float], ...]


def from_fan_curve(
    curve: FanCurve,
    speed_rpm: float,
    static_pa: float,
    density_kg_m3: float,
    state: AirState,
    assumed: Collection[Assumed] = (),
) -> tuple[MeasuredAirflow, tuple[FlowCheck, ...]]:
    """Airflow at a measured speed and static pressure, by the fan laws.

    ``assumed``: what of ``state`` nobody measured. The density's line is that of the mass, on which
    it weighs once by itself and once more by the curve.
    Q ~ n, p ~ rho n^2. Source: ASHRAE Handbook HVAC Systems and Equipment, fans (recalled).
    Raises UsageError where the curve does not cross the pressure, or crosses it more than once.
    """
    ratio = speed_rpm / curve.speed_rpm
    scale = ratio * ratio * density_kg_m3 / curve.density_kg_m3
    volume_m3_s, slope = _crossing(curve, static_pa / scale)
    volume_m3_s *= ratio
    if volume_m3_s < VOLUME_RANGE_M3_S[0]:
        raise UsageError(
            f"at {duct_pressure_text(static_pa)} the fan moves no air by its curve (shut-off): check the"
            " static pressure, its taps and the speed"
        )
    per_pressure = abs(slope) * static_pa / scale * ratio / volume_m3_s  # d ln Q / d ln p
    lines = (
        BudgetLine("fan curve", CURVE_U, assumed=True),
        BudgetLine("system effect", SYSTEM_EFFECT_U * per_pressure, assumed=True),
        BudgetLine("static pressure", PRESSURE_READING_U * per_pressure, assumed=True),
        BudgetLine("fan speed", SPEED_U * (1.0 + 2.0 * per_pressure), assumed=True),
        BudgetLine("density", density_u(state, assumed) * (1.0 + per_pressure), assumed=True),
    )
    flow = measured(volume_m3_s, state, lines)
    stretched = not 1.0 / SPEED_RANGE <= ratio <= SPEED_RANGE
    text = f"The speed is {ratio:.2f} times the curve's"
    text += ": the fan laws are stretched; find the curve of this speed." if stretched else "."
    steep = per_pressure > 1.0
    flat = f"One percent of the pressure is {per_pressure:.1f} percent of the flow"
    flat += ": the curve is flat here and tells little; take a traverse if one can be had." if steep else "."
    return flow, (
        FlowCheck(code="fan-speed", ok=not stretched, text=text),
        FlowCheck(code="curve-slope", ok=not steep, text=flat),
        _density(density_kg_m3, state),
        FlowCheck(code="source", ok=True, text=POORER),
    )


POORER = "This way is poorer than a traverse: where a plane can be had, take one."


def state_of_density(temperature_c: float, humidity: float, density_kg_m3: float) -> AirState:
    """The air of this density: its pressure is the one that gives it. ``humidity`` a fraction.

    >>> round(state_of_density(20.0, 0.5, AirState.of(20.0, 0.5, 84_000.0).density_kg_m3).pressure_pa)
    84000
    """
    pressure_pa = 101_325.0
    for _ in range(6):  # the density goes nearly with the pressure: each turn gains two digits or more
        state = AirState.of(temperature_c, humidity, pressure_pa)
        pressure_pa *= density_kg_m3 / state.density_kg_m3
    return AirState.of(temperature_c, humidity, pressure_pa)


def _density(density_kg_m3: float, state: AirState) -> FlowCheck:
    """Whether the density at the fan is that of its air."""
    off = density_kg_m3 / state.density_kg_m3 - 1.0
    if abs(off) <= SAME_DENSITY:
        text = f"The fan laws have {density_text(density_kg_m3)}, the density of its air."
        return FlowCheck(code="density", ok=True, text=text)
    text = (
        f"The density is given as {density_text(density_kg_m3)}, and temperature and pressure make it "
        f"{density_text(state.density_kg_m3)}, {off:+.1%}: the fan laws have the first, the mass the second; "
        "leave out the one that is wrong."
    )
    return FlowCheck(code="density", ok=False, text=text)


def _crossing(curve: FanCurve, pressure_pa: float) -> tuple[float, float]:
    """Volume where the curve has this pressure, and the slope dQ/dp there."""
    found = [
        (q0 + (pressure_pa - p0) / (p1 - p0) * (q1 - q0), (q1 - q0) / (p1 - p0))
        for (q0, p0), (q1, p1) in pairwise(curve.points)
        if p0 != p1 and min(p0, p1) <= pressure_pa <= max(p0, p1)
    ]
    apart = {round(volume, 9): (volume, slope) for volume, slope in found}
    said = duct_pressure_text(pressure_pa)
    if len(apart) > 1:
        raise UsageError(
            f"the curve has {said} (at its own speed and density) at {len(apart)} different "
            "flows: near stall it tells nothing; use another way"
        )
    if not apart:
        low, high = (duct_pressure_text(f([p for _, p in curve.points])) for f in (min, max))
        raise UsageError(
            f"at its own speed and density the pressure is {said}, and the curve goes from "
            f"{low} to {high}: check speed, pressure and density, or find a longer curve"
        )
    return next(iter(apart.values()))


def measured(volume_m3_s: float, state: AirState, lines: tuple[BudgetLine, ...]) -> MeasuredAirflow:
    """A volume at a state as a measured airflow. Raises UsageError where no fan moves as much."""
    low_m3_s, high_m3_s = VOLUME_RANGE_M3_S
    if not low_m3_s <= volume_m3_s <= high_m3_s:
        raise UsageError(
            f"that comes to {volume_m3_s:.3g} m3/s ({volume_m3_s / 0.3048**3 * 60.0:.3g} cfm), and no unit"
            " has that: check the values and their units"
        )
    kept = tuple(line for line in lines if line.u_w > 0.0)
    return MeasuredAirflow(
        state=state,
        volume_m3_s=volume_m3_s,
        standard_volume_m3_s=volume_m3_s * state.density_kg_m3 / STANDARD_DENSITY_KG_M3,
        dry_air_kg_s=volume_m3_s / state.volume_m3_kg,
        lines=kept,
        combined=combine(kept),
    )
