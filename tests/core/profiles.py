"""Families of velocity profiles, drawn at random, with their true means by integration on a fine grid.

All stand on the log law of the wall u = 1 + a ln(distance from it) (von Karman, Prandtl; recalled). What
disturbs it is invented, of every place and size within the limits written here. Truth: none of the
traverse rules, 2,000 midpoints an axis, or rings and angles.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Line = Callable[[Array], Array]


@dataclass(frozen=True)
class Profiles:
    """One profile a trial: wall law times the sum of ``terms`` f(x) g(y); ``turned``: x and y swapped.

    ``swirl``: tangent of the angle at the wall by which the air turns as a solid body, or 0.
    """

    wall_x: Array
    wall_y: Array
    terms: list[tuple[Line, Line]]
    turned: Array
    swirl: Array

    def shape(self, x: Array, y: Array) -> Array:
        """What stands on the wall law at points x, y (one row a trial)."""
        straight = sum((f(x) * g(y) for f, g in self.terms), np.zeros(1))
        crossed = sum((f(y) * g(x) for f, g in self.terms), np.zeros(1))
        return np.where(self.turned, crossed, straight)

    def rectangle(self, x: Array, y: Array) -> Array:
        """Axial velocity in the unit square, centre about 1."""
        walls = wall(self.wall_x, 1 - np.abs(2 * x - 1)) * wall(self.wall_y, 1 - np.abs(2 * y - 1))
        return walls * self.shape(x, y)

    def disc(self, x: Array, y: Array) -> Array:
        """Axial velocity in the disc inscribed in the unit square."""
        return wall(self.wall_x, 1 - 2 * np.hypot(x - 0.5, y - 0.5)) * self.shape(x, y)

    def seen(self, x: Array, y: Array) -> Array:
        """What a probe blind to direction shows of the axial velocity: the whole of it."""
        return np.sqrt(1 + (self.swirl * 2 * np.hypot(x - 0.5, y - 0.5)) ** 2)

    def rectangle_mean(self) -> Array:
        """True mean: each term is a product of a function of x and one of y."""
        g0 = (np.arange(2000) + 0.5) / 2000
        x, y = (wall(a, 1 - np.abs(2 * g0 - 1)) for a in (self.wall_x, self.wall_y))
        straight = sum((np.mean(x * f(g0), 1) * np.mean(y * g(g0), 1) for f, g in self.terms), np.zeros(1))
        crossed = sum((np.mean(x * g(g0), 1) * np.mean(y * f(g0), 1) for f, g in self.terms), np.zeros(1))
        return np.where(self.turned[:, 0], crossed, straight)

    def disc_mean(self, angles: int = 96, rings: int = 100) -> Array:
        """True mean: midpoints in the angle, and in s = r^2 drawn towards the wall, s = 1 - (1 - t)^2."""
        t = (np.arange(rings) + 0.5) / rings
        r, weight = np.sqrt(1 - (1 - t) ** 2), 2 * (1 - t) / rings
        total = np.zeros(len(self.turned))
        for angle in 2 * np.pi * (np.arange(angles) + 0.5) / angles:
            total += self.disc(0.5 + 0.5 * r * np.cos(angle), 0.5 + 0.5 * r * np.sin(angle)) @ weight
        return total / angles


def wall(a: Array, distance: Array) -> Array:
    """Log law; 1 at distance 1, never negative."""
    return np.maximum(1 + a * np.log(np.maximum(distance, 1e-9)), 0)


def bell(x: Array, x0: Array | float, width: Array) -> Array:
    """Gauss' bell of standard deviation ``width``."""
    return np.exp(-(((x - x0) / width) ** 2) / 2)


def step(x: Array, edge: Array, width: float) -> Array:
    """0 to 1 across an edge."""
    return 1 / (1 + np.exp(-(x - edge) / width))


Column = Callable[[float, float], Array]


def one(x: Array) -> Array:
    return np.ones_like(x)


def smooth(column: Column) -> list[tuple[Line, Line]]:
    """Tilted, with a jet or a dead corner a fifth of the side wide or more."""
    tilt_x, tilt_y = (0.12 * np.sqrt(3) * column(-1, 1) for _ in range(2))
    bump, x0, y0, width = column(-0.3, 0.5), column(0.1, 0.9), column(0.1, 0.9), column(0.2, 0.4)
    tilted: list[tuple[Line, Line]] = [
        (lambda x: 1 + tilt_x * (2 * x - 1), one),
        (one, lambda y: tilt_y * (2 * y - 1)),
    ]
    bumps: list[tuple[Line, Line]] = [
        (lambda x, f=f: bump * f(x) * bell(x, x0, width), lambda y, g=g: g(y) * bell(y, y0, width))  # type: ignore[misc]
        for f, g in tilted
    ]
    return tilted + bumps


def wake(column: Column, low: float, high: float) -> list[tuple[Line, Line]]:
    """One dent across the whole duct, 30 to 80 % deep, standard deviation ``low`` to ``high`` of the side."""
    deep, x0, width = column(0.3, 0.8), column(0.1, 0.9), column(low, high)
    return [(lambda x: 1 - deep * bell(x, x0, width), one)]


def blades(column: Column) -> list[tuple[Line, Line]]:
    """2 to 8 waves along one side, 10 to 40 % high: behind an open damper or a coil."""
    waves, high, phase = np.floor(column(2, 9)), column(0.1, 0.4), column(0, 1)
    return [(lambda x: 1 + high * np.cos(2 * np.pi * (waves * x + phase)), one)]


def elbow(column: Column) -> list[tuple[Line, Line]]:
    """Thrown to one side, torn off along the other."""
    tilt, edge, left = column(0.2, 0.5), column(0.1, 0.35), column(0, 0.6)
    return [(lambda x: (1 + tilt * (2 * x - 1)) * (left + (1 - left) * step(x, edge, 0.06)), one)]


def core_dent(column: Column) -> list[tuple[Line, Line]]:
    """Slow in the middle: behind a hub."""
    deep, width = column(0.2, 0.6), column(0.12, 0.25)
    return [(one, one), (lambda x: -deep * bell(x, 0.5, width), lambda y: bell(y, 0.5, width))]


def fan_blast(column: Column) -> list[tuple[Line, Line]]:
    """The jet of a fan in one corner, the rest slow."""
    left, x0, y0 = column(0.2, 0.6), column(0.4, 0.8), column(0.4, 0.8)
    return [
        (lambda x: left * one(x), one),
        (lambda x: (1 - left) * step(-x, -x0, 0.07), lambda y: step(-y, -y0, 0.07)),
    ]


NARROW = 1 / 2.355  # full width at half depth -> standard deviation of a bell
FAMILIES: dict[str, Callable[[Column], list[tuple[Line, Line]]]] = {
    "smooth": smooth,
    "narrow wake": lambda column: wake(column, 0.04 * NARROW, 0.08 * NARROW),
    "wide wake": lambda column: wake(column, 0.04, 0.08),
    "blades": blades,
    "elbow": elbow,
    "core dent": core_dent,
    "fan blast": fan_blast,
    "swirl": smooth,
}
SWIRL_DEG = (5.0, 25.0)  # at the wall, of the family of that name


def draw(family: str, rng: np.random.Generator, trials: int) -> Profiles:
    """Profiles of one family."""

    def column(low: float, high: float) -> Array:
        return rng.uniform(low, high, (trials, 1))

    turns = column(*SWIRL_DEG) if family == "swirl" else np.zeros((trials, 1))
    return Profiles(
        wall_x=column(0.08, 0.16),
        wall_y=column(0.08, 0.16),
        terms=FAMILIES[family](column),
        turned=column(0, 1) < 0.5,
        swirl=np.tan(np.radians(turns)),
    )
