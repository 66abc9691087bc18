"""What plane and places leave in doubt, against brute force and trigonometry."""

from __future__ import annotations

import math

import numpy as np
import pytest

from logger.core.traverse import Method
from logger.core.traverse_grid import geometry
from logger.core.traverse_place import MARK_U_M, plane_u, position_u, yaw_u
from logger.core.traverse_points import traverse_points
from tests.core.ducts import RECTANGLE, ROUND


def test_marks_a_little_off_by_brute_force() -> None:
    """20,000 sets of marks drawn on a 1/7 power law (Prandtl; recalled): the spread of the plain mean."""
    rng = np.random.default_rng(3)
    for side_points in (5, 7):
        points = traverse_points(RECTANGLE, Method.LOG_TCHEBYCHEFF, side_points, side_points)
        marks = np.array(sorted({p.x for p in points}))

        def read(side_m: float, marks: np.ndarray = marks) -> np.ndarray:
            off = marks + MARK_U_M / side_m * rng.normal(size=(20_000, len(marks)))
            return np.mean((1 - np.abs(2 * np.clip(off, 0.001, 0.999) - 1)) ** (1 / 7), axis=1)

        mean = read(RECTANGLE.width_m) * read(RECTANGLE.height_m)
        exact = float(np.std(mean) / np.mean(mean))
        places = geometry(RECTANGLE, points)
        assert position_u(places.wall, places) == pytest.approx(exact, rel=0.15)


def test_marks_in_a_round_duct_by_brute_force() -> None:
    points = traverse_points(ROUND, Method.LOG_LINEAR, 8, 2)
    rng = np.random.default_rng(4)
    marks = np.array([p.x for p in points if p.diameter == 0])
    off = marks + MARK_U_M / ROUND.diameter_m * rng.normal(size=(20_000, len(marks)))
    mean = np.mean((1 - np.abs(2 * np.clip(off, 0.001, 0.999) - 1)) ** (1 / 7), axis=1)
    places = geometry(ROUND, points)
    exact = float(np.std(mean) / np.mean(mean))
    assert position_u(places.wall, places) == pytest.approx(exact, rel=0.25)


def test_yaw_is_the_root_mean_square_of_what_is_read() -> None:
    """Reading 1 + b, b even over 0..b_max, taken for 1: root of the mean of b^2, by 10,001 steps."""
    b = np.linspace(0.0, 1 / math.cos(math.radians(10)) - 1, 10_001)
    assert yaw_u() == pytest.approx(float(np.sqrt(np.mean(b * b))), rel=1e-3)


def test_a_plane_nobody_described_is_any_length_up_to_the_standards() -> None:
    """7.5 diameters: ASHRAE Fundamentals, ASHRAE 111 (recalled). Root mean square of the lengths."""
    lengths = [plane_u(7.5 * k / 1000) for k in range(1001)]
    assert plane_u(None) == pytest.approx(math.sqrt(sum(u * u for u in lengths) / 1001), rel=2e-3)
    assert lengths == sorted(lengths, reverse=True)
    assert plane_u(7.5) == plane_u(30.0) == 0.0
