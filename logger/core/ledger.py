"""Exact sums over ticks, so that the mean of any past stretch can be had, however long.

Fixed-point integers as in ``core.line``: no rounding builds up over days. Rows are kept as they
came and summed when somebody asks, which is seldom; each of them once, but for the newest few.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

SCALE = 1_000_000_000  # fixed-point steps per unit: fits humidity ratios (1e-9) and powers alike
_CHUNK = 25  # ticks summed at once, in 64 bits; few, for every question sums the last chunk anew (cost)
_LEAST_SHIFT = 64  # ticks cut off at once: cost


class Column(NamedTuple):
    """Place of a quantity in the ledger."""

    entering_c: int = 0
    supply_c: int = 1
    rise_k: int = 2
    humidity_ratio: int = 3
    pressure_pa: int = 4
    dry_air_kg_s: int = 5
    air_heat_w: int = 6
    fan_heat_w: int = 7
    output_w: int = 8
    return_c: int = 9
    inlet_c: int = 10


COLUMN = Column()
Row = tuple[float, ...]
Sums = tuple[int, ...]
"""Number of ticks that count, then the fixed-point sum of each column."""


class Ledger:
    """The last ``keep`` ticks as they came, and the sums of all before.

    A tick counts only when all its values are there. ``post`` takes the next tick; ``at`` gives
    the sums before a tick, to be kept or subtracted.
    """

    def __init__(self, keep: int, width: int = len(COLUMN)) -> None:
        self._keep = max(keep, _LEAST_SHIFT)
        self._width = width  # values of a tick
        self.clear(0)

    def clear(self, next_tick: int) -> None:
        """Forget all; the next tick posted is ``next_tick``."""
        self._first = next_tick
        self._marks: list[Sums] = [(0,) * (self._width + 1)]  # before the first row, then after each chunk
        self._rows: list[Row | None] = []

    def post(self, values: Row | None) -> None:
        """Add the next tick (the main ledger: in the order of ``Column``); None where a value is missing."""
        self._rows.append(values)
        if len(self._rows) > 2 * self._keep:
            self._marks = [self._sum(self._keep)]
            del self._rows[: self._keep]
            self._first += self._keep

    def at(self, tick: int) -> Sums:
        """Sums of all ticks before ``tick``; the oldest or newest that is known if it is not."""
        return self._sum(min(max(tick - self._first, 0), len(self._rows)))

    def _sum(self, count: int) -> Sums:
        """All before the first row that is kept, and ``count`` rows."""
        rows, marks = self._rows, self._marks
        while len(marks) * _CHUNK <= count:
            end = len(marks) * _CHUNK
            marks.append(_add(marks[-1], rows[end - _CHUNK : end]))
        chunk = count // _CHUNK
        return _add(marks[chunk], rows[chunk * _CHUNK : count])


def _add(before: Sums, some: list[Row | None]) -> Sums:
    rows = [row for row in some if row is not None]
    if not rows:
        return before
    n, *sums = before
    fixed = np.rint(np.array(rows) * SCALE).astype(np.int64)
    return (n + len(rows), *[a + b for a, b in zip(sums, fixed.sum(axis=0).tolist(), strict=True)])


def means(start: Sums, end: Sums) -> Row | None:
    """Mean of each column between two places of the ledger; None where no tick counts."""
    n = end[0] - start[0]
    if n <= 0:
        return None
    return tuple([(b - a) / (n * SCALE) for a, b in zip(start[1:], end[1:], strict=True)])


def total(start: Sums, end: Sums, column: int) -> tuple[int, float]:
    """Number of ticks that count, and the sum of a column over them."""
    return end[0] - start[0], (end[column + 1] - start[column + 1]) / SCALE
