"""The trace that the dashboard plots: the firing at hand, in bounded memory."""

from __future__ import annotations

import math

from logger.core.readings import NS_PER_S
from logger.core.snapshot import Snapshot
from logger.screen.model import HistoryPoint

POINTS_LIMIT = 800  # assumed: a plot of 200 columns has some 170 columns of dots
LEAD_S = 90.0  # kept before the burner came on, so that the rise of the trace shows; assumed
IDLE_S = 600.0  # kept while nothing fires; assumed


class History:
    """Points since shortly before the firing; thinned by two when there are too many."""

    def __init__(self, limit: int = POINTS_LIMIT) -> None:
        self._limit = limit
        self._points: list[HistoryPoint] = []
        self._spacing_s = 0.0
        self._firing_start_s: float | None = None

    def update(self, snapshot: Snapshot) -> None:
        """Take the point of a picture."""
        t_s = snapshot.t_ns / NS_PER_S
        self.add(
            HistoryPoint(t_s, snapshot.return_c, snapshot.supply_c, snapshot.rise_k, snapshot.phase),
            snapshot.firing_start_s,
        )

    def add(self, point: HistoryPoint, firing_start_s: float | None) -> None:
        """Take a point; one that is not newer than the last by the present spacing is left out."""
        t_s = point.t_s
        if firing_start_s != self._firing_start_s:
            self._firing_start_s, self._spacing_s = firing_start_s, 0.0
        if self._points and t_s - self._points[-1].t_s <= self._spacing_s:
            return
        self._points.append(point)
        if self._points[0].t_s < self._oldest_s(t_s) - IDLE_S / 10 or len(self._points) > self._limit:
            self._trim(t_s)

    def get(self) -> tuple[HistoryPoint, ...]:
        """The points, oldest first."""
        return tuple(self._points)

    def _oldest_s(self, t_s: float) -> float:
        start_s = self._firing_start_s
        if start_s is None or not math.isfinite(start_s):
            return t_s - IDLE_S
        return min(start_s - LEAD_S, t_s)

    def _trim(self, t_s: float) -> None:
        oldest_s = self._oldest_s(t_s)
        self._points = [p for p in self._points if p.t_s >= oldest_s]
        while len(self._points) > self._limit:
            last = self._points[-1]
            self._points = [*self._points[:-1:2], last]
            self._spacing_s = (self._points[-1].t_s - self._points[0].t_s) / len(self._points)
