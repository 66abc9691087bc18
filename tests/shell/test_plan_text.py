"""What a plan says beside its numbers: the cautions, and the quick grid."""

from __future__ import annotations

from typing import Literal

import pytest

from logger.airflow.plan_text import plan_checks, plan_lines
from logger.core.traverse import Duct, DuctShape, MeasuredPlane, Method
from logger.core.traverse_plan import make_plan
from tests.core.ducts import RECTANGLE, ROUND


@pytest.mark.parametrize("units", ["us", "si"])
def test_the_quick_grid_is_offered_with_its_bias(units: Literal["us", "si"]) -> None:
    """+6.54 % on the product power law, equal-area 3x3: exact integral 1/(1 + 1/7) an axis."""
    text = " ".join(" ".join(plan_lines(make_plan(RECTANGLE), units, plain=True)).split())
    assert "quick: --points 3x3 --method equal-area, 9 points, reads about +6.5%" in text


def test_a_round_duct_has_a_quick_grid_of_its_own() -> None:
    text = " ".join(" ".join(plan_lines(make_plan(ROUND), "us", plain=True)).split())
    assert "quick: --points 4x2 --method log-linear, 8 points" in text


@pytest.mark.parametrize(
    "plan",
    [
        make_plan(ROUND, grid=(4, 2)),
        make_plan(RECTANGLE, grid=(3, 3), method=Method.EQUAL_AREA),
        make_plan(RECTANGLE, grid=(6, 6)),
    ],
)
def test_it_is_not_offered_where_it_does_not_belong(plan: object) -> None:
    assert "quick:" not in "\n".join(plan_lines(plan, "us", plain=True))  # type: ignore[arg-type]


def test_wakes_and_swirl_are_told_before_the_walk() -> None:
    said = {check.code: check.text for check in plan_checks(make_plan(RECTANGLE), "us")}
    assert "Not behind dampers, vanes or coils" in said["plane"]
    assert "swirl" in said["yaw"]
    assert "7.5 diameters" in said["expected-u95"]
    face = make_plan(
        Duct(shape=DuctShape.RECTANGULAR, width_m=1.5, height_m=0.5), plane=MeasuredPlane.FILTER_FACE
    )
    assert "straight duct" not in {c.code: c.text for c in plan_checks(face, "us")}["expected-u95"]
