"""Exact sums of a series on a grid, and the straight line through any window of it.

Values enter as fixed-point integers, so sums are exact: order does not matter and an outlier
leaves no trace once it has left the window. Prefix sums are shared by all windows: a window of
any length costs the same.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

SCALE = 1_000_000  # fixed-point steps per unit (1 uK, 1 uW): far below any probe's step
PHI_MAX = 0.95  # lag-1 autocorrelation is held in 0..0.95 (design choice: negative never helps)
MIN_N_EFF = 5.0  # below: undecided (design choice)
_KEEP_FACTOR = 2  # the buffer is cut back when it has grown to twice what is needed


class Line(NamedTuple):
    """Least-squares line through a window. Units: those of the series, per grid step."""

    n: int  # points with a value
    mean: float
    slope: float
    scatter: float  # standard deviation about the line, n - 2 degrees of freedom
    phi: float  # lag-1 autocorrelation of the residuals, 0..PHI_MAX
    n_eff: float
    slope_se: float | None  # None where n_eff is below MIN_N_EFF


class TimeSums(NamedTuple):
    """Running sums over the points that have a value; ``t`` in grid steps.

    The pair sums run over neighbours that both have a value, the later one at ``t``.
    """

    n: int = 0
    t: int = 0
    tt: int = 0
    pairs: int = 0
    pair_t: int = 0  # sum of 2 t - 1
    pair_tt: int = 0  # sum of t (t - 1)


class ValueSums(NamedTuple):
    """Running sums of the fixed-point values ``y``; pairs are (u later, w earlier)."""

    y: int = 0
    ty: int = 0
    yy: int = 0
    uw: int = 0
    u_plus_w: int = 0
    cross: int = 0  # sum of u (t - 1) + w t


_NO_TIME = TimeSums()
_NO_VALUE = ValueSums()


class Mark(NamedTuple):
    """A place in a series: the sums before it, so that a window of any age can start there."""

    time: tuple[int, ...]
    values: tuple[tuple[int, ...], ...]
    broken: tuple[tuple[int, int, int] | None, ...]


class Series:
    """Prefix sums of several parallel values on one grid, the last ``keep`` points of them.

    ``push`` takes one value per column, or None where the point has no value; then ``line``
    answers for any window of the last ``n`` points. ``clear`` forgets everything.
    """

    __slots__ = ("_base", "_columns", "_keep", "_last", "_time", "_values", "keep", "length")

    def __init__(self, columns: int, keep: int) -> None:
        self._columns = columns
        self.keep = keep
        self._keep = keep + 2  # the zero before the first point, and the pair that reaches out
        self.clear()

    def clear(self) -> None:
        """Forget every point."""
        self.length = 0
        self._base = 0
        self._time: list[tuple[int, ...]] = [_NO_TIME]
        self._values: list[list[tuple[int, ...]]] = [[_NO_VALUE] for _ in range(self._columns)]
        self._last: tuple[int, ...] | None = None

    def push(self, point: tuple[float, ...] | None) -> None:
        """Add the next point of the grid; None where there is no fresh value."""
        t = self.length
        self.length = t + 1
        time = self._time
        if point is None:
            time.append(time[-1])
            for column in self._values:
                column.append(column[-1])
            self._last = None
        else:
            fixed = tuple([round(y * SCALE) for y in point])
            last = self._last
            n, st, stt, pairs, pair_t, pair_tt = time[-1]
            if last is None:
                time.append((n + 1, st + t, stt + t * t, pairs, pair_t, pair_tt))
                for column, y in zip(self._values, fixed, strict=True):
                    sy, sty, syy, uw, upw, cross = column[-1]
                    column.append((sy + y, sty + t * y, syy + y * y, uw, upw, cross))
            else:
                before = t - 1
                time.append(
                    (n + 1, st + t, stt + t * t, pairs + 1, pair_t + t + before, pair_tt + t * before)
                )
                for column, y, w in zip(self._values, fixed, last, strict=True):
                    sy, sty, syy, uw, upw, cross = column[-1]
                    ty = t * y
                    column.append(
                        (sy + y, sty + ty, syy + y * y, uw + y * w, upw + y + w, cross + ty - y + w * t)
                    )
            self._last = fixed
        if len(time) > _KEEP_FACTOR * self._keep:
            cut = len(time) - self._keep
            self._base += cut
            del time[:cut]
            for column in self._values:
                del column[:cut]

    def fresh(self, window: int, *, back: int = 0) -> int:
        """How many of the last ``window`` points have a value, the newest ``back`` left out."""
        end = self.length - back - self._base
        return self._time[end][0] - self._time[end - window][0]

    def mean(self, column: int, window: int, *, back: int = 0) -> float | None:
        """Mean of a column over the window; None where no point has a value."""
        end = self.length - back - self._base
        n = self._time[end][0] - self._time[end - window][0]
        values = self._values[column]
        return (values[end][0] - values[end - window][0]) / (n * SCALE) if n else None

    def slope(self, column: int, window: int) -> tuple[float, float]:
        """Mean and slope alone: the cheap first look of a ladder. Needs two points."""
        end = self.length - self._base
        start = end - window
        n1, st1, stt1, *_ = self._time[end]
        n0, st0, stt0, *_ = self._time[start]
        y1, ty1, *_ = self._values[column][end]
        y0, ty0, *_ = self._values[column][start]
        n, st, sy = n1 - n0, st1 - st0, y1 - y0
        return sy / (n * SCALE), (n * (ty1 - ty0) - st * sy) / ((n * (stt1 - stt0) - st * st) * SCALE)

    def line(self, column: int, window: int, *, back: int = 0, floor: float = 0.0) -> Line | None:
        """Line through the window, with its standard error; None below three points.

        ``floor``: the scatter is never taken below it (a coarse probe proves nothing by
        repeating one value). Source: ordinary least squares; lag-1 correction of the standard
        error as Santer et al. 2000 (J. Geophys. Res. 105): n_eff = n (1 - phi)/(1 + phi).
        """
        end = self.length - back - self._base
        start = end - window
        time1, time0 = self._time[end], self._time[start]
        value1, value0 = self._values[column][end], self._values[column][start]
        return fit_line(
            [a - b for a, b in zip(time1, time0, strict=True)],
            [a - b for a, b in zip(value1, value0, strict=True)],
            self._broken_pair(column, start),
            floor,
        )

    def mark(self, back: int) -> Mark:
        """Remember the place before the newest ``back`` points."""
        at = self.length - back - self._base
        return Mark(
            self._time[at],
            tuple(column[at] for column in self._values),
            tuple(self._broken_pair(c, at) for c in range(self._columns)),
        )

    def line_since(self, mark: Mark, column: int, *, back: int = 0, floor: float = 0.0) -> Line | None:
        """Line from a mark to the newest point but ``back``; as ``line``, for any length."""
        end = self.length - back - self._base
        return fit_line(
            [a - b for a, b in zip(self._time[end], mark.time, strict=True)],
            [a - b for a, b in zip(self._values[column][end], mark.values[column], strict=True)],
            mark.broken[column],
            floor,
        )

    def _broken_pair(self, column: int, start: int) -> tuple[int, int, int] | None:
        """The pair that reaches out of the window's start, as (t, u, w); None if there is none."""
        time, values = self._time, self._values[column]
        if start < 1 or start + 1 >= len(time):
            return None
        if time[start + 1][3] == time[start][3]:
            return None
        w = values[start][0] - values[start - 1][0]
        return self._base + start, values[start + 1][0] - values[start][0], w


def fit_line(
    time: list[int], value: list[int], broken: tuple[int, int, int] | None, floor: float
) -> Line | None:
    """Line from differences of ``TimeSums`` and ``ValueSums``; see ``Series.line``."""
    n, st, stt, pairs, pair_t, pair_tt = time
    sy, sty, syy, uw, upw, cross = value
    if n < 3:  # noqa: PLR2004 - a line takes two, its scatter a third
        return None
    if broken is not None:
        t, u, w = broken
        pairs, pair_t, pair_tt = pairs - 1, pair_t - (2 * t - 1), pair_tt - t * (t - 1)
        uw, upw, cross = uw - u * w, upw - (u + w), cross - (u * (t - 1) + w * t)
    sxx = n * stt - st * st
    sxy = n * sty - st * sy
    slope = sxy / sxx
    sse = max(((n * syy - sy * sy) - sxy * sxy / sxx) / n, 0.0)
    scatter = sqrt(sse / (n - 2))
    intercept = (sy - slope * st) / n
    phi = 0.0
    if sse > 0.0 and pairs:
        covariance = (
            uw
            - intercept * upw
            - slope * cross
            + intercept * intercept * pairs
            + intercept * slope * pair_t
            + slope * slope * pair_tt
        )
        phi = min(max(covariance / sse, 0.0), PHI_MAX)
    n_eff = n * (1.0 - phi) / (1.0 + phi)
    scatter = max(scatter / SCALE, floor)
    slope_se = None
    if n_eff >= MIN_N_EFF:
        slope_se = scatter * sqrt(n / sxx) * sqrt((n - 2) / (n_eff - 2.0))
    return Line(n, sy / (n * SCALE), slope / SCALE, scatter, phi, n_eff, slope_se)
