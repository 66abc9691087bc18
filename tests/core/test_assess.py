"""The budget's lines against closed forms and statistics libraries; whether u95 covers; the verdict said."""

from __future__ import annotations

import re
from dataclasses import replace
from math import sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from logger.config.load import loads_config
from logger.core.batches import Batches
from logger.core.firing import SteadyStretch, assess_stretch
from logger.core.line import Series
from logger.core.params import FanHeatMode, JobParams, ProbeParams, Role
from logger.core.probe_lines import mean_own_u, placement
from logger.core.result import result_document
from logger.core.stretch import FanPhase, Means, Seen, Stretch
from logger.screen.plain import result_lines
from simulators.driver import SimDriver
from tests.core.jobs import FACTS, feed, make_job
from tests.core.stories import FIRE_S, RETURN_C, RISE_K, Story

NOTHING = Stretch(line=None, grid_s=1, tau_s=None)
CP = 1_006.0 + 1_860.0 * 0.006  # J/kg K: ASHRAE Fundamentals ch. 1 eq. (30) at W = 0.006


def ar1(phi: float, n: int, rng: np.random.Generator) -> Any:
    """First-order autoregressive noise of unit variance."""
    noise = rng.standard_normal(n) * sqrt(1.0 - phi * phi)
    noise[0] = rng.standard_normal()
    for i in range(1, n):
        noise[i] += phi * noise[i - 1]
    return noise


def batch_u(values: Any, back: int) -> tuple[float, float] | None:
    """A series that is found steady ``back`` points in, and grows on."""
    series = Series(len(values))
    for value in values[:back]:
        series.push((float(value), 0.0))
    batches = Batches(series, back)
    for value in values[back:]:
        series.push((float(value), 0.0))
        batches.grow(series)
    return batches.mean_u(0, series.length)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
def test_batch_means_give_the_uncertainty_of_a_correlated_mean(phi: float) -> None:
    """Variance of the mean of AR(1): (1 + 2 sum (1 - k/n) phi^k) / n, closed form (JCGM 100 4.2.3, C.3.4)."""
    rng, n = np.random.default_rng(5), 900
    k = np.arange(1, n)
    exact = (1.0 + 2.0 * np.sum((1.0 - k / n) * phi**k)) / n
    found = [batch_u(20.0 + ar1(phi, n, rng), 120) for _ in range(150)]
    variance = np.mean([u[0] ** 2 for u in found if u is not None])
    # batches of a minute or two leave out a little of the longest memory
    assert variance == pytest.approx(exact, rel=0.2)
    assert {u[1] for u in found if u is not None} <= {float(nu) for nu in range(6, 15)}


def test_a_slope_is_no_scatter_and_few_batches_say_nothing() -> None:
    ramp = 20.0 + 0.01 * np.arange(600)
    found = batch_u(ramp, 120)
    assert found is not None
    assert found[0] == pytest.approx(0.0, abs=1e-6)
    series = Series(100)
    for value in ramp[:100]:
        series.push((float(value), 0.0))
    assert Batches(series, 100).mean_u(0, series.length // 2) is None


def supply(*weights: float, **changes: Any) -> tuple[ProbeParams, ...]:
    return tuple(
        ProbeParams(name=f"s{n}", role=Role.SUPPLY, u95=0.2, weight=weight, **changes)
        for n, weight in enumerate(weights)
    )


def seen(*readings_c: float) -> Stretch:
    return replace(NOTHING, probes_c=tuple((f"s{n}", c) for n, c in enumerate(readings_c)))


@pytest.mark.parametrize("readings_c", [(46.0, 48.0), (46.5, 47.0, 48.2), (45.0, 46.0, 47.5, 49.0, 47.0)])
def test_placement_of_several_is_the_standard_error_of_their_mean(readings_c: tuple[float, ...]) -> None:
    """s / sqrt(n) with n - 1 degrees: scipy.stats.sem, JCGM 100 4.2.3."""
    probes = supply(*(1.0 for _ in readings_c))
    found = placement(probes, seen(*readings_c), 27.0)
    assert found.u * 27.0 == pytest.approx(stats.sem(readings_c), rel=1e-12)
    assert found.nu == pytest.approx(len(readings_c) - 1.0, rel=1e-12)
    assert not found.assumed


def test_placement_with_weights_is_that_of_the_weighted_mean() -> None:
    """Unbiased weighted variance as numpy.cov has it; the mean's weights are those of the shares."""
    weights, readings_c = (1.0, 2.0, 3.0), (46.0, 47.0, 48.5)
    found = placement(supply(*weights), seen(*readings_c), 27.0)
    variance = float(np.cov(readings_c, aweights=weights))
    shares = np.array(weights) / sum(weights)
    assert found.u * 27.0 == pytest.approx(sqrt(variance * float(shares @ shares)), rel=1e-12)


@given(
    spots=st.lists(st.tuples(st.floats(30.0, 60.0), st.floats(0.1, 10.0)), min_size=2, max_size=6),
    shift_k=st.floats(-10.0, 10.0),
    scale=st.floats(0.5, 5.0),
)
def test_placement_hangs_on_differences_and_shares_alone(
    spots: list[tuple[float, float]], shift_k: float, scale: float
) -> None:
    readings_c, weights = zip(*spots, strict=True)
    found = placement(supply(*weights), seen(*readings_c), 27.0)
    moved = placement(supply(*(scale * w for w in weights)), seen(*(c + shift_k for c in readings_c)), 27.0)
    assert moved.u == pytest.approx(found.u, rel=1e-6, abs=1e-9)
    assert found.nu > 0.0
    assert found.u * 27.0 <= max(readings_c) - min(readings_c) + 27.0 * 0.005


def test_what_was_given_beats_what_was_seen_and_that_what_is_assumed() -> None:
    given = supply(1.0, 1.0, placement_u95=0.02, placement_assumed=False)
    assert placement(given, seen(44.0, 50.0), 27.0).u == pytest.approx(0.01 / sqrt(2.0))
    assert placement(supply(1.0), seen(), 27.0) == (pytest.approx(0.015), float("inf"), True)
    alike = placement(supply(1.0, 1.0), seen(47.0, 47.01), 27.0)  # they may still share what is wrong
    assert (alike.u, alike.assumed) == (0.005, True)


def test_own_errors_of_several_average_by_their_shares() -> None:
    """JCGM 100 5.1.2 with sensitivities 1/4 and 3/4."""
    assert mean_own_u(supply(1.0, 3.0)) == pytest.approx(0.1 * sqrt(1.0 + 9.0) / 4.0, rel=1e-12)


def test_the_mean_of_a_role_goes_by_weight_from_reading_to_result() -> None:
    story = Story(supply={"a": 0.0, "b": 2.0})
    job = make_job()
    probes = tuple(ProbeParams(name=n, role=Role.SUPPLY, u95=0.2, weight=w) for n, w in (("a", 1), ("b", 3)))
    core = feed(replace(job, probes=(job.probes[0], *probes)), story.readings())
    document = result_document(core.finish(), FACTS)
    assert document["firing"]["supply_c"] == pytest.approx(RETURN_C + RISE_K + 1.5, abs=0.05)
    line = next(line for line in document["budget"] if line["source"] == "supply placement")
    # weighted s^2 = (1/4 x 1.5^2 + 3/4 x 0.5^2) / (1 - 10/16), u^2 = s^2 x 10/16: derived as above
    u_k = sqrt((0.25 * 1.5**2 + 0.75 * 0.5**2) / (6.0 / 16.0) * 10.0 / 16.0)
    watt_per_k = document["firing"]["air_heat_w"] / document["firing"]["rise_k"]
    assert line["u_w"] == pytest.approx(u_k * watt_per_k, rel=0.05)
    assert not line["assumed"]


@pytest.mark.parametrize(("fan", "fire"), [(0.0, 0.0), (0.0, 6.0), (6.0, 6.0), (-6.0, 6.0), (-6.0, 0.0)])
def test_air_that_warms_charges_the_lag_between_the_probes(fan: float, fire: float) -> None:
    """6 K/h x 30 s / sqrt(3) = 0.029 K (GUM 4.3.7). A late probe is behind in the fan phase too, which is
    taken off: what changes alike in both cancels."""
    readings = [
        r._replace(value=r.value + (fan * min(t_s, FIRE_S) + fire * max(t_s - FIRE_S, 0.0)) / 3600.0)
        for r in Story(fire_end_s=2400).readings()
        for t_s in [r.t_ns / 1e9]
    ]
    document = result_document(feed(make_job(), readings).finish(), FACTS)
    line = next(line["u_w"] for line in document["budget"] if line["source"] == "probe lag")
    watt_per_k = document["firing"]["air_heat_w"] / document["firing"]["rise_k"]
    expected_k = abs(fire - fan) / 3600.0 * 30.0 / sqrt(3.0)
    assert line / watt_per_k == pytest.approx(expected_k, rel=0.1, abs=0.003)


def test_a_casing_loss_is_assumed_where_no_plate_is_known() -> None:
    """0 to 2 % of an input of air heat / 0.8 (assumed), rectangular: 1.25 % of it, u 2 % / 0.8 / sqrt(12)."""
    unit = replace(make_job().unit, plate_input_w=None, plate_output_w=None, fan_heat=FanHeatMode.NONE)
    document = result_document(feed(make_job(unit=unit), Story().readings()).finish(), FACTS)
    firing = document["firing"]
    line = next(line for line in document["budget"] if line["source"] == "casing loss")
    assert firing["casing_loss_w"] == pytest.approx(0.0125 * firing["air_heat_w"], rel=1e-9)
    assert firing["output_w"] == pytest.approx(1.0125 * firing["air_heat_w"], rel=1e-6)
    assert (line["u_w"], line["assumed"]) == (
        pytest.approx(0.025 / sqrt(12.0) * firing["air_heat_w"], rel=1e-9),
        True,
    )


def test_the_result_says_how_well_the_airflow_is_known() -> None:
    """A mass typed with 4 % (u95) and 1 % (u) from the traverse to the firing: sqrt(2^2 + 1^2) x 1.96."""
    document = result_document(feed(make_job(), Story().readings()).finish(), FACTS)
    of_air = [
        line["source"] for line in document["budget"] if line["source"] in ("airflow", "flow carry-over")
    ]
    assert len(of_air) == 2
    assert document["firing"]["airflow_u95_percent"] == pytest.approx(1.95996 * sqrt(5.0), abs=0.02)


# -- does u95 cover? Errors are drawn, the reading follows from the truth, the budget from the reading ----

TRUE_C, TRUE_RISE_K, TRUE_KG_S, TRUE_FAN_W = 20.0, 27.0, 1.1, 450.0
CASING_W = 300.0
TRIALS = 2000
# 95 % of 2000 trials: 0.95 +- 3 x sqrt(0.95 x 0.05 / 2000)
COVERED = pytest.approx(0.95, abs=0.0146)


def stretch_of(job: JobParams, read: dict[str, Any], fan: FanPhase | None, spots_c: Stretch) -> SteadyStretch:
    """The core's answer to one set of readings: a mass flow typed, no time in it."""
    rise_k = read["supply_c"] - read["entering_c"]
    heat_w = read["kg_s"] * CP * rise_k
    fan_w = fan.fan_heat_w if fan else 0.0
    means = Means(
        entering_c=read["entering_c"],
        supply_c=read["supply_c"],
        rise_k=rise_k,
        humidity_ratio=0.006,
        pressure_pa=101_325.0,
        dry_air_kg_s=read["kg_s"],
        air_heat_w=heat_w,
        fan_heat_w=fan_w,
        output_w=heat_w - fan_w + CASING_W,
        return_c=read["entering_c"],
        inlet_c=TRUE_C,
    )
    flags = Seen(humidity=True, pressure=False)
    return assess_stretch(
        job, start_s=0, end_s=600, means=means, return_c=None, line=spots_c, fan=fan, seen=flags
    )


def coverage(n: int, uneven: float, *, fan_phase: bool, seed: int) -> float:
    """Share of trials whose u95 holds the truth: ``n`` probes at spots that differ by ``uneven`` x rise."""
    rng = np.random.default_rng(seed)
    mode = FanHeatMode.MEASURED if fan_phase else FanHeatMode.NONE
    base = make_job()
    unit = replace(base.unit, casing_loss_w=CASING_W, fan_heat=mode)
    job = replace(base, unit=unit, probes=(base.probes[0], *supply(*(1.0 for _ in range(n)))))
    true_w = TRUE_KG_S * CP * TRUE_RISE_K + CASING_W - (TRUE_FAN_W if fan_phase else 0.0)
    hits = 0
    for _ in range(TRIALS):
        own_e, own_s = rng.normal(0.0, 0.1), rng.normal(0.0, 0.1, n)  # u95 0.2 K
        gain = rng.normal(0.0, 0.0025, 2)  # 0.5 % (u95), that of the supply probes alike
        flow = (1.0 + rng.normal(0.0, 0.02)) * (1.0 + rng.normal(0.0, 0.01))  # 4 % typed, carry-over 1 %
        spots = TRUE_C + TRUE_RISE_K * (1.0 + rng.normal(0.0, uneven, n))
        hot = spots + own_s + gain[1] * (spots - 20.0)
        read = {"supply_c": hot.mean(), "entering_c": TRUE_C + own_e, "kg_s": TRUE_KG_S * flow}
        fan = None
        if fan_phase:
            fan_k = TRUE_FAN_W / (TRUE_KG_S * CP) + own_s.mean() - own_e
            fan = FanPhase(
                fan_heat_w=read["kg_s"] * CP * fan_k,
                entering_c=TRUE_C + own_e,
                supply_c=TRUE_C + own_e + fan_k,
                humidity_ratio=0.006,
                pressure_pa=101_325.0,
                watt_per_k=read["kg_s"] * CP,
                return_c=TRUE_C,
                inlet_c=TRUE_C,
                rise_u_k=0.02,
                rise_nu=50.0,
                seconds=300.0,
            )
        spread = seen(*hot) if n > 1 else NOTHING
        found = stretch_of(job, read, fan, spread)
        hits += abs(found.means.output_w - true_w) <= found.combined.u95_w
    return hits / TRIALS


@pytest.mark.parametrize("fan_phase", [True, False])
def test_u95_covers_with_one_probe(*, fan_phase: bool) -> None:
    """Spots 1.5 % of the rise about the bulk: what the assumed 3 % (u95) says."""
    assert coverage(1, 0.015, fan_phase=fan_phase, seed=1) == COVERED


@pytest.mark.parametrize(
    ("n", "uneven", "share"),
    [(2, 0.01, 0.955), (2, 0.03, 0.932), (3, 0.03, 0.945), (3, 0.06, 0.929), (5, 0.06, 0.946)],
)
def test_u95_covers_with_several_probes_in_an_uneven_stream(n: int, uneven: float, share: float) -> None:
    """The budget takes how far they lie apart, whatever the stream is: 3 % (u95) assumed would not do.

    ``share``: what 4000 other trials gave. Two or three probes that lie far apart fall up to 2 % short of
    95 %: the limit of Welch and Satterthwaite's formula with one or two degrees of freedom. Band: 3 standard
    deviations of both counts.
    """
    band = 3.0 * sqrt(share * (1.0 - share) * (1.0 / TRIALS + 1.0 / 4000))
    assert coverage(n, uneven, fan_phase=True, seed=2) == pytest.approx(share, abs=band)


# -- the verdict, from the readings to the words ------------------------------------------------------


def test_undecided_names_the_line_and_by_how_much_it_must_shrink() -> None:
    """Shrunk so in the document's own budget, the normal distribution of scipy decides (JCGM 106 7.4)."""
    job = make_job()
    unit = replace(job.unit, plate_output_w=30_200.0)
    job = replace(job, airflow=replace(job.airflow, u95=0.08), unit=unit)
    document = result_document(feed(job, Story().readings()).finish(), FACTS)
    assert document["verdict"] == "undecided"
    found = re.search(r"decided if (.+) were known ([\d.]+) times better", document["reason"])
    assert found is not None
    source, factor = found[1], float(found[2])
    largest = max(document["budget"], key=lambda line: float(line["u_w"]))
    assert largest["source"] == source

    def worst(shrink: float) -> float:
        parts = [line["u_w"] / (shrink if line["source"] == source else 1.0) for line in document["budget"]]
        plate_w, y_w, u_w = (
            document["nameplate"]["output_w"],
            document["firing"]["output_w"],
            np.hypot.reduce(parts),
        )
        low = stats.norm.cdf((plate_w * (1.0 - job.unit.tolerance) - y_w) / u_w)
        high = stats.norm.sf((plate_w * (1.0 + job.unit.tolerance) - y_w) / u_w)
        return float(max(low, high))

    assert worst(1.0) > 0.05
    assert worst(factor - 0.02) > 0.05
    assert worst(factor + 0.02) < 0.05


DERATED = """
[job]
name = "bench"
altitude = "5000 ft"
[unit]
input = "48 kW"
output = "37.5 kW"
fan_heat = "none"
casing_loss = "0 W"
tolerance = "5 %"
outdoor_air = "closed"
{derate}
[airflow]
source = "mass"
mass = "1.09 kg/s"
u95 = "2 %"
[probes.ret]
role = "return"
driver = "sim"
u95 = "0.2 K"
[probes.sup]
role = "supply"
driver = "sim"
u95 = "0.2 K"
placement_u95 = "1 %"
[sim]
scenario = "standard"
"""


@pytest.mark.parametrize(
    ("derate", "factor", "verdict"),
    [
        # 4 % per 1000 ft at 5000 ft, counted from sea level once above 2000 ft: 0.80 (ANSI Z223.1/NFPA 54
        # wording, second-hand); counted above 2000 ft only: 0.88 (appliance manuals use both)
        ('counted_from = "sea-level", per_1000ft = "4 %", above = "2000 ft"', 0.80, "meets"),
        ('counted_from = "threshold", per_1000ft = "4 %", above = "2000 ft"', 0.88, "below"),
        ("", 1.0, "below"),
    ],
)
def test_a_derated_plate_both_ways_and_both_numbers_shown(derate: str, factor: float, verdict: str) -> None:
    """1.09 kg/s x 1.016 kJ/kg K x 27 K is 29.9 kW, 80 % of the plate's 37.5 kW."""
    table = f"derate = {{ done = true, {derate} }}" if derate else ""
    config = loads_config(DERATED.format(derate=table), "job.toml", {"sim": SimDriver.Options})
    document = result_document(feed(config.job, Story().readings()).finish(), FACTS)
    plate = document["nameplate"]
    assert (plate["plate_output_w"], plate["derated"]) == (37_500.0, bool(derate))
    assert plate["output_w"] == pytest.approx(factor * 37_500.0, rel=1e-9)
    assert plate["input_w"] == pytest.approx(factor * 48_000.0, rel=1e-9)
    assert document["verdict"] == verdict
    text = "\n".join(result_lines(document, "si"))
    assert f"{factor * 37.5:.1f} kW" in text
    assert ("derated from 37.5 kW" in text) is bool(derate)


@pytest.mark.parametrize(("role", "u95"), [(Role.RETURN, 0.01), (Role.MIXED, 0.03)], ids=["return", "mixed"])
def test_one_entering_probe_never_stands_for_its_stream_without_doubt(role: Role, u95: float) -> None:
    """1 % of the rise where duct or fan have mixed the air, 3 % where it was just mixed: assumed."""
    probes = (ProbeParams(name="ent", role=role, u95=0.2), *supply(1.0))
    read = {"supply_c": RETURN_C + RISE_K, "entering_c": RETURN_C, "kg_s": TRUE_KG_S}
    found = stretch_of(make_job(probes=probes), read, None, NOTHING)
    (line,) = [line for line in found.lines if line.source == "entering placement"]
    assert line.u_w == pytest.approx(u95 / 2.0 * TRUE_KG_S * CP * RISE_K)
    assert line.assumed
