"""What the places of the points alone tell: who stands beside whom, and how the rule misreads a wall.

Cached by place: thousands of traverses of one duct share it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import pi, sqrt

import numpy as np
import numpy.typing as npt

from logger.core.traverse import Duct, DuctShape, TraversePoint
from logger.core.traverse_points import PLACE_OFF

USUAL_EXPONENT = 1.0 / 7.0  # of the power law: smooth turbulent flow (Prandtl; recalled)
EXPONENTS = (1.0 / 10.0, 1.0 / 5.0)  # very smooth (Nikuradse; recalled) to rough walls (assumed)
_SAME = 0.005  # of the side: two points nearer than that stand in one row, typed or computed (assumed)

Place = tuple[int, float, float]
Pairs = npt.NDArray[np.intp]
Values = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """The points along one direction. ``pairs``: indices of neighbours (k x 2), ``apart_m`` apart.

    ``marks``: how many places there are along it. ``wall_slope_per_m``: relative slope of the usual
    wall profile along it, at each point.
    """

    pairs: Pairs
    apart_m: Values
    marks: int
    wall_slope_per_m: Values


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Geometry:
    """``runs``: both directions, along the height and the width, or along the diameter and around.

    ``wall``: what a wall profile of the usual power law would show at each point, mean 1.
    ``bias``: relative error of the plain mean on such wall profiles, the larger by size.
    ``bias_u``: its standard uncertainty, the exponent being that of a smooth or a rough wall.
    """

    runs: tuple[Run, Run]
    wall: Values
    bias: float
    bias_u: float


def geometry(duct: Duct, points: tuple[TraversePoint, ...]) -> Geometry:
    """Work out the geometry of these places."""
    return _geometry(duct, tuple(point.place for point in points))


@lru_cache(maxsize=256)
def _geometry(duct: Duct, places: tuple[Place, ...]) -> Geometry:
    if duct.shape is DuctShape.ROUND:
        lines = _rows(places, lambda p: p[0], lambda p: p[1])
        marks = max(map(len, lines))
        ring, around_m = _ring_pairs(places), pi * duct.diameter_m / 2.0 / len(lines)
        around = Run(
            pairs=ring,
            apart_m=np.full(len(ring), around_m),  # of the holes: off at the wall, less at the axis
            marks=len(lines),
            wall_slope_per_m=np.zeros(len(places)),
        )
        along = [place[1] for place in places]
        runs = _run(_pairs(lines), along, duct.diameter_m, marks), around
    else:
        columns = _rows(places, lambda p: p[1], lambda p: p[2])
        rows = _rows(places, lambda p: p[2], lambda p: p[1])
        runs = (
            _run(_pairs(columns), [place[2] for place in places], duct.height_m, len(rows)),
            _run(_pairs(rows), [place[1] for place in places], duct.width_m, len(columns)),
        )
    least, most = (abs(wall_bias(duct, places, exponent)) for exponent in EXPONENTS)
    return Geometry(
        runs=runs,
        wall=_wall(duct, places),
        bias=wall_bias(duct, places, USUAL_EXPONENT),
        bias_u=abs(most - least) / 2.0 / sqrt(3.0),  # a rectangle (GUM 4.3.7)
    )


def _run(pairs: Pairs, along: list[float], side_m: float, marks: int) -> Run:
    """Points ``along`` a side, as fractions of it, from wall to wall."""
    at_m = np.array(along) * side_m
    return Run(
        pairs=pairs,
        apart_m=np.maximum(np.abs(at_m[pairs[:, 0]] - at_m[pairs[:, 1]]), PLACE_OFF * side_m),
        marks=marks,
        wall_slope_per_m=USUAL_EXPONENT / np.minimum(at_m, side_m - at_m),
    )


def _rows(
    places: tuple[Place, ...], key: Callable[[Place], float], order: Callable[[Place], float]
) -> list[list[int]]:
    """Points whose ``key`` is nearly the same, in their ``order``."""
    rows: list[list[int]] = []
    last = float("-inf")
    for n in sorted(range(len(places)), key=lambda n: key(places[n])):
        if key(places[n]) - last > _SAME:
            rows.append([])
        last = key(places[n])
        rows[-1].append(n)
    return [sorted(row, key=lambda n: order(places[n])) for row in rows]


def _pairs(rows: Iterable[list[int]]) -> Pairs:
    return np.array([pair for row in rows for pair in pairwise(row)], np.intp).reshape(-1, 2)


def _ring_pairs(places: tuple[Place, ...]) -> Pairs:
    """Neighbours around the duct: points of one distance from the axis, by their angle."""
    diameters = max(place[0] for place in places) + 1

    def angle(place: Place) -> float:
        return pi * place[0] / diameters + (pi if place[1] > 0.5 else 0.0)  # noqa: PLR2004 - the axis

    rings = _rows(places, lambda p: abs(p[1] - 0.5), angle)
    closed = [[*ring, ring[0]] if len(ring) > 2 else ring for ring in rings]  # noqa: PLR2004 - a pair is one
    return _pairs(closed)


def _wall(duct: Duct, places: tuple[Place, ...]) -> npt.NDArray[np.float64]:
    near = np.array([1.0 - abs(2.0 * place[1] - 1.0) for place in places])
    if duct.shape is DuctShape.RECTANGULAR:
        near *= [1.0 - abs(2.0 * place[2] - 1.0) for place in places]
    profile = near**USUAL_EXPONENT
    return profile / np.mean(profile)


def wall_bias(duct: Duct, places: tuple[Place, ...], exponent: float) -> float:
    """Relative error of the plain mean where u falls to the walls by a power law.

    Round: u = (y/R)^e, mean 2 / ((1+e)(2+e)). Rectangular: the product of both directions, mean
    1/(1+e)^2, and the distance to the nearest wall, mean by integration; the larger error counts.
    """
    e = exponent
    if duct.shape is DuctShape.ROUND:
        read = np.mean([(1.0 - abs(2.0 * x - 1.0)) ** e for _, x, _ in places])
        return float(read) * (1.0 + e) * (2.0 + e) / 2.0 - 1.0
    width, height = max(duct.width_m, duct.height_m), min(duct.width_m, duct.height_m)
    x = np.array([place[1] for place in places])
    y = np.array([place[2] for place in places])
    near_x, near_y = 1.0 - np.abs(2.0 * x - 1.0), 1.0 - np.abs(2.0 * y - 1.0)
    product = float(np.mean((near_x * near_y) ** e)) * (1.0 + e) ** 2 - 1.0
    a = height / 2.0
    exact = (2.0 * (width + height) * a / (e + 1.0) - 8.0 * a * a / (e + 2.0)) / (width * height)
    distance = np.minimum(near_x * duct.width_m, near_y * duct.height_m) / height
    nearest = float(np.mean(distance**e)) / exact - 1.0
    return max(product, nearest, key=abs)
