"""The uncertainty budget of a traverse, relative to the flow.

Source: GUM (JCGM 100); each line's own source stands at its function.
"""

from __future__ import annotations

from math import copysign, sqrt

import numpy as np
import numpy.typing as npt

from logger.core.airflow import AirState, density_u
from logger.core.budget import BudgetLine
from logger.core.heat import standard_to_actual_velocity
from logger.core.params import VelocityBasis
from logger.core.traverse import MeasuredPlane, Traverse, TraversePoint
from logger.core.traverse_grid import Geometry, geometry

ROOT3 = sqrt(3.0)  # half-width of a rectangle -> standard uncertainty (GUM 4.3.7)
UNKNOWN_DRIFT = 0.02  # of the flow, from start to end, where no point was repeated (assumed)
UNKNOWN_SCATTER = 0.03  # of the mean, of one point's average, where none was noted (assumed)
LONE_SPREAD = 0.10  # of the mean, least spread of points that have no neighbours (assumed)
FILTER_FACE_U = 0.05  # of the flow: pleats and frames between the probe and the mean (assumed)


def actual_velocity(traverse: Traverse, state: AirState, point: TraversePoint) -> float:
    """Velocity of the air itself at a point, m/s; the sign is that of the reading."""
    rho = state.density_kg_m3
    if point.velocity_pressure_pa is not None:
        pressure_pa = point.velocity_pressure_pa
        return copysign(sqrt(2.0 * abs(pressure_pa) / rho), pressure_pa)
    velocity = point.velocity_m_s or 0.0
    if traverse.basis is VelocityBasis.STANDARD:
        return standard_to_actual_velocity(velocity, traverse.reference_density_kg_m3, rho)
    return velocity


def air_state(traverse: Traverse) -> AirState:
    """The air in the traverse's plane."""
    return AirState.of(traverse.temperature_c, traverse.humidity, traverse.pressure_pa)


def traverse_lines(
    traverse: Traverse, state: AirState, velocity: npt.NDArray[np.float64], mean_m_s: float
) -> list[BudgetLine]:
    """The budget, relative to the mean."""
    places = geometry(traverse.duct, traverse.points)
    count = len(velocity)
    missing = max(traverse.planned - count, 0)
    spread = float(np.std(velocity)) / mean_m_s
    by_pressure = all(point.velocity_pressure_pa is not None for point in traverse.points)
    lines = [
        BudgetLine("probe calibration", traverse.velocity_u95 / 2.0),
        BudgetLine("sampling", sampling_u(velocity / mean_m_s, places), nu=max(count - 1.0, 1.0)),
        _scatter_line(traverse, state, velocity, mean_m_s),
        BudgetLine("missing points", missing / max(traverse.planned, 1) * max(spread, LONE_SPREAD)),
        BudgetLine("area", traverse.area_u95 / 2.0),
        _drift_line(traverse),
        BudgetLine("density", density_u(state) * (0.5 if by_pressure else 1.0), assumed=True),
    ]
    if traverse.plane is MeasuredPlane.FILTER_FACE:
        lines.append(BudgetLine("filter face", FILTER_FACE_U, assumed=True))
    rest_u = sqrt(sum(line.u_w**2 for line in lines))
    return [*lines, BudgetLine("method bias", bias_u(abs(places.bias), rest_u), assumed=True)]


def bias_u(bias: float, rest_u: float) -> float:
    """Standard uncertainty that stands for an expected bias which is not corrected.

    Sized so that all lines together come to k u + bias: an uncorrected bias adds to the expanded
    uncertainty as it is. Source: GUM F.2.4.5; the sum as in NIST practice (recalled).

    >>> round(2 * sqrt(0.03**2 + bias_u(0.06, 0.03)**2), 3)
    0.12
    """
    part = bias / 2.0
    return sqrt(part * part + 2.0 * rest_u * part)


def sampling_u(relative: npt.NDArray[np.float64], places: Geometry) -> float:
    """Standard uncertainty of the mean from a finite number of points, as a fraction of it.

    Each point stands for its part of the area. Over one part the velocity runs on as it does to
    the neighbours: a run of d over a part has a standard deviation of d / sqrt(12) in each
    direction, and the parts' errors are taken as independent. Source: stratified sampling.
    """
    count = len(relative)
    spread = max(float(np.var(relative, ddof=1)) if count > 1 else 0.0, LONE_SPREAD**2)
    beyond = relative / places.wall
    total = 0.0
    for pairs in (places.lengthwise, places.crosswise):
        if len(pairs):
            steps = beyond[pairs[:, 0]] - beyond[pairs[:, 1]]
            total += float(np.mean(steps * steps)) / 12.0
        else:
            total += spread / 2.0
    return sqrt(total / count)


def _scatter_line(
    traverse: Traverse, state: AirState, velocity: npt.NDArray[np.float64], mean_m_s: float
) -> BudgetLine:
    """What the air's unrest leaves in the mean; each point's scatter is taken whole."""
    scatter = [
        _scatter_m_s(traverse, state, point, float(v))
        for point, v in zip(traverse.points, velocity, strict=True)
    ]
    known = [s / mean_m_s for s in scatter if s is not None]
    unknown = len(scatter) - len(known)
    total = sum(s * s for s in known) + unknown * UNKNOWN_SCATTER**2
    return BudgetLine("scatter", sqrt(total) / len(scatter), assumed=unknown > 0)


def _scatter_m_s(
    traverse: Traverse, state: AirState, point: TraversePoint, velocity_m_s: float
) -> float | None:
    if point.velocity_pressure_pa is not None:
        if point.scatter_pa is None:
            return None
        least_m_s = 0.5  # m/s: below it a velocity pressure says nothing of its scatter (assumed)
        return point.scatter_pa / (state.density_kg_m3 * max(abs(velocity_m_s), least_m_s))
    if point.scatter_m_s is None:
        return None
    standard = traverse.basis is VelocityBasis.STANDARD
    return point.scatter_m_s * (traverse.reference_density_kg_m3 / state.density_kg_m3 if standard else 1.0)


def drift(traverse: Traverse) -> float | None:
    """Relative change of the first point from the start to the end; None where it was not repeated."""
    again = traverse.repeat_first
    first = next((p for p in traverse.points if again is not None and p.place == again.place), None)
    if again is None or first is None:
        return None
    state = air_state(traverse)
    before_m_s = actual_velocity(traverse, state, first)
    if before_m_s == 0.0:
        return None
    return actual_velocity(traverse, state, again) / before_m_s - 1.0


def _drift_line(traverse: Traverse) -> BudgetLine:
    """Half the change is the half-width about the mean over the time of the traverse."""
    change = drift(traverse)
    if change is None:
        return BudgetLine("drift", UNKNOWN_DRIFT / 2.0 / ROOT3, assumed=True)
    return BudgetLine("drift", abs(change) / 2.0 / ROOT3)
