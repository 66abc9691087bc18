"""A plan for people, and as the document ``riselog.plan/1``."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from logger.airflow.drawing import ASCII, UNICODE, draw
from logger.airflow.lengths import distance, mark, unit
from logger.config.quantities import Dimension, Units, show
from logger.core.airflow import FlowCheck
from logger.core.texts import counted
from logger.core.traverse import DuctShape, MeasuredPlane, Method, Traverse
from logger.core.traverse_grid import geometry
from logger.core.traverse_plan import (
    DOWNSTREAM_DIAMETERS,
    UPSTREAM_DIAMETERS,
    Plan,
    default_method,
    standard_grid,
)
from logger.core.traverse_plan_checks import (
    NOT_SEEN,
    PRECISE_U95,
    check_bias,
    check_points,
    check_yaw,
    expected_u95,
)
from logger.core.traverse_points import traverse_points
from logger.safety import CAUTIONS

SCHEMA = "riselog.plan/1"
WIDTH = 80  # columns
QUICK = {
    DuctShape.RECTANGULAR: (Method.EQUAL_AREA, (3, 3)),
    DuctShape.ROUND: (Method.LOG_LINEAR, (4, 2)),
}
"""Where there is no time for the standard's: points across x down, or a diameter x diameters (assumed)."""


def plan_checks(plan: Plan, units: Units) -> tuple[FlowCheck, ...]:
    """What must be told of a plan."""
    points = tuple(p.point for p in plan.points)
    usual, here = _expected(plan)
    count = check_points(plan.duct, plan.method, len(points), len(points))
    text = count.text
    if not count.ok:
        text += f" Expected u95 with a probe of {PRECISE_U95:.0%}: {here:.1%} instead of {usual:.1%}."
    return (
        FlowCheck(code="points", ok=count.ok, text=text),
        check_bias(plan.duct, points, plan.method),
        FlowCheck(code="expected-u95", ok=True, text=_expected_text(plan, here)),
        *_reach(plan),
        FlowCheck(code="plane", ok=True, text=_plane_rule(plan, units)),
        check_yaw(Traverse(duct=plan.duct, method=plan.method, plane=plan.plane)),
    )


def _expected_text(plan: Plan, here: float) -> str:
    text = f"Expected u95 of the airflow, with a probe of {PRECISE_U95:.0%}: {here:.1%}"
    if plan.plane is MeasuredPlane.FILTER_FACE:
        return f"{text}."
    grid = plan.first, plan.second
    good = expected_u95(plan.duct, plan.method, grid, plan.plane, DOWNSTREAM_DIAMETERS)
    return f"{text}; {good:.1%} with {DOWNSTREAM_DIAMETERS:g} diameters of straight duct before the plane."


def _reach(plan: Plan) -> Iterator[FlowCheck]:
    """Points where the tip would strike the far wall before the sensor is there."""
    inside_m = plan.duct.height_m if plan.along_height else plan.duct.width_m
    if plan.duct.shape is DuctShape.ROUND:
        inside_m = plan.duct.diameter_m
    stuck = [p.n for p in plan.points if p.depth_m - plan.liner_m > inside_m]
    if stuck:
        text = (
            f"The tip strikes the far wall before the sensor is at point {', '.join(map(str, stuck))}: reach "
            "these from the other side, or use a probe with a shorter tip."
        )
        yield FlowCheck(code="reach", ok=False, text=text)


def _expected(plan: Plan) -> tuple[float, float]:
    """u95 to expect of the standard's own grid, and of this one."""
    standard = default_method(plan.duct, plan.plane), standard_grid(plan.duct)
    usual = expected_u95(plan.duct, *standard, plan.plane)
    return usual, expected_u95(plan.duct, plan.method, (plan.first, plan.second), plan.plane)


def _plane_rule(plan: Plan, units: Units) -> str:
    if plan.plane is MeasuredPlane.FILTER_FACE:
        return (
            "Measure in front of the filters, the probe a hand's breadth off, with the doors as closed as "
            "they can be; frames and pleats make this plane poorer than a duct."
        )
    return (
        f"Choose a plane with {distance(plan.downstream_m, units)} of straight duct before it "
        f"({DOWNSTREAM_DIAMETERS:g} diameters) and {distance(plan.upstream_m, units)} behind it "
        f"({UPSTREAM_DIAMETERS:g}); where that cannot be had, take the straightest place and more points. "
        f"{NOT_SEEN}"
    )


def _quick(plan: Plan) -> Iterator[str]:
    """The short way, offered where the standard's own grid was planned."""
    duct = plan.duct
    own = default_method(duct, plan.plane), standard_grid(duct)
    method, grid = QUICK[duct.shape]
    if (plan.method, (plan.first, plan.second)) != own or own == (method, grid):
        return
    bias = geometry(duct, traverse_points(duct, method, *grid)).bias
    u95 = expected_u95(duct, method, grid, plan.plane)
    first, second = grid
    yield from _wrapped(
        "quick: ",
        f"--points {first}x{second} --method {method.value}, {first * second} points, reads about "
        f"{bias:+.1%} on a power-law profile, expected u95 {u95:.1%}",
    )


def plan_document(plan: Plan, units: Units) -> dict[str, Any]:
    """The JSON document: what ``traverse.json`` will need, and each point."""
    duct, is_round = plan.duct, plan.duct.shape is DuctShape.ROUND
    sides = {"width_m": duct.width_m, "height_m": duct.height_m}
    if is_round:
        sides = {"diameter_m": duct.diameter_m}
    names = ("points_per_diameter", "diameters") if is_round else ("points_across", "points_down")
    return {
        "schema": SCHEMA,
        "duct": {"shape": duct.shape.value, **sides},
        "area_m2": duct.area_m2,
        "method": plan.method.value,
        "plane": plan.plane.value,
        names[0]: plan.first,
        names[1]: plan.second,
        "liner_m": plan.liner_m,
        "tip_offset_m": plan.tip_offset_m,
        "expected_bias_percent": 100.0 * geometry(duct, tuple(p.point for p in plan.points)).bias,
        "expected_u95_percent": 100.0 * _expected(plan)[1],
        "points": [
            {
                "n": p.n,
                "hole": p.hole,
                **({"diameter": p.point.diameter} if is_round else {}),
                "x": p.point.x,
                "y": None if is_round else p.point.y,
                "depth_m": p.depth_m,
                "hole_m": p.hole_m,
            }
            for p in plan.points
        ],
        "checks": [{"code": c.code, "ok": c.ok, "text": c.text} for c in plan_checks(plan, units)],
    }


def plan_lines(plan: Plan, units: Units, *, plain: bool) -> list[str]:
    """The plan for people; ``plain``: ASCII alone."""
    return [
        *_title(plan, units),
        "",
        *_holes(plan, units),
        "",
        *draw(plan, ASCII if plain else UNICODE),
        "",
        *(line for check in plan_checks(plan, units) for line in check_lines(check)),
        *_quick(plan),
        "",
        *_wrapped("Caution: ", CAUTIONS[4]),
        *_wrapped("", CAUTIONS[1]),
    ]


def _title(plan: Plan, units: Units) -> Iterator[str]:
    duct, dim = plan.duct, unit(units)
    if duct.shape is DuctShape.ROUND:
        size = f"round {mark(duct.diameter_m, units)} {dim}"
        points = f"{counted(plan.second, 'diameter')} of {counted(plan.first, 'point')}"
    else:
        size = f"{mark(duct.width_m, units)} {dim} wide x {mark(duct.height_m, units)} {dim} high"
        points = f"{plan.first} across x {plan.second} down"
    face = "Filter face, " if plan.plane is MeasuredPlane.FILTER_FACE else "Duct, "
    liner = f" inside a liner of {mark(plan.liner_m, units)} {dim}" if plan.liner_m else ""
    yield f"{face}{size}{liner}: free area {show(duct.area_m2, Dimension.AREA, units)}"
    yield f"{plan.method.value}, {points}: {counted(len(plan.points), 'point')}"


def _holes(plan: Plan, units: Units) -> Iterator[str]:
    dim = unit(units)
    holes = {p.hole: p.hole_m for p in plan.points}
    depths = [p.depth_m for p in plan.points if p.hole == 1]
    if plan.plane is MeasuredPlane.FILTER_FACE:
        where = f"Columns, {dim} from the left" if plan.along_height else f"Rows, {dim} from the top"
        below = f"Along each, {dim} from the {'top' if plan.along_height else 'left'}"
    else:
        if plan.duct.shape is DuctShape.ROUND:
            where = f"Holes, {dim} around the outside from hole 1"
        else:
            side = "width, from its left end" if plan.along_height else "height, from its top"
            where = f"Holes, {dim} along the outside of the {side}"
        extra = [
            text
            for text, length_m in (("liner", plan.liner_m), ("tip offset", plan.tip_offset_m))
            if length_m > 0.0
        ]
        with_ = f" ({' and '.join(extra)} in it)" if extra else ""
        below = f"Marks, {dim} from the probe's tip to the outside of the wall{with_}"
    yield from _row(where, [f"{hole}: {mark(at_m, units)}" for hole, at_m in holes.items()])
    yield from _row(below, [mark(depth_m, units) for depth_m in depths])


def _row(label: str, values: list[str]) -> Iterator[str]:
    yield f"{label}:"
    line = ""
    for value in values:
        if line and len(line) + 4 + len(value) > WIDTH:
            yield line
            line = ""
        line += f"    {value}"
    yield line


def check_lines(check: FlowCheck) -> list[str]:
    """A check for people."""
    return _wrapped(f"{'ok ' if check.ok else 'SEE'} {check.code:<18} ", check.text)


def _wrapped(label: str, text: str) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=label,
        subsequent_indent=" " * len(label),
        break_on_hyphens=False,  # an option stays in one piece
    )
