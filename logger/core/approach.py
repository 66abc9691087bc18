"""Time constant of an exponential approach, fitted to the warm-up it belongs to.

The fit only sharpens the slope limit and widens the budget; its end value is never reported.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from logger.core.line import MIN_N_EFF, PHI_MAX

TAU_GRID_S = np.geomspace(10.0, 1800.0, 64)  # s; plants of the trade lie well inside (assumed)
MAX_BINS = 128  # memory stays bounded: bins are merged by pairs
MIN_BINS = 12  # fewer say nothing of three parameters (design choice)
ONSET = 0.75  # the fit starts where so much of the rise is there: behind dead time and a lower stage
Z95_SQUARED = 1.6449**2  # one-sided 95 %, profile likelihood of one parameter (chi-square, 1 d.o.f.)
OUTLIER = 6.0  # times the median residual: such bins are left out of a second fit (design choice)
VISIBLE = 4.0  # the approach must stand out of the scatter by so many times (design choice)


class TimeConstant(NamedTuple):
    """Fitted time constant and its upper one-sided 95 % bound, s."""

    tau_s: float
    upper_s: float


class Approach:
    """Collects a warm-up in bins of equal time and fits y = end - drop exp(-t/tau).

    Example
    -------
    >>> from math import exp
    >>> warm_up = Approach()
    >>> for t in range(600):
    ...     warm_up.add(float(t), 27.0 * (1.0 - exp(-t / 200.0)))
    >>> fit = warm_up.fit()
    >>> fit is not None and abs(fit.tau_s - 200.0) < 2.0
    True
    """

    __slots__ = ("_count", "_per_bin", "_t", "_t_sum", "_y", "_y_sum")

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Forget the warm-up."""
        self._t: list[float] = []
        self._y: list[float] = []
        self._per_bin = 1
        self._count = 0
        self._t_sum = 0.0
        self._y_sum = 0.0

    def copy(self) -> Approach:
        """The warm-up as it stands, for a later fit."""
        other = Approach()
        other._t, other._y = list(self._t), list(self._y)
        return other

    def add(self, t_s: float, y: float) -> None:
        """Add a point; times rise."""
        self._t_sum += t_s
        self._y_sum += y
        self._count += 1
        if self._count < self._per_bin:
            return
        self._t.append(self._t_sum / self._count)
        self._y.append(self._y_sum / self._count)
        self._count, self._t_sum, self._y_sum = 0, 0.0, 0.0
        if len(self._t) >= MAX_BINS:
            self._t = [(a + b) / 2 for a, b in zip(self._t[::2], self._t[1::2], strict=True)]
            self._y = [(a + b) / 2 for a, b in zip(self._y[::2], self._y[1::2], strict=True)]
            self._per_bin *= 2

    def fit(self) -> TimeConstant | None:
        """Fit by profile over tau; None where no approach can be seen in the data."""
        t, y = np.asarray(self._t), np.asarray(self._y)
        if len(t) < MIN_BINS:
            return None
        onset = ONSET * sorted(self._y[-5:])[2]
        start = int(np.argmax(np.abs(y) >= abs(onset)))
        t, y = t[start:] - t[start], y[start:]
        if len(t) < MIN_BINS:
            return None
        sse, drop, residual = _profile(t, y)
        best = int(np.argmin(sse))
        size = np.abs(residual[best])
        near = size <= OUTLIER * max(_median(size), 1e-9)
        if not near.all() and int(near.sum()) >= MIN_BINS:
            t, y = t[near], y[near]
            sse, drop, residual = _profile(t, y)
            best = int(np.argmin(sse))
        scatter = float(np.sqrt(sse[best] / max(len(t) - 3, 1)))
        if abs(drop[best]) < VISIBLE * scatter or best == 0:
            return None
        bound = sse[best] * (1.0 + Z95_SQUARED / max(_n_eff(residual[best]) - 3.0, 1.0))
        above = np.nonzero(sse[best:] > bound)[0]
        if not len(above):
            return None  # a ramp for all the data tells: the slope test speaks for it
        return TimeConstant(_vertex(sse, best), float(TAU_GRID_S[best + int(above[0])]))


def _profile(
    t: npt.NDArray[np.float64], y: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """For each tau of the grid: least sum of squares, amplitude, and residuals (tau x time)."""
    shape = np.exp(-t[None, :] / TAU_GRID_S[:, None])
    shape -= shape.mean(axis=1, keepdims=True)
    centred = y - y.mean()
    slope = (shape * centred).sum(axis=1) / np.maximum((shape * shape).sum(axis=1), 1e-12)
    residual = centred[None, :] - slope[:, None] * shape
    return (residual * residual).sum(axis=1), slope, residual


def _median(values: npt.NDArray[np.float64]) -> float:
    """Numpy's own, without what it spends on asking of what kind the values are."""
    ordered = np.sort(values)
    middle = len(ordered) // 2
    return float(ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2.0)


def _n_eff(residual: npt.NDArray[np.float64]) -> float:
    total = float((residual * residual).sum())
    phi = float((residual[1:] * residual[:-1]).sum()) / total if total > 0.0 else 0.0
    phi = min(max(phi, 0.0), PHI_MAX)
    return max(len(residual) * (1.0 - phi) / (1.0 + phi), MIN_N_EFF)


def _vertex(sse: npt.NDArray[np.float64], best: int) -> float:
    """Tau at the vertex of the parabola through the three least squares about the best one."""
    if best in (0, len(sse) - 1):
        return float(TAU_GRID_S[best])
    left, mid, right = (float(x) for x in sse[best - 1 : best + 2])
    bend = left - 2.0 * mid + right
    shift = 0.5 * (left - right) / bend if bend > 0.0 else 0.0
    step = float(np.log(TAU_GRID_S[1] / TAU_GRID_S[0]))
    return float(TAU_GRID_S[best] * np.exp(shift * step))
