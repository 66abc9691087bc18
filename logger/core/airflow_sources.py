"""Airflow where no traverse can be had: from the fan's curve, or from a known electric heat step.

Each with its own uncertainty; both are poorer than a traverse and say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import sqrt

from logger.core.air import enthalpy_j_kg
from logger.core.airflow import AirState, FlowCheck, MeasuredAirflow
from logger.core.budget import BudgetLine, combine
from logger.core.errors import UsageError
from logger.core.params import STANDARD_DENSITY_KG_M3

CURVE_U = 0.05  # of the flow: a fan built in is not the fan on the test stand (assumed)
SYSTEM_EFFECT_U = 0.15  # of the pressure: where the taps stand, and the unit's own losses (assumed)
PRESSURE_READING_U = 0.02  # of the pressure: the manometer (assumed)
SPEED_U = 0.005  # of the speed: a tachometer (assumed)
DENSITY_U = 0.01  # of the density (assumed)
SPEED_RANGE = (
    1.5  # times the curve's speed, or its inverse, beyond which the fan laws are stretched (assumed)
)
PLACEMENT_U = 0.015  # of the rise: one probe stands for each stream (assumed, as in the job's budget)
LEAST_RISE_K = 3.0  # K: below it the rise is no measure of a flow (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class FanCurve:
    """Volume (m3/s) and static pressure (Pa) of a fan at one speed and density, volumes rising."""

    speed_rpm: float
    density_kg_m3: float
    points: tuple[tuple[float, float], ...]


def from_fan_curve(
    curve: FanCurve, speed_rpm: float, static_pa: float, density_kg_m3: float, state: AirState
) -> tuple[MeasuredAirflow, tuple[FlowCheck, ...]]:
    """Airflow at a measured speed and static pressure, by the fan laws.

    Q ~ n, p ~ rho n^2. Source: ASHRAE Handbook HVAC Systems and Equipment, fans (recalled).
    Raises UsageError where the curve does not cross the pressure, or crosses it more than once.
    """
    ratio = speed_rpm / curve.speed_rpm
    scale = ratio * ratio * density_kg_m3 / curve.density_kg_m3
    volume_m3_s, slope = _crossing(curve, static_pa / scale)
    volume_m3_s *= ratio
    per_pressure = abs(slope) * static_pa / scale * ratio / volume_m3_s  # d ln Q / d ln p
    lines = (
        BudgetLine("fan curve", CURVE_U, assumed=True),
        BudgetLine("system effect", SYSTEM_EFFECT_U * per_pressure, assumed=True),
        BudgetLine("static pressure", PRESSURE_READING_U * per_pressure, assumed=True),
        BudgetLine("fan speed", SPEED_U * (1.0 + 2.0 * per_pressure), assumed=True),
        BudgetLine("density", DENSITY_U * per_pressure, assumed=True),
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
        FlowCheck(code="source", ok=True, text=_POORER),
    )


_POORER = "This way is poorer than a traverse: where a plane can be had, take one."


def _crossing(curve: FanCurve, pressure_pa: float) -> tuple[float, float]:
    """Volume where the curve has this pressure, and the slope dQ/dp there."""
    found = [
        (q0 + (pressure_pa - p0) / (p1 - p0) * (q1 - q0), (q1 - q0) / (p1 - p0))
        for (q0, p0), (q1, p1) in pairwise(curve.points)
        if p0 != p1 and min(p0, p1) <= pressure_pa <= max(p0, p1)
    ]
    apart = {round(volume, 9): (volume, slope) for volume, slope in found}
    if len(apart) > 1:
        raise UsageError(
            f"the curve has {pressure_pa:.0f} Pa (at its own speed and density) at {len(apart)} different "
            "flows: near stall it tells nothing; use another way"
        )
    if not apart:
        low, high = (f([p for _, p in curve.points]) for f in (min, max))
        raise UsageError(
            f"at its own speed and density the pressure is {pressure_pa:.0f} Pa, and the curve goes from "
            f"{low:.0f} to {high:.0f} Pa: check speed, pressure and density, or find a longer curve"
        )
    return next(iter(apart.values()))


def from_electric_step(
    power_w: float,
    loss_w: float,
    return_state: AirState,
    supply_c: float,
    *,
    power_u95: float = 0.02,
    rise_u95_k: float = 0.7,
) -> tuple[MeasuredAirflow, tuple[FlowCheck, ...]]:
    """Airflow from electric heat of known power: m = (P - loss) / dh. ``power_u95`` a fraction.

    Power is all that becomes heat between the two probes, fan included. The volume is that at the
    return. Raises UsageError where the rise or the power cannot be.
    """
    w = return_state.humidity_ratio
    rise_k = supply_c - return_state.temperature_c
    heat_w = power_w - loss_w
    if heat_w <= 0.0:
        raise UsageError(f"the loss of {loss_w:.0f} W is not below the power of {power_w:.0f} W: check both")
    if rise_k < LEAST_RISE_K:
        raise UsageError(
            f"the rise is {rise_k:.1f} K: below {LEAST_RISE_K:.0f} K it measures no flow; use more power, or "
            "check whether return and supply were swapped"
        )
    dry_air_kg_s = heat_w / float(enthalpy_j_kg(supply_c, w) - enthalpy_j_kg(return_state.temperature_c, w))
    lines = (
        BudgetLine("power", power_u95 / 2.0 * power_w / heat_w),
        BudgetLine("loss", 0.5 * loss_w / heat_w / sqrt(3.0), assumed=True),
        BudgetLine("rise", rise_u95_k / 2.0 / rise_k),
        BudgetLine("placement", PLACEMENT_U, assumed=True),
    )
    flow = measured(dry_air_kg_s * return_state.volume_m3_kg, return_state, lines)
    text = "Only heat between the two probes may be in the power, and the air must be steady."
    return flow, (
        FlowCheck(code="rise", ok=True, text=f"The rise is {rise_k:.1f} K."),
        FlowCheck(code="source", ok=True, text=f"{text} {_POORER}"),
    )


def measured(volume_m3_s: float, state: AirState, lines: tuple[BudgetLine, ...]) -> MeasuredAirflow:
    """A volume at a state as a measured airflow."""
    kept = tuple(line for line in lines if line.u_w > 0.0)
    return MeasuredAirflow(
        state=state,
        volume_m3_s=volume_m3_s,
        standard_volume_m3_s=volume_m3_s * state.density_kg_m3 / STANDARD_DENSITY_KG_M3,
        dry_air_kg_s=volume_m3_s / state.volume_m3_kg,
        lines=kept,
        combined=combine(kept),
    )
