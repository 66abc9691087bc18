"""The cross-section with its points, drawn in cells: what is captured, open, skipped and in hand."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, cos, pi, sin

from rich.text import Text

from logger.core.traverse import DuctShape, TraversePoint
from logger.core.traverse_plan import Plan
from logger.screen.glyphs import Glyphs
from logger.take.walk import State

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


def _cell_of(plan: Plan, point: TraversePoint, cells: list[list[tuple[str, str]]]) -> tuple[int, int]:
    if plan.duct.shape is DuctShape.ROUND:
        inside = 1.0 - 1.5 / len(cells)  # the outermost points stand inside the wall
        return _on_circle(pi * point.diameter / plan.second, (1.0 - 2.0 * point.x) * inside, cells)
    column = 1 + min(int(point.x * (len(cells[0]) - 2)), len(cells[0]) - 3)
    return column, 1 + min(int(point.y * (len(cells) - 2)), len(cells) - 3)


def _draw_points(cells: list[list[tuple[str, str]]], plan: Plan, state: State, marks: Marks) -> None:
    for i, planned in enumerate(plan.points):
        column, row = _cell_of(plan, planned.point, cells)
        if state.taken[i] is not None:
            cells[row][column] = (marks.taken, "")
        else:
            cells[row][column] = (marks.skipped if i in state.skipped else marks.open, "dim")
    if state.ended:
        return
    here = plan.points[state.here].point
    column, row = _cell_of(plan, here, cells)
    cells[row][column] = (marks.here, "bold reverse")
    if plan.duct.shape is DuctShape.RECTANGULAR:
        if plan.along_height:
            cells[0][column] = (marks.down, "bold")
        else:
            cells[row][0] = (marks.right, "bold")
