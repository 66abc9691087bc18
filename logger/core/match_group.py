"""Streams of one quantity side by side: each one's difference from the mean of all, and that mean."""

from __future__ import annotations

from collections.abc import Sequence

from logger.core.line import Line, Series
from logger.core.match_verdict import (
    Compared,
    ProbeOffset,
    against_median,
    air_drifts,
    compare,
    settled,
)
from logger.core.readings import Quantity

WINDOWS_S = (60, 90, 120, 180, 300)  # s in which settling is looked for, shortest first (assumed)
FRESH_SHARE = 0.9  # of a window's points that all probes must have (design)
_DIFFERENCE, _MEAN = 0, 1  # columns of a probe's series


class MatchGroup:
    """Probes of one quantity on one grid. ``places``: name, slot, max_age in ns."""

    def __init__(
        self, quantity: Quantity, places: Sequence[tuple[str, int, int]], grid_s: int, keep_s: int
    ) -> None:
        self.quantity, self.places = quantity, tuple(places)
        self._grid_s = grid_s
        keep = max(keep_s, WINDOWS_S[-1]) // grid_s + 1
        self._series = {name: Series(keep) for name, _, _ in places}

    def push(self, values: list[float], times: list[int], now_ns: int) -> None:
        """A point of the grid, or none where a probe is not fresh."""
        fresh = all(now_ns - times[place] <= age_ns for _, place, age_ns in self.places)
        mean = sum(values[place] for _, place, _ in self.places) / len(self.places) if fresh else 0.0
        for name, place, _ in self.places:
            self._series[name].push((values[place] - mean, mean) if fresh else None)

    def settled(self) -> bool:
        """Whether every probe stands against the mean of all, and the air itself is even enough."""
        for window_s in WINDOWS_S:
            lines, air = self._lines(_DIFFERENCE, window_s), self._air(window_s)
            if lines is None or air is None:
                return False
            if not air_drifts(self.quantity, air) and all(settled(self.quantity, x) for x in lines.values()):
                return True
        return False

    def moving(self) -> tuple[tuple[str, float | None], ...]:
        """The probes not settled over the longest window there is, with their slope, unit a minute."""
        longest: dict[str, Line | None] = dict.fromkeys(self._series)
        for window_s in WINDOWS_S:
            longest = dict(self._lines(_DIFFERENCE, window_s) or longest)
        own = against_median([line for line in longest.values() if line is not None])
        if len(own) < len(longest):
            return tuple((name, None) for name in longest)
        return tuple(
            (name, line.slope * 60.0)
            for name, line in zip(longest, own, strict=True)
            if not settled(self.quantity, line)
        )

    def compare(self, seconds: int, steps: Sequence[float]) -> tuple[tuple[ProbeOffset, ...], Line] | None:
        """The verdict over the newest ``seconds``, and the line of the mean; None for too many gaps."""
        lines, air = self._lines(_DIFFERENCE, seconds), self._air(seconds)
        if lines is None or air is None:
            return None
        compared = [Compared(probe=n, line=lines[n], step=s) for n, s in zip(lines, steps, strict=True)]
        return compare(self.quantity, compared, air), air

    def _air(self, seconds: int) -> Line | None:
        """Line of the mean of all."""
        lines = self._lines(_MEAN, seconds)
        return None if lines is None else next(iter(lines.values()))

    def _lines(self, column: int, seconds: int) -> dict[str, Line] | None:
        """Each probe's line over the newest points, per second; None where too few are there."""
        window, grid_s = seconds // self._grid_s, self._grid_s
        found = {}
        for name, series in self._series.items():
            if series.available(0) < window or series.fresh(window) < FRESH_SHARE * window:
                return None
            line = series.line(column, window)
            if line is None:
                return None
            se = None if line.slope_se is None else line.slope_se / grid_s
            found[name] = line._replace(slope=line.slope / grid_s, slope_se=se)
        return found
