"""What can be told of a traverse from its plan: number of points, bias of the rule, plane, yaw, u95.

Thresholds without a source are assumed; none of them changes a number.
"""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians

from logger.core.airflow import FlowCheck
from logger.core.texts import counted
from logger.core.traverse import Duct, DuctShape, MeasuredPlane, Method, Traverse, TraversePoint
from logger.core.traverse_flow import measure
from logger.core.traverse_grid import geometry
from logger.core.traverse_place import YAW_DEG, plane_u
from logger.core.traverse_plan import DOWNSTREAM_DIAMETERS, least_points
from logger.core.traverse_points import traverse_points

BIAS_TOLD = 0.01  # expected bias from which it is told (assumed)
PRECISE_U95, USUAL_TILT = 0.04, 0.15  # a probe of 4 %, a duct 15 % faster on one side: to plan with (assumed)
NOT_SEEN = (
    "Not behind dampers, vanes or coils: a wake between the points is not seen, and u95 covers little of it."
)


def check_points(duct: Duct, method: Method, count: int, planned: int) -> FlowCheck:
    """Whether there are as many points as the standard asks for, and what fewer cost."""
    least = least_points(duct)
    if min(count, planned) >= least:
        text = f"{counted(count, 'point')}; the standard asks for {least}."
        return FlowCheck(code="points", ok=True, text=text)
    said = counted(count, "point") if count <= planned else f"{counted(planned, 'point')} planned"
    text = (
        f"{said}, and the standard asks for {least}: allowed here, at a wider uncertainty"
        f"{' and with the bias told below' if method is Method.EQUAL_AREA else ''}."
    )
    return FlowCheck(code="points", ok=False, text=text)


def check_bias(duct: Duct, points: tuple[TraversePoint, ...], method: Method) -> FlowCheck:
    """What the rule is expected to misread on a plain wall profile; offered, never applied."""
    bias = geometry(duct, points).bias
    if abs(bias) < BIAS_TOLD:
        text = f"On a power-law profile this grid reads {bias:+.1%}."
        return FlowCheck(code="method-bias", ok=True, text=text)
    better = Method.LOG_LINEAR if duct.shape is DuctShape.ROUND else Method.LOG_TCHEBYCHEFF
    text = (
        f"On a power-law profile this grid reads {bias:+.1%}; the uncertainty covers it, the number is not "
        f"corrected (dividing by {1.0 + bias:.3f} would, where the profile is a plain one). More points"
        f"{' make it smaller' if method is better else f', or {better}, take it away'}."
    )
    return FlowCheck(code="method-bias", ok=False, text=text)


def check_plane(traverse: Traverse) -> FlowCheck:
    """Whether the plane stands far enough from what disturbs the air."""
    if traverse.plane is MeasuredPlane.FILTER_FACE:
        text = "A filter face: its frames and pleats have a line of their own in the budget."
        return FlowCheck(code="plane", ok=True, text=text)
    known, asked = traverse.upstream_diameters, f"{DOWNSTREAM_DIAMETERS:g} are asked for"
    assumed = f"a u95 of {2.0 * plane_u(known):.1%} is assumed for it"
    if known is None:
        text = (
            f"How many diameters of straight duct lie before the plane is not said ({asked}): {assumed}; "
            "measure it and give it (--straight of `riselog traverse take`, upstream_diameters in the file). "
            f"{NOT_SEEN}"
        )
        return FlowCheck(code="plane", ok=False, text=text)
    said = f"Straight duct before the plane: {known:.1f} diameters, {asked}"
    if known < DOWNSTREAM_DIAMETERS:
        text = f"{said}: {assumed}; look for a straighter place, or take more points. {NOT_SEEN}"
        return FlowCheck(code="plane", ok=False, text=text)
    return FlowCheck(code="plane", ok=True, text=f"{said}. {NOT_SEEN}")


def check_yaw(traverse: Traverse) -> FlowCheck:
    """What swirl does, and how it is found; told as a fault where the plane is known to be near.

    Source: 1 / cos(yaw) for a probe blind to direction; a pitot tube at large yaw recalled.
    """
    known = traverse.upstream_diameters
    text = (
        f"Covered: probe or air up to {YAW_DEG:.0f}° off the axis ({1.0 / cos(radians(YAW_DEG)) - 1.0:.1%}). "
        "In swirl, behind a fan or a turn, a probe blind to direction reads high, and one that is not (a "
        "pitot tube) low at large angles: where turning the probe about its stem raises the reading, choose "
        "another plane."
    )
    return FlowCheck(code="yaw", ok=known is None or known >= DOWNSTREAM_DIAMETERS, text=text)


def expected_u95(
    duct: Duct,
    method: Method,
    grid: tuple[int, int],
    plane: MeasuredPlane = MeasuredPlane.DUCT,
    upstream_diameters: float | None = None,
) -> float:
    """u95 to expect of such a traverse in an ordinary duct with a probe of 4 %; a fraction."""
    places = traverse_points(duct, method, *grid)
    wall = geometry(duct, places).wall
    points = tuple(
        replace(p, velocity_m_s=5.0 * float(w) * (1.0 + USUAL_TILT * (2.0 * p.x - 1.0)))
        for p, w in zip(places, wall, strict=True)
    )
    traverse = Traverse(
        duct=duct,
        method=method,
        points=points,
        points_across=grid[0],
        points_down=grid[1],
        points_per_diameter=grid[0],
        diameters=grid[1],
        velocity_u95=PRECISE_U95,
        plane=plane,
        upstream_diameters=upstream_diameters,
    )
    return measure(traverse).u95
