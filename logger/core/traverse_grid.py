"""What the places of the points alone tell: who stands beside whom, and how the rule misreads a wall.

Cached by place: thousands of traverses of one duct share it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import pi

import numpy as np
import numpy.typing as npt

from logger.core.traverse import Duct, DuctShape, TraversePoint

USUAL_EXPONENT = 1.0 / 7.0  # of the power law: smooth turbulent flow (Prandtl; recalled)
_SAME = 3  # digits of a fraction by which two points stand in one row

Place = tuple[int, float, float]
Pairs = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Geometry:
    """``lengthwise`` and ``crosswise``: index pairs of neighbours in the two directions (k x 2).

    ``wall``: what a wall profile of the usual power law would show at each point, mean 1.
    ``bias``: relative error of the plain mean on such wall profiles, the larger by size.
    """

    lengthwise: Pairs
    crosswise: Pairs
    wall: npt.NDArray[np.float64]
    bias: float


def geometry(duct: Duct, points: tuple[TraversePoint, ...]) -> Geometry:
    """Work out the geometry of these places."""
    return _geometry(duct, tuple(point.place for point in points))


@lru_cache(maxsize=256)
def _geometry(duct: Duct, places: tuple[Place, ...]) -> Geometry:
    if duct.shape is DuctShape.ROUND:
        lines = _rows(places, lambda p: p[0], lambda p: p[1])
        pairs = _pairs(lines), _ring_pairs(places)
    else:
        columns = _rows(places, lambda p: round(p[1], _SAME), lambda p: p[2])
        rows = _rows(places, lambda p: round(p[2], _SAME), lambda p: p[1])
        pairs = _pairs(columns), _pairs(rows)
    return Geometry(
        lengthwise=pairs[0],
        crosswise=pairs[1],
        wall=_wall(duct, places),
        bias=wall_bias(duct, places, USUAL_EXPONENT),
    )


def _rows(
    places: tuple[Place, ...], key: Callable[[Place], float], order: Callable[[Place], float]
) -> list[list[int]]:
    found: dict[float, list[int]] = {}
    for n, place in enumerate(places):
        found.setdefault(key(place), []).append(n)
    return [sorted(row, key=lambda n: order(places[n])) for row in found.values()]


def _pairs(rows: Iterable[list[int]]) -> Pairs:
    return np.array([pair for row in rows for pair in pairwise(row)], np.intp).reshape(-1, 2)


def _ring_pairs(places: tuple[Place, ...]) -> Pairs:
    """Neighbours around the duct: points of one distance from the axis, by their angle."""
    diameters = max(place[0] for place in places) + 1

    def angle(place: Place) -> float:
        return pi * place[0] / diameters + (pi if place[1] > 0.5 else 0.0)  # noqa: PLR2004 - the axis

    rings = _rows(places, lambda p: round(abs(p[1] - 0.5), _SAME), angle)
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
