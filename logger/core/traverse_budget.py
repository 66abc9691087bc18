"""The uncertainty budget of a traverse, relative to the flow.

Source: GUM (JCGM 100); each line's own source stands at its function.
"""

from __future__ import annotations

from math import copysign, hypot, sqrt

import numpy as np
import numpy.typing as npt

from logger.core.airflow import AirState, density_u
from logger.core.budget import BudgetLine
from logger.core.heat import standard_to_actual_velocity
from logger.core.params import VelocityBasis
from logger.core.traverse import MeasuredPlane, Traverse, TraversePoint
from logger.core.traverse_grid import geometry
from logger.core.traverse_place import LONE_SPREAD, ROOT3, bias_u, plane_u, position_u, sampling_u, yaw_u
from logger.core.traverse_points import nearest_place

UNKNOWN_DRIFT = 0.02  # of the flow, from start to end, where no point was repeated (assumed)
UNKNOWN_SCATTER = 0.03  # of the mean, of one point's average, where none was noted (assumed)
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


def density_power(traverse: Traverse, velocity: npt.NDArray[np.float64]) -> float:
    """Power with which the volume goes with 1 / density, as the points were read.

    1 for standard velocities, 0.5 for velocity pressures, 0 for the air's own velocities; of mixed
    readings the mean by what each adds to the flow.
    """
    of_velocity = 1.0 if traverse.basis is VelocityBasis.STANDARD else 0.0
    powers = [of_velocity if p.velocity_pressure_pa is None else 0.5 for p in traverse.points]
    return float(np.average(powers, weights=np.abs(velocity)))


def air_state(traverse: Traverse) -> AirState:
    """The air in the traverse's plane."""
    return AirState.of(
        traverse.temperature_c, traverse.humidity, traverse.pressure_pa, traverse.pressure_from
    )


def traverse_lines(
    traverse: Traverse, state: AirState, velocity: npt.NDArray[np.float64], mean_m_s: float
) -> list[BudgetLine]:
    """The budget, relative to the mean.

    The density's line is that of the volume or of the mass, whichever hangs on it more: of velocities
    of one kind the one hardly does, the other fully, and the reader may use either.
    """
    places = geometry(traverse.duct, traverse.points)
    count = len(velocity)
    missing = max(traverse.planned - count, 0)
    spread = float(np.std(velocity)) / mean_m_s
    relative = velocity / mean_m_s
    power = density_power(traverse, velocity)
    density = density_u(state, traverse.assumed) * max(power, 1.0 - power)
    scatter = _scatter_line(traverse, state, velocity, mean_m_s)
    lines = [
        BudgetLine("probe calibration", traverse.velocity_u95 / 2.0),
        BudgetLine("sampling", sampling_u(relative, places), nu=max(count - 1.0, 1.0)),
        scatter,
        BudgetLine("missing points", missing / max(traverse.planned, 1) * max(spread, LONE_SPREAD)),
        BudgetLine("position", position_u(relative, places), assumed=True),
        BudgetLine("yaw", yaw_u(), assumed=True),
        BudgetLine("area", traverse.area_u95 / 2.0),
        _drift_line(traverse, scatter.u_w * sqrt(count)),
        BudgetLine("density", density, assumed=True),
    ]
    if traverse.plane is MeasuredPlane.FILTER_FACE:
        lines.append(BudgetLine("filter face", FILTER_FACE_U, assumed=True))
    else:
        lines.append(BudgetLine("plane", plane_u(traverse.upstream_diameters), assumed=True))
    rest_u = sqrt(sum(line.u_w**2 for line in lines) + places.bias_u**2)
    bias = hypot(places.bias_u, bias_u(abs(places.bias), rest_u))
    return [*lines, BudgetLine("method bias", bias, assumed=True)]


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
    """Relative change of the first point from the start to the end; None where that is not known."""
    again, first = traverse.repeat_first, traverse.first
    if again is None or repeated_early(traverse) or nearest_place(traverse.points, again) != first:
        return None
    state = air_state(traverse)
    before_m_s = actual_velocity(traverse, state, traverse.points[first])
    if before_m_s == 0.0:
        return None
    return actual_velocity(traverse, state, again) / before_m_s - 1.0


def repeated_early(traverse: Traverse) -> bool:
    """Whether points were captured after the repeat: what drifted since then it does not see."""
    again = traverse.repeat_first
    if again is None or again.t_s is None:
        return False
    return any(point.t_s is not None and point.t_s > again.t_s for point in traverse.points)


def _drift_line(traverse: Traverse, scatter_u: float) -> BudgetLine:
    """Half the change is the half-width about the mean over the time of the traverse.

    A change below what the scatter of two points (``scatter_u`` each) makes says no more than that.
    """
    change = drift(traverse)
    if change is None:
        return BudgetLine("drift", UNKNOWN_DRIFT / 2.0 / ROOT3, assumed=True)
    least = min(sqrt(2.0) * scatter_u, UNKNOWN_DRIFT)
    return BudgetLine("drift", max(abs(change), least) / 2.0 / ROOT3)
