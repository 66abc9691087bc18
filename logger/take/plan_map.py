"""The cross-section with its points, drawn in cells: what is captured, open, skipped and in hand."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, cos, hypot, pi, sin

from rich.text import Text

from logger.core.traverse import DuctShape, MeasuredPlane, TraversePoint
from logger.core.traverse_plan import Plan
from logger.screen.glyphs import Glyphs
from logger.take.walk import State

HALF = 0.5
CELL_ASPECT = 2.0  # a cell is about twice as high as wide


@dataclass(frozen=True, slots=True)
class Marks:
    """One character for each kind of point, and for the duct's wall."""

    taken: str
    open: str
    skipped: str
    here: str
    down: str
    right: str
    wall: str


UNICODE_MARKS = Marks("●", "○", "×", "◆", "▼", "▶", "·")
ASCII_MARKS = Marks("*", "o", "x", "@", "v", ">", ".")
_BOX = ("┌", "┐", "└", "┘", "─", "│")
_PLAIN_BOX = ("+", "+", "+", "+", "-", "|")


def draw(plan: Plan, state: State, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """At most ``rows`` lines of at most ``width`` cells; empty where the points do not fit."""
    marks = ASCII_MARKS if glyphs.plain else UNICODE_MARKS
    is_round = plan.duct.shape is DuctShape.ROUND
    size = _round_size(width, rows) if is_round else _rectangle_size(plan, width, rows)
    if size is None:
        return []
    across, down = size
    cells = [[(" ", "")] * across for _ in range(down)]
    if is_round:
        _draw_circle(cells, marks)
    else:
        _draw_box(cells, _PLAIN_BOX if glyphs.plain else _BOX)
    _draw_points(cells, plan, state, marks)
    return [Text.assemble(*row) for row in cells]


def legend(glyphs: Glyphs) -> str:
    """What the characters mean."""
    marks = ASCII_MARKS if glyphs.plain else UNICODE_MARKS
    return f"{marks.here} here  {marks.taken} taken  {marks.open} open"


def _rectangle_size(plan: Plan, width: int, rows: int) -> tuple[int, int] | None:
    ratio = plan.duct.width_m / plan.duct.height_m * CELL_ASPECT
    least_across, least_down = 2 * plan.first + 1, plan.second + 2 + (plan.second + 1) % 2
    across = min(width, ceil((rows - 2) * ratio) + 2)
    down = min(rows, ceil((across - 2) / ratio) + 2)
    across, down = max(across, least_across), max(down, least_down)
    across, down = across - 1 + across % 2, down - 1 + down % 2  # odd: the middle point in the middle
    return (across, down) if across <= width and down <= rows else None


def _round_size(width: int, rows: int) -> tuple[int, int] | None:
    down = min(rows, int(width / CELL_ASPECT))
    down -= 1 - down % 2  # odd, so that there is a middle row
    least = 9  # rows of the smallest circle that reads as one; assumed
    return (2 * down - 1, down) if down >= least else None


def _draw_box(cells: list[list[tuple[str, str]]], box: tuple[str, ...]) -> None:
    left_top, right_top, left_low, right_low, flat, upright = box
    across, down = len(cells[0]), len(cells)
    for column in range(across):
        cells[0][column] = cells[-1][column] = (flat, "dim")
    for row in range(down):
        cells[row][0] = cells[row][-1] = (upright, "dim")
    cells[0][0], cells[0][-1] = (left_top, "dim"), (right_top, "dim")
    cells[-1][0], cells[-1][-1] = (left_low, "dim"), (right_low, "dim")


def _draw_circle(cells: list[list[tuple[str, str]]], marks: Marks) -> None:
    steps = 8 * len(cells)
    for step in range(steps):
        column, row = _on_circle(2.0 * pi * step / steps, 1.0, cells)
        cells[row][column] = (marks.wall, "dim")


def _on_circle(angle: float, radius: float, cells: list[list[tuple[str, str]]]) -> tuple[int, int]:
    """Cell at an angle (0 at the left, clockwise) and a radius from -1 to 1."""
    middle_x, middle_y = (len(cells[0]) - 1) / 2.0, (len(cells) - 1) / 2.0
    x, y = -cos(angle) * radius * middle_x, -sin(angle) * radius * middle_y
    return round(middle_x + x), round(middle_y + y)


def _cells_of(plan: Plan, cells: list[list[tuple[str, str]]]) -> list[tuple[int, int]]:
    """Column and row of each point, in the plan's order."""
    if plan.duct.shape is DuctShape.ROUND:
        return [_round_cell(plan, planned.point, cells) for planned in plan.points]
    across, down = len(cells[0]) - 2, len(cells) - 2
    return [(1 + int(planned.point.x * across), 1 + int(planned.point.y * down)) for planned in plan.points]


def _round_cell(plan: Plan, point: TraversePoint, cells: list[list[tuple[str, str]]]) -> tuple[int, int]:
    """On its diameter, apart from its neighbours even where the cells are coarse."""
    angle = pi * point.diameter / plan.second
    reach = hypot(cos(angle) * (len(cells[0]) - 1) / 2.0, sin(angle) * (len(cells) - 1) / 2.0)
    out = sorted(
        1.0 - 2.0 * p.point.x for p in plan.points if p.point.diameter == point.diameter and p.point.x < HALF
    )
    steps = _apart([round(r * reach) for r in out], int(reach) - 1)
    beyond = abs(1.0 - 2.0 * point.x)
    nearest = min(range(len(out)), key=lambda i: abs(out[i] - beyond))
    radius = steps[nearest] / reach
    return _on_circle(angle, radius if point.x < HALF else -radius, cells)


def _apart(steps: list[int], most: int) -> list[int]:
    """Whole steps from the centre, each at least one farther than the last, none beyond ``most``."""
    for i in range(len(steps)):
        steps[i] = max(steps[i], steps[i - 1] + 1 if i else 1)
    for i in reversed(range(len(steps))):
        steps[i] = min(steps[i], steps[i + 1] - 1 if i + 1 < len(steps) else most)
    return steps


def _draw_points(cells: list[list[tuple[str, str]]], plan: Plan, state: State, marks: Marks) -> None:
    places = _cells_of(plan, cells)
    for i, (column, row) in enumerate(places):
        if state.taken[i] is not None:
            cells[row][column] = (marks.taken, "")
        else:
            cells[row][column] = (marks.skipped if i in state.skipped else marks.open, "dim")
    if state.ended:
        return
    _draw_here(cells, plan, state, marks, places)


def _draw_here(
    cells: list[list[tuple[str, str]]],
    plan: Plan,
    state: State,
    marks: Marks,
    places: list[tuple[int, int]],
) -> None:
    """The point in hand, and at the wall the hole that leads to it."""
    column, row = places[state.here]
    cells[row][column] = (marks.here, "bold reverse")
    if plan.plane is MeasuredPlane.FILTER_FACE:
        return
    if plan.duct.shape is DuctShape.ROUND:
        hole = plan.points[state.here]
        column, row = _on_circle(pi * hole.point.diameter / plan.second, 1.0, cells)
        cells[row][column] = (marks.right if hole.hole == 1 else marks.down, "bold")
    elif plan.along_height:
        cells[0][column] = (marks.down, "bold")
    else:
        cells[row][0] = (marks.right, "bold")
