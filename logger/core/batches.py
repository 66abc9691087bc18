"""Batch means: how well the mean of a stretch is known, with nothing assumed of its correlation.

Source: non-overlapping batch means (Law, Simulation Modeling and Analysis, ch. 9; recalled): means
over spans longer than the memory of the noise are nearly independent, whatever that memory is.
"""

from __future__ import annotations

from math import sqrt

from logger.core.line import SCALE, Series, Sums, value_at

LEAST = 8  # batches; fewer say too little of their own scatter (design)


class Batches:
    """The running sums at the batches' borders, from a stretch's start on: 8 to 15 batches.

    The series must not be cleared while they are used.
    """

    def __init__(self, series: Series, back: int) -> None:
        self._step = max(back // LEAST, 1)
        first = series.length - back
        self._places = list(range(first, series.length + 1, self._step))
        self._rows: list[Sums] = [series.mark(series.length - place).sums for place in self._places]

    def grow(self, series: Series) -> None:
        """Look at a series that has a new point: every so often it closes a batch."""
        if series.length < self._places[-1] + self._step:
            return
        self._places.append(series.length)
        self._rows.append(series.mark(0).sums)
        if len(self._rows) > 2 * LEAST:
            self._step *= 2
            del self._places[1::2], self._rows[1::2]

    def mean_u(self, column: int, end: int) -> tuple[float, float] | None:
        """Standard uncertainty of the column's mean and its degrees of freedom.

        Of the batches that lie before point ``end`` of the series, about their straight line (a
        slope is told elsewhere); None where there are fewer than ``LEAST``.
        """
        at = value_at(column)
        points = []
        for place, older, newer in zip(self._places[1:], self._rows, self._rows[1:], strict=False):
            n = newer[0] - older[0]
            if n and place <= end:
                points.append(((newer[1] - older[1]) / n, (newer[at] - older[at]) / (n * SCALE)))
        k = len(points)
        if k < LEAST:
            return None
        t_mean, y_mean = (sum(axis) / k for axis in zip(*points, strict=True))
        sxx = sum((t - t_mean) ** 2 for t, _ in points)
        slope = sum((t - t_mean) * (y - y_mean) for t, y in points) / sxx
        sse = sum((y - y_mean - slope * (t - t_mean)) ** 2 for t, y in points)
        return sqrt(sse / (k - 2) / k), k - 2.0
