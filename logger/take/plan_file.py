"""Where the points are, from a file: a plan, or a traverse that was begun. And back into its notes.

A traverse file has the free duct and its points. What else the marks on the probe hang on (liner,
tip offset) stands in its notes, in words that are read again; the side of the holes is found by the
order of the points.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from logger.core.errors import TableError
from logger.core.traverse import Duct, DuctShape, MeasuredPlane, Method, Traverse, TraversePoint
from logger.core.traverse_plan import Plan, make_plan
from logger.core.traverse_points import nearest_place
from logger.traverse.file import loads_traverse, parse_json, read_small
from logger.traverse.model import RectangularDuct, RoundDuct, fault_sentences

PLAN_SCHEMA = "riselog.plan/1"
MM = 1000.0  # mm in 1 m
_NOTE = re.compile(r"(liner|tip offset) ([0-9]+(?:\.[0-9]+)?) mm")

_Length = Annotated[float, Field(ge=0.0, le=2.0)]  # m, as the options of a plan allow
_Count = Annotated[int, Field(ge=1, le=30)]


class _Lenient(BaseModel):
    """A plan says more than is needed here; what is needed is read strictly."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True, allow_inf_nan=False)


class _PlanPoint(_Lenient):
    x: float
    y: float | None = None
    diameter: int | None = None


class _PlanFile(_Lenient):
    duct: RectangularDuct | RoundDuct = Field(discriminator="shape")
    method: Literal["log-tchebycheff", "log-linear", "equal-area"]
    plane: Literal["duct", "filter-face"] = "duct"
    points_across: _Count | None = None
    points_down: _Count | None = None
    points_per_diameter: _Count | None = None
    diameters: _Count | None = None
    liner_m: _Length = 0.0
    tip_offset_m: _Length = 0.0
    points: list[_PlanPoint]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """What a plan is made from; ``walked``: places in the order in which they were gone to."""

    duct: Duct
    method: Method
    plane: MeasuredPlane
    grid: tuple[int, int]
    liner_m: float = 0.0
    tip_offset_m: float = 0.0
    walked: Sequence[TraversePoint] = ()


def load_plan(path: Path, on_long: bool | None) -> Plan:  # noqa: FBT001 - None is a third state
    """The plan of a file that ``traverse plan --json`` or a take wrote.

    Raises
    ------
    TableError
        It cannot be read or used; the sentence names file and key.
    """
    text = read_small(path)
    document = parse_json(text, str(path))
    if not isinstance(document, dict) or document.get("schema") != PLAN_SCHEMA:
        return plan_like(loads_traverse(text, str(path)), on_long)
    return laid_out(_layout(document, str(path)), on_long)


def plan_like(traverse: Traverse, on_long: bool | None) -> Plan:  # noqa: FBT001 - as above
    """The plan of a traverse that was begun."""
    is_round = traverse.duct.shape is DuctShape.ROUND
    found = {name: float(mm) / MM for name, mm in _NOTE.findall(traverse.notes or "")}
    layout = Layout(
        duct=traverse.duct,
        method=traverse.method,
        plane=traverse.plane,
        grid=(
            (traverse.points_per_diameter, traverse.diameters)
            if is_round
            else (traverse.points_across, traverse.points_down)
        ),
        liner_m=found.get("liner", 0.0),
        tip_offset_m=found.get("tip offset", 0.0),
        walked=traverse.points,
    )
    return laid_out(layout, on_long)


def plan_note(plan: Plan) -> str:
    """What the notes must keep of a plan; empty where there is nothing.

    Lengths in mm with two digits: finer than any mark.
    """
    parts = [("liner", plan.liner_m), ("tip offset", plan.tip_offset_m)]
    return "; ".join(f"{name} {length_m * MM:.2f} mm" for name, length_m in parts if length_m > 0.0)


def laid_out(layout: Layout, on_long: bool | None) -> Plan:  # noqa: FBT001 - as above
    """The plan; where nobody says which side has the holes, the walk so far does."""
    plans = [
        make_plan(
            layout.duct,
            method=layout.method,
            grid=layout.grid,
            plane=layout.plane,
            holes_on_long=long,
            liner_m=layout.liner_m,
            tip_offset_m=layout.tip_offset_m,
        )
        for long in ((True, False) if on_long is None else (on_long,))
    ]
    return min(plans, key=lambda plan: _passed_over(plan, layout.walked))


def _passed_over(plan: Plan, walked: Sequence[TraversePoint]) -> tuple[bool, int]:
    """How badly a walk fits the plan: out of order, then points left out on the way."""
    places = [planned.point for planned in plan.points]
    numbers = [n for point in walked if (n := nearest_place(places, point)) is not None]
    return numbers != sorted(numbers), max(numbers, default=-1) + 1 - len(numbers)


def _layout(document: dict[str, Any], name: str) -> Layout:
    try:
        file = _PlanFile.model_validate(document)
    except ValidationError as error:
        raise TableError("\n".join(fault_sentences(error, name))) from error
    duct: Duct
    if isinstance(file.duct, RoundDuct):
        duct = Duct(shape=DuctShape.ROUND, diameter_m=file.duct.diameter_m)
        first, second = file.points_per_diameter, file.diameters
    else:
        duct = Duct(shape=DuctShape.RECTANGULAR, width_m=file.duct.width_m, height_m=file.duct.height_m)
        first, second = file.points_across, file.points_down
    if first is None or second is None:
        raise TableError(f"{name}: the number of points is missing; write the plan anew")
    return Layout(
        duct=duct,
        method=Method(file.method),
        plane=MeasuredPlane(file.plane),
        grid=(first, second),
        liner_m=file.liner_m,
        tip_offset_m=file.tip_offset_m,
        walked=[
            TraversePoint(x=p.x, y=0.5 if p.y is None else p.y, diameter=p.diameter or 0) for p in file.points
        ],
    )
