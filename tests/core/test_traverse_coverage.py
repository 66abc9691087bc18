"""Does the true flow lie inside u95? A thousand traverses a family and a grid, of ducts integrated finely.

What holds and what does not stands in the tables, as it was measured; no family is left out because it is
bad. u95 is meant to hold for 95 %. It does for smooth profiles, for jets, torn-off flow and dents about as
wide as the points are apart. It does not for wakes and blades between the points (49 to 91 %), nor for a
probe blind to direction in swirl of 5 to 25 degrees at the wall (80 to 95 %).

Sampling and bias alone cover smooth profiles, but for equal-area 5x5 (82 %), whose bias varies more with the
wall than its line says; the budget's other lines make up for it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from math import hypot

import numpy as np
import pytest

from logger.core.budget import BudgetLine, combine
from logger.core.traverse import Duct, DuctShape, Method, PressureFrom, Traverse, TraversePoint
from logger.core.traverse_flow import measure
from logger.core.traverse_grid import geometry
from logger.core.traverse_place import bias_u
from logger.core.traverse_points import traverse_points
from tests.core.ducts import RECTANGLE, ROUND
from tests.core.profiles import FAMILIES, Array, Profiles, draw

TRIALS, CLOSE = 400, 6.0  # the tables are of 1,000 others; percent: 2.4 standard deviations at 50 %
CENTRE_M_S = 5.0
PROBE_U95, AREA_U95 = 0.04, 0.01
MARK_U_M, YAW_DEG = 0.003, 10.0  # as the budget takes them
LT, EA, LL = Method.LOG_TCHEBYCHEFF, Method.EQUAL_AREA, Method.LOG_LINEAR


@dataclass(frozen=True)
class Grid:
    duct: Duct
    method: Method
    first: int
    second: int

    def points(self) -> tuple[TraversePoint, ...]:
        return traverse_points(self.duct, self.method, self.first, self.second)


GRIDS = {
    "equal-area 3x3": Grid(RECTANGLE, EA, 3, 3),
    "equal-area 5x5": Grid(RECTANGLE, EA, 5, 5),
    "log-tchebycheff 3x3": Grid(RECTANGLE, LT, 3, 3),
    "log-tchebycheff 5x5": Grid(RECTANGLE, LT, 5, 5),
    "log-tchebycheff 7x7": Grid(RECTANGLE, LT, 7, 7),
    "log-linear 6x2": Grid(ROUND, LL, 6, 2),
    "log-linear 10x2": Grid(ROUND, LL, 10, 2),
}


def misplaced(values: Array, side_m: float, rng: np.random.Generator) -> Array:
    """Fractions of a side as marks that are a little off have them; one mark serves every hole."""
    marks, which = np.unique(values, return_inverse=True)
    moved = marks + MARK_U_M / side_m * rng.normal(size=(TRIALS, len(marks)))
    return np.clip(moved, 0.002, 0.998)[:, which]


def readings(grid: Grid, p: Profiles, rng: np.random.Generator | None) -> tuple[Array, Array]:
    """What a perfect probe shows at the points, and the true mean. ``rng``: marks are a little off."""
    points, duct = grid.points(), grid.duct
    x, y = np.array([q.x for q in points]), np.array([q.y for q in points])
    if duct.shape is DuctShape.RECTANGULAR:
        if rng is not None:
            x, y = misplaced(x, duct.width_m, rng), misplaced(y, duct.height_m, rng)
        return p.rectangle(x, y) * p.seen(x, y), p.rectangle_mean()
    angle = np.pi * np.array([q.diameter for q in points]) / grid.second
    if rng is not None:
        x = misplaced(x, duct.diameter_m, rng)
    x, y = 0.5 + (x - 0.5) * np.cos(angle), 0.5 + (x - 0.5) * np.sin(angle)
    return p.disc(x, y) * p.seen(x, y), p.disc_mean()


def traverse_of(grid: Grid, points: tuple[TraversePoint, ...], **changes: object) -> Traverse:
    return replace(
        Traverse(
            duct=grid.duct,
            method=grid.method,
            points=points,
            points_across=grid.first,
            points_down=grid.second,
            points_per_diameter=grid.first,
            diameters=grid.second,
            velocity_u95=PROBE_U95,
            area_u95=AREA_U95,
            pressure_from=PressureFrom.PROBE,
        ),
        **changes,  # type: ignore[arg-type]
    )


def simulate(name: str, family: str) -> tuple[Array, Array]:
    """Relative error and u95 of each trial: all that the budget has, at once.

    The smooth family has the straight duct that is asked for; of the others nobody said.
    """
    grid, diameters = GRIDS[name], 8.0 if family == "smooth" else None
    rng = np.random.default_rng([20_260_001, *family.encode(), *name.encode()])
    true, mean = readings(grid, draw(family, rng, TRIALS), rng)
    count = true.shape[1]
    scatter = rng.uniform(0.01, 0.05, (TRIALS, 1))  # of one second's readings
    left = rng.uniform(0.4, 1.0, (TRIALS, 1))  # of it stays in a point's average: slow gusts
    drift = rng.uniform(-0.015, 0.015, (TRIALS, 1)) * (np.arange(count + 1) / count - 0.5)
    walked = np.concatenate([true, true[:, :1]], axis=1) * CENTRE_M_S * (1 + drift)
    walked *= 1 + scatter * left * rng.normal(size=walked.shape)
    read = walked * (1 + PROBE_U95 / 2 * rng.normal(size=(TRIALS, 1)))
    if family != "swirl":  # there the turned air is the profile's own
        yaw = rng.uniform(-YAW_DEG, YAW_DEG, (TRIALS, 1))  # below 0 the probe is turned, above 0 the air
        read *= np.cos(np.radians(yaw)) ** -np.sign(yaw)
    area = 1 + AREA_U95 / 2 * rng.normal(size=TRIALS)
    density = 1 + 0.0023 * rng.normal(size=TRIALS)  # 0.5 K, 150 Pa: as the budget takes them
    error, u95 = np.empty(TRIALS), np.empty(TRIALS)
    for trial in range(TRIALS):
        rows = zip(grid.points(), read[trial].tolist(), strict=False)
        share = float(scatter[trial, 0])
        taken = tuple(replace(q, velocity_m_s=v, scatter_m_s=share * v) for q, v in rows)
        again = replace(taken[0], velocity_m_s=float(read[trial, -1]))
        flow = measure(traverse_of(grid, taken, repeat_first=again, upstream_diameters=diameters))
        measured_m_s = (flow.mean_standard_velocity_m_s or 0.0) * area[trial] * density[trial]
        error[trial], u95[trial] = measured_m_s / (mean[trial] * CENTRE_M_S) - 1, flow.u95
    return error, u95


def simulate_sampling(name: str, family: str) -> tuple[Array, Array]:
    """As ``simulate`` with a perfect probe, still air and true marks: sampling and bias alone must cover."""
    grid = GRIDS[name]
    rng = np.random.default_rng([20_270_001, *family.encode(), *name.encode()])
    true, mean = readings(grid, draw(family, rng, TRIALS), None)
    places = geometry(grid.duct, grid.points())
    error, u95 = true.mean(axis=1) / mean - 1, np.empty(TRIALS)
    for trial in range(TRIALS):
        rows = zip(grid.points(), true[trial].tolist(), strict=True)
        flow = measure(traverse_of(grid, tuple(replace(q, velocity_m_s=v) for q, v in rows)))
        sampling = next(line for line in flow.lines if line.source == "sampling")
        bias = bias_u(abs(places.bias), hypot(sampling.u_w, places.bias_u))
        both = [sampling, BudgetLine("method bias", hypot(bias, places.bias_u))]
        u95[trial] = combine(both).u95_w
    return error, u95


HOLDS = ("smooth", "elbow", "core dent", "fan blast")
"""Families for which u95 is said to hold (README): 93 % leaves 95 % its chance in ``TRIALS`` trials."""

COVERED: dict[str, dict[str, float]] = {
    "equal-area 3x3": {
        "smooth": 98,
        "narrow wake": 81,
        "wide wake": 73,
        "blades": 80,
        "elbow": 100,
        "core dent": 99,
        "fan blast": 100,
        "swirl": 85,
    },
    "equal-area 5x5": {
        "smooth": 95,
        "narrow wake": 85,
        "wide wake": 91,
        "blades": 85,
        "elbow": 99,
        "core dent": 97,
        "fan blast": 99,
        "swirl": 80,
    },
    "log-tchebycheff 3x3": {"smooth": 99},
    "log-tchebycheff 5x5": {
        "smooth": 98,
        "narrow wake": 83,
        "wide wake": 88,
        "blades": 77,
        "elbow": 100,
        "core dent": 98,
        "fan blast": 99,
        "swirl": 85,
    },
    "log-tchebycheff 7x7": {"smooth": 97},
    "log-linear 6x2": {"smooth": 99},
    "log-linear 10x2": {
        "smooth": 98,
        "narrow wake": 85,
        "wide wake": 68,
        "blades": 49,
        "elbow": 100,
        "core dent": 97,
        "fan blast": 98,
        "swirl": 95,
    },
}
"""Percent of the true flows within u95."""

ALONE: dict[str, dict[str, float]] = {
    "equal-area 3x3": {"smooth": 96, "wide wake": 60, "blades": 80, "elbow": 100, "core dent": 99},
    "equal-area 5x5": {"smooth": 82, "wide wake": 67, "blades": 82, "elbow": 100, "core dent": 87},
    "log-tchebycheff 3x3": {"smooth": 100},
    "log-tchebycheff 5x5": {"smooth": 100, "wide wake": 62, "blades": 62, "elbow": 100, "core dent": 98},
    "log-tchebycheff 7x7": {"smooth": 100},
    "log-linear 6x2": {"smooth": 100},
    "log-linear 10x2": {"smooth": 100, "wide wake": 40, "blades": 19, "elbow": 100, "core dent": 100},
}
"""Percent of the true flows within what sampling and method bias alone come to."""


@pytest.mark.parametrize(
    ("name", "family", "percent"), [(n, f, p) for n, row in COVERED.items() for f, p in row.items()]
)
def test_how_often_the_true_flow_lies_inside_u95(name: str, family: str, percent: float) -> None:
    error, u95 = simulate(name, family)
    covered = 100 * float(np.mean(np.abs(error) <= u95))
    assert covered == pytest.approx(percent, abs=CLOSE)
    if family in HOLDS:
        assert covered >= 93
    if (name, family) == ("log-tchebycheff 5x5", "smooth"):
        assert float(np.median(u95)) <= 0.06


@pytest.mark.parametrize(
    ("name", "family", "percent"), [(n, f, p) for n, row in ALONE.items() for f, p in row.items()]
)
def test_how_often_sampling_and_bias_alone_cover(name: str, family: str, percent: float) -> None:
    error, u95 = simulate_sampling(name, family)
    assert 100 * float(np.mean(np.abs(error) <= u95)) == pytest.approx(percent, abs=CLOSE)


def panels(edges: list[float]) -> tuple[Array, Array]:
    """Gauss-Legendre nodes and weights, 20 in each panel: finer where the wall law bends."""
    nodes, weights = np.polynomial.legendre.leggauss(20)
    spans = list(itertools.pairwise(edges))
    places = [low + (high - low) * (nodes + 1) / 2 for low, high in spans]
    return np.concatenate(places), np.concatenate([(high - low) / 2 * weights for low, high in spans])


@pytest.mark.parametrize("family", FAMILIES)
def test_the_truth_is_integrated_well(family: str) -> None:
    """The means against Gauss quadrature in panels, profile by profile."""
    p = draw(family, np.random.default_rng(7), 5)
    flat, round_ = p.rectangle_mean(), p.disc_mean()
    near = [0.0, 1e-4, 1e-3, 0.01, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5]
    g, weight = panels([*near, *(1 - d for d in reversed(near[:-1]))])
    r, rim = panels([*np.linspace(0.0, 0.9, 10).tolist(), 0.95, 0.99, 0.999, 1.0])
    angle, turn = panels([2 * np.pi * k / 24 for k in range(25)])
    x, y = (axis.ravel() for axis in np.meshgrid(g, g))
    exact = p.rectangle(x, y) @ np.outer(weight, weight).ravel()
    assert flat == pytest.approx(exact, rel=5e-4)
    r2, a2 = (axis.ravel() for axis in np.meshgrid(r, angle))
    x, y = 0.5 + 0.5 * r2 * np.cos(a2), 0.5 + 0.5 * r2 * np.sin(a2)
    exact = (p.disc(x, y) * r2 / np.pi) @ np.outer(turn, rim).ravel()
    assert round_ == pytest.approx(exact, rel=2e-3)
