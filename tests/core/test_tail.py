"""What was left at the start of a stretch, against numerical integration and made-up tails."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from logger.core.tail import SLOWEST_TAU_S, slope_share, start_bound


@given(st.floats(1e-3, 30.0))
def test_the_share_of_the_slope_is_that_of_the_integrals(x: float) -> None:
    """Normal equations of a line through a continuous record, by ``scipy.integrate.quad``."""
    moment = quad(lambda t: math.exp(-t) * (t - x / 2.0), 0.0, x, epsabs=1e-13)[0]
    assert slope_share(x) == pytest.approx(-12.0 / x**3 * moment, rel=1e-5, abs=1e-9)


def test_the_closed_form_and_the_series_meet() -> None:
    below, above = slope_share(0.1 - 1e-9), slope_share(0.1)
    assert below == pytest.approx(above, rel=1e-7)
    assert slope_share(0.0) == 1.0


@pytest.mark.parametrize(
    ("seconds", "tau_s"),
    [
        (s, tau_s)
        for s in (240, 600, 1200, 2400, 5400)
        for tau_s in (300, 600, 900, 1200, 1800)
        if s <= 4 * tau_s
    ],
)
def test_no_tail_up_to_the_slowest_had_more_left_than_is_said(seconds: int, tau_s: float) -> None:
    """Slope by ``numpy.polyfit`` of the tail alone; at the slowest the bound is what was left. A tail that is
    over within the stretch was judged by the windows."""
    t_s = np.arange(seconds + 1.0)
    left = 0.02 * np.exp(-t_s / tau_s)
    slope = abs(np.polyfit(t_s, 1.0 - left, 1)[0])
    bound = start_bound(slope, seconds, 60.0, 0.0)
    assert bound >= 0.02 * 0.999
    if tau_s == SLOWEST_TAU_S:
        assert bound == pytest.approx(0.02, rel=2e-3)


def test_it_never_says_less_than_was_asked_and_knows_a_slower_warm_up() -> None:
    assert start_bound(0.0, 600.0, 60.0, 0.01) == 0.01
    assert start_bound(1e-5, 600.0, 3600.0, 0.01) > start_bound(1e-5, 600.0, 60.0, 0.01) > 0.018
