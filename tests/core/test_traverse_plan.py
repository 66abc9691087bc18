"""Holes and marks: positions of check tables in inches and millimetres, the standard's counts."""

from __future__ import annotations

import math

import pytest

from logger.core.errors import UsageError
from logger.core.traverse import Duct, DuctShape, MeasuredPlane, Method
from logger.core.traverse_plan import free_duct, make_plan, standard_grid
from tests.core.ducts import ROUND

IN, MM = 0.0254, 0.001


def box(width_m: float, height_m: float) -> Duct:
    return Duct(shape=DuctShape.RECTANGULAR, width_m=width_m, height_m=height_m)


@pytest.mark.parametrize(
    ("width_m", "height_m", "unit_m", "along_width", "along_height"),
    [  # ISO 3966 log-Tchebycheff, 5 a side
        (20 * IN, 14 * IN, IN, [1.47, 5.76, 10.00, 14.24, 18.53], [1.03, 4.03, 7.00, 9.97, 12.97]),
        (0.6, 0.45, MM, [44.1, 172.7, 300.0, 427.3, 555.9], [33.1, 129.5, 225.0, 320.5, 416.9]),
    ],
)
def test_positions(
    width_m: float, height_m: float, unit_m: float, along_width: list[float], along_height: list[float]
) -> None:
    close = 0.006 if unit_m == IN else 0.06  # the last printed digit
    plan = make_plan(box(width_m, height_m), grid=(5, 5))
    holes = sorted({p.hole_m / unit_m for p in plan.points})
    marks = sorted({p.depth_m / unit_m for p in plan.points})
    assert holes == pytest.approx(along_width, abs=close)
    assert marks == pytest.approx(along_height, abs=close)
    other = make_plan(box(width_m, height_m), grid=(5, 5), holes_on_long=False)
    assert sorted({p.hole_m / unit_m for p in other.points}) == pytest.approx(along_height, abs=close)
    assert sorted({p.depth_m / unit_m for p in other.points}) == pytest.approx(along_width, abs=close)


def test_liner_and_tip_offset_are_on_the_mark() -> None:
    """Free side 18 x 12 in of a 20 x 14 in duct lined 1 in: derived; centre 7 in deep from the outside."""
    free = free_duct(box(20 * IN, 14 * IN), IN)
    assert (free.width_m, free.height_m) == pytest.approx((18 * IN, 12 * IN))
    plan = make_plan(free, grid=(5, 5), liner_m=IN, tip_offset_m=0.5 * IN)
    middle = plan.points[12]
    assert middle.depth_m == pytest.approx(7.5 * IN)
    assert middle.hole_m == pytest.approx(10.0 * IN)
    assert plan.duct.area_m2 == pytest.approx(18 * 12 * IN * IN)


def test_round_holes_stand_apart_on_the_circumference() -> None:
    plan = make_plan(ROUND, grid=(6, 3))
    holes = sorted({(p.hole, p.hole_m) for p in plan.points})
    assert [at for _, at in holes] == pytest.approx([0, math.pi * 0.4 / 6, math.pi * 0.4 / 3])
    assert [p.n for p in plan.points] == list(range(1, 19))
    # ISO 3966 log-linear, 6 a diameter: 0.032 0.135 0.321 0.679 0.865 0.968 (recalled)
    assert [p.depth_m / 0.4 for p in plan.points[:6]] == pytest.approx(
        [0.032, 0.135, 0.321, 0.679, 0.865, 0.968], abs=5e-4
    )


@pytest.mark.parametrize(
    ("width_in", "height_in", "grid"),
    [  # side < 30 in: 5, 30 to 36: 6, above: 7 (ASHRAE Fundamentals, ASHRAE 111; recalled)
        (20, 14, (5, 5)),
        (29.9, 30, (5, 6)),
        (36, 36.1, (6, 7)),
        (60, 10, (7, 5)),
    ],
)
def test_points_a_side(width_in: float, height_in: float, grid: tuple[int, int]) -> None:
    assert standard_grid(box(width_in * IN, height_in * IN)) == grid


def test_default_methods_and_plane_rule() -> None:
    """7.5 diameters before, 3 behind the plane (ASHRAE Fundamentals, ASHRAE 111; recalled)."""
    assert make_plan(box(0.5, 0.3)).method is Method.LOG_TCHEBYCHEFF
    assert make_plan(ROUND).method is Method.LOG_LINEAR
    face = make_plan(box(1.5, 0.5), plane=MeasuredPlane.FILTER_FACE)
    assert face.method is Method.EQUAL_AREA
    plan = make_plan(ROUND)
    assert (plan.downstream_m, plan.upstream_m) == pytest.approx((3.0, 1.2))


def test_what_cannot_be() -> None:
    with pytest.raises(UsageError, match="leaves no free area"):
        free_duct(box(0.1, 0.3), 0.05)
    with pytest.raises(UsageError, match="a filter face is rectangular"):
        make_plan(ROUND, plane=MeasuredPlane.FILTER_FACE)
    with pytest.raises(UsageError, match="round ducts"):
        make_plan(box(0.5, 0.3), method=Method.LOG_LINEAR)
