"""What the plane and the places of the points leave in doubt, relative to the flow.

Source: GUM (JCGM 100); each figure's own source stands at its function.
"""

from __future__ import annotations

from math import cos, radians, sqrt

import numpy as np
import numpy.typing as npt

from logger.core.traverse_grid import Geometry
from logger.core.traverse_plan import DOWNSTREAM_DIAMETERS

ROOT3 = sqrt(3.0)  # half-width of a rectangle -> standard uncertainty (GUM 4.3.7)
LONE_SPREAD = 0.10  # of the mean, least spread of points that have no neighbours (assumed)
MEMBER_THICKNESS = 0.02  # of the side: shaft, frame or vane that stands in the stream (assumed)
MEMBER_DRAG = 2.0  # drag coefficient of a flat bar across the stream (Hoerner; recalled)
YAW_DEG = 10.0  # degrees: air or probe turned out of the duct's axis (assumed)
MARK_U_M = 0.003  # m: depth of a mark, place of a hole (assumed)


def plane_u(upstream_diameters: float | None) -> float:
    """Standard uncertainty for a plane that stands too near to what disturbs the air.

    A body of thickness t across a side H leaves a wake whose missing flow is Cd t / 2H of the whole
    (momentum of the wake; von Karman, recalled). Points that miss it read that much high, points that
    hit it read low: as large an error as the missing flow. Assumed to fade evenly up to the length
    that the standard asks for. Not known: any length up to there, the rectangle from 0.

    >>> [round(plane_u(length), 4) for length in (0.0, 3.75, 7.5, None)]
    [0.02, 0.01, 0.0, 0.0115]
    """
    most = MEMBER_DRAG * MEMBER_THICKNESS / 2.0
    if upstream_diameters is None:
        return most / ROOT3
    return most * max(1.0 - upstream_diameters / DOWNSTREAM_DIAMETERS, 0.0)


def yaw_u() -> float:
    """Standard uncertainty for air that does not run along the axis.

    A probe blind to direction reads 1 / cos(yaw) of what runs along the duct; a probe turned in
    straight air reads about cos(yaw). One-sided, not corrected: the rectangle 0..b has the root
    mean square b / sqrt(3) (GUM F.2.4.5).

    >>> round(yaw_u(), 4)
    0.0089
    """
    return (1.0 / cos(radians(YAW_DEG)) - 1.0) / ROOT3


def position_u(relative: npt.NDArray[np.float64], places: Geometry) -> float:
    """Standard uncertainty of the mean from marks and holes that are a little off.

    Each of the k marks is off by itself and serves every hole, each hole every mark: the mean is off
    by slope x u / sqrt(k) in each direction. The slope is that of a wall profile of the usual power
    law, and of what runs beyond it from neighbour to neighbour.
    """
    beyond = relative / places.wall
    total = 0.0
    for run in places.runs:
        slope = float(np.mean((relative * run.wall_slope_per_m) ** 2))
        if len(run.pairs):
            steps = (beyond[run.pairs[:, 0]] - beyond[run.pairs[:, 1]]) / run.apart_m
            slope += float(np.mean(steps * steps))
        total += slope / run.marks
    return MARK_U_M * sqrt(total)


def sampling_u(relative: npt.NDArray[np.float64], places: Geometry) -> float:
    """Standard uncertainty of the mean from a finite number of points, as a fraction of it.

    Each point stands for its part of the area. Over one part the velocity runs on as it does to
    the neighbours: a run of d over a part has a standard deviation of d / sqrt(12) in each
    direction, and the parts' errors are taken as independent. Source: stratified sampling.
    Too wide where the velocity rises evenly (a symmetric rule has no error there), most of all
    with few points; kept, because it is what answers to wakes that the points do see.
    """
    count = len(relative)
    spread = max(float(np.var(relative, ddof=1)) if count > 1 else 0.0, LONE_SPREAD**2)
    beyond = relative / places.wall
    total = 0.0
    for run in places.runs:
        if len(run.pairs):
            steps = beyond[run.pairs[:, 0]] - beyond[run.pairs[:, 1]]
            total += float(np.mean(steps * steps)) / 12.0
        else:
            total += spread / 2.0
    return sqrt(total / count)


def bias_u(bias: float, rest_u: float) -> float:
    """Standard uncertainty that stands for an expected bias which is not corrected.

    Sized so that all lines together come to k u + bias: an uncorrected bias adds to the expanded
    uncertainty as it is. Source: GUM F.2.4.5; the sum as in NIST practice (recalled).

    >>> round(2 * sqrt(0.03**2 + bias_u(0.06, 0.03)**2), 3)
    0.12
    """
    part = bias / 2.0
    return sqrt(part * part + 2.0 * rest_u * part)
