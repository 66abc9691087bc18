"""Where the points of a traverse stand: fractions derived from the rules, not copied from tables.

All rules give points of equal weight, so that the mean velocity is the plain mean.
Source: ISO 3966 for log-Tchebycheff and log-linear; derivation: outermost strip (or ring) by the
mean of ln(wall distance), inside by Chebyshev's equal-weight nodes, or by pairs exact for
u = a + b ln y + c y; equal-area: centre (of area) of each part.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import e, exp, log, sqrt

import numpy as np

from logger.core.errors import UsageError
from logger.core.traverse import Duct, DuctShape, Method, TraversePoint

PLACE_OFF = 0.02  # of the side, a point may stand off its rule's place (assumed)
MOST = 30  # points along one side: assumed, no one walks more
_IMAGINARY = 1e-7  # part of a root beyond which it is not real
_LEAST_CHEBYSHEV = 3  # points per side (2 per radius): outermost strips and one point inside


def chebyshev_nodes(n: int) -> tuple[float, ...]:
    """Nodes of Chebyshev's equal-weight rule on -1..1, rising.

    The sums of their powers are those of the mean over the interval; Newton's identities give
    the polynomial. Raises UsageError where they are not all real (n = 8 and beyond 9).

    >>> [round(t, 4) for t in chebyshev_nodes(4)]
    [-0.7947, -0.1876, 0.1876, 0.7947]
    """
    sums = [0.0] + [n / (k + 1) if k % 2 == 0 else 0.0 for k in range(1, n + 1)]
    coefficients = [1.0]
    for k in range(1, n + 1):
        total = sum(coefficients[k - j] * sums[j] for j in range(1, k + 1))
        coefficients.append(-total / k)
    roots = np.roots(coefficients)
    if np.abs(roots.imag).max(initial=0.0) > _IMAGINARY:
        raise UsageError(
            f"log-Tchebycheff has no rule with {n} points inside the outermost ones: "
            "take fewer points, or equal-area"
        )
    return tuple(float(t) + 0.0 for t in sorted(_mirrored(roots.real)))


def _mirrored(roots: np.ndarray) -> list[float]:
    """Roots made exactly symmetric about 0."""
    rising = np.sort(roots)
    return [float(t) for t in (rising - rising[::-1]) / 2.0]


def side_fractions(method: Method, n: int) -> tuple[float, ...]:
    """``n`` places along one side of a rectangle, as fractions of it, rising.

    >>> [round(x, 3) for x in side_fractions(Method.LOG_TCHEBYCHEFF, 5)]
    [0.074, 0.288, 0.5, 0.712, 0.926]
    """
    _check(n)
    if method is Method.EQUAL_AREA:
        return tuple((2 * k + 1) / (2 * n) for k in range(n))
    if method is Method.LOG_LINEAR:
        raise UsageError(
            "log-linear is for round ducts here: in a rectangular duct take log-tchebycheff or equal-area"
        )
    if n < _LEAST_CHEBYSHEV:
        raise UsageError(f"log-Tchebycheff needs at least {_LEAST_CHEBYSHEV} points a side: {n} given")
    outer = 1.0 / (n * e)  # mean of ln y over a strip 0..1/n is ln(1/n) - 1
    inner = [0.5 + 0.5 * (n - 2) / n * t for t in chebyshev_nodes(n - 2)]
    return (outer, *inner, 1.0 - outer)


def _mean_log(low: float, high: float) -> float:
    """Mean over the ring r^2 = low..high (R = 1) of ln y, y = 1 - r the distance from the wall."""

    def integral(y: float) -> float:  # of ln(y) 2 (1 - y) dy
        return 0.0 if y == 0.0 else 2.0 * (y * log(y) - y) - (y * y * log(y) - y * y / 2.0)

    near, far = 1.0 - sqrt(high), 1.0 - sqrt(low)
    return (integral(far) - integral(near)) / (high - low)


def _mean_distance(low: float, high: float) -> float:
    """Mean over the ring r^2 = low..high of y."""
    return float(1.0 - 2.0 / 3.0 * (high**1.5 - low**1.5) / (high - low))


def radius_fractions(method: Method, n: int) -> tuple[float, ...]:
    """``n`` distances from the wall as fractions of the DIAMETER, rising, up to 0.5.

    >>> [round(y, 3) for y in radius_fractions(Method.LOG_LINEAR, 3)]
    [0.032, 0.135, 0.321]
    """
    _check(n)
    if method is Method.EQUAL_AREA:
        return tuple(sorted(0.5 * (1.0 - sqrt((2 * k + 1) / (2 * n))) for k in range(n)))
    outer = 1.0 - 1.0 / n
    single = 0.5 * exp(_mean_log(outer, 1.0))
    if method is Method.LOG_TCHEBYCHEFF:
        if n < _LEAST_CHEBYSHEV - 1:
            raise UsageError("log-Tchebycheff needs at least 4 points a diameter")
        squares = [outer * (1.0 + t) / 2.0 for t in chebyshev_nodes(n - 1)]
        return tuple(sorted((single, *(0.5 * (1.0 - sqrt(s)) for s in squares))))
    found = [single] if n % 2 else []
    high = outer if n % 2 else 1.0
    while high > 1.0 / n:  # rings of area 2/n, from the wall inwards
        low = max(high - 2.0 / n, 0.0)
        mean, product = _mean_distance(low, high), exp(2.0 * _mean_log(low, high))
        apart = sqrt(mean * mean - product)
        found += [0.5 * (mean - apart), 0.5 * (mean + apart)]
        high = low
    return tuple(sorted(found))


def diameter_fractions(method: Method, per_diameter: int) -> tuple[float, ...]:
    """Places along a whole diameter, from the wall where the probe enters, as fractions of it."""
    if per_diameter % 2:
        raise UsageError(f"{per_diameter} points a diameter: give an even number, half of them a radius")
    near = radius_fractions(method, per_diameter // 2)
    return (*near, *(1.0 - y for y in reversed(near)))


def _check(n: int) -> None:
    if not 1 <= n <= MOST:
        raise UsageError(f"{n} points along one line: give 1 to {MOST}")


def traverse_points(
    duct: Duct, method: Method, first: int, second: int, *, along_height: bool = True
) -> tuple[TraversePoint, ...]:
    """Every point in walking order: hole by hole, in each hole from the near wall to the far one.

    ``first`` x ``second``: points across x down, or points per diameter x diameters.
    ``along_height``: the probe goes in along the height (its holes stand along the width).
    """
    if duct.shape is DuctShape.ROUND:
        _check(second)
        places = diameter_fractions(method, first)
        return tuple(TraversePoint(x=x, diameter=line) for line in range(second) for x in places)
    across, down = side_fractions(method, first), side_fractions(method, second)
    if along_height:
        return tuple(TraversePoint(x=x, y=y) for x in across for y in down)
    return tuple(TraversePoint(x=x, y=y) for y in down for x in across)


def nearest_place(
    points: Sequence[TraversePoint], point: TraversePoint, tolerance: float = PLACE_OFF
) -> int | None:
    """Index of the point that stands nearest to ``point``; None where none stands within ``tolerance``.

    ``tolerance``: fraction of the side, in each direction. Places typed with three digits are found.

    >>> rule = traverse_points(Duct(shape=DuctShape.ROUND, diameter_m=0.4), Method.LOG_LINEAR, 6, 2)
    >>> nearest_place(rule, TraversePoint(x=0.032, diameter=1)), nearest_place(rule, TraversePoint(x=0.2))
    (6, None)
    """

    def apart(other: TraversePoint) -> float:
        return max(abs(other.x - point.x), abs(other.y - point.y))

    near = [(apart(other), n) for n, other in enumerate(points) if other.diameter == point.diameter]
    least, index = min(near, default=(tolerance, None))
    return index if least <= tolerance else None
