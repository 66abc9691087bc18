"""The cross-section with its points, numbered in walking order, as lines of text."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi, sin

from logger.core.traverse import DuctShape, MeasuredPlane
from logger.core.traverse_plan import Plan, PlanPoint

CELL_ASPECT = 2.0  # height of a character over its width; assumed
ACROSS_MOST, DOWN_MOST = 64, 19  # cells of the duct's inside: 80 columns with the holes' labels
RADIUS_LEAST = 9.0  # rows; assumed: below it a circle is not one
CELLS_A_POINT = 4  # columns that a number of two digits and its gap need


@dataclass(frozen=True, slots=True, kw_only=True)
class Pen:
    """The characters of a drawing."""

    flat: str
    upright: str
    corners: tuple[str, str, str, str]
    down: str
    right: str
    wall: str


UNICODE = Pen(flat="─", upright="│", corners=("┌", "┐", "└", "┘"), down="▼", right="▶", wall="·")
ASCII = Pen(flat="-", upright="|", corners=("+", "+", "+", "+"), down="v", right=">", wall=".")


class Canvas:
    """A field of characters."""

    def __init__(self, across: int, down: int) -> None:
        self._cells = [[" "] * across for _ in range(down)]

    def put(self, column: int, row: int, text: str) -> None:
        """Write a text from a cell to the right; what lies outside is left out."""
        for n, char in enumerate(text):
            if 0 <= row < len(self._cells) and 0 <= column + n < len(self._cells[row]):
                self._cells[row][column + n] = char

    def lines(self) -> list[str]:
        """The lines, without blanks at their ends."""
        return ["".join(row).rstrip() for row in self._cells]


def draw(plan: Plan, pen: Pen = UNICODE) -> list[str]:
    """The drawing, at most 80 columns wide."""
    return _round(plan, pen) if plan.duct.shape is DuctShape.ROUND else _rectangle(plan, pen)


def _size(plan: Plan) -> tuple[int, int]:
    """Cells across and down inside the box, near the duct's own proportions."""
    ratio = plan.duct.width_m / plan.duct.height_m * CELL_ASPECT
    across, down = float(ACROSS_MOST), ACROSS_MOST / ratio
    if down > DOWN_MOST:
        across, down = DOWN_MOST * ratio, float(DOWN_MOST)
    least_across, least_down = plan.first * CELLS_A_POINT + 1, 2 * plan.second - 1
    return max(min(round(across), ACROSS_MOST), least_across), max(round(down), least_down)


def _spaced(fractions: list[float], cells: int, gap: int) -> list[int]:
    """Cells of rising fractions, at least ``gap`` apart as far as there is room."""
    places = [min(max(round(f * cells - 0.5), 0), cells - 1) for f in fractions]
    for n in range(1, len(places)):
        places[n] = max(places[n], places[n - 1] + gap)
    for n in range(len(places) - 1, -1, -1):
        limit = cells - 1 if n == len(places) - 1 else places[n + 1] - gap
        places[n] = max(min(places[n], limit), 0)
    return places


def _rectangle(plan: Plan, pen: Pen) -> list[str]:
    across, down = _size(plan)
    face = plan.plane is MeasuredPlane.FILTER_FACE
    columns = sorted({p.point.x for p in plan.points})
    rows = sorted({p.point.y for p in plan.points})
    column_of = dict(zip(columns, _spaced(columns, across - 1, CELLS_A_POINT - 1), strict=True))
    row_of = dict(zip(rows, _spaced(rows, down, 1), strict=True))
    left, top = (0, 2) if plan.along_height else (8, 0)
    canvas = Canvas(left + across + 2, top + down + 2)
    _box(canvas, pen, left, top, across, down)
    for p in plan.points:
        canvas.put(left + 1 + column_of[p.point.x], top + 1 + row_of[p.point.y], f"{p.n:>2}")
    for p in _first_of_each_hole(plan):
        if plan.along_height:
            canvas.put(left + 1 + column_of[p.point.x], 0, f"{p.hole:>2}")
            canvas.put(left + 2 + column_of[p.point.x], 1, pen.down)
        else:
            canvas.put(0, top + 1 + row_of[p.point.y], f"{'row' if face else 'hole'} {p.hole}".rjust(7))
            canvas.put(left - 1, top + 1 + row_of[p.point.y], pen.right)
    lines = canvas.lines()
    if plan.along_height:
        lines[0] = f"{lines[0]}   <- {'columns' if face else 'holes'}"[:80]
    return lines


def _box(canvas: Canvas, pen: Pen, left: int, top: int, across: int, down: int) -> None:
    nw, ne, sw, se = pen.corners
    canvas.put(left, top, nw + pen.flat * across + ne)
    for row in range(down):
        canvas.put(left, top + 1 + row, pen.upright)
        canvas.put(left + across + 1, top + 1 + row, pen.upright)
    canvas.put(left, top + down + 1, sw + pen.flat * across + se)


def _first_of_each_hole(plan: Plan) -> list[PlanPoint]:
    return list({p.hole: p for p in reversed(plan.points)}.values())


def _round(plan: Plan, pen: Pen) -> list[str]:
    """Diameter 0 lies level, the next ones turn clockwise; the probe enters where the hole is."""
    radius = max(RADIUS_LEAST, plan.first * 1.25)  # rows
    middle_x, middle_y = round(radius * CELL_ASPECT) + 8, int(radius) + 2
    canvas = Canvas(2 * middle_x + 2, 2 * middle_y + 1)

    def cell(angle: float, share: float) -> tuple[int, int]:
        """Cell at an angle from the left, clockwise, ``share`` of the radius out."""
        x = -cos(angle) * share * radius * CELL_ASPECT
        y = -sin(angle) * share * radius
        return round(middle_x + x), round(middle_y + y)

    steps = 720
    for step in range(steps):
        canvas.put(*cell(2.0 * pi * step / steps, 1.0), pen.wall)
    for p in plan.points:
        angle = pi * p.point.diameter / plan.second
        column, row = cell(angle, (1.0 - 2.0 * p.point.x) * (1.0 - 1.2 / radius))
        canvas.put(column - 1, row, f"{p.n:>2}")
    for p in _first_of_each_hole(plan):
        column, row = cell(pi * p.point.diameter / plan.second, 1.0)
        if p.hole == 1:
            canvas.put(column - 8, row, f"hole 1 {pen.right}")
        else:
            before = column < middle_x  # the label stands outside
            canvas.put(column, row - 1, pen.down)
            canvas.put(column - 7 if before else column + 2, row - 1, f"hole {p.hole}")
    lines = canvas.lines()
    while lines and not lines[-1]:
        lines.pop()
    return lines
