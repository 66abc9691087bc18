"""From a traverse to the airflow: values from outside, invariants, budget and checks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.airflow import airflow_document
from logger.core.errors import UsageError
from logger.core.params import VelocityBasis
from logger.core.traverse import Assumed, Duct, DuctShape, MeasuredPlane, Method, Traverse, TraversePoint
from logger.core.traverse_checks import check_traverse
from logger.core.traverse_flow import measure
from logger.core.traverse_grid import geometry
from logger.core.traverse_outlier import find_outliers
from logger.core.traverse_plan_checks import expected_u95
from tests.core.ducts import RECTANGLE, ROUND, walk
from tests.core.profiles import draw

FPM, PSI, LB_FT3, FT = 0.3048 / 60.0, 6894.757, 16.018463374, 0.3048  # NIST SP 811
ACTUAL, STANDARD = VelocityBasis.ACTUAL, VelocityBasis.STANDARD


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def humidity_at(temp_c: float, of_c: float, of_humidity: float, pressure_pa: float) -> float:
    """Relative humidity of air of the humidity ratio that ``of_c``, ``of_humidity`` has there."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(of_c, of_humidity, pressure_pa)
    return float(psychrolib.GetRelHumFromHumRatio(temp_c, w, pressure_pa))


@pytest.mark.parametrize(
    ("at_f", "pressure_psia", "actual_fpm"),
    [  # psychrolib, ASHRAE Fundamentals ch. 1: rho 0.06817, 0.06203, 0.05668 lb/ft3
        (120.0, 14.696, 1100.1),
        (70.0, 12.228, 1209.0),
        (120.0, 12.228, 1323.2),
    ],
)
def test_standard_velocity_becomes_actual(at_f: float, pressure_psia: float, actual_fpm: float) -> None:
    """1000 fpm of standard air; W is that of 70 F, 40 % at that pressure."""
    pressure_pa = pressure_psia * PSI
    flow = measure(
        walk(
            speed=lambda _p: 1000.0 * FPM,
            reference_density_kg_m3=0.075 * LB_FT3,
            temperature_c=celsius(at_f),
            humidity=humidity_at(celsius(at_f), celsius(70.0), 0.4, pressure_pa),
            pressure_pa=pressure_pa,
        )
    )
    assert flow.mean_velocity_m_s == pytest.approx(actual_fpm * FPM, rel=1e-3)
    assert flow.mean_standard_velocity_m_s == pytest.approx(1000.0 * FPM, rel=1e-12)


@pytest.mark.parametrize(
    ("reference", "pressure_pa", "actual_m_s"),
    [(1.2, 101_325.0, 5.511), (1.2, 84_556.0, 6.609), (1.204, 101_325.0, 5.530), (1.204, 84_556.0, 6.631)],
)  # CoolProp HumidAir: rho 1.0887, 0.9079 at 50 degC with W of 20 degC, 40 %, 101325 Pa
def test_the_reference_density_counts(reference: float, pressure_pa: float, actual_m_s: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(20.0, 0.4, 101_325.0)
    humidity = psychrolib.GetRelHumFromHumRatio(50.0, w, pressure_pa)
    flow = measure(
        walk(
            speed=lambda _p: 5.0,
            reference_density_kg_m3=reference,
            temperature_c=50.0,
            humidity=humidity,
            pressure_pa=pressure_pa,
        )
    )
    assert flow.mean_velocity_m_s == pytest.approx(actual_m_s, rel=1e-3)


def test_dry_air_of_a_standard_velocity() -> None:
    """rho_std v_std A / (1 + W), whatever temperature and pressure: derived."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    for temp_c, pressure_pa in ((20.0, 101_325.0), (48.0, 84_000.0)):
        w = psychrolib.GetHumRatioFromRelHum(temp_c, 0.1, pressure_pa)
        flow = measure(walk(temperature_c=temp_c, humidity=0.1, pressure_pa=pressure_pa))
        assert flow.dry_air_kg_s == pytest.approx(1.2014 * 4.0 * RECTANGLE.area_m2 / (1 + w), rel=1e-9)
        assert flow.standard_volume_m3_s == pytest.approx(4.0 * RECTANGLE.area_m2, rel=1e-12)


def test_area_and_volume() -> None:
    """14 x 20 in is 1.94444 ft2; at 1000 fpm 1944.4 cfm: derived."""
    flow = measure(walk(speed=lambda _p: 1000.0 * FPM, basis=ACTUAL))
    assert flow.area_m2 == pytest.approx(1.94444 * FT**2, rel=1e-5)
    assert flow.volume_m3_s == pytest.approx(1944.4 * FT**3 / 60.0, rel=1e-4)


def test_velocity_pressures_become_velocities_first() -> None:
    """V = 1096.7 sqrt(Pv / rho), fpm, in.wg, lb/ft3 (ASHRAE Fundamentals); at 0.075 lb/ft3 4005 sqrt(Pv)."""
    dry = {"temperature_c": 21.0, "humidity": 0.0, "pressure_pa": 0.075 * LB_FT3 * 287.042 * 294.15}
    base = walk(grid=(3, 3), method=Method.EQUAL_AREA, **dry)
    inches = [0.01, 0.02, 0.03, 0.04, 0.05, 0.06, 0.07, 0.08, 0.09]
    pascal_per_inch = 249.089  # conventional water at 4 degC, NIST SP 811
    points = tuple(
        replace(p, velocity_m_s=None, velocity_pressure_pa=pv * pascal_per_inch)
        for p, pv in zip(base.points, inches, strict=True)
    )
    flow = measure(replace(base, points=points))
    mean_fpm = sum(4005.0 * math.sqrt(pv) for pv in inches) / 9
    wrong_fpm = 4005.0 * math.sqrt(sum(inches) / 9)
    assert flow.mean_velocity_m_s == pytest.approx(mean_fpm * FPM, rel=1e-3)
    assert abs(wrong_fpm / mean_fpm - 1) > 0.03  # averaging pressures would show


speeds = st.floats(0.5, 20.0)


@settings(max_examples=60, deadline=None)
@given(st.lists(speeds, min_size=25, max_size=25), st.floats(0.2, 2.5), st.floats(0.5, 3.0))
def test_scale(values: list[float], faster: float, larger: float) -> None:
    """Twice the speed or the area is twice the flow, and the relative uncertainty stays.

    But for marks that are off by so many millimetres: a larger duct makes less of them.
    """
    base = walk()
    points = tuple(replace(p, velocity_m_s=v) for p, v in zip(base.points, values, strict=True))
    one = measure(replace(base, points=points))
    quick = measure(
        replace(base, points=tuple(replace(p, velocity_m_s=faster * (p.velocity_m_s or 0)) for p in points))
    )
    big = Duct(
        shape=DuctShape.RECTANGULAR, width_m=larger * RECTANGLE.width_m, height_m=larger * RECTANGLE.height_m
    )
    wide = measure(replace(base, points=points, duct=big))
    assert quick.volume_m3_s == pytest.approx(faster * one.volume_m3_s, rel=1e-9)
    assert quick.dry_air_kg_s == pytest.approx(faster * one.dry_air_kg_s, rel=1e-9)
    assert wide.volume_m3_s == pytest.approx(larger**2 * one.volume_m3_s, rel=1e-9)
    assert quick.u95 == pytest.approx(one.u95, rel=1e-9)
    marks = [next(line.u_w for line in flow.lines if line.source == "position") for flow in (one, wide)]
    assert marks[1] == pytest.approx(marks[0] / larger, rel=1e-9)
    rest = [
        sum(line.u_w**2 for line in flow.lines if line.source not in ("position", "method bias"))
        for flow in (one, wide)
    ]
    assert rest[1] == pytest.approx(rest[0], rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.lists(speeds, min_size=12, max_size=12), st.randoms(use_true_random=False), st.booleans())
def test_order_does_not_matter(values: list[float], order: object, is_round: bool) -> None:  # noqa: FBT001
    base = walk(ROUND, Method.LOG_LINEAR, (6, 2)) if is_round else walk(method=Method.EQUAL_AREA, grid=(4, 3))
    points = [replace(p, velocity_m_s=v) for p, v in zip(base.points, values, strict=True)]
    walked = [replace(base, points=tuple(points))]
    order.shuffle(points)  # type: ignore[attr-defined]
    walked.append(replace(base, points=tuple(points)))
    one, other = map(measure, walked)
    assert other.volume_m3_s == pytest.approx(one.volume_m3_s, rel=1e-12)
    assert other.u95 == pytest.approx(one.u95, rel=1e-9)
    checks = [check_traverse(t, f) for t, f in zip(walked, (one, other), strict=True)]
    assert checks[0] == checks[1]


@settings(max_examples=60, deadline=None)
@given(st.lists(speeds, min_size=20, max_size=20))
def test_mirrored_and_turned_ducts_have_the_same_flow(values: list[float]) -> None:
    base = walk(method=Method.LOG_TCHEBYCHEFF, grid=(5, 4))
    points = tuple(replace(p, velocity_m_s=v) for p, v in zip(base.points, values, strict=True))
    one = measure(replace(base, points=points))
    mirrored = measure(replace(base, points=tuple(replace(p, x=1 - p.x) for p in points)))
    turned_duct = replace(RECTANGLE, width_m=RECTANGLE.height_m, height_m=RECTANGLE.width_m)
    turned = measure(
        replace(
            base,
            duct=turned_duct,
            points_across=4,
            points_down=5,
            points=tuple(replace(p, x=p.y, y=p.x) for p in points),
        )
    )
    for other in (mirrored, turned):
        assert other.volume_m3_s == pytest.approx(one.volume_m3_s, rel=1e-9)
        assert other.u95 == pytest.approx(one.u95, rel=1e-9)


def test_what_makes_it_worse_makes_u95_larger() -> None:
    """Each change that takes knowledge away must widen the uncertainty: derived."""
    base = walk(speed=lambda p: 4.0 + p.x + 0.5 * p.y)
    first = replace(base.points[0])
    same = replace(base, repeat_first=first)
    u95 = measure(same).u95
    drifted = replace(same, repeat_first=replace(first, velocity_m_s=1.08 * (first.velocity_m_s or 0)))
    worse = [
        replace(same, velocity_u95=0.06),
        replace(same, area_u95=0.04),
        drifted,
        replace(same, plane=MeasuredPlane.FILTER_FACE),
        replace(same, points=same.points[:20]),
        replace(same, points=tuple(replace(p, scatter_m_s=0.6) for p in same.points)),
        replace(same, points=tuple(replace(p, scatter_m_s=None) for p in same.points)),
    ]
    for other in worse:
        assert measure(other).u95 > u95 * 1.005
    u95s = [expected_u95(RECTANGLE, Method.EQUAL_AREA, (n, n)) for n in (1, 2, 3, 4, 5, 6)]
    assert u95s == sorted(u95s, reverse=True)


def test_the_quick_grid_is_covered_by_its_uncertainty() -> None:
    """Equal-area 3x3 reads 6.54 % high on the product power law (exact integral): within u95."""
    quick = measure(
        walk(
            method=Method.EQUAL_AREA,
            grid=(3, 3),
            speed=lambda p: ((1 - abs(2 * p.x - 1)) * (1 - abs(2 * p.y - 1))) ** (1 / 7),
        )
    )
    assert (quick.mean_standard_velocity_m_s or 0) / (7 / 8) ** 2 == pytest.approx(1.0654, abs=1e-4)
    assert quick.u95 > 0.0654 + 0.04


def codes(traverse: Traverse) -> dict[str, bool]:
    return {check.code: check.ok for check in check_traverse(traverse, measure(traverse))}


def test_a_good_traverse_passes_every_check() -> None:
    for base in (
        walk(speed=lambda p: 4.0 + p.x, upstream_diameters=8.0),
        walk(ROUND, Method.LOG_LINEAR, (6, 2), upstream_diameters=7.5),
    ):
        assert all(codes(replace(base, repeat_first=base.points[0])).values())


def some(base: Traverse, values: dict[int, float]) -> Traverse:
    points = [replace(p, velocity_m_s=values.get(n, p.velocity_m_s)) for n, p in enumerate(base.points)]
    return replace(base, points=tuple(points))


GOOD = walk()
FAILING: list[tuple[str, Traverse]] = [
    # 7 of 25 points below sqrt(0.1) of the fastest: the 75 % rule (ASHRAE Fundamentals, ASHRAE 111; recalled)
    ("velocity-pressures", some(GOOD, dict.fromkeys(range(7), 1.2))),
    ("reverse-flow", some(GOOD, {3: -0.8})),
    ("reverse-flow", some(GOOD, {3: 0.0})),
    ("spread", some(GOOD, dict.fromkeys(range(10), 1.5))),
    ("drift", replace(GOOD, repeat_first=replace(GOOD.points[0], velocity_m_s=4.4))),
    ("drift", GOOD),
    ("drift", replace(GOOD, repeat_first=GOOD.points[7])),
    ("drift", replace(GOOD, repeat_first=replace(GOOD.points[0], x=0.2))),
    ("outlier", some(GOOD, {12: 8.0})),
    ("outlier", some(GOOD, {12: 0.4})),
    ("inputs", replace(GOOD, velocity_u95=0.0004)),  # 0.04 typed for 4 %
    ("inputs", replace(GOOD, velocity_u95=0.0)),
    ("inputs", replace(GOOD, humidity=0.004)),
    ("inputs", replace(GOOD, duct=replace(GOOD.duct, width_m=20.0))),  # inches
    ("basis", replace(GOOD, basis=ACTUAL, pressure_pa=84_000.0)),
    ("settled", replace(GOOD, points=(replace(GOOD.points[0], settled=False), *GOOD.points[1:]))),
    ("plane", GOOD),
    ("plane", replace(GOOD, upstream_diameters=7.4)),
    ("yaw", replace(GOOD, upstream_diameters=2.0)),
    ("low-velocity", some(GOOD, {3: 0.45})),
    ("complete", replace(GOOD, points=GOOD.points[:24])),
    ("complete", replace(GOOD, points_down=4)),
    ("positions", replace(GOOD, points=(*GOOD.points[1:], replace(GOOD.points[1], x=0.074)))),
    ("complete", replace(GOOD, complete=False)),
    ("points", walk(grid=(4, 4))),
    ("method-bias", walk(method=Method.EQUAL_AREA, grid=(3, 3))),
    ("positions", replace(GOOD, method=Method.EQUAL_AREA)),
    ("positions", replace(GOOD, points_across=10, points_down=10)),
    ("basis", replace(GOOD, basis=ACTUAL, probe="duct", pressure_pa=84_000.0)),
    ("basis", replace(GOOD, reference_density_kg_m3=1.05)),
    ("air", replace(GOOD, assumed=(Assumed.HUMIDITY, Assumed.PRESSURE))),
    ("humidity", replace(GOOD, temperature_c=48.0, humidity=0.4)),  # the return's percent: dew point 31 degC
    (
        "basis",
        replace(
            GOOD,
            points=(
                *GOOD.points[1:],
                replace(GOOD.points[0], velocity_m_s=None, velocity_pressure_pa=9.0),
            ),
        ),
    ),
]


@pytest.mark.parametrize(("code", "traverse"), FAILING)
def test_each_check_fails_where_it_must(code: str, traverse: Traverse) -> None:
    found = {c.code: c for c in check_traverse(traverse, measure(traverse))}
    assert not found[code].ok
    assert found[code].text.endswith(".")


def test_the_share_of_low_points_is_that_of_velocity_pressure() -> None:
    """v > sqrt(0.1) v_max: 6 low points of 25 still leave 76 %."""
    assert codes(some(GOOD, dict.fromkeys(range(6), 1.2)))["velocity-pressures"]
    assert codes(some(GOOD, dict.fromkeys(range(8), 1.3)))["velocity-pressures"]  # 0.325 of 4: above


def test_a_reverse_point_enters_the_mean_as_it_is() -> None:
    flow = measure(some(walk(basis=ACTUAL), {0: -1.0}))
    assert flow.mean_velocity_m_s == pytest.approx((24 * 4.0 - 1.0) / 25, rel=1e-12)


def test_no_flow_is_no_airflow() -> None:
    with pytest.raises(UsageError, match="no point yet"):
        measure(replace(GOOD, points=()))
    with pytest.raises(UsageError, match="no flow along the duct"):
        measure(walk(speed=lambda _p: -1.0))


def test_the_document() -> None:
    flow = measure(GOOD)
    document = airflow_document(flow, check_traverse(GOOD, flow))
    assert document["schema"] == "riselog.airflow/1"
    assert {
        "area_m2",
        "mean_velocity_m_s",
        "volume_m3_s",
        "standard_volume_m3_s",
        "dry_air_kg_s",
        "u95_percent",
        "budget",
        "checks",
    } <= set(document)
    assert sum(line["share"] for line in document["budget"]) == pytest.approx(1.0)
    assert {"source", "u_percent", "share"} <= set(document["budget"][0])
    assert document["volume_m3_s"] == document["mean_velocity_m_s"] * document["area_m2"]


def test_one_lone_point_is_allowed_and_wide() -> None:
    point = TraversePoint(x=0.5, y=0.5, velocity_m_s=4.0)
    lone = replace(GOOD, method=Method.EQUAL_AREA, points_across=1, points_down=1, points=(point,))
    assert measure(lone).u95 > 0.3


def texts(traverse: Traverse) -> dict[str, str]:
    return {check.code: check.text for check in check_traverse(traverse, measure(traverse))}


@pytest.mark.parametrize("factor", [2.0, 0.5, 0.1])
@pytest.mark.parametrize("at", [0, 2, 12, 24])
def test_one_mistyped_point_is_named(factor: float, at: int) -> None:
    """In a tilted power-law profile with 3 % of scatter; the point's neighbours are not blamed."""
    rng = np.random.default_rng(1)
    base = walk(
        speed=lambda p: (
            5.0
            * ((1 - abs(2 * p.x - 1)) * (1 - abs(2 * p.y - 1))) ** (1 / 7)
            * (1.0 + 0.2 * p.x + 0.03 * float(rng.normal()))
        )
    )
    assert codes(base)["outlier"]
    said = texts(some(base, {at: factor * (base.points[at].velocity_m_s or 0.0)}))["outlier"]
    assert f"at x {base.points[at].x:.3f}, y {base.points[at].y:.3f} reads" in said
    assert said.count("times what its neighbours do") == 1


@pytest.mark.parametrize(("grid", "told"), [((3, 3), True), ((4, 1), False), ((2, 2), False)])
def test_too_few_points_tell_no_outlier(grid: tuple[int, int], told: bool) -> None:  # noqa: FBT001
    base = walk(
        grid=grid,
        method=Method.EQUAL_AREA,
        speed=lambda p: 5.0 * ((1 - abs(2 * p.x - 1)) * (1 - abs(2 * p.y - 1))) ** (1 / 7),
    )
    assert codes(base)["outlier"]
    assert codes(some(base, {1: 12.0}))["outlier"] is not told


@pytest.mark.parametrize("family", ["smooth", "swirl"])
@pytest.mark.parametrize("grid", [(3, 3), (5, 5), (7, 7)])
def test_smooth_profiles_have_no_outlier(family: str, grid: tuple[int, int]) -> None:
    base = walk(grid=grid, method=Method.EQUAL_AREA)
    x, y = np.array([p.x for p in base.points]), np.array([p.y for p in base.points])
    rng = np.random.default_rng(7)
    drawn = draw(family, rng, 100)
    values = drawn.rectangle(x, y) * drawn.seen(x, y)
    values *= 1.0 + 0.03 * rng.normal(size=values.shape)
    places = geometry(base.duct, base.points)
    told = [bool(find_outliers(row / places.wall, places)) for row in values]
    assert sum(told) <= 1


def timed(order: list[int], repeat_at: int, repeat_s: float, speed: float = 4.2) -> Traverse:
    """GOOD at 4.0 m/s, points captured in ``order``, 20 s each, and ``repeat_at`` once more."""
    points = tuple(replace(p, t_s=20.0 * order.index(n)) for n, p in enumerate(GOOD.points))
    again = replace(points[repeat_at], velocity_m_s=speed, t_s=repeat_s)
    return replace(GOOD, points=points, repeat_first=again)


IN_ORDER = list(range(25))
FIRST_LATE = [*IN_ORDER[1:], 0]  # point 1 was taken again at the end of the walk


def test_drift_spans_the_time_from_the_first_point_captured_to_a_repeat_after_the_last() -> None:
    """4.2 m/s after 4.0 m/s is +5.0 %, by hand."""
    assert "changed by +5.0%" in texts(timed(IN_ORDER, 0, 500.0))["drift"]
    assert "changed by +5.0%" in texts(timed(FIRST_LATE, 1, 500.0))["drift"]
    assert "at the first by its time, point 2; repeat that one" in texts(timed(FIRST_LATE, 0, 500.0))["drift"]
    assert "Points were taken after the repeat" in texts(timed(IN_ORDER, 0, 300.0))["drift"]
    untimed = timed(FIRST_LATE, 0, 500.0)  # one point without a time: the order of the file counts
    points = (replace(untimed.points[0], t_s=None), *untimed.points[1:])
    assert "changed by +5.0%" in texts(replace(untimed, points=points))["drift"]


def test_a_drift_that_was_not_seen_has_no_part_in_the_budget() -> None:
    """A repeat of a point taken last of all says as much as no repeat at all."""
    late = timed(FIRST_LATE, 0, 500.0, speed=8.0)
    assert measure(late).u95 == measure(replace(late, repeat_first=None)).u95


def test_points_that_did_not_settle_are_told_by_number() -> None:
    points = [replace(p, settled=n not in (2, 3, 6)) for n, p in enumerate(GOOD.points)]
    assert texts(replace(GOOD, points=tuple(points)))["settled"].startswith(
        "Points 3 to 4, 7 of the file did"
    )


def test_a_repeat_typed_with_three_digits_gives_the_drift() -> None:
    """0.074 is 0.07358 as ISO 3966 prints it (recalled); 4.4 over 4.0 m/s is +10 %."""
    again = TraversePoint(x=0.074, y=0.074, velocity_m_s=4.4)
    assert "changed by +10.0%" in texts(replace(GOOD, repeat_first=again))["drift"]
    assert "stands at point 8, not at the first" in texts(replace(GOOD, repeat_first=GOOD.points[7]))["drift"]
    astray = replace(GOOD, repeat_first=replace(again, x=0.18))
    assert "stands at no measured point" in texts(astray)["drift"]
    for unknown in (astray, replace(GOOD, repeat_first=GOOD.points[7])):
        assert measure(unknown).u95 == measure(GOOD).u95  # no drift from another place


def test_no_change_is_no_proof_of_no_drift() -> None:
    """Two averages that scatter by 2 % cannot show less: the line stays above nothing."""
    rough = replace(GOOD, points=tuple(replace(p, scatter_m_s=0.04) for p in GOOD.points))
    line = next(
        line for line in measure(replace(rough, repeat_first=GOOD.points[0])).lines if line.source == "drift"
    )
    assert line.u_w == pytest.approx(math.sqrt(2) * 0.01 / 2 / math.sqrt(3), rel=1e-9)


@pytest.mark.parametrize(
    ("traverse", "code", "part"),
    [
        (replace(GOOD, points=GOOD.points[:24]), "complete", "1 of 25 planned points is missing"),
        (replace(GOOD, points=GOOD.points[:23]), "complete", "2 of 25 planned points are missing"),
        (replace(GOOD, points_down=4), "complete", "There are 5 points more than planned"),
        (replace(GOOD, points_down=4), "points", "20 points planned, and the standard asks for 25"),
        (walk(grid=(3, 3)), "method-bias", "More points make it smaller."),
        (walk(grid=(3, 3), method=Method.EQUAL_AREA), "method-bias", "or log-tchebycheff, take it away."),
        (some(GOOD, {3: -0.8}), "reverse-flow", "runs back at 1 point, no flow at 0 points"),
        (some(GOOD, {3: 0.3}), "low-velocity", "Below 0.50 m/s (98 fpm) at 1 point:"),
        (GOOD, "plane", "a u95 of 2.3% is assumed for it"),
        (GOOD, "plane", "--straight of `riselog traverse take`, upstream_diameters"),
        (GOOD, "reverse-flow", "cannot show reverse flow"),
    ],
)
def test_counts_and_units_are_written_out(traverse: Traverse, code: str, part: str) -> None:
    assert part in texts(traverse)[code]


def test_places_typed_with_three_digits_give_the_same_u95() -> None:
    """Rows and columns are found though some places are typed and some computed."""
    base = walk(speed=lambda p: 4.0 + p.x + 0.5 * p.y)
    typed = tuple(
        replace(p, x=round(p.x, 3), y=round(p.y, 3)) if n % 2 else p for n, p in enumerate(base.points)
    )
    assert measure(replace(base, points=typed)).u95 == pytest.approx(measure(base).u95, rel=5e-3)
