"""Does the true flow lie inside u95? 2,000 traverses each, of ducts that are integrated finely.

Profiles: log law u = 1 + a ln(distance from the wall) (logarithmic law of the wall: von Karman, Prandtl;
recalled), tilted and with a jet or a dead corner of any place and width. Truth: the integral of the
profile on a fine grid, by none of the traverse rules.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest

from logger.core.traverse import Duct, DuctShape, Method, Traverse
from logger.core.traverse_flow import measure
from logger.core.traverse_points import traverse_points
from tests.core.ducts import RECTANGLE, ROUND

Array = npt.NDArray[np.float64]
TRIALS = 2_000
CENTRE_M_S = 5.0
PROBE_U95, AREA_U95 = 0.04, 0.01


@dataclass(frozen=True)
class Profiles:
    """One profile a trial: wall law, tilt, and a bump (or dent) of the flow. Columns."""

    wall_x: Array
    wall_y: Array
    tilt_x: Array
    tilt_y: Array
    bump: Array
    bump_x: Array
    bump_y: Array
    width: Array


def draw_profiles(rng: np.random.Generator) -> Profiles:
    def column(low: float, high: float) -> Array:
        return rng.uniform(low, high, (TRIALS, 1))

    return Profiles(
        wall_x=column(0.08, 0.16),
        wall_y=column(0.08, 0.16),
        tilt_x=rng.normal(0, 0.12, (TRIALS, 1)),
        tilt_y=rng.normal(0, 0.12, (TRIALS, 1)),
        bump=column(-0.3, 0.5),
        bump_x=column(0.1, 0.9),
        bump_y=column(0.1, 0.9),
        width=column(0.2, 0.4),
    )


def wall(a: Array, distance: Array) -> Array:
    """Log law; 1 at distance 1, never negative."""
    return np.maximum(1 + a * np.log(np.maximum(distance, 1e-9)), 0)


def bell(p: Profiles, x: Array, x0: Array) -> Array:
    return np.exp(-(((x - x0) / p.width) ** 2) / 2)


def rectangle(p: Profiles, x: Array, y: Array) -> Array:
    """Velocity at points x, y (columns of the result), centre about 1."""
    base = wall(p.wall_x, 1 - np.abs(2 * x - 1)) * wall(p.wall_y, 1 - np.abs(2 * y - 1))
    tilt = 1 + p.tilt_x * (2 * x - 1) + p.tilt_y * (2 * y - 1)
    return base * tilt * (1 + p.bump * bell(p, x, p.bump_x) * bell(p, y, p.bump_y))


def rectangle_mean(p: Profiles) -> Array:
    """Each term is a product of a function of x and one of y: 2,000 midpoints an axis."""
    g = (np.arange(2000) + 0.5) / 2000
    walls = [wall(a, 1 - np.abs(2 * g - 1)) for a in (p.wall_x, p.wall_y)]
    bells = [bell(p, g, x0) for x0 in (p.bump_x, p.bump_y)]

    def mean(values: Array) -> Array:
        return values.mean(axis=1)

    total = np.zeros(TRIALS)
    for weights, factor in (((1.0, 1.0), 1.0), (bells, p.bump[:, 0])):
        x, y = walls[0] * weights[0], walls[1] * weights[1]
        flat = mean(x) * mean(y)
        tilted = p.tilt_x[:, 0] * mean(x * (2 * g - 1)) * mean(y)
        tilted += p.tilt_y[:, 0] * mean(x) * mean(y * (2 * g - 1))
        total += factor * (flat + tilted)
    return total


def disc(p: Profiles, x: Array, y: Array) -> Array:
    """The round duct inscribed in the unit square."""
    base = wall(p.wall_x, 1 - 2 * np.hypot(x - 0.5, y - 0.5))
    tilt = 1 + p.tilt_x * (2 * x - 1) + p.tilt_y * (2 * y - 1)
    return base * tilt * (1 + p.bump * bell(p, x, p.bump_x) * bell(p, y, p.bump_y))


def disc_mean(p: Profiles) -> Array:
    """Midpoints in the angle, and in s = r^2 drawn towards the wall (s = 1 - (1 - t)^2)."""
    t = (np.arange(200) + 0.5) / 200
    r, weight = np.sqrt(1 - (1 - t) ** 2), 2 * (1 - t) / 200
    total = np.zeros(TRIALS)
    angles = 2 * np.pi * (np.arange(32) + 0.5) / 32
    for angle in angles:
        total += disc(p, 0.5 + 0.5 * r * np.cos(angle), 0.5 + 0.5 * r * np.sin(angle)) @ weight
    return total / len(angles)


def readings(duct: Duct, method: Method, grid: tuple[int, int], p: Profiles) -> tuple[Array, Array]:
    """True velocities at the points, and the true mean."""
    points = traverse_points(duct, method, *grid)
    x, y = np.array([q.x for q in points]), np.array([q.y for q in points])
    if duct.shape is DuctShape.RECTANGULAR:
        return rectangle(p, x, y), rectangle_mean(p)
    angle = np.pi * np.array([q.diameter for q in points]) / grid[1]
    return disc(p, 0.5 + (x - 0.5) * np.cos(angle), 0.5 + (x - 0.5) * np.sin(angle)), disc_mean(p)


def simulate(duct: Duct, method: Method, grid: tuple[int, int]) -> tuple[Array, Array]:
    """Relative error and u95 of each trial: calibration, area, density, unrest, drift, all at once."""
    rng = np.random.default_rng(20_260_000 + 100 * grid[0] + grid[1])
    true, mean = readings(duct, method, grid, draw_profiles(rng))
    count = true.shape[1]
    scatter = rng.uniform(0.01, 0.05, (TRIALS, 1))  # of one second's readings
    left = rng.uniform(0.4, 1.0, (TRIALS, 1))  # of it stays in a point's average: slow gusts
    drift = rng.uniform(-0.015, 0.015, (TRIALS, 1)) * (np.arange(count + 1) / count - 0.5)
    walked = np.concatenate([true, true[:, :1]], axis=1) * CENTRE_M_S * (1 + drift)
    walked *= 1 + scatter * left * rng.normal(size=walked.shape)
    read = walked * (1 + PROBE_U95 / 2 * rng.normal(size=(TRIALS, 1)))
    points = traverse_points(duct, method, *grid)
    area = 1 + AREA_U95 / 2 * rng.normal(size=TRIALS)
    density = 1 + 0.0035 * rng.normal(size=TRIALS)  # 0.5 K, 300 Pa: as the budget takes them
    error, u95 = np.empty(TRIALS), np.empty(TRIALS)
    for trial in range(TRIALS):
        rows = zip(points, read[trial].tolist(), strict=False)
        share = float(scatter[trial, 0])
        taken = tuple(replace(q, velocity_m_s=v, scatter_m_s=share * v) for q, v in rows)
        flow = measure(
            Traverse(
                duct=duct,
                method=method,
                points=taken,
                points_across=grid[0],
                points_down=grid[1],
                points_per_diameter=grid[0],
                diameters=grid[1],
                velocity_u95=PROBE_U95,
                area_u95=AREA_U95,
                repeat_first=replace(taken[0], velocity_m_s=float(read[trial, -1])),
            )
        )
        measured_m_s = (flow.mean_standard_velocity_m_s or 0.0) * area[trial] * density[trial]
        error[trial], u95[trial] = measured_m_s / (mean[trial] * CENTRE_M_S) - 1, flow.u95
    return error, u95


@pytest.mark.parametrize(
    ("duct", "method", "grid"),
    [
        (RECTANGLE, Method.EQUAL_AREA, (3, 3)),
        (RECTANGLE, Method.LOG_TCHEBYCHEFF, (5, 5)),
        (RECTANGLE, Method.LOG_TCHEBYCHEFF, (6, 6)),
        (ROUND, Method.LOG_LINEAR, (8, 2)),
        (ROUND, Method.LOG_LINEAR, (10, 2)),
    ],
    ids=lambda value: str(getattr(value, "shape", value)),
)
def test_the_true_flow_lies_inside_u95(duct: Duct, method: Method, grid: tuple[int, int]) -> None:
    error, u95 = simulate(duct, method, grid)
    covered = float(np.mean(np.abs(error) <= u95))
    assert 0.93 <= covered <= 0.99
    if grid == (5, 5):
        assert float(np.median(u95)) <= 0.06


def panels(edges: list[float]) -> tuple[Array, Array]:
    """Gauss-Legendre nodes and weights, 20 in each panel: finer where the wall law bends."""
    nodes, weights = np.polynomial.legendre.leggauss(20)
    spans = list(itertools.pairwise(edges))
    places = [low + (high - low) * (nodes + 1) / 2 for low, high in spans]
    return np.concatenate(places), np.concatenate([(high - low) / 2 * weights for low, high in spans])


def test_the_truth_is_integrated_well() -> None:
    """The fine means against Gauss quadrature in panels, profile by profile."""
    p = draw_profiles(np.random.default_rng(7))
    flat, round_ = rectangle_mean(p), disc_mean(p)
    near = [0.0, 1e-4, 1e-3, 0.01, 0.05, 0.2, 0.5]
    g, weight = panels([*near, *(1 - d for d in reversed(near[:-1]))])
    r, rim = panels([0.0, 0.5, 0.8, 0.95, 0.99, 0.999, 1.0])
    angle, turn = panels([2 * np.pi * k / 8 for k in range(9)])
    for trial in range(5):
        one = Profiles(*(getattr(p, name)[trial : trial + 1] for name in Profiles.__dataclass_fields__))
        x, y = (axis.ravel() for axis in np.meshgrid(g, g))
        exact = rectangle(one, x, y)[0] @ np.outer(weight, weight).ravel()
        assert flat[trial] == pytest.approx(exact, rel=5e-4)
        r2, a2 = (axis.ravel() for axis in np.meshgrid(r, angle))
        x, y = 0.5 + 0.5 * r2 * np.cos(a2), 0.5 + 0.5 * r2 * np.sin(a2)
        exact = (disc(one, x, y)[0] * r2 / np.pi) @ np.outer(turn, rim).ravel()
        assert round_[trial] == pytest.approx(exact, rel=5e-4)
