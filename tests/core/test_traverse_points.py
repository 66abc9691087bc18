"""Traverse points against the published tables, and what the rules do to known profiles.

Sources stand beside each table; `recalled` means from memory, not looked up.
"""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.errors import UsageError
from logger.core.traverse import Duct, DuctShape, Method, TraversePoint
from logger.core.traverse_points import (
    chebyshev_nodes,
    diameter_fractions,
    nearest_place,
    radius_fractions,
    side_fractions,
    traverse_points,
)

LT, LL, EA = Method.LOG_TCHEBYCHEFF, Method.LOG_LINEAR, Method.EQUAL_AREA
PRINTED = 0.0005  # half of the last printed digit


@pytest.mark.parametrize(
    "table",
    [  # ISO 3966, ASHRAE 41.2, ASHRAE 111: log-Tchebycheff, rectangular (recalled)
        [0.074, 0.288, 0.500, 0.712, 0.926],
        [0.061, 0.235, 0.437, 0.563, 0.765, 0.939],
        [0.053, 0.203, 0.366, 0.500, 0.634, 0.797, 0.947],
    ],
)
def test_log_tchebycheff_rectangular_table(table: list[float]) -> None:
    assert side_fractions(LT, len(table)) == pytest.approx(table, abs=PRINTED)


@pytest.mark.parametrize(
    ("method", "table"),
    [
        # ISO 3966 log-linear; Winternitz and Fischl 1957 (recalled)
        (LL, [0.032, 0.135, 0.321]),
        (LL, [0.021, 0.117, 0.184, 0.345]),
        (LL, [0.019, 0.077, 0.153, 0.217, 0.361]),
        # ISO 3966 log-Tchebycheff, circular: r/R 0.9358 0.7252 0.3754 (recalled)
        (LT, [(1 - 0.9358) / 2, (1 - 0.7252) / 2, (1 - 0.3754) / 2]),
        # EPA Method 1, table 1-2: percent of the diameter, 6, 8 and 10 points (recalled)
        (EA, [0.044, 0.146, 0.296]),
        (EA, [0.032, 0.105, 0.194, 0.323]),
        (EA, [0.026, 0.082, 0.146, 0.226, 0.342]),
    ],
)
def test_circular_tables(method: Method, table: list[float]) -> None:
    assert radius_fractions(method, len(table)) == pytest.approx(table, abs=PRINTED)


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 7, 9])
def test_chebyshev_nodes_integrate_powers(n: int) -> None:
    """The definition of the rule: plain sums of powers are those of the interval's mean."""
    nodes = np.array(chebyshev_nodes(n))
    for power in range(n + 1):
        assert np.mean(nodes**power) == pytest.approx(0.0 if power % 2 else 1 / (power + 1), abs=1e-9)


@pytest.mark.parametrize("n", [8, 10, 11])
def test_a_rule_that_does_not_exist_is_refused(n: int) -> None:
    """Bernstein 1937: equal-weight nodes are real for n <= 7 and n = 9 alone (recalled)."""
    with pytest.raises(UsageError, match="no rule"):
        chebyshev_nodes(n)


def test_log_linear_is_exact_for_its_own_profile() -> None:
    """u = a + b ln y + c y in a ring, area mean by scipy's quadrature."""
    from scipy.integrate import quad

    for n in (2, 3, 4, 5, 6):
        high = 1.0 - 1.0 / n if n % 2 else 1.0
        places = [2.0 * y for y in radius_fractions(LL, n)]  # of the radius
        pairs = places[1:] if n % 2 else places
        for low, near, far in zip(itertools.count(), pairs[::2], pairs[1::2], strict=False):
            outer = high - low * 2.0 / n
            inner = max(outer - 2.0 / n, 0.0)
            mean, _ = quad(
                lambda s: 1.0 + 0.3 * math.log(1.0 - math.sqrt(s)) + 0.2 * (1.0 - math.sqrt(s)), inner, outer
            )
            read = np.mean([1.0 + 0.3 * math.log(y) + 0.2 * y for y in (near, far)])
            assert read == pytest.approx(mean / (outer - inner), rel=1e-7)


def product_profile(x: float, y: float) -> float:
    """1/7 power law in both directions; exact mean (7/8)^2."""
    return float(((1 - abs(2 * x - 1)) * (1 - abs(2 * y - 1))) ** (1 / 7))


@pytest.mark.parametrize(
    ("method", "grid", "bias_percent"),
    [  # exact integral 1/(1 + 1/7) per axis, computed apart from this project
        (LT, (5, 5), -0.26),
        (LT, (6, 6), -0.39),
        (LT, (7, 7), -0.14),
        (LT, (5, 6), -0.32),
        (LT, (7, 5), -0.20),
        (EA, (4, 4), 3.47),
        (EA, (4, 5), 3.43),
        (EA, (5, 5), 3.39),
        (EA, (3, 4), 4.99),
        (EA, (6, 8), 1.93),
        (EA, (3, 3), 6.54),
    ],
)
def test_bias_on_the_product_power_law(method: Method, grid: tuple[int, int], bias_percent: float) -> None:
    values = [
        product_profile(x, y)
        for x in side_fractions(method, grid[0])
        for y in side_fractions(method, grid[1])
    ]
    assert 100 * (np.mean(values) / (7 / 8) ** 2 - 1) == pytest.approx(bias_percent, abs=0.01)


@pytest.mark.parametrize(
    ("method", "n", "sides_m", "mean", "bias_percent"),
    [  # mean = [2 (W+H) a / (e+1) - 8 a^2 / (e+2)] / (W H), a = H/2, e = 1/7: integrated by hand
        (LT, 5, (20, 14), 0.83417, 0.20),
        (LT, 5, (0.60, 0.45), 0.83125, 0.24),
        (EA, 4, (20, 14), 0.83417, 3.81),
        (EA, 4, (0.60, 0.45), 0.83125, 3.92),
        (EA, 6, (20, 14), 0.83417, 2.44),
        (EA, 6, (0.60, 0.45), 0.83125, 2.46),
        (EA, 3, (20, 14), 0.83417, 5.59),
    ],
)
def test_bias_on_the_nearest_wall_power_law(
    method: Method, n: int, sides_m: tuple[float, float], mean: float, bias_percent: float
) -> None:
    width, height = sides_m
    a, e = height / 2, 1 / 7
    exact = (2 * (width + height) * a / (e + 1) - 8 * a * a / (e + 2)) / (width * height)
    assert exact == pytest.approx(mean, abs=6e-6)
    values = [
        (min(x * width, (1 - x) * width, y * height, (1 - y) * height) / a) ** e
        for x in side_fractions(method, n)
        for y in side_fractions(method, n)
    ]
    assert 100 * (np.mean(values) / exact - 1) == pytest.approx(bias_percent, abs=0.02)


@pytest.mark.parametrize(
    ("method", "bias_percent"),
    [  # u = (y/R)^(1/7), exact mean 49/60
        (LT, (-0.33, -0.23, -0.17)),
        (LL, (-0.27, -0.11, -0.15)),
        (EA, (0.92, 0.68, 0.54)),
    ],
)
def test_bias_in_a_round_duct(method: Method, bias_percent: tuple[float, float, float]) -> None:
    for n, bias in zip((3, 4, 5), bias_percent, strict=True):
        mean = np.mean([(2 * y) ** (1 / 7) for y in radius_fractions(method, n)])
        assert 100 * (mean / (49 / 60) - 1) == pytest.approx(bias, abs=0.01)


def test_walking_order_goes_hole_by_hole_from_the_near_wall() -> None:
    duct = Duct(shape=DuctShape.RECTANGULAR, width_m=0.5, height_m=0.35)
    points = traverse_points(duct, EA, 3, 2)
    assert [(round(p.x, 3), p.y) for p in points] == [
        (0.167, 0.25),
        (0.167, 0.75),
        (0.5, 0.25),
        (0.5, 0.75),
        (0.833, 0.25),
        (0.833, 0.75),
    ]
    other = traverse_points(duct, EA, 3, 2, along_height=False)
    assert {(p.x, p.y) for p in other} == {(p.x, p.y) for p in points}
    assert [p.y for p in other] == [0.25] * 3 + [0.75] * 3
    round_points = traverse_points(Duct(shape=DuctShape.ROUND, diameter_m=0.4), LL, 6, 2)
    assert [p.diameter for p in round_points] == [0] * 6 + [1] * 6
    assert [p.x for p in round_points[:6]] == sorted(p.x for p in round_points[:6])


@given(st.sampled_from([(m, n) for m in (LT, EA) for n in (3, 4, 5, 6, 7, 9)]))
def test_sides_are_symmetric_and_rising(case: tuple[Method, int]) -> None:
    places = side_fractions(*case)
    assert list(places) == sorted(places)
    assert len(set(places)) == case[1]
    assert [1 - x for x in reversed(places)] == pytest.approx(places, abs=1e-12)


@pytest.mark.parametrize("method", list(Method))
@pytest.mark.parametrize("n", [2, 3, 4, 5, 6])
def test_diameters_are_symmetric_and_inside(method: Method, n: int) -> None:
    places = diameter_fractions(method, 2 * n)
    assert 0 < places[0] < places[-1] < 1
    assert [1 - x for x in reversed(places)] == pytest.approx(places, abs=1e-12)


def test_what_no_rule_has_is_refused() -> None:
    with pytest.raises(UsageError, match="round ducts"):
        side_fractions(LL, 5)
    with pytest.raises(UsageError, match="even"):
        diameter_fractions(LL, 5)
    with pytest.raises(UsageError, match="at least 3"):
        side_fractions(LT, 2)
    with pytest.raises(UsageError, match="1 to 30"):
        side_fractions(EA, 31)


@pytest.mark.parametrize(
    "table",
    [  # ISO 3966, ASHRAE 41.2, ASHRAE 111: log-Tchebycheff, rectangular, as printed (recalled)
        [0.074, 0.288, 0.500, 0.712, 0.926],
        [0.053, 0.203, 0.366, 0.500, 0.634, 0.797, 0.947],
    ],
)
def test_places_as_printed_are_the_rules_places(table: list[float]) -> None:
    duct = Duct(shape=DuctShape.RECTANGULAR, width_m=0.5, height_m=0.4)
    rule = traverse_points(duct, LT, len(table), len(table))
    typed = [TraversePoint(x=x, y=y) for x, y in itertools.product(table, table)]
    assert [nearest_place(rule, point) for point in typed] == list(range(len(rule)))
    assert nearest_place(rule, TraversePoint(x=table[0] + 0.025, y=table[0])) is None
    assert nearest_place((), typed[0]) is None
