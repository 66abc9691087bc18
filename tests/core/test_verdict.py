"""The verdict against the worked examples of JCGM 106 and the normal distribution of scipy."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from logger.core.budget import BudgetLine, combine
from logger.core.verdict import (
    ABOVE,
    BELOW,
    MEETS,
    UNDECIDED,
    decidable_tolerance,
    deciding_line,
    judge,
    probability_below,
)

PLATE_W = 32_000.0  # invented


def test_one_limit_example() -> None:
    """JCGM 106:2012 clause 7, breakdown voltage of a diode (recalled): Phi(1.4) = 0.9192."""
    assert probability_below(-5.40, -5.47, 0.05, math.inf) == pytest.approx(0.9192, abs=5e-5)


def test_two_limits_example() -> None:
    """JCGM 106:2012 clause 7, limits 12.5..16.3, y 13.6, u 1.8 (recalled): 0.66 printed."""
    middle, half = 14.4, 1.9
    verdict = judge(13.6, 1.8, math.inf, middle, half / middle)
    assert verdict.p_meets == pytest.approx(0.663, abs=5e-4)
    assert verdict.verdict == UNDECIDED


@pytest.mark.parametrize(
    ("y", "p_conform", "expected"),
    [  # lower limit 108,000 = 90 % of 120,000 (an invented criterion), u 3000: Phi((y - 108000)/3000)
        (116_000, 0.9962, MEETS),
        (113_000, 0.9522, MEETS),
        (110_500, 0.7977, UNDECIDED),
        (108_000, 0.5000, UNDECIDED),
        (105_500, 0.2023, UNDECIDED),
        (100_000, 0.0038, BELOW),
    ],
)
def test_verdicts_at_a_lower_limit(y: float, p_conform: float, expected: str) -> None:
    """JCGM 106:2012 clause 8.3: a conformity probability of 95 % is a guard band of 1.645 u."""
    verdict = judge(y, 3000.0, math.inf, 120_000.0, 0.10)
    assert 1.0 - verdict.p_low == pytest.approx(p_conform, abs=5e-5)
    assert verdict.verdict == expected


@pytest.mark.parametrize(("guard", "p_conform"), [(2.0, 0.97725), (1.645, 0.9500)])
def test_probability_at_the_edge_of_a_guard_band(guard: float, p_conform: float) -> None:
    """JCGM 106:2012 clause 8.3.2: Phi(2) and Phi(1.645)."""
    at_edge = 108_000.0 + guard * 3000.0
    p_low = probability_below(108_000.0, at_edge, 3000.0, math.inf)
    assert 1.0 - p_low == pytest.approx(p_conform, abs=5e-5)


@settings(max_examples=150)
@given(
    y=st.floats(20_000.0, 45_000.0),
    u=st.floats(10.0, 5_000.0),
    nu=st.floats(1.0, 200.0) | st.just(math.inf),
    tolerance=st.floats(0.01, 0.3),
)
def test_probabilities_agree_with_scipy(y: float, u: float, nu: float, tolerance: float) -> None:
    verdict = judge(y, u, nu, PLATE_W, tolerance)
    distribution = stats.norm(y, u) if math.isinf(nu) else stats.t(nu, y, u)
    low, high = PLATE_W * (1 - tolerance), PLATE_W * (1 + tolerance)
    assert verdict.p_low == pytest.approx(distribution.cdf(low), abs=1e-9)
    assert verdict.p_high == pytest.approx(distribution.sf(high), abs=1e-9)
    assert verdict.p_meets == pytest.approx(distribution.cdf(high) - distribution.cdf(low), abs=1e-9)


@settings(max_examples=100)
@given(
    distance=st.floats(0.0, 10_000.0),
    u=st.floats(0.0, 3_000.0),
    nu=st.floats(3.0, 100.0) | st.just(math.inf),
)
def test_high_and_low_are_mirror_images(distance: float, u: float, nu: float) -> None:
    over = judge(PLATE_W + distance, u, nu, PLATE_W, 0.05)
    under = judge(PLATE_W - distance, u, nu, PLATE_W, 0.05)
    assert over.p_high == pytest.approx(under.p_low, abs=1e-9)
    mirrored = {MEETS: MEETS, ABOVE: BELOW, UNDECIDED: UNDECIDED}
    if abs(under.p_low - 0.95) > 1e-6 and abs(under.p_low - 0.05) > 1e-6:
        assert mirrored[over.verdict] == under.verdict


@pytest.mark.parametrize(
    ("y", "expected"),
    [
        (32_000.0, MEETS),
        (30_400.0, MEETS),  # the limits belong to the tolerance: JCGM 106 clause 3.3.5, recalled
        (33_600.0, MEETS),
        (30_399.9, BELOW),
        (33_600.1, ABOVE),
    ],
)
def test_without_uncertainty_the_limits_decide(y: float, expected: str) -> None:
    verdict = judge(y, 0.0, math.inf, PLATE_W, 0.05)
    assert verdict.verdict == expected
    assert verdict.p_low + verdict.p_high + verdict.p_meets == 1.0
    assert verdict.decidable_tolerance == 0.0


def test_few_degrees_of_freedom_widen_the_doubt() -> None:
    """P(t3 > 2) = 0.0697 against Phi(-2) = 0.0228: scipy.stats.t and any printed table."""
    limit = PLATE_W * 0.95
    sure = judge(limit + 2.0 * 500.0, 500.0, math.inf, PLATE_W, 0.05)
    unsure = judge(limit + 2.0 * 500.0, 500.0, 3.0, PLATE_W, 0.05)
    assert sure.p_low == pytest.approx(0.02275, abs=5e-6)
    assert unsure.p_low == pytest.approx(0.0697, abs=5e-5)
    assert (sure.verdict, unsure.verdict) == (MEETS, UNDECIDED)


def test_decidable_tolerance_just_leaves_room_for_meets_at_the_plate() -> None:
    """With u95 = 2 u an output equal to the plate meets just above that tolerance, not just below.

    nu = 60 has t(0.975) = 2.000 (NIST/SEMATECH e-Handbook, 1.3.6.7.2): only there is u95 = 2 u. Its 95 %
    quantile, 1.671, stands for the 1.645 of the normal, so the edge lies 1.6 % higher.
    """
    u = 500.0
    edge = judge(PLATE_W, u, 60.0, PLATE_W, 0.05).decidable_tolerance
    assert edge == pytest.approx(0.5 * 1.645 * 2.000 * u / PLATE_W, rel=1e-3)
    assert judge(PLATE_W, u, 60.0, PLATE_W, 1.02 * edge).verdict == MEETS
    assert judge(PLATE_W, u, 60.0, PLATE_W, 0.98 * edge).verdict == UNDECIDED


def test_decidable_tolerance_from_an_expected_u95() -> None:
    """u95 = t x 2/1.645 turned round: 6.079 % of the plate decides 5 %. Derived."""
    assert decidable_tolerance(0.05 * 2.0 / 1.645 * PLATE_W, PLATE_W) == pytest.approx(0.05, rel=1e-12)


AIRFLOW = BudgetLine("airflow", 800.0)
SCATTER = BudgetLine("scatter", 60.0, 12.0)
SUPPLY = BudgetLine("supply temperature", 300.0, 30.0)


def test_deciding_line_and_its_factor() -> None:
    """At the plate and 5 %: `meets` needs 1600 W >= z u, z = 1.6449 and nu = inf: u = 972.7 W.

    Lines 1200 and 500 W: the larger must come down to sqrt(972.7^2 - 500^2) = 834.4 W.
    """
    lines = [BudgetLine("supply temperature", 500.0), BudgetLine("airflow", 1200.0)]
    deciding = deciding_line(lines, PLATE_W, PLATE_W, 0.05)
    assert deciding is not None
    assert deciding.source == "airflow"
    assert deciding.shrink == pytest.approx(1200.0 / 834.4, rel=1e-4)


def test_the_line_that_decides_need_not_be_the_largest() -> None:
    """At 99 % of the plate 1280 W lie between the output and the lower limit.

    Without the airflow, the largest, 577 W are left on nu = 577^4 / 480^4 = 2.1 (Welch-Satterthwaite,
    JCGM 100 G.4.1): t(0.95) is then more than 2.7, that is 1560 W. Without the placement 715.5 W on
    infinitely many: 1.645 x 715.5 = 1177 W.
    """
    assert stats.t.ppf(0.95, 577.0**4 / 480.0**4) > 2.7
    lines = [
        BudgetLine("airflow", 640.0),
        BudgetLine("supply placement", 480.0, 1.0),
        BudgetLine("flow carry-over", 320.0),
    ]
    deciding = deciding_line(lines, 0.99 * PLATE_W, PLATE_W, 0.05)
    assert deciding is not None
    assert deciding.source == "supply placement"
    assert deciding.shrink is not None
    assert 1.0 < deciding.shrink < 2.0


@settings(max_examples=60, deadline=None)
@given(y=st.floats(27_000.0, 37_000.0), factor=st.floats(0.5, 3.0))
def test_the_factor_is_just_enough(y: float, factor: float) -> None:
    lines = [SCATTER, BudgetLine("airflow", factor * AIRFLOW.u_w), SUPPLY]
    deciding = deciding_line(lines, y, PLATE_W, 0.05)

    def verdict_with(source: str, part: float) -> str:
        parts = [replace(line, u_w=part * line.u_w) if line.source == source else line for line in lines]
        sum_ = combine(parts)
        return judge(y, sum_.u_w, sum_.nu_eff, PLATE_W, 0.05).verdict

    if deciding is None:
        assert verdict_with("airflow", 1.0) != UNDECIDED
    elif deciding.shrink is None:
        assert all(verdict_with(line.source, 0.0) == UNDECIDED for line in lines)
    else:
        assert deciding.shrink > 1.0
        assert verdict_with(deciding.source, (1 - 1e-9) / deciding.shrink) != UNDECIDED
        assert verdict_with(deciding.source, (1 + 1e-6) / deciding.shrink) == UNDECIDED
        # no other line decides by shrinking less
        for line in lines:
            if line.source != deciding.source:
                assert verdict_with(line.source, min((1 + 1e-3) / deciding.shrink, 1.0)) == UNDECIDED


def test_a_line_that_could_not_decide_even_when_perfect() -> None:
    lines = [BudgetLine("airflow", 1000.0), BudgetLine("placement", 990.0)]  # 990 > 972.7 W
    deciding = deciding_line(lines, PLATE_W, PLATE_W, 0.05)
    assert deciding is not None
    assert (deciding.source, deciding.shrink) == ("airflow", None)


def test_a_decided_budget_has_no_deciding_line() -> None:
    assert deciding_line([SCATTER], PLATE_W, PLATE_W, 0.05) is None
    assert deciding_line([], PLATE_W, PLATE_W, 0.05) is None
    assert deciding_line([SCATTER], 0.5 * PLATE_W, PLATE_W, 0.05) is None


@pytest.mark.parametrize(
    ("y", "u", "nu", "plate", "tolerance"),
    [
        (math.nan, 1.0, 5.0, 1.0, 0.05),
        (1.0, math.inf, 5.0, 1.0, 0.05),
        (1.0, -1.0, 5.0, 1.0, 0.05),
        (1.0, 1.0, 0.0, 1.0, 0.05),
        (1.0, 1.0, 5.0, 0.0, 0.05),
        (1.0, 1.0, 5.0, 1.0, -0.05),
    ],
)
def test_what_cannot_be_judged_is_refused(
    y: float, u: float, nu: float, plate: float, tolerance: float
) -> None:
    with pytest.raises(ValueError, match="verdict"):
        judge(y, u, nu, plate, tolerance)
