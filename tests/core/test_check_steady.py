"""The line fit and the steadiness it judges against certified data, scipy, and another detector.

The other detector is the R-statistic (Cao and Rhinehart, J. Process Control 1995): it is written
here only, so that two independent methods can be compared on the same series.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from logger.core.line import SCALE, Line, Series, fit_line
from logger.core.student import t975

Floats = npt.NDArray[np.float64]


def fill(values: Iterable[float | None], keep: int = 1_000) -> Series:
    series = Series(keep)
    for value in values:
        series.push(None if value is None else (value, value))
    return series


def line_of(values: Iterable[float | None]) -> Line:
    series = fill(values)
    line = series.line(0, series.length)
    assert line is not None
    return line


# --- certified regression: NIST StRD, data set Norris (x, y), 36 points; certified values below.
NORRIS_X = (
    *(0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4),
    *(0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3),
    *(0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5),
)
NORRIS_Y = (
    *(0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3),
    *(0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3),
    *(0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2),
)


@pytest.mark.parametrize("shift", [0, 10_000_000])
def test_certified_regression(shift: int) -> None:
    """NIST StRD Norris: intercept, slope, their deviations, residual deviation, R2.

    Times are whole tenths; moving their zero (a later hour of the run) changes only the intercept.
    """
    t = [round(10 * x) + shift for x in NORRIS_X]
    y = [round(SCALE * v) for v in NORRIS_Y]
    n, st, stt = len(t), sum(t), sum(k * k for k in t)
    products = sum(a * b for a, b in zip(t, y, strict=True))
    no_pairs = (0, 0, 0)  # two points share a time, so this is no series: the sums go in directly
    sums = (n, st, stt, *no_pairs, sum(y), products, sum(v * v for v in y), *no_pairs)
    line = fit_line((0,) * len(sums), sums, 0)
    assert line is not None
    assert line.slope_se is not None
    slope, slope_sd = 10 * line.slope, 10 * line.slope_se
    mean_x = st / n / 10
    intercept = line.mean - slope * (mean_x - shift / 10)
    assert slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert intercept == pytest.approx(-0.262323073774029, rel=1e-8)
    assert slope_sd == pytest.approx(0.000429796848199937, rel=1e-9)
    assert line.scatter == pytest.approx(0.884796396144373, rel=1e-9)
    x = np.array(NORRIS_X)
    intercept_sd = slope_sd * math.sqrt(float(np.mean(x**2)))
    assert intercept_sd == pytest.approx(0.232818234301152, rel=1e-9)
    total = float(np.sum((np.array(NORRIS_Y) - np.mean(NORRIS_Y)) ** 2))
    assert 1 - line.scatter**2 * (n - 2) / total == pytest.approx(0.999993745883712, rel=1e-9)


# --- slope with lag-1 correction (Santer et al. 2000, J. Geophys. Res. 105): invented readings, degF
READINGS_F = (
    *(118.9, 119.1, 119.2, 119.0, 119.3, 119.5, 119.6, 119.5, 119.4, 119.6),
    *(119.8, 119.9, 119.8, 119.7, 119.9, 120.1, 120.2, 120.0, 119.9, 120.1),
)
PER_MINUTE = 2  # grid steps of 30 s


def test_slope_with_lag_1_correction() -> None:
    """scipy linregress for slope and s.e., lag-1 correction by hand from its residuals."""
    line = line_of(READINGS_F)
    assert line.slope_se is not None
    assert PER_MINUTE * line.slope == pytest.approx(0.120752, abs=1e-6)
    assert line.phi == pytest.approx(0.29684, abs=1e-5)
    assert line.n_eff == pytest.approx(10.8443, abs=1e-4)
    assert PER_MINUTE * line.slope_se == pytest.approx(0.015503, abs=1e-6)
    assert line.slope / line.slope_se == pytest.approx(7.79, abs=0.005)
    uncorrected = line.slope_se / math.sqrt((line.n - 2) / (line.n_eff - 2))
    assert PER_MINUTE * uncorrected == pytest.approx(0.010867, abs=1e-6)
    assert uncorrected == pytest.approx(stats.linregress(range(20), READINGS_F).stderr, rel=1e-9)


@pytest.mark.parametrize(
    ("phi", "n_eff", "exact"),
    [(0.3, 32.31, 32.67), (0.5, 20.00, 20.45), (0.8, 6.67, 7.20), (0.9, 3.16, 3.75)],
)
def test_effective_sample_size(phi: float, n_eff: float, exact: float) -> None:
    """n (1 - phi)/(1 + phi) for n = 60, never above the exact n / [1 + 2 sum (1 - k/n) phi^k]. Derived.

    The series: noise, and a slow wave in the share that gives the autocorrelation asked for.
    """
    n = 60
    noise = np.random.default_rng(60).standard_normal(n)
    wave = np.sin(4.0 * np.pi * np.arange(n) / n)

    def mixed(part: float) -> Line:
        return line_of(((1 - part) * noise + part * wave).tolist())

    part = float(optimize.brentq(lambda k: mixed(k).phi - phi, 0.0, 1.0, xtol=1e-10))
    line = mixed(part)
    assert line.phi == pytest.approx(phi, abs=1e-5)
    assert line.n_eff == pytest.approx(n_eff, abs=0.005)
    finite = n / (1 + 2 * sum((1 - k / n) * phi**k for k in range(1, n)))
    assert finite == pytest.approx(exact, abs=0.005)
    assert line.n_eff <= finite
    assert (line.slope_se is None) == (n_eff < 5)  # too few: undecided


points = st.lists(st.none() | st.floats(-50.0, 50.0), min_size=4, max_size=80)


@settings(max_examples=150)
@given(
    values=points, before=st.lists(st.none() | st.floats(-1e6, 1e6), max_size=30), level=st.floats(-100, 100)
)
def test_line_through_any_window_agrees_with_scipy(
    values: list[float | None], before: list[float | None], level: float
) -> None:
    """linregress over the window's points; what stood before it, an outlier too, leaves no trace."""
    window = [None if v is None else round(v + level, 6) for v in values]
    x = np.array([i for i, v in enumerate(window) if v is not None], dtype=float)
    y = np.array([v for v in window if v is not None])
    line = fill([*before, *window]).line(0, len(window))
    if len(y) < 3:
        assert line is None
        return
    assert line is not None
    expected = stats.linregress(x, y)
    residuals = y - expected.intercept - expected.slope * x
    scatter = math.sqrt(float(np.sum(residuals**2)) / (len(y) - 2))
    assert line.n == len(y)
    assert line.mean == pytest.approx(float(np.mean(y)), abs=1e-9)
    assert line.slope == pytest.approx(expected.slope, abs=1e-9)
    assert line.scatter == pytest.approx(scatter, abs=2e-6)
    if line.scatter < 1e-3:  # below it the residuals are rounding of the fixed-point values
        return
    neighbours = np.diff(x) == 1.0
    products = float(np.sum(residuals[1:][neighbours] * residuals[:-1][neighbours]))
    phi = min(max(products / float(np.sum(residuals**2)), 0.0), 0.95)
    assert line.phi == pytest.approx(phi, abs=1e-6)
    if line.slope_se is not None:
        n_eff = len(y) * (1 - phi) / (1 + phi)
        se = scatter / math.sqrt(float(np.sum((x - x.mean()) ** 2))) * math.sqrt((len(y) - 2) / (n_eff - 2))
        assert line.slope_se == pytest.approx(se, rel=1e-4)


@pytest.mark.parametrize(("left", "in_time_constants"), [(0.05, 3.00), (0.02, 3.91), (0.01, 4.61)])
def test_slope_of_an_exponential_approach_tells_what_is_left(left: float, in_time_constants: float) -> None:
    """|slope| x tau falls to a fraction f of the change after -ln(f) time constants. Derived.

    The slope of three points is that at their middle, 1 s before the newest.
    """
    tau_s, change_k = 120.0, 27.0
    series = Series(10)
    for t_s in range(1_000):
        series.push(
            (
                20.0 + change_k * (1.0 - math.exp(-t_s / tau_s)),
                20.0 + change_k * (1.0 - math.exp(-t_s / tau_s)),
            )
        )
        newest = series.line(0, 3) if t_s >= 2 else None
        if newest is not None and newest.slope * tau_s < left * change_k:
            break
    assert (t_s - 1) / tau_s == pytest.approx(in_time_constants, abs=0.012)


# --- the R-statistic, and what both detectors say of the same series


class RState(NamedTuple):
    """Filtered value, its squared deviation, squared difference, and the last value."""

    filtered: Floats
    nu2: Floats
    d2: Floats
    last: Floats


def r_start(x: Floats | float, nu2: float, d2: float) -> RState:
    first = np.asarray(x, dtype=float)
    return RState(first, np.full_like(first, nu2), np.full_like(first, d2), first)


def r_update(s: RState, x: Floats | float, l1: float, l2: float, l3: float) -> tuple[RState, Floats]:
    """One step for many series at once; nan where nothing has moved (no evidence either way)."""
    x = np.asarray(x, dtype=float)
    nu2 = l2 * (x - s.filtered) ** 2 + (1 - l2) * s.nu2
    d2 = l3 * (x - s.last) ** 2 + (1 - l3) * s.d2
    r = np.divide((2 - l1) * nu2, d2, out=np.full_like(d2, np.nan), where=d2 > 0)
    return RState(l1 * x + (1 - l1) * s.filtered, nu2, d2, x), r


def r_series(values: Iterable[float], nu2: float, d2: float) -> tuple[list[float], RState]:
    first, *rest = values
    state, result = r_start(first, nu2, d2), []
    for x in rest:
        state, r = r_update(state, x, 0.2, 0.1, 0.1)
        result.append(float(r))
    return result, state


R_CRITICAL = 1.44  # 95 %, white noise, factors 0.2/0.1/0.1: published (recalled), simulated below


def test_r_statistic_step_by_step() -> None:
    """Cao and Rhinehart 1995: worked by hand from the definition."""
    r, state = r_series([120.0, 120.4, 119.8, 120.2, 119.6, 120.1], 0.05, 0.10)
    assert r == pytest.approx([1.03585, 0.85945, 0.79856, 0.85727, 0.74734], abs=1e-5)
    assert float(state.filtered) == pytest.approx(119.993888, abs=1e-6)


def test_r_statistic_on_a_ramp() -> None:
    """It climbs towards (2 - L1)/L1^2 = 45 where there is no noise. Derived."""
    r, _ = r_series([100.0, 102.0, 104.0, 106.0, 108.0, 110.0], 0.05, 0.10)
    assert r == pytest.approx([1.6347, 3.6310, 6.0808, 8.7466, 11.4793], abs=1e-4)
    long, _ = r_series([100.0 + 2.0 * k for k in range(300)], 0.05, 0.10)
    assert long[-1] == pytest.approx(45.0, rel=1e-6)


@pytest.mark.parametrize(
    ("factors", "steps", "quantiles"),
    [
        ((0.2, 0.1, 0.1), 100, {0.90: 1.32, 0.95: 1.44, 0.99: 1.73, 0.05: 0.77}),
        ((0.1, 0.1, 0.1), 150, {0.95: 1.49}),
        ((0.05, 0.05, 0.05), 250, {0.95: 1.325}),
        ((0.2, 0.05, 0.05), 250, {0.95: 1.28}),
        ((0.5, 0.1, 0.01), 700, {0.95: 1.53}),
    ],
)
def test_critical_values_of_the_r_statistic(
    factors: tuple[float, float, float], steps: int, quantiles: dict[float, float]
) -> None:
    """White normal noise; the published 1.44 is recalled, the others simulated (20,000 series)."""
    rng = np.random.default_rng(20_000)
    state = r_start(rng.standard_normal(20_000), 1.0, 2.0)
    for _ in range(steps):
        state, r = r_update(state, rng.standard_normal(20_000), *factors)
    for p, expected in quantiles.items():
        # an extreme quantile of 20,000 scatters more than the others
        assert np.quantile(r, p) == pytest.approx(expected, abs=0.03 if p == 0.99 else 0.02)


def ar1_step(x: Floats, phi: float, rng: np.random.Generator) -> Floats:
    return phi * x + math.sqrt(1 - phi * phi) * rng.standard_normal(x.shape)


@pytest.mark.parametrize(("phi", "ratio"), [(0.0, 1.00), (0.3, 1.32), (0.5, 1.67), (0.8, 2.78)])
def test_autocorrelated_noise_biases_the_r_statistic(phi: float, ratio: float) -> None:
    """(2 - L)[1 + L/(2 - L)(1 + a)/(1 - a) - 2 L phi/(1 - a)] / (2 (1 - phi)), a = (1 - L) phi. Derived."""
    l1 = 0.2
    a = (1 - l1) * phi
    formula = (2 - l1) * (1 + l1 / (2 - l1) * (1 + a) / (1 - a) - 2 * l1 * phi / (1 - a)) / (2 * (1 - phi))
    assert formula == pytest.approx(ratio, abs=0.005)
    rng = np.random.default_rng(1995)
    x = rng.standard_normal(20_000)
    state = r_start(x, 1.0, 2.0 * (1 - phi))
    for _ in range(150):
        x = ar1_step(x, phi, rng)
        state, _ = r_update(state, x, l1, 0.1, 0.1)
    assert (2 - l1) * state.nu2.mean() / state.d2.mean() == pytest.approx(ratio, rel=0.02)


def test_a_constant_reading_is_no_evidence_for_either_detector() -> None:
    """R is 0/0 there; the line's scatter is then held at the step's own, resolution / sqrt(12)."""
    state = r_start(20.0, 0.0, 0.0)
    state, r = r_update(state, 20.0, 0.2, 0.1, 0.1)
    assert math.isnan(float(r))
    series = fill([20.0] * 60)
    floor = 0.1 / math.sqrt(12.0)
    held = series.line(0, 60, floor=floor)
    assert held is not None
    assert held.slope_se is not None
    assert held.slope == 0.0
    assert held.scatter == floor
    assert held.slope_se == pytest.approx(floor / math.sqrt(60 * (60 * 60 - 1) / 12), rel=1e-12)


def slope_moves(values: Floats) -> bool:
    """Whether the line's slope is different from 0 with 95 % confidence."""
    line = line_of(values.tolist())
    assert line.slope_se is not None
    return abs(line.slope) > t975(line.n_eff - 2.0) * line.slope_se


def r_moves(values: Floats) -> bool:
    r, _ = r_series(values.tolist(), 1.0, 2.0)
    return r[-1] > R_CRITICAL


def share(values: Floats, slope_per_s: float) -> tuple[float, float]:
    """Share of series in which the line, and R, see a movement of ``slope_per_s``."""
    ramp = slope_per_s * np.arange(values.shape[1])
    moved = [(slope_moves(row + ramp), r_moves(row + ramp)) for row in values]
    line, r = np.mean(moved, axis=0)
    return float(line), float(r)


def test_both_detectors_agree_on_noise_and_on_a_clear_ramp() -> None:
    """120 points of white noise, sd 1: false alarms near 5 % each; 0.5 sd per point is seen always."""
    noise = np.random.default_rng(3).standard_normal((400, 120))
    line, r = share(noise, 0.0)
    assert line == pytest.approx(0.05, abs=0.045)  # 4 standard errors of 400 trials
    assert r == pytest.approx(0.05, abs=0.045)
    assert share(noise, 0.5) == (1.0, 1.0)


def test_the_line_sees_a_slow_drift_that_the_r_statistic_does_not() -> None:
    """0.02 sd per point: 2.4 sd over the window are 7.6 s.e. of the slope, and next to nothing for R.

    s.e. of the slope = sd sqrt(12 / n^3) = 0.00264 sd. Derived.
    """
    noise = np.random.default_rng(4).standard_normal((400, 120))
    line, r = share(noise, 0.02)
    assert line > 0.99
    assert r < 0.15


def test_autocorrelated_noise_fools_the_r_statistic_and_not_the_corrected_line() -> None:
    """phi 0.5: R lies above its critical value in most series; the line's alarms stay few."""
    rng = np.random.default_rng(5)
    noise = np.empty((300, 240))
    noise[:, 0] = rng.standard_normal(300)
    for k in range(1, noise.shape[1]):
        noise[:, k] = ar1_step(noise[:, k - 1], 0.5, rng)
    line, r = share(noise, 0.0)
    assert r > 0.5
    assert line < 0.12
