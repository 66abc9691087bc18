"""Exact running sums of every tick, so that the mean of any past stretch costs the same.

Fixed-point integers as in ``core.line``: no rounding builds up over days.
"""

from __future__ import annotations

from typing import NamedTuple

SCALE = 1_000_000_000  # fixed-point steps per unit: fits humidity ratios (1e-9) and powers alike


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


COLUMN = Column()


class Ledger:
    """Prefix sums per tick; a tick counts only when all its values are there.

    ``post`` takes the next tick; ``at`` gives the sums before a tick, to be kept or subtracted.
    """

    def __init__(self, keep: int) -> None:
        self._keep = keep
        self.clear(0)

    def clear(self, next_tick: int) -> None:
        """Forget all; the next tick posted is ``next_tick``."""
        self._first = next_tick
        self._rows: list[tuple[int, ...]] = [(0,) * (len(COLUMN) + 1)]

    def post(self, values: tuple[float, ...] | None) -> None:
        """Add the next tick, in the order of ``Column``; None where a value is missing."""
        rows = self._rows
        if values is None:
            rows.append(rows[-1])
        else:
            last = rows[-1]
            rows.append((last[0] + 1, *[s + round(x * SCALE) for s, x in zip(last[1:], values, strict=True)]))
        if len(rows) > 2 * self._keep:
            cut = len(rows) - self._keep
            del rows[:cut]
            self._first += cut

    def at(self, tick: int) -> tuple[int, ...]:
        """Sums of all ticks before ``tick``; the oldest or newest that is known if it is not."""
        return self._rows[min(max(tick - self._first, 0), len(self._rows) - 1)]


def means(start: tuple[int, ...], end: tuple[int, ...]) -> tuple[float, ...] | None:
    """Mean of each column between two places of the ledger; None where no tick counts."""
    n = end[0] - start[0]
    if n <= 0:
        return None
    return tuple([(b - a) / (n * SCALE) for a, b in zip(start[1:], end[1:], strict=True)])


def total(start: tuple[int, ...], end: tuple[int, ...], column: int) -> tuple[int, float]:
    """Number of ticks that count, and the sum of a column over them."""
    return end[0] - start[0], (end[column + 1] - start[column + 1]) / SCALE
