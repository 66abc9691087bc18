"""A trace drawn with braille dots, or with letters where the terminal has only ASCII."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from logger.screen.glyphs import Glyphs

BRAILLE = 0x2800  # Unicode: the empty braille pattern
BITS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))  # Unicode: dot of (row, column)
DOTS_ACROSS, DOTS_DOWN = 2, 4
LABEL_WIDTH = 6  # cells of the numbers on the left
NAME_WIDTH = 5  # cells of the names on the right


@dataclass(frozen=True, slots=True)
class Series:
    """One curve: (time in s, value as shown) with ``None`` where there is a gap."""

    name: str
    points: Sequence[tuple[float, float | None]]


@dataclass(frozen=True, slots=True)
class Frame:
    """The ranges of a plot: time in s, value as shown."""

    t0: float
    t1: float
    low: float
    high: float

    def place(self, t_s: float, value: float, columns: int, rows: int) -> tuple[int, int]:
        """Column and row (from the top) of a point, held inside."""
        x = (t_s - self.t0) / (self.t1 - self.t0) * (columns - 1)
        y = (self.high - value) / (self.high - self.low) * (rows - 1)
        return min(max(round(x), 0), columns - 1), min(max(round(y), 0), rows - 1)


def frame_of(series: Sequence[Series], t0: float, t1: float, least_span: float) -> Frame | None:
    """Ranges that hold every value; at least ``least_span`` high, so that noise is no mountain."""
    values = [v for s in series for _, v in s.points if v is not None and math.isfinite(v)]
    if not values or not (math.isfinite(t0) and math.isfinite(t1)):
        return None
    low, high = min(values), max(values)
    if high - low < least_span:
        middle = (low + high) / 2
        low, high = middle - least_span / 2, middle + least_span / 2
    if not (math.isfinite(high - low) and low < high):
        return None
    return Frame(t0, max(t1, t0 + 1.0), low, high)


def _walk(one: Series, frame: Frame, columns: int, rows: int) -> Iterator[tuple[int, int]]:
    """The places of a curve: each point, and what lies between neighbours so that it holds together."""
    last: tuple[int, int] | None = None
    for t_s, value in one.points:
        if value is None or not math.isfinite(value):
            last = None
            continue
        x, y = frame.place(t_s, value, columns, rows)
        if last is not None:
            across, down = x - last[0], y - last[1]
            steps = max(abs(across), abs(down))
            for step in range(1, steps):
                yield last[0] + round(across * step / steps), last[1] + round(down * step / steps)
        if (x, y) != last:
            yield x, y
        last = (x, y)


def _dots(series: Sequence[Series], frame: Frame, width: int, rows: int) -> list[str]:
    cells = [[0] * width for _ in range(rows)]
    for one in series:
        for x, y in _walk(one, frame, width * DOTS_ACROSS, rows * DOTS_DOWN):
            cells[y // DOTS_DOWN][x // DOTS_ACROSS] |= BITS[y % DOTS_DOWN][x % DOTS_ACROSS]
    return ["".join(chr(BRAILLE + bits) if bits else " " for bits in row) for row in cells]


def _letters(series: Sequence[Series], frame: Frame, width: int, rows: int) -> list[str]:
    cells = [[" "] * width for _ in range(rows)]
    for one in series:
        for x, y in _walk(one, frame, width, rows):
            cells[y][x] = one.name[:1] or "*"
    return ["".join(row) for row in cells]


def _names(series: Sequence[Series], frame: Frame, rows: int) -> list[str]:
    """The name of each curve in the row where it ends."""
    names = [""] * rows
    for one in series:
        ends = [v for _, v in one.points if v is not None and math.isfinite(v)]
        if not ends:
            continue
        _, y = frame.place(frame.t1, ends[-1], 2, rows)
        free = [row for row in sorted(range(rows), key=lambda row: abs(row - y)) if not names[row]]
        if free:
            names[free[0]] = one.name
    return names


def plot(series: Sequence[Series], frame: Frame | None, width: int, rows: int, glyphs: Glyphs) -> list[str]:
    """``rows`` lines of exactly ``width`` cells: numbers, curves, names; empty when nothing is known."""
    across = width - LABEL_WIDTH - 2 - NAME_WIDTH
    if frame is None or across < 1:
        return [glyphs.fit("", LABEL_WIDTH) + glyphs.wall + glyphs.fit("", width - LABEL_WIDTH - 1)] * rows
    draw = _letters if glyphs.plain else _dots
    body = draw(series, frame, across, rows)
    labels = [""] * rows
    labels[0] = f"{frame.high:.1f}"
    if rows > 1:
        labels[-1] = f"{frame.low:.1f}"
    if rows >= 5 and rows % 2:  # noqa: PLR2004 - a middle row, with air around it
        labels[rows // 2] = f"{(frame.low + frame.high) / 2:.1f}"
    names = _names(series, frame, rows)
    return [
        glyphs.fit(labels[row], LABEL_WIDTH, right=True)
        + glyphs.wall
        + body[row]
        + glyphs.fit(" " + names[row], NAME_WIDTH + 1)
        for row in range(rows)
    ]
