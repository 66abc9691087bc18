"""Synthetic ducts: known velocity profiles, their true means, and traverses read from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from logger.core.traverse import Duct, DuctShape, Method, Traverse, TraversePoint
from logger.core.traverse_points import traverse_points

RECTANGLE = Duct(shape=DuctShape.RECTANGULAR, width_m=0.508, height_m=0.3556)
ROUND = Duct(shape=DuctShape.ROUND, diameter_m=0.4)


def walk(
    duct: Duct = RECTANGLE,
    method: Method = Method.LOG_TCHEBYCHEFF,
    grid: tuple[int, int] = (5, 5),
    speed: Callable[[TraversePoint], float] = lambda _point: 4.0,
    **changes: object,
) -> Traverse:
    """A complete traverse whose points read ``speed``."""
    points = tuple(
        replace(point, velocity_m_s=speed(point), scatter_m_s=0.0)
        for point in traverse_points(duct, method, *grid)
    )
    base: dict[str, object] = {
        "duct": duct,
        "method": method,
        "points": points,
        "points_across": grid[0],
        "points_down": grid[1],
        "temperature_c": 21.5,
        "humidity": 0.4,
        "pressure_pa": 98_800.0,
        "velocity_u95": 0.04,
    }
    if duct.shape is DuctShape.ROUND:
        base |= {"points_across": 0, "points_down": 0, "points_per_diameter": grid[0], "diameters": grid[1]}
    return Traverse(**(base | changes))  # type: ignore[arg-type]
