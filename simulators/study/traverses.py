"""A traverse of a simulated duct: what a method's points make of a profile that they do not know.

The profiles are power laws towards the walls, leaning to one side: an invented family, for comparing
methods with each other. The mean over the section is integrated on a fine grid.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from math import cos, radians

import numpy as np

from logger.core.errors import UsageError
from logger.core.params import FlowLine, VelocityBasis
from logger.core.traverse import Duct, DuctShape, Method, Traverse, TraversePoint
from logger.core.traverse_budget import UNKNOWN_DRIFT
from logger.core.traverse_flow import measure
from logger.core.traverse_place import MARK_U_M, YAW_DEG, plane_u
from logger.core.traverse_plan import make_plan
from simulators.plant import Array
from simulators.study.draws import stream

DUCT = Duct(shape=DuctShape.RECTANGULAR, width_m=0.6, height_m=0.4)  # assumed
AREA_U95 = 0.01  # of the area: two sides to some mm (assumed)
NEAREST = 0.002  # of the side: no point stands nearer to a wall (assumed)
VELOCITY_U95 = 0.04  # of the velocity, the probe's calibration (assumed)
SCATTER = 0.02  # of one point's average, from the air's unrest (assumed)
POWERS = (0.1, 0.25)  # wall exponents: 1/7 is that of a long pipe (recalled), a short duct is uneven
LEAN = 0.25  # u: how much faster one wall's side is than the middle (assumed)
UPSTREAM_DIAMETERS = 5.0  # of straight duct (assumed)
SPEED_M_S = 5.0  # true mean (assumed)
_FINE = 400  # cells a side
NOT_OURS = "not ours"
"""Of a config that a study does not have: its volume of the air's own velocities hangs on no density."""
DRAWN_OF_TRAVERSE: Mapping[str, str] = {
    "probe calibration": "a factor",
    "sampling": "the profile",
    "scatter": "the air's unrest, point by point",
    "missing points": NOT_OURS,
    "position": "marks and holes",
    "yaw": "a factor",
    "area": "the true area",
    "drift": "a factor",
    "density": NOT_OURS,
    "filter face": NOT_OURS,
    "plane": "a factor",
    "method bias": "the profile",
}
"""What is drawn for each line of a traverse's own budget."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """Relative velocity over the unit square."""

    power_x: float
    power_y: float
    lean_x: float
    lean_y: float

    def at(self, x: Array, y: Array) -> Array:
        """Velocity at places, in any unit."""
        return _side(x, self.power_x, self.lean_x) * _side(y, self.power_y, self.lean_y)

    @property
    def mean(self) -> float:
        """Mean over the section: it falls into one factor a side."""
        fine = (np.arange(_FINE) + 0.5) / _FINE
        parts = _side(fine, self.power_x, self.lean_x), _side(fine, self.power_y, self.lean_y)
        return float(parts[0].mean() * parts[1].mean())


def _side(x: Array, power: float, lean: float) -> Array:
    wall = np.minimum(x, 1.0 - x) * 2.0
    return np.asarray(wall**power * (1.0 + lean * (2.0 * x - 1.0)))


def method_of(text: str) -> tuple[Method, int, int]:
    """``log-tchebycheff 5x5`` as method and points. Raises ``UsageError`` with what is possible.

    >>> method_of("equal-area 3x3")
    (<Method.EQUAL_AREA: 'equal-area'>, 3, 3)
    """
    name, _, grid = text.strip().partition(" ")
    across, _, down = grid.strip().partition("x")
    known = [m.value for m in (Method.LOG_TCHEBYCHEFF, Method.EQUAL_AREA)]
    if name not in known or not (across.isdecimal() and down.isdecimal()):
        raise UsageError(f"--traverse '{text[:40]}': write {' or '.join(known)} and the points, such as 5x5")
    _planned(Method(name), int(across), int(down))
    return Method(name), int(across), int(down)


@lru_cache(maxsize=16)
def _planned(method: Method, across: int, down: int) -> tuple[TraversePoint, ...]:
    return tuple(planned.point for planned in make_plan(DUCT, method=method, grid=(across, down)).points)


def traversed(text: str, seed: int, scenario: str, trial: int) -> tuple[float, tuple[FlowLine, ...]]:
    """Flow found over the true one, and the budget that such a traverse states."""
    method, across, down = method_of(text)
    rng = stream(seed, scenario, trial, "profile")
    low, high = POWERS
    power_x, power_y = rng.uniform(low, high, 2).tolist()
    lean_x, lean_y = (LEAN * rng.standard_normal(2)).clip(-0.8, 0.8).tolist()
    profile = Profile(power_x=power_x, power_y=power_y, lean_x=lean_x, lean_y=lean_y)
    points = _planned(method, across, down)
    marks = stream(seed, scenario, trial, "marks")
    x = _off([p.x for p in points], marks, MARK_U_M / DUCT.width_m)
    y = _off([p.y for p in points], marks, MARK_U_M / DUCT.height_m)
    scale = SPEED_M_S / profile.mean
    unrest = 1.0 + SCATTER * stream(seed, scenario, trial, "unrest").standard_normal(len(points))
    seen = profile.at(x, y) * scale * _factor(stream(seed, scenario, trial, "velocity")) * unrest
    read = tuple(
        replace(p, velocity_m_s=v, scatter_m_s=SCATTER * v)
        for p, v in zip(points, seen.tolist(), strict=True)
    )
    flow = measure(
        Traverse(
            duct=DUCT,
            method=method,
            points=read,
            points_across=across,
            points_down=down,
            basis=VelocityBasis.ACTUAL,
            velocity_u95=VELOCITY_U95,
            area_u95=AREA_U95,
            upstream_diameters=UPSTREAM_DIAMETERS,
        )
    )
    lines = tuple(
        FlowLine(source=n.source, u=n.u_w, nu=n.nu, assumed=n.assumed)
        for n in flow.lines
        if DRAWN_OF_TRAVERSE[n.source] != NOT_OURS
    )
    area_m2 = DUCT.area_m2 * (
        1.0 + AREA_U95 / 2.0 * float(stream(seed, scenario, trial, "area").standard_normal())
    )
    return flow.volume_m3_s / (area_m2 * SPEED_M_S), lines


def _off(places: list[float], marks: np.random.Generator, u: float) -> Array:
    """Places as they came out: each mark is off by itself, and serves every point that stands at it."""
    off = {place: place + u * float(marks.standard_normal()) for place in sorted(set(places))}
    return np.array([off[place] for place in places]).clip(NEAREST, 1.0 - NEAREST)


def _factor(rng: np.random.Generator) -> float:
    """What is alike at all points: calibration, the air's or the probe's yaw to either side, what the flow
    drifts until the firing, what the plane's disturbance adds or takes."""
    most = 1.0 / cos(radians(YAW_DEG)) - 1.0
    calibration = VELOCITY_U95 / 2.0 * float(rng.standard_normal())
    yaw, drift = float(rng.uniform(-most, most)), float(rng.uniform(-UNKNOWN_DRIFT, UNKNOWN_DRIFT)) / 2.0
    plane = plane_u(UPSTREAM_DIAMETERS) * float(rng.standard_normal())
    return (1.0 + calibration) * (1.0 + yaw) * (1.0 + drift) * (1.0 + plane)
