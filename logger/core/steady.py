"""When a firing is truly steady: a ladder of moving windows over rise and output.

Judged on rise and output, never on the supply temperature alone: with recirculating air both
temperatures can climb for the whole firing while the output is flat.

Slope (equivalence) test: an exponential approach of time constant tau has
slope = remaining error / tau, so |slope| + t SE < remaining / tau shows that less than
``remaining`` is still to come. Spread and hunting tests keep an oscillation from passing as flat.
"""

from __future__ import annotations

from enum import IntEnum
from math import inf, sqrt
from typing import NamedTuple

from logger.core.approach import Approach
from logger.core.line import Series
from logger.core.params import SteadyParams
from logger.core.snapshot import TestState
from logger.core.student import t975

RUNGS = (1.0, 1.5, 2.0, 3.0, 5.0)  # multiples of the window, capped at window_max (design)
MIN_FRESH = 0.9  # share of a window's points that must have a value (design)
HUNTING_BLOCKS = 8  # the residual's slow part: means over an eighth of the window (design choice)
HUNTING_FACTOR = 2.0  # peak-to-peak limit as a multiple of the spread (design)
JUDGE_EVERY_S = 3  # s between judgements: no window of minutes changes its mind faster (cost)
FAIL_FOR_S = 15  # s of failure that end a stretch (design)
GROSS = 2.0  # a failure by more than so many limits of the shortest rung ends a stretch too (design)
UNJUDGED_FOR_S = 60  # s without a window that can be judged end a stretch (design choice)
REFIT_EVERY_S = 30  # s between fits of the time constant (design choice: cost)
RISE, OUTPUT = 0, 1  # columns of the series


class Judgement(IntEnum):
    """What the ladder says at one moment."""

    UNJUDGED = 0
    FAIL = 1
    PASS = 2


_UNJUDGED, _FAIL, _PASS = Judgement  # looked up once: every tick asks


class Change(IntEnum):
    """What an update brought."""

    NONE = 0
    SETTLED = 1
    UNSETTLED = 2


_NONE = Change.NONE


class Measured(NamedTuple):
    """The three tests of one column in one window, as fractions of the mean; slope per second."""

    slope: float | None
    spread: float
    hunting: float


class SteadyDetector:
    """Feeds on one (rise, output) point per grid step and tells when it settled and unsettled.

    Times are whole seconds since the run's start. ``grid_s`` is the step of the points: no
    finer than the slowest probe's real update interval.
    """

    def __init__(self, params: SteadyParams, *, live_flow: bool = False) -> None:
        self.params = params
        # The noise of a live velocity is not unrest of the unit: its output is judged by its slow
        # part alone (slope and hunting), the spread by the rise.
        self._spreads = (params.spread, inf if live_flow else params.spread)
        self.approach = Approach()
        self.reset(1)

    def reset(self, grid_s: int, keep_s: float = 0.0) -> None:
        """Forget everything: a new phase, a gap, a suspend, another grid.

        ``keep_s``: how far back the series must answer, where that is more than the longest rung.
        """
        p = self.params
        self.grid_s = grid_s
        windows = sorted({min(p.window_s * factor, p.window_max_s) for factor in RUNGS})
        self.rungs = tuple(max(round(w / grid_s), 3) for w in windows)
        self._judge_every = max(JUDGE_EVERY_S // grid_s, 1)  # points
        self.series = Series(max(self.rungs[-1], round(keep_s / grid_s)))
        self.approach.clear()
        self._tau_s: float | None = None
        self._unfitted: Approach | None = None  # the warm-up as it stood when a fit was due
        self._loosest = p.remaining / p.time_constant_s  # 1/s: no fit makes the limit wider
        self._limit = self._loosest
        self.floor = 0.0  # K: resolution of the rise / sqrt(12)
        self.steady = False
        self.start_s = 0  # of the running stretch, when steady
        self.end_s = 0  # of the last stretch, once unsettled
        self.passing_since_s: int | None = None
        self._candidate_s = 0
        self._last_rung = 0  # that passed
        self._passed_s = 0  # last judgement of the running stretch that passed
        self._failing_since_s: int | None = None
        self._unjudged_since_s: int | None = None
        self._fitted_s = -REFIT_EVERY_S

    def update(self, t_s: int, rise: float | None, output: float | None) -> Change:
        """Take the point of time ``t_s``; None where it has no fresh value."""
        if rise is None or output is None:
            self.series.push(None)
        else:
            self.series.push((rise, output))
            if not self.steady:
                self.approach.add(t_s, rise)
        if self.series.length % self._judge_every:
            return _NONE
        if self.steady:
            return self._watch(t_s, self._climb(self.limit)[0])
        judgement, rung = self._judge(t_s)
        if judgement is not _PASS:
            self.passing_since_s = None
            return Change.NONE
        if self.passing_since_s is None:
            self.passing_since_s = t_s
            self._candidate_s = max(t_s - rung * self.grid_s // 2, self.end_s)
        if t_s - self.passing_since_s < self.params.hold_s:
            return Change.NONE
        self.steady, self.start_s, self._passed_s = True, self._candidate_s, t_s
        self._failing_since_s = self._unjudged_since_s = None
        return Change.SETTLED

    @property
    def judges(self) -> bool:
        """Whether the newest point is one at which the windows are judged."""
        return not self.series.length % self._judge_every

    def _judge(self, t_s: int) -> tuple[Judgement, int]:
        """Judge a warm-up. What fails the widest limit fails every other: it needs no fit (cost)."""
        if t_s - self._fitted_s >= REFIT_EVERY_S:
            self._fitted_s = t_s
            self._unfitted = self.approach.copy()
        if self._unfitted is not None:
            found = self._climb(self._loosest)
            if found[0] is not _PASS:
                return found
        return self._climb(self.limit)

    def end(self, t_s: int) -> None:
        """End the running stretch at ``t_s``: a phase change that broke the rise."""
        self.steady, self.passing_since_s = False, None
        self.end_s = min(max(t_s, self.start_s), self._failing_since_s or t_s)

    def _watch(self, t_s: int, judgement: Judgement) -> Change:
        """Keep the running stretch, or end it where its failure began."""
        if judgement is Judgement.UNJUDGED:
            if self._unjudged_since_s is None:
                self._unjudged_since_s = t_s
            failing = t_s - self._unjudged_since_s >= UNJUDGED_FOR_S
        else:
            self._unjudged_since_s = None
            failing = judgement is Judgement.FAIL
        if not failing:
            self._failing_since_s = None
            if judgement is Judgement.PASS:
                self._passed_s = t_s
            return Change.NONE
        if self._failing_since_s is None:
            # behind the last judgement that passed: what made this one fail stays out of the stretch
            self._failing_since_s = self._passed_s + 1
        if t_s - self._failing_since_s < FAIL_FOR_S:
            return Change.NONE
        self.end(t_s)
        self.approach.clear()  # what comes now is another approach: a stage, another room
        return Change.UNSETTLED

    def _climb(self, limit: float) -> tuple[Judgement, int]:
        """Try the rungs, shortest first, on a slope of ``limit``; the first that passes decides.

        A longer rung does not pass over a gross failure of the shortest: a broad maximum is flat
        on the whole and falls at its end.
        """
        series, judgement = self.series, _UNJUDGED
        rungs = self.rungs
        if self.passing_since_s is not None and self._last_rung:
            # Which rung passes tells only where a stretch begins, and that is settled: the one that
            # passed last is likeliest to.
            rungs = (self._last_rung, *rungs)
        for rung in rungs:
            if rung > series.length:
                break
            if series.fresh(rung) < MIN_FRESH * rung:
                continue
            judgement = _FAIL
            if self._passes(RISE, rung, self.floor, limit) and self._passes(
                OUTPUT, rung, self._output_floor(rung), limit
            ):
                gross = rung != self.rungs[0] and self._gross(limit)
                self._last_rung = 0 if gross else rung
                return (_FAIL, 0) if gross else (_PASS, rung)
        return judgement, 0

    def _output_floor(self, rung: int) -> float:
        """The rise's resolution floor, carried to the output in proportion."""
        if self.floor == 0.0:
            return 0.0
        rise, output = self.series.mean(RISE, rung), self.series.mean(OUTPUT, rung)
        return abs(self.floor * output / rise) if rise and output else 0.0

    def _passes(self, column: int, rung: int, floor: float, limit: float) -> bool:
        """All three tests of one column in one window, cheapest first."""
        limit, spread = limit * self.grid_s, self.params.spread
        line = self.series.line(column, rung, floor, limit, self._spreads[column])
        if line is None or line.slope_se is None:
            return False
        size = abs(line.mean)
        if abs(line.slope) + t975(line.n_eff - 2.0) * line.slope_se >= limit * size:
            return False
        # Block means m of a full window obey block x sum(m^2) <= sum of squares, so their range is
        # at most sqrt(2 n / block) x scatter: often that settles it.
        most = line.scatter * sqrt(2.0 * rung / max(rung // HUNTING_BLOCKS, 1))
        if line.n == rung and most < HUNTING_FACTOR * spread * size:
            return True
        swing = self.series.residual_range(column, line, rung, HUNTING_BLOCKS)
        return swing < HUNTING_FACTOR * spread * size

    def _gross(self, limit: float) -> bool:
        """Whether the shortest rung fails by far: beyond twice a limit, noise allowed for."""
        rung = self.rungs[0]
        if self.series.fresh(rung) < MIN_FRESH * rung:
            return False
        for column, floor in ((RISE, self.floor), (OUTPUT, self._output_floor(rung))):
            if self.series.calm(
                column, rung, floor, GROSS * limit * self.grid_s, GROSS * self._spreads[column]
            ):
                continue
            line = self.series.line(column, rung, floor)
            if line is None or line.slope_se is None:
                continue
            size = abs(line.mean)
            sure = abs(line.slope) - t975(line.n_eff - 2.0) * line.slope_se
            if (
                sure > GROSS * limit * self.grid_s * size
                or line.scatter > GROSS * self._spreads[column] * size
            ):
                return True
        return False

    @property
    def tau_s(self) -> float | None:
        """Time constant of this warm-up, upper 95 %, s; fitted when somebody asks (cost)."""
        self._fit()
        return self._tau_s

    @property
    def limit(self) -> float:
        """Widest slope, 1/s, fraction of the mean: by the slower of the fit and the config's constant."""
        self._fit()
        return self._limit

    def _fit(self) -> None:
        """Fit the warm-up that is due."""
        if self._unfitted is None:
            return
        fit = self._unfitted.fit()
        self._unfitted = None
        self._tau_s = fit.upper_s if fit is not None else None
        self._limit = self.params.remaining / max(self.params.time_constant_s, self._tau_s or 0.0)

    def tests(self) -> tuple[tuple[TestState, ...], float | None]:
        """The three tests of the rung that is nearest to passing, and its window, s; for the eye."""
        best: tuple[float, int, Measured] | None = None
        for rung in self.rungs:
            if rung > self.series.length or self.series.fresh(rung) < MIN_FRESH * rung:
                continue
            measured = self._measure(rung)
            slope = float("inf") if measured.slope is None else measured.slope
            p = self.params
            worst = max(
                slope / self.limit, measured.spread / p.spread, measured.hunting / (HUNTING_FACTOR * p.spread)
            )
            if best is None or worst < best[0]:
                best = worst, rung, measured
        if best is None:
            return (), None
        _, rung, m = best
        p = self.params
        rows = (
            ("slope", m.slope, self.limit),
            ("spread", m.spread, p.spread),
            ("hunting", m.hunting, HUNTING_FACTOR * p.spread),
        )
        return (
            tuple(
                TestState(name=name, value=value, limit=limit, ok=value is not None and value < limit)
                for name, value, limit in rows
            ),
            float(rung * self.grid_s),
        )

    def _measure(self, rung: int) -> Measured:
        """The worse of rise and output in each test."""
        slopes: list[float | None] = []
        spread = hunting = 0.0
        for column, floor in ((RISE, self.floor), (OUTPUT, self._output_floor(rung))):
            line = self.series.line(column, rung, floor)
            if line is None or not line.mean:
                slopes.append(None)
                continue
            size = abs(line.mean)
            if self._spreads[column] < inf:
                spread = max(spread, line.scatter / size)
            swing = self.series.residual_range(column, line, rung, HUNTING_BLOCKS)
            hunting = max(hunting, swing / size)
            if line.slope_se is None:
                slopes.append(None)
            else:
                bound = abs(line.slope) + t975(line.n_eff - 2.0) * line.slope_se
                slopes.append(bound / (size * self.grid_s))
        known = [s for s in slopes if s is not None]
        return Measured(max(known) if len(known) == len(slopes) else None, spread, hunting)
