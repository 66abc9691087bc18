"""A traverse before it is walked: how many points, where the holes go, how deep each mark sits.

Depths and holes are measured on the OUTSIDE of the duct: liner and tip offset are in them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi

from logger.core.errors import UsageError
from logger.core.traverse import Duct, DuctShape, MeasuredPlane, Method, TraversePoint
from logger.core.traverse_points import traverse_points

IN_M = 0.0254  # m, exact
SIDE_RULE: tuple[tuple[float, int], ...] = ((30.0 * IN_M, 5), (36.0 * IN_M + 1e-9, 6), (float("inf"), 7))
"""Side shorter than (m) -> points: ASHRAE Fundamentals (measurement), ASHRAE 111; recalled."""
LEAST_RECTANGULAR = 25  # points, same source
DIAMETER_RULE: tuple[tuple[float, int], ...] = (
    (9.5 * IN_M, 6),
    (12.5 * IN_M, 8),
    (float("inf"), 10),
)  # diameter below (m) -> points a diameter: common practice, no source
LEAST_ROUND = 12  # points: 6 on each of two diameters, the smallest table of ISO 3966; recalled
DOWNSTREAM_DIAMETERS, UPSTREAM_DIAMETERS = 7.5, 3.0  # ASHRAE Fundamentals, ASHRAE 111; recalled


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanPoint:
    """One point: ``depth_m`` from the duct's outside to the probe's tip, ``hole_m`` along the outside."""

    n: int
    point: TraversePoint
    hole: int
    hole_m: float
    depth_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to walk. ``along_height``: the probe goes in along the height."""

    duct: Duct
    method: Method
    plane: MeasuredPlane
    first: int
    second: int
    along_height: bool
    liner_m: float
    tip_offset_m: float
    points: tuple[PlanPoint, ...]

    @property
    def downstream_m(self) -> float:
        """Straight duct wanted before the plane."""
        return DOWNSTREAM_DIAMETERS * self.duct.hydraulic_diameter_m

    @property
    def upstream_m(self) -> float:
        """Straight duct wanted behind the plane."""
        return UPSTREAM_DIAMETERS * self.duct.hydraulic_diameter_m


def free_duct(outside: Duct, liner_m: float) -> Duct:
    """The free cross-section of a duct lined on each side. Raises UsageError where nothing is left."""
    if outside.shape is DuctShape.ROUND:
        inside = replace(outside, diameter_m=outside.diameter_m - 2.0 * liner_m)
        left_m = inside.diameter_m
    else:
        width_m, height_m = outside.width_m - 2.0 * liner_m, outside.height_m - 2.0 * liner_m
        inside = replace(outside, width_m=width_m, height_m=height_m)
        left_m = min(width_m, height_m)
    if left_m <= 0.0:
        raise UsageError(
            f"a liner of {liner_m * 1000:.0f} mm ({liner_m / IN_M:.1f} in) on each side leaves no free area: "
            "check both"
        )
    return inside


def standard_grid(duct: Duct) -> tuple[int, int]:
    """Points across x down that the standard asks for, or points a diameter x diameters."""
    if duct.shape is DuctShape.ROUND:
        return next(n for below_m, n in DIAMETER_RULE if duct.diameter_m < below_m), 2
    across, down = (
        next(n for below_m, n in SIDE_RULE if side_m < below_m) for side_m in (duct.width_m, duct.height_m)
    )
    return across, down


def least_points(duct: Duct) -> int:
    """The fewest points that the standard accepts."""
    return LEAST_ROUND if duct.shape is DuctShape.ROUND else LEAST_RECTANGULAR


def default_method(duct: Duct, plane: MeasuredPlane) -> Method:
    """The rule to use where none is asked for."""
    if plane is MeasuredPlane.FILTER_FACE:
        return Method.EQUAL_AREA
    return Method.LOG_LINEAR if duct.shape is DuctShape.ROUND else Method.LOG_TCHEBYCHEFF


def make_plan(
    duct: Duct,
    *,
    method: Method | None = None,
    grid: tuple[int, int] | None = None,
    plane: MeasuredPlane = MeasuredPlane.DUCT,
    holes_on_long: bool = True,
    liner_m: float = 0.0,
    tip_offset_m: float = 0.0,
) -> Plan:
    """Plan a traverse of the FREE duct.

    Raises UsageError for a rule or a number of points that does not exist.
    """
    if plane is MeasuredPlane.FILTER_FACE and duct.shape is DuctShape.ROUND:
        raise UsageError("a filter face is rectangular: give its two sides")
    method = default_method(duct, plane) if method is None else method
    first, second = standard_grid(duct) if grid is None else grid
    along_height = (duct.width_m >= duct.height_m) is holes_on_long
    walked = traverse_points(duct, method, first, second, along_height=along_height)
    each = len(walked) // (second if duct.shape is DuctShape.ROUND or not along_height else first)
    points = tuple(
        _planned(n, point, n // each, duct, second, liner_m, tip_offset_m, along_height=along_height)
        for n, point in enumerate(walked)
    )
    return Plan(
        duct=duct,
        method=method,
        plane=plane,
        first=first,
        second=second,
        along_height=along_height,
        liner_m=liner_m,
        tip_offset_m=tip_offset_m,
        points=points,
    )


def _planned(
    n: int,
    point: TraversePoint,
    hole: int,
    duct: Duct,
    diameters: int,
    liner_m: float,
    tip_offset_m: float,
    *,
    along_height: bool,
) -> PlanPoint:
    if duct.shape is DuctShape.ROUND:
        outside_m = duct.diameter_m + 2.0 * liner_m
        hole_m = pi * outside_m * hole / (2.0 * diameters)  # along the circumference, from hole 1
        deep_m = point.x * duct.diameter_m
    elif along_height:
        hole_m, deep_m = liner_m + point.x * duct.width_m, point.y * duct.height_m
    else:
        hole_m, deep_m = liner_m + point.y * duct.height_m, point.x * duct.width_m
    return PlanPoint(
        n=n + 1, point=point, hole=hole + 1, hole_m=hole_m, depth_m=liner_m + deep_m + tip_offset_m
    )
