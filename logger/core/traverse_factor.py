"""The factor of a velocity probe that stays at one point: mean velocity over what it reads there.

The readings of the fixed point are taken during the traverse, in the traverse's velocity basis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt
from statistics import fmean, stdev

from logger.core.airflow import MeasuredAirflow
from logger.core.budget import BudgetLine, combine
from logger.core.errors import UsageError
from logger.core.params import VelocityBasis
from logger.core.traverse import Traverse
from logger.core.traverse_budget import actual_velocity
from logger.core.traverse_flow import measure

LONE_READING_U = 0.03  # of the fixed reading, where there is one alone (assumed)
PROFILE_U = 0.01  # of the factor: the profile shifts a little with the flow (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeFactor:
    """``flow``: airflow at the traverse with the budget of the live airflow to come.

    ``factor_u95``: of the factor alone, a fraction. ``config_u95``: of all but the probe's own
    calibration, which a job counts as the velocity probe's u95.
    """

    factor: float
    factor_u95: float
    config_u95: float
    readings: int
    basis: VelocityBasis
    flow: MeasuredAirflow


def probe_factor(traverse: Traverse, fixed_m_s: tuple[float, ...] = ()) -> ProbeFactor:
    """Factor from readings of the fixed point; without them the first point and its repeat.

    Raises
    ------
    UsageError
        There is no reading, or one that shows no flow.
    """
    flow = measure(traverse)
    velocities, basis = list(fixed_m_s), traverse.basis
    if not velocities:
        ends = [traverse.points[0], *([traverse.repeat_first] if traverse.repeat_first else [])]
        velocities = [actual_velocity(traverse, flow.state, point) for point in ends]
        if basis is VelocityBasis.STANDARD:
            scale = flow.state.density_kg_m3 / traverse.reference_density_kg_m3
            velocities = [velocity * scale for velocity in velocities]
    if min(velocities) <= 0.0:
        raise UsageError("a reading of the fixed point shows no flow: put the probe where the air moves")
    mean_m_s = flow.mean_velocity_m_s
    if basis is VelocityBasis.STANDARD:
        mean_m_s = flow.mean_standard_velocity_m_s
    fixed = fmean(velocities)
    count = len(velocities)
    lone = count == 1
    fixed_line = BudgetLine(
        "fixed point",
        LONE_READING_U if lone else stdev(velocities) / fixed / sqrt(count),
        nu=float("inf") if lone else count - 1.0,
        assumed=lone,
    )
    lines = (*flow.lines, fixed_line, BudgetLine("profile shift", PROFILE_U, assumed=True))
    lines = tuple(line for line in lines if line.u_w > 0.0)
    own = [line for line in lines if line.source not in ("probe calibration", "area", "density")]
    beside = [line for line in lines if line.source != "probe calibration"]
    return ProbeFactor(
        factor=(mean_m_s or 0.0) / fixed,
        factor_u95=combine(own).u95_w,
        config_u95=combine(beside).u95_w,
        readings=count,
        basis=basis,
        flow=replace(flow, lines=lines, combined=combine(lines)),
    )
