"""The exact line fit against numpy, with holes, outliers and windows of every age."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.line import PHI_MAX, Series

POINT = st.none() | st.floats(-50.0, 50.0)


def reference(values: list[float | None]) -> tuple[int, float, float, float, float]:
    """Mean, slope, scatter and lag-1 autocorrelation by numpy.polyfit (the independent oracle)."""
    places = [i for i, value in enumerate(values) if value is not None]
    x, y = np.array(places, float), np.array([values[i] for i in places], float)
    slope, intercept = np.polyfit(x, y, 1)
    residual = y - intercept - slope * x
    at = dict(zip(places, residual, strict=True))
    products = sum(at[i] * at[i - 1] for i in places if i - 1 in at)
    total = float((residual**2).sum())
    phi = min(max(products / total, 0.0), PHI_MAX) if total > 0 else 0.0
    return len(places), float(y.mean()), float(slope), float(np.sqrt(total / (len(places) - 2))), phi


@settings(max_examples=150, deadline=None)
@given(st.lists(POINT, min_size=12, max_size=60), st.integers(4, 12))
def test_agrees_with_polyfit_over_any_window(points: list[float | None], window: int) -> None:
    series = Series(12)
    for value in points:
        series.push(None if value is None else (round(value, 3), round(value, 3)))
    inside = [None if v is None else round(v, 3) for v in points[-window:]]
    fresh = [v for v in inside if v is not None]
    line = series.line(0, window)
    if len(fresh) < 3:
        assert line is None
        return
    assert line is not None
    n, mean, slope, scatter, phi = reference(inside)
    assert line.n == n == series.fresh(window)
    assert line.mean == pytest.approx(mean, abs=1e-6)
    assert line.slope == pytest.approx(slope, abs=1e-6)
    assert line.scatter == pytest.approx(scatter, abs=2e-5)
    if scatter > 0.01:
        assert line.phi == pytest.approx(phi, abs=1e-3)


def test_an_outlier_leaves_no_trace() -> None:
    """River's sliding variance is 5 % off after such an outlier; exact sums are not."""
    rng = random.Random(7)
    clean = [rng.gauss(27.0, 0.2) for _ in range(300)]
    hit, spared = Series(100), Series(100)
    hit.push((1e6, 1e6))
    spared.push((27.0, 27.0))
    for value in clean:
        hit.push((value, value))
        spared.push((value, value))
    assert hit.line(0, 100) == spared.line(0, 100)


def test_a_mark_reaches_back_beyond_what_is_kept() -> None:
    rng = random.Random(3)
    values: list[float | None] = [None if rng.random() < 0.05 else rng.gauss(20.0, 0.5) for _ in range(900)]
    series = Series(50)
    mark = None
    for number, value in enumerate(values):
        series.push(None if value is None else (value, value))
        if number == 199:
            mark = series.mark(20)
    assert mark is not None
    line = series.line_since(mark, 0, back=7)
    assert line is not None
    n, mean, slope, scatter, phi = reference(values[180:-7])
    assert (line.n, line.phi) == (n, pytest.approx(phi, abs=1e-6))
    assert line.mean == pytest.approx(mean, abs=1e-9)
    assert line.slope == pytest.approx(slope, abs=1e-10)
    assert line.scatter == pytest.approx(scatter, abs=1e-7)  # values are kept to 1e-6


def test_the_floor_holds_the_scatter_of_a_constant_reading() -> None:
    series = Series(120)
    for _ in range(120):
        series.push((48.0, 48.0))
    line = series.line(0, 120, floor=0.5 / 12**0.5)
    assert line is not None
    assert (line.slope, line.phi) == (0.0, 0.0)
    assert line.scatter == 0.5 / 12**0.5
    assert line.slope_se is not None
    assert line.slope_se > 0.0


def test_limits_only_leave_out_what_fails() -> None:
    """An unfinished line is one that fails: the finished one says the same."""
    rng = random.Random(11)
    series = Series(120)
    level = 27.0
    for number in range(2000):
        level += rng.gauss(0.0, 0.01) + (0.01 if number % 600 < 100 else 0.0)
        series.push((level + rng.gauss(0.0, 0.1), level + rng.gauss(0.0, 0.1)))
        if number < 120:
            continue
        quick = series.line(0, 120, slope_limit=1e-4, scatter_limit=0.015)
        full = series.line(0, 120)
        assert full is not None
        if quick is None:
            steep = abs(full.slope) + 1.9599 * (full.slope_se or 9.0) >= 1e-4 * abs(full.mean)
            assert steep or full.scatter >= 0.015 * abs(full.mean)
        else:
            assert quick == full


@pytest.mark.parametrize("zero", [0, 1_000_000])
def test_a_window_late_in_a_long_run_is_as_good_as_an_early_one(zero: int) -> None:
    rng = random.Random(2)
    values = [32_000.0 + 50.0 * t + rng.gauss(0.0, 1.0) for t in range(120)]
    series = Series(120)
    series.length = zero  # as if so many points had gone before
    for value in values:
        series.push((value, value))
    line = series.line(0, 120)
    assert line is not None
    _, mean, slope, scatter, phi = reference(list(values))
    assert line.phi == pytest.approx(phi, abs=1e-6)
    assert (line.mean, line.slope) == (pytest.approx(mean, rel=1e-12), pytest.approx(slope, rel=1e-10))
    assert line.scatter == pytest.approx(scatter, rel=1e-6)


@pytest.mark.parametrize(("period", "expected"), [(60, 2.0), (240, 2.0)])
def test_residual_range_sees_a_slow_swing(period: int, expected: float) -> None:
    """Amplitude 1: peak to peak 2, less what an eighth of a window averages away."""
    series = Series(480)
    for t in range(480):
        series.push((20.0 + np.sin(2 * np.pi * t / period), 20.0 + np.sin(2 * np.pi * t / period)))
    line = series.line(0, 480)
    assert line is not None
    swing = series.residual_range(0, line, 480, 8)
    block = 60
    averaged = abs(np.sinc(block / period)) * expected
    assert swing == pytest.approx(averaged, abs=0.35)
