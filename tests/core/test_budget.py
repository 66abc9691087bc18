"""The budget against the worked example of the GUM, the library GTC and closed forms."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from logger.core.budget import BudgetLine, combine
from logger.core.student import t_quantile

# JCGM 100:2008 annex H.1 (end gauge), first order: inputs and printed values recalled. The lines
# are in nm; the arithmetic has no unit.
H1 = (
    BudgetLine("standard's length", 25.0, 18.0),
    BudgetLine("comparison", 9.7, 25.6),
    BudgetLine("difference of expansion", 50.000623e6 * 0.1 * 0.58e-6, 50.0),
    BudgetLine("difference of temperature", 50.000623e6 * 11.5e-6 * 0.029, 2.0),
)


def test_end_gauge_example_of_the_gum() -> None:
    result = combine(H1)
    assert [line.u_w for line in H1] == pytest.approx([25.0, 9.7, 2.9, 16.7], abs=0.05)
    assert result.u_w == pytest.approx(31.7, abs=0.05)
    assert result.nu_eff == pytest.approx(16.7, abs=0.05)
    t99 = t_quantile(0.995, math.floor(result.nu_eff))  # the GUM cuts to whole degrees
    assert t99 == pytest.approx(2.92, abs=0.005)
    assert t99 * result.u_w == pytest.approx(93.0, abs=0.5)


def test_end_gauge_example_to_second_order() -> None:
    """JCGM 100 H.1.7: two terms of second order, 11.7 and 1.7 nm (recalled), make it 34 nm.

    Each is the product of two uncertainties: l d_alpha's u x d_theta's u, and so on (5.1.2 note).
    """
    length_nm, alpha_u, theta_u, d_alpha_u, d_theta_u = 50.000623e6, 1.2e-6, 0.41, 0.58e-6, 0.029
    second = (
        BudgetLine("difference of expansion x temperature", length_nm * d_alpha_u * theta_u),
        BudgetLine("expansion x difference of temperature", length_nm * alpha_u * d_theta_u),
    )
    assert [line.u_w for line in second] == pytest.approx([11.8, 1.7], abs=0.15)
    assert combine((*H1, *second)).u_w == pytest.approx(33.9, abs=0.1)


def test_end_gauge_example_agrees_with_gtc() -> None:
    total = sum(GTC.ureal(0.0, line.u_w, line.nu) for line in H1)
    result = combine(H1)
    assert result.u_w == pytest.approx(total.u, rel=1e-12)
    assert result.nu_eff == pytest.approx(total.df, rel=1e-9)


def test_95_percent_factor_is_that_of_the_effective_degrees() -> None:
    result = combine(H1)
    assert result.k == pytest.approx(stats.t.ppf(0.975, result.nu_eff), rel=1e-9)
    assert result.u95_w == pytest.approx(result.k * result.u_w, rel=1e-15)


# Heat of an air stream, Q = m cp (Ts - Tr): m 8900 u 267 lb/h, cp 0.2428 u 0.0005 Btu/(lb F),
# Ts 120 u 1.0 F, Tr 70 u 0.5 F (an invented case); expected values by GTC and by JCGM 100 5.1.2, 5.2.2.
M, CP, RISE = 8900.0, 0.2428, 50.0
U_M, U_CP, U_TS, U_TR = 267.0, 0.0005, 1.0, 0.5


def _heat_lines() -> list[BudgetLine]:
    return [
        BudgetLine("mass flow", CP * RISE * U_M),
        BudgetLine("supply temperature", M * CP * U_TS),
        BudgetLine("return temperature", M * CP * U_TR),
        BudgetLine("heat capacity", M * RISE * U_CP),
    ]


def test_heat_budget_of_independent_inputs() -> None:
    lines = _heat_lines()
    assert [line.u_w for line in lines] == pytest.approx([3241.4, 2160.9, 1080.5, 222.5], abs=0.05)
    result = combine(lines)
    assert result.u_w == pytest.approx(4048.8, abs=0.1)
    assert result.u_w / (M * CP * RISE) == pytest.approx(0.0375, abs=5e-5)
    assert math.isinf(result.nu_eff)
    assert result.k == pytest.approx(1.959964, abs=1e-6)  # normal, 95 % two-sided: recalled


@pytest.mark.parametrize(("r", "expected"), [(0.0, 4048.8), (0.5, 3749.4), (1.0, 3424.0)])
def test_correlated_inputs_through_independent_ones(r: float, expected: float) -> None:
    """Ts and Tr with correlation r: Ts = own + a x, Tr = b x with one x of unit uncertainty.

    Cholesky: Tr = U_TR x, Ts = r U_TS x + sqrt(1 - r^2) U_TS z, with independent x and z.
    """
    mass, _, _, cp = _heat_lines()
    shared = BudgetLine("shared by both probes", M * CP * abs(r * U_TS - U_TR))
    own = BudgetLine("supply probe's own", M * CP * math.sqrt(1.0 - r * r) * U_TS)
    assert combine([mass, shared, own, cp]).u_w == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("r", [0.0, 0.3, 0.5, 1.0])
def test_correlated_inputs_agree_with_gtc(r: float) -> None:
    m, cp = GTC.ureal(M, U_M), GTC.ureal(CP, U_CP)
    ts, tr = GTC.ureal(120.0, U_TS, independent=False), GTC.ureal(70.0, U_TR, independent=False)
    GTC.set_correlation(r, ts, tr)
    expected = (m * cp * (ts - tr)).u
    mass, _, _, heat_capacity = _heat_lines()
    shared = BudgetLine("shared by both probes", M * CP * abs(r * U_TS - U_TR))
    own = BudgetLine("supply probe's own", M * CP * math.sqrt(1.0 - r * r) * U_TS)
    assert combine([mass, shared, own, heat_capacity]).u_w == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("r", "sd", "interval"),
    [  # an invented case; both by JCGM 101 with 1e6 trials
        (0.0, 4049.5, (100_210.0, 116_077.0)),
        (0.5, 3749.9, (100_770.0, 115_469.0)),
    ],
)
def test_heat_budget_by_monte_carlo(r: float, sd: float, interval: tuple[float, float]) -> None:
    """JCGM 101: the product is a little skewed, its interval sits 100 Btu/h above the budget's."""
    rng = np.random.default_rng(1)
    shared, own, of_m, of_cp = rng.standard_normal((4, 1_000_000))
    ts = 120.0 + U_TS * (r * shared + math.sqrt(1.0 - r * r) * own)
    tr = 70.0 + U_TR * shared
    q = (M + U_M * of_m) * (CP + U_CP * of_cp) * (ts - tr)
    assert np.mean(q) == pytest.approx(M * CP * RISE, abs=20.0)
    assert np.std(q) == pytest.approx(sd, abs=10.0)
    low, high = np.quantile(q, (0.025, 0.975))
    assert (low, high) == (pytest.approx(interval[0], abs=40.0), pytest.approx(interval[1], abs=40.0))
    mass, _, _, cp = _heat_lines()
    rise = M * CP * math.sqrt((U_TS * math.sqrt(1.0 - r * r)) ** 2 + (r * U_TS - U_TR) ** 2)
    result = combine([mass, BudgetLine("rise", rise), cp])
    assert result.u_w == pytest.approx(sd, abs=10.0)
    assert M * CP * RISE - result.u95_w == pytest.approx(low, abs=140.0)
    assert M * CP * RISE + result.u95_w == pytest.approx(high, abs=140.0)


def test_common_error_of_two_probes_cancels_in_their_difference() -> None:
    """The rise is a difference: what both probes share leaves no line. JCGM 100 5.2.2, r = 1."""
    both = BudgetLine("common", M * CP * (U_TS - U_TS))
    assert combine([both]).u95_w == 0.0


def test_welch_satterthwaite_by_hand() -> None:
    """Two equal lines of 5 degrees: u^4 / (2 (u^4 / 4) / 5) = 10. Derived from JCGM 100 eq. (G.2b)."""
    result = combine([BudgetLine("a", 100.0, 5.0), BudgetLine("b", 100.0, 5.0)])
    assert result.nu_eff == pytest.approx(10.0, rel=1e-14)
    assert result.k == pytest.approx(2.228, abs=5e-4)  # t(0.975, 10): NIST/SEMATECH e-Handbook, 1.3.6.7.2


def test_no_lines_and_zero_lines_are_no_uncertainty() -> None:
    nothing = combine([])
    assert (nothing.u_w, nothing.u95_w, nothing.shares, nothing.nu_eff) == (0.0, 0.0, (), math.inf)
    zeros = combine([BudgetLine("a", 0.0), BudgetLine("b", 0.0, 3.0)])
    assert (zeros.u_w, zeros.u95_w, zeros.shares) == (0.0, 0.0, (0.0, 0.0))
    assert zeros.nu_eff == math.inf


@pytest.mark.parametrize("size", [1e-200, 1e200])
def test_sizes_far_from_one_neither_underflow_nor_overflow(size: float) -> None:
    result = combine([BudgetLine("a", 3.0 * size, 8.0), BudgetLine("b", 4.0 * size, 8.0)])
    assert result.u_w == pytest.approx(5.0 * size, rel=1e-12)
    assert result.nu_eff == pytest.approx(8.0 * 625.0 / 337.0, rel=1e-12)  # 5^4 / (3^4 + 4^4): derived


lines_ = st.lists(
    st.builds(
        BudgetLine,
        st.sampled_from(["airflow", "supply temperature", "scatter"]),
        st.floats(0.0, 1e5, allow_subnormal=False),
        st.floats(1.0, 1e4) | st.just(math.inf),
    ),
    max_size=8,
)


@settings(max_examples=150)
@given(lines=lines_)
def test_properties_of_any_budget(lines: list[BudgetLine]) -> None:
    result = combine(lines)
    assert result.u_w == pytest.approx(math.hypot(*[line.u_w for line in lines]), rel=1e-12)
    assert len(result.shares) == len(lines)
    assert math.fsum(result.shares) == pytest.approx(1.0 if result.u_w else 0.0, abs=1e-12)
    # JCGM 100 G.4.1: the effective degrees lie between the least of the lines' and their sum
    active = [line.nu for line in lines if line.u_w > 0.0]
    if active:
        assert min(active) * (1 - 1e-9) <= result.nu_eff <= sum(active) * (1 + 1e-9)


@settings(max_examples=50)
@given(lines=lines_)
def test_order_does_not_matter(lines: list[BudgetLine]) -> None:
    forward, backward = combine(lines), combine(lines[::-1])
    assert (forward.u_w, forward.nu_eff) == (backward.u_w, backward.nu_eff)
    assert forward.shares == backward.shares[::-1]


@pytest.mark.parametrize("u_w", [-1.0, math.nan, math.inf])
def test_a_line_must_have_a_size(u_w: float) -> None:
    with pytest.raises(ValueError, match="'airflow'"):
        combine([BudgetLine("scatter", 1.0), BudgetLine("airflow", u_w)])


@pytest.mark.parametrize("nu", [0.0, -2.0, math.nan])
def test_a_line_must_have_degrees_of_freedom(nu: float) -> None:
    with pytest.raises(ValueError, match="'airflow'"):
        combine([BudgetLine("airflow", 1.0, nu)])
