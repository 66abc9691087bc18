"""Student's t against scipy.stats.t, the normal limit and printed tables."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from logger.core import student
from logger.core.student import T975_MIN_NU, t975, t_cdf, t_quantile

NUS = (0.5, 1.0, 1.7, 2.0, 3.0, 4.5, 10.0, 16.7, 50.0, 199.0, 201.0, 1e3, 9.9e4, 1.1e5, 1e6)
PS = (1e-6, 1e-4, 0.01, 0.025, 0.1, 0.3, 0.49, 0.5, 0.501, 0.7, 0.9, 0.95, 0.975, 0.999, 1 - 1e-6)

nus = st.floats(math.log(0.5), math.log(1e6)).map(math.exp)
ps = st.floats(1e-6, 1 - 1e-6)


@pytest.mark.parametrize("nu", NUS)
@pytest.mark.parametrize("p", PS)
def test_quantile_agrees_with_scipy(p: float, nu: float) -> None:
    assert t_quantile(p, nu) == pytest.approx(stats.t.ppf(p, nu), rel=1e-10, abs=1e-10)


@pytest.mark.parametrize("nu", NUS)
@pytest.mark.parametrize("x", [-1e6, -30.0, -3.0, -1.0, -1e-3, 0.0, 0.5, 1.7, 2.5, 8.0, 100.0])
def test_cdf_agrees_with_scipy(x: float, nu: float) -> None:
    assert t_cdf(x, nu) == pytest.approx(stats.t.cdf(x, nu), rel=1e-10, abs=1e-300)


@pytest.mark.parametrize("p", PS)
def test_infinite_degrees_are_the_normal_distribution(p: float) -> None:
    assert t_quantile(p, math.inf) == pytest.approx(stats.norm.ppf(p), rel=1e-12, abs=1e-12)
    assert t_cdf(stats.norm.ppf(p), math.inf) == pytest.approx(p, rel=1e-12)


@settings(max_examples=150, deadline=None)
@given(p=ps, nu=nus)
def test_quantile_agrees_with_scipy_anywhere(p: float, nu: float) -> None:
    assert t_quantile(p, nu) == pytest.approx(stats.t.ppf(p, nu), rel=1e-9, abs=1e-9)


@settings(max_examples=150, deadline=None)
@given(x=st.floats(-1e4, -1e-3) | st.floats(1e-3, 1e4), nu=nus)  # nearer to 0 scipy itself is 3e-10 off
def test_cdf_agrees_with_scipy_anywhere(x: float, nu: float) -> None:
    assert t_cdf(x, nu) == pytest.approx(stats.t.cdf(x, nu), rel=1e-9, abs=1e-15)


@settings(max_examples=100, deadline=None)
@given(nu=st.floats(math.log(0.01), math.log(1e15)).map(math.exp), x=st.floats(0.0, 50.0))
def test_cdf_is_symmetric_and_within_0_and_1(nu: float, x: float) -> None:
    low, high = t_cdf(-x, nu), t_cdf(x, nu)
    assert 0.0 <= low <= 0.5 <= high <= 1.0
    assert low + high == pytest.approx(1.0, abs=1e-15)


@pytest.mark.parametrize(
    ("nu", "p", "printed"),
    [  # NIST TN 1297 (1994) table B.1, as JCGM 100 table G.2: two-sided 95 % and 99 %
        (1, 0.975, 12.71),
        (2, 0.975, 4.30),
        (5, 0.975, 2.57),
        (16, 0.995, 2.92),
        (50, 0.975, 2.01),
        (math.inf, 0.975, 1.960),
    ],
)
def test_quantile_agrees_with_the_printed_table(nu: float, p: float, printed: float) -> None:
    assert t_quantile(p, nu) == pytest.approx(printed, abs=0.005)


def test_known_closed_forms() -> None:
    """nu = 1 is Cauchy, F = 1/2 + atan(x)/pi; nu = 2 has F = 1/2 + x / (2 sqrt(2 + x^2)). Derived."""
    for x in (-40.0, -2.0, -0.1, 1e-9, 0.3, 1.0, 7.0):
        assert t_cdf(x, 1.0) == pytest.approx(0.5 + math.atan(x) / math.pi, rel=1e-12)
        assert t_cdf(x, 2.0) == pytest.approx(0.5 + x / (2.0 * math.sqrt(2.0 + x * x)), rel=1e-12)


def test_ends_of_the_range() -> None:
    assert t_quantile(0.5, 7.0) == 0.0
    assert t_quantile(0.0, 7.0) == -math.inf
    assert t_quantile(1.0, 7.0) == math.inf
    assert t_cdf(math.inf, 7.0) == 1.0
    assert t_cdf(-math.inf, 7.0) == 0.0
    assert t_cdf(math.inf, math.inf) == 1.0
    assert t_cdf(-1e200, 3.0) == pytest.approx(0.0, abs=1e-300)
    assert t_quantile(1e-300, 0.01) == -math.inf  # beyond any double


@settings(max_examples=200, deadline=None)
@given(inverse=st.floats(1e-9, 1.0 / 3.0))
def test_fast_quantile_is_within_1e_5_of_scipy_from_3_degrees_on(inverse: float) -> None:
    nu = max(1.0 / inverse, T975_MIN_NU)
    assert t975(nu) == pytest.approx(stats.t.ppf(0.975, nu), abs=1e-5)


@pytest.mark.parametrize("nu", [0.5, 1.0, 2.0, 2.999, 3.0, 3.0000001, math.inf])
def test_fast_quantile_at_and_below_its_table(nu: float) -> None:
    expected = stats.norm.ppf(0.975) if nu == math.inf else stats.t.ppf(0.975, nu)
    assert t975(nu) == pytest.approx(expected, rel=1e-9, abs=1e-5)


def test_fast_quantile_builds_its_table_at_the_first_call(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(student, "_table", [])
    assert t975(10.0) == pytest.approx(2.228, abs=5e-4)  # NIST/SEMATECH e-Handbook, 1.3.6.7.2
    assert len(student._table) > 100


@pytest.mark.parametrize("nu", [0.0, -1.0, math.nan])
def test_degrees_of_freedom_must_be_positive(nu: float) -> None:
    with pytest.raises(ValueError, match="degrees of freedom"):
        t_cdf(1.0, nu)
    with pytest.raises(ValueError, match="degrees of freedom"):
        t_quantile(0.975, nu)


@pytest.mark.parametrize("nu", [0.0, -1.0])
def test_fast_quantile_refuses_the_same(nu: float) -> None:
    with pytest.raises(ValueError, match="degrees of freedom"):
        t975(nu)


@pytest.mark.parametrize("p", [-0.1, 1.1, math.nan])
def test_a_probability_lies_between_0_and_1(p: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        t_quantile(p, 5.0)


def test_cdf_refuses_nan() -> None:
    with pytest.raises(ValueError, match="nan"):
        t_cdf(math.nan, 5.0)
