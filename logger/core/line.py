"""Exact sums of a series on a grid, and the straight line through any window of it.

Values enter as fixed-point integers, so sums are exact: order does not matter and an outlier
leaves no trace once it has left the window. Prefix sums are shared by all windows: a window of
any length costs the same.
"""

from __future__ import annotations

from math import inf, sqrt
from typing import NamedTuple

SCALE = 1_000_000  # fixed-point steps per unit (1 uK, 1 uW): far below any probe's step
PHI_MAX = 0.95  # lag-1 autocorrelation is held in 0..0.95 (design choice: negative never helps)
MIN_N_EFF = 5.0  # below: undecided (design choice)
MIN_POINTS = 3  # a line takes two, its scatter a third
Z975 = 1.959963  # normal quantile: the least that any t factor can be
_KEEP_FACTOR = 2  # the buffer is cut back when it has grown to twice what is needed

# Layout of a row of running sums: six of time, then six for each of the two columns.
# Time, over the points that have a value, t in grid steps: n, sum t, sum t^2; over neighbours that
# both have one, the later at t: pairs, sum (2t - 1), sum t (t - 1).
# Value, y fixed-point: sum y, sum t y, sum y^2; over pairs (u later, w earlier):
# sum u w, sum (u + w), sum (u (t - 1) + w t).
_TIME = _VALUE = 6
_PAIRS = 3
_ZERO = (0,) * (_TIME + 2 * _VALUE)

Sums = tuple[int, ...]


def value_at(column: int) -> int:
    """Place of a column's sum of values in a row of running sums."""
    return _TIME + _VALUE * column


class Line(NamedTuple):
    """Least-squares line through a window. Units: those of the series, per grid step."""

    n: int  # points with a value
    mean: float
    slope: float
    scatter: float  # standard deviation about the line, n - 2 degrees of freedom
    phi: float  # lag-1 autocorrelation of the residuals, 0..PHI_MAX
    n_eff: float
    slope_se: float | None  # None where n_eff is below MIN_N_EFF


class Mark(NamedTuple):
    """A place in a series, so that a window of any age can start there: its row and its neighbours."""

    sums: Sums
    around: tuple[Sums, Sums] | None


class Series:
    """Prefix sums of two parallel values on one grid, the last ``keep`` points of them.

    ``push`` takes a point, or None where it has no value; then ``line`` answers for any window of
    the last ``n`` points. ``clear`` forgets everything.
    """

    __slots__ = ("_keep", "_last", "_most", "_rows", "keep", "length")

    def __init__(self, keep: int) -> None:
        self.keep = keep
        self._keep = keep + 2  # the zero before the first point, and the pair that reaches out
        self._most = _KEEP_FACTOR * self._keep
        self.clear()

    def clear(self) -> None:
        """Forget every point."""
        self.length = 0
        self._rows: list[Sums] = [_ZERO]
        self._last: tuple[int, int] | None = None

    def push(self, point: tuple[float, float] | None) -> None:
        """Add the next point of the grid; None where there is no fresh value."""
        t = self.length
        self.length = t + 1
        rows = self._rows
        if point is None:
            rows.append(rows[-1])
            self._last = None
        else:
            n, st, stt, pairs, pair_t, pair_tt, s0, st0, ss0, p0, q0, x0, s1, st1, ss1, p1, q1, x1 = rows[-1]
            y0, y1 = round(point[0] * SCALE), round(point[1] * SCALE)
            if self._last is not None:
                w0, w1 = self._last
                before = t - 1
                pairs += 1
                pair_t += t + before
                pair_tt += t * before
                p0, q0, x0 = p0 + y0 * w0, q0 + y0 + w0, x0 + y0 * before + w0 * t
                p1, q1, x1 = p1 + y1 * w1, q1 + y1 + w1, x1 + y1 * before + w1 * t
            # fmt: off
            rows.append((n + 1, st + t, stt + t * t, pairs, pair_t, pair_tt,
                         s0 + y0, st0 + t * y0, ss0 + y0 * y0, p0, q0, x0,
                         s1 + y1, st1 + t * y1, ss1 + y1 * y1, p1, q1, x1))
            # fmt: on
            self._last = (y0, y1)
        if len(rows) > self._most:
            del rows[: len(rows) - self._keep]

    def available(self, back: int) -> int:
        """Longest window that can still be answered for, the newest ``back`` points left out."""
        return max(len(self._rows) - 1 - back, 0)

    def fresh(self, window: int) -> int:
        """How many of the last ``window`` points have a value."""
        return self._rows[-1][0] - self._rows[-1 - window][0]

    def mean(self, column: int, window: int) -> float | None:
        """Mean of a column over the window; None where no point has a value."""
        end, start = self._rows[-1], self._rows[-1 - window]
        n = end[0] - start[0]
        at = _TIME + _VALUE * column
        return (end[at] - start[at]) / (n * SCALE) if n else None

    def line(
        self,
        column: int,
        window: int,
        floor: float = 0.0,
        slope_limit: float = inf,
        scatter_limit: float = inf,
        *,
        back: int = 0,
    ) -> Line | None:
        """Line through the window, with its standard error; None below three points.

        ``floor``: the scatter is never taken below it (a coarse probe proves nothing by
        repeating one value). The limits are fractions of the mean: a line that surely fails
        them, before its autocorrelation is known, is not finished: None. ``back``: the newest
        points that are left out.
        Source: ordinary least squares; lag-1 correction of the standard error as Santer et al.
        2000 (J. Geophys. Res. 105): n_eff = n (1 - phi)/(1 + phi).
        """
        rows = self._rows
        end = len(rows) - 1 - back
        start = end - window
        if start < 0 or window < MIN_POINTS:
            return None
        around = (rows[start - 1], rows[start + 1]) if start else None
        return fit_line(rows[start], rows[end], column, floor, slope_limit, scatter_limit, around)

    def calm(self, column: int, window: int, floor: float, slope_limit: float, scatter_limit: float) -> bool:
        """Whether slope and scatter lie within limits as ``line`` has them; much cheaper than a line."""
        start, end, at = self._rows[-1 - window], self._rows[-1], _TIME + _VALUE * column
        plain = _plain(start, end, at, floor, slope_limit)
        return plain is not None and plain[5] <= scatter_limit * abs(plain[1] / plain[0])

    def residual_range(self, column: int, line: Line, window: int, blocks: int) -> float:
        """Peak-to-peak of the means of equal blocks about a line through the whole window."""
        rows, at = self._rows, _TIME + _VALUE * column
        block = max(window // blocks, 1)
        end = len(rows) - 1
        step = line.slope * block
        offset = line.mean + line.slope * ((window - block) / 2.0)
        low = high = 0.0
        newer = rows[end]
        for start in range(end - block, end - window - 1, -block):
            older = rows[start]
            n = newer[0] - older[0]
            if n:
                residual = (newer[at] - older[at]) / (n * SCALE) - offset
                if residual < low:
                    low = residual
                elif residual > high:
                    high = residual
            newer = older
            offset -= step
        return high - low

    def mark(self, back: int) -> Mark:
        """Remember the place before the newest ``back`` points."""
        rows = self._rows
        at = max(len(rows) - 1 - back, 0)
        inside = 0 < at < len(rows) - 1
        return Mark(rows[at], (rows[at - 1], rows[at + 1]) if inside else None)

    def line_since(self, mark: Mark, column: int, *, back: int = 0, floor: float = 0.0) -> Line | None:
        """Line from a mark to the newest point but ``back``; as ``line``, for any length."""
        end = self._rows[max(len(self._rows) - 1 - back, 0)]
        return fit_line(mark.sums, end, column, floor, around=mark.around)


def fit_line(
    start: Sums,
    end: Sums,
    column: int,
    floor: float = 0.0,
    slope_limit: float = inf,
    scatter_limit: float = inf,
    around: tuple[Sums, Sums] | None = None,
) -> Line | None:
    """Line between two rows of running sums; see ``Series.line``.

    ``around``: the rows before and after ``start``, which tell of the pair that reaches out of
    the window; None where there is nothing before it.
    """
    at = _TIME + _VALUE * column
    plain = _plain(start, end, at, floor, slope_limit)
    if plain is None:
        return None
    n, sy, sxx, slope, sse, scatter = plain
    size = abs(sy / n)
    plain_se = scatter * sqrt(n / sxx)
    if scatter >= scatter_limit * size or abs(slope) + Z975 * plain_se >= slope_limit * size:
        return None
    phi = 0.0
    if sse > 0.0:
        phi = min(max(_lag_one(start, end, at, slope, around) / sse, 0.0), PHI_MAX)
    n_eff = n * (1.0 - phi) / (1.0 + phi)
    slope_se = plain_se * sqrt((n - 2) / (n_eff - 2.0)) / SCALE if n_eff >= MIN_N_EFF else None
    return Line(n, sy / (n * SCALE), slope / SCALE, scatter / SCALE, phi, n_eff, slope_se)


def _plain(
    start: Sums, end: Sums, at: int, floor: float, slope_limit: float
) -> tuple[int, int, int, float, float, float] | None:
    """Least squares alone, fixed-point: n, sum y, Sxx, slope, squares about the line, scatter.

    None below three points, and where the slope reaches its limit, a fraction of the mean.
    """
    n = end[0] - start[0]
    if n < MIN_POINTS:
        return None
    st = end[1] - start[1]
    sy = end[at] - start[at]
    sxx = n * (end[2] - start[2]) - st * st
    sxy = n * (end[at + 1] - start[at + 1]) - st * sy
    slope = sxy / sxx
    steep = slope_limit * abs(sy / n)
    if slope >= steep or -slope >= steep:
        return None
    sse = ((n * (end[at + 2] - start[at + 2]) - sy * sy) - sxy * sxy / sxx) / n
    scatter = sqrt(sse / (n - 2)) if sse > 0.0 else 0.0
    return n, sy, sxx, slope, sse, max(scatter, floor * SCALE)


def _lag_one(start: Sums, end: Sums, at: int, slope: float, around: tuple[Sums, Sums] | None) -> float:
    """Sum of products of neighbouring residuals u - a - b t and w - a - b (t - 1).

    Time and value are first moved to the middle of the window, in whole numbers: what is left
    for floating point is as small as the residuals, wherever in the run the window lies.
    """
    pairs, pair_t, pair_tt = end[3] - start[3], end[4] - start[4], end[5] - start[5]
    uw, upw, cross = end[at + 3] - start[at + 3], end[at + 4] - start[at + 4], end[at + 5] - start[at + 5]
    if around is not None and around[1][_PAIRS] != start[_PAIRS]:
        before, after = around
        t, u, w = after[1] - start[1], after[at] - start[at], start[at] - before[at]
        pairs, pair_t, pair_tt = pairs - 1, pair_t - (2 * t - 1), pair_tt - t * (t - 1)
        uw, upw, cross = uw - u * w, upw - (u + w), cross - (u * (t - 1) + w * t)
    n, st, sy = end[0] - start[0], end[1] - start[1], end[at] - start[at]
    t0, y0 = st // n, sy // n
    cross -= y0 * pair_t + t0 * (upw - 2 * y0 * pairs)
    uw += y0 * (y0 * pairs - upw)
    upw -= 2 * y0 * pairs
    pair_tt += t0 * (t0 * pairs - pair_t)
    pair_t -= 2 * t0 * pairs
    intercept = (sy - y0 * n) / n - slope * ((st - t0 * n) / n)
    return uw - intercept * (upw - intercept * pairs - slope * pair_t) - slope * (cross - slope * pair_tt)
