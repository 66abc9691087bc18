"""Limits of a counted rate, and the study's statistics, against what is known without this program."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta, binomtest

from simulators.study.binomial import bounds


@given(st.integers(1, 2000), st.floats(0.0, 1.0), st.sampled_from([0.95, 0.99]))
def test_limits_are_the_beta_quantiles(trials: int, share: float, confidence: float) -> None:
    """Clopper and Pearson in their beta form: scipy's own quantiles."""
    hits, tail = round(share * trials), (1.0 - confidence) / 2.0
    low = 0.0 if hits == 0 else float(beta.ppf(tail, hits, trials - hits + 1))
    high = 1.0 if hits == trials else float(beta.ppf(1.0 - tail, hits + 1, trials - hits))
    assert bounds(hits, trials, confidence) == pytest.approx((low, high), abs=1e-8)


def test_limits_are_those_of_the_exact_test() -> None:
    found = binomtest(190, 200).proportion_ci(confidence_level=0.99, method="exact")
    assert bounds(190, 200) == pytest.approx((found.low, found.high), abs=1e-8)


def test_no_trials_say_nothing() -> None:
    assert bounds(0, 0) == (0.0, 1.0)


def test_exact_normal_intervals_cover_95_percent() -> None:
    """y +- 1.96 sigma of a normal deviate, by definition; the limits hold it, and not 93 %."""
    rng = np.random.default_rng(7)
    hits = int(np.count_nonzero(np.abs(rng.standard_normal(20_000)) <= 1.959964))
    low, high = bounds(hits, 20_000)
    assert low < 0.95 < high
    assert low > 0.94
