"""A point that its neighbours do not bear out: mistyped, or in a wake. Told, never taken out.

Tried on profiles of ducts (``tests/core/profiles.py``): smooth ones are never told; a factor of 2 or 1/10
at one of 25 points is found in 100 %, of 9 in 60 to 100 %. Behind bends and dampers real wakes are told too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp, log

import numpy as np
import numpy.typing as npt

from logger.core.airflow import FlowCheck
from logger.core.traverse import DuctShape, Traverse, TraversePoint
from logger.core.traverse_grid import Geometry, geometry

LEAST_OFF = 0.4  # of ln(point / neighbours), a factor of 1.5: less is no slip (assumed)
TIMES_USUAL = 5.0  # of the robust standard deviation of all points against theirs (assumed)
ROBUST = 1.4826  # median of amounts -> standard deviation of a normal distribution (exact to 4 digits)
LEAST_NEIGHBOURS, LEAST_POINTS = 2, 5  # fewer tell nothing (assumed)
MOST_TOLD = 3  # more of them are a plane, not slips (assumed)


def check_outlier(traverse: Traverse, velocity: npt.NDArray[np.float64]) -> FlowCheck:
    """Whether each point goes with its neighbours, beyond what the wall explains."""
    order = sorted(range(len(velocity)), key=lambda n: traverse.points[n].place)  # not that of the walk
    points = tuple(traverse.points[n] for n in order)
    places = geometry(traverse.duct, points)
    found = find_outliers(velocity[order] / places.wall, places)
    if not found:
        return FlowCheck(code="outlier", ok=True, text="Every point goes with its neighbours.")
    is_round = traverse.duct.shape is DuctShape.ROUND
    said = "; ".join(
        f"the point at {_place(points[n], is_round=is_round)} reads {ratio:.2g} times what its neighbours do"
        for n, ratio in found
    )
    text = (
        f"{said[:1].upper()}{said[1:]}: see whether it was mistyped, and take it again; if it is right, the "
        "plane lies in a wake: choose another."
    )
    return FlowCheck(code="outlier", ok=False, text=text)


def _place(point: TraversePoint, *, is_round: bool) -> str:
    """As the file's keys have it."""
    return f"x {point.x:.3f}, " + (f"diameter {point.diameter}" if is_round else f"y {point.y:.3f}")


def find_outliers(beyond: npt.NDArray[np.float64], places: Geometry) -> list[tuple[int, float]]:
    """The worst points and their ratio to the neighbours' median, one after the other: one that was found
    speaks for no other. ``beyond``: values without what the wall profile makes of them."""
    near = _neighbours(places, len(beyond))
    left = {n: float(value) for n, value in enumerate(beyond) if value > 0.0}  # no flow has its own check
    found: list[tuple[int, float]] = []
    while len(found) < MOST_TOLD:
        off = _off(left, near)
        if len(off) < LEAST_POINTS:
            break
        worst = max(off, key=lambda n: abs(off[n]))
        usual = ROBUST * float(np.median([abs(value) for n, value in off.items() if n != worst]))
        if abs(off[worst]) <= max(LEAST_OFF, TIMES_USUAL * usual):
            break
        found.append((worst, exp(off[worst])))
        del left[worst]
    return found


def _off(left: Mapping[int, float], near: Sequence[set[int]]) -> dict[int, float]:
    """Logarithm of each point over the median of its neighbours, where there are enough."""
    found = {}
    for n, value in left.items():
        beside = [left[other] for other in near[n] if other in left]
        if len(beside) >= LEAST_NEIGHBOURS:
            found[n] = log(value / float(np.median(beside)))
    return found


def _neighbours(places: Geometry, count: int) -> list[set[int]]:
    found: list[set[int]] = [set() for _ in range(count)]
    for run in places.runs:
        for one, other in run.pairs.tolist():
            found[one].add(other)
            found[other].add(one)
    return found
