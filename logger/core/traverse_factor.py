"""The factor of a velocity probe that stays at one point: mean velocity over what it reads there.

The readings of the fixed point are taken during the traverse, by the probe that stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, sqrt
from statistics import fmean, stdev

from logger.core.airflow import FlowCheck, MeasuredAirflow
from logger.core.budget import BudgetLine, combine
from logger.core.errors import UsageError
from logger.core.params import VelocityBasis
from logger.core.texts import counted
from logger.core.traverse import Traverse
from logger.core.traverse_budget import actual_velocity
from logger.core.traverse_flow import measure

LONE_READING_U = 0.03  # of the fixed reading, one alone; of the mean of n, at least that / sqrt(n) (assumed)
PROFILE_U = 0.01  # of the factor: the profile shifts a little with the flow (assumed)
FEW_READINGS = 3  # below it nobody knows how much the fixed point wavers (assumed)
UNSTEADY = 0.05  # standard deviation of the fixed readings over their mean, a poor place (assumed)
NEAR_MEAN = (0.5, 1.5)  # factor; beyond it the point stands at a wall or in a jet (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeFactor:
    """``flow``: airflow at the traverse with the budget of the live airflow to come.

    All u95 are fractions, with the one k of that budget. ``factor_u95``: of the factor alone.
    ``config_u95``: what a job counts beside the velocity probe's own u95. ``calibrated``: the
    traverse's probe and its calibration are in it, the fixed probe's cancels; else the factor is a
    ratio of readings of one probe, whose calibration comes in once, as the velocity probe's own.
    """

    factor: float
    factor_u95: float
    config_u95: float
    calibrated: bool
    readings: int
    basis: VelocityBasis
    flow: MeasuredAirflow
    checks: tuple[FlowCheck, ...]


def probe_factor(
    traverse: Traverse,
    fixed_m_s: tuple[float, ...] = (),
    *,
    same_probe: bool = False,
    basis: VelocityBasis | None = None,
) -> ProbeFactor:
    """Factor from readings of the fixed point; without them the first point and its repeat.

    ``same_probe``: the traverse's own probe gave the readings. ``basis``: of the readings; left out,
    that of the points.

    Raises
    ------
    UsageError
        There is no reading, or one that shows no flow.
    """
    flow = measure(traverse)
    given = bool(fixed_m_s)
    if basis is None or not given:
        basis = VelocityBasis.STANDARD if flow.density_power == 1.0 else VelocityBasis.ACTUAL
    standard = basis is VelocityBasis.STANDARD
    velocities = fixed_m_s or _first_point(traverse, flow, standard=standard)
    if min(velocities) <= 0.0:
        raise UsageError("a reading of the fixed point shows no flow: put the probe where the air moves")
    parts = (*_density_of_the_ratio(flow, standard=standard), *_lines(velocities, given=given))
    lines = tuple(line for line in parts if line.u_w > 0.0)
    combined = combine(lines)
    calibrated = given and not same_probe
    own = [line for line in lines if calibrated or line.source != "probe calibration"]
    alone = [line for line in own if line.source != "area"]
    mean_m_s = flow.mean_standard_velocity_m_s if standard else flow.mean_velocity_m_s
    factor = (mean_m_s or 0.0) / fmean(velocities)
    return ProbeFactor(
        factor=factor,
        factor_u95=combined.k * combine(alone).u_w,
        config_u95=combined.k * combine(own).u_w,
        calibrated=calibrated,
        readings=len(velocities),
        basis=basis,
        flow=replace(flow, lines=lines, combined=combined),
        checks=(_readings(velocities, given=given), _place(factor), _calibration(calibrated=calibrated)),
    )


def _density_of_the_ratio(flow: MeasuredAirflow, *, standard: bool) -> list[BudgetLine]:
    """The traverse's lines, the density's by what it does to a mean over a fixed reading.

    Both go with 1 / density to a power of their own, standard velocity with 0: only the difference
    of the powers is left, none where both are of one basis.
    """
    power = flow.density_power
    left = abs(power - (1.0 if standard else 0.0)) / max(power, 1.0 - power)
    return [replace(x, u_w=left * x.u_w) if x.source == "density" else x for x in flow.lines]


def _first_point(traverse: Traverse, flow: MeasuredAirflow, *, standard: bool) -> tuple[float, ...]:
    ends = [traverse.points[0], *([traverse.repeat_first] if traverse.repeat_first else [])]
    scale = flow.state.density_kg_m3 / traverse.reference_density_kg_m3 if standard else 1.0
    return tuple(scale * actual_velocity(traverse, flow.state, point) for point in ends)


def _lines(velocities: tuple[float, ...], *, given: bool) -> tuple[BudgetLine, ...]:
    """What the factor adds to the traverse's own lines.

    A first point and its repeat differ by the drift, and that is a line of the traverse already.
    Few readings that happen to agree prove nothing: a floor of known size stands against them, and
    where it decides there is no doubt of its size. Source: GUM 4.2.3, 4.3 (type B).
    """
    count = len(velocities)
    spread = _spread(velocities) if given else 0.0
    seen = spread > LONE_READING_U
    fixed = BudgetLine(
        "fixed point",
        max(spread, LONE_READING_U) / sqrt(count),
        nu=count - 1.0 if seen else inf,
        assumed=not seen,
    )
    return fixed, BudgetLine("profile shift", PROFILE_U, assumed=True)


def _spread(velocities: tuple[float, ...]) -> float:
    return stdev(velocities) / fmean(velocities) if len(velocities) > 1 else 0.0


def _readings(velocities: tuple[float, ...], *, given: bool) -> FlowCheck:
    said, spread = counted(len(velocities), "reading"), _spread(velocities)
    ok, text = True, f"{said} of the fixed point, spread {spread:.1%}."
    if not given:
        ok = False
        text = (
            "The traverse's first point stands in for the fixed one, and it is in a corner, where the air "
            "wavers most: put the probe near the middle, where the air is steady, read it during the "
            "traverse, and give its readings with --fixed."
        )
    elif len(velocities) < FEW_READINGS:
        ok = False
        text = (
            f"{said} of the fixed point: {LONE_READING_U:.0%} is assumed for each; take {FEW_READINGS} or"
            " more over the time of the traverse."
        )
    elif spread > UNSTEADY:
        ok, text = False, f"{text[:-1]}: the place is unsteady; choose another, or take more readings."
    return FlowCheck(code="fixed-point", ok=ok, text=text)


def _place(factor: float) -> FlowCheck:
    ok = NEAR_MEAN[0] <= factor <= NEAR_MEAN[1]
    text = f"The duct's mean velocity is {factor:.2f} times that of the fixed point"
    tail = "." if ok else ": it stands in a corner or a jet, and the factor will not hold; choose another."
    return FlowCheck(code="fixed-place", ok=ok, text=text + tail)


def _calibration(*, calibrated: bool) -> FlowCheck:
    if calibrated:
        text = (
            "The fixed probe is taken for another one than the traverse's: its calibration cancels in the "
            "factor, so its own u95 is how well it repeats; if both are one probe, say --same-probe."
        )
    else:
        text = (
            "The factor is a ratio of readings of one probe: its calibration counts once, as the u95 of the "
            "velocity probe in the job."
        )
    return FlowCheck(code="calibration", ok=True, text=text)
