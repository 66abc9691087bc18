"""Probes in the same air: offsets against true ones, their u95 against closed forms and by coverage."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from itertools import count
from typing import Any

import numpy as np
import pytest
from GTC import ureal
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from logger.core import match_verdict
from logger.core.match import Match, MatchStage, MatchWatch
from logger.core.match_age import day_of, stale_matches
from logger.core.match_gain import gains, no_gain_reason
from logger.core.match_group import MatchGroup
from logger.core.match_verdict import ProbeOffset, own_variances
from logger.core.params import JobParams, ProbeParams, Role
from logger.core.pipeline import Pipeline
from logger.core.probe_lines import Side, gain_u_k
from logger.core.readings import NS_PER_S, Flag, Quantity, Reading
from simulators.probes import drawn_offset
from simulators.scenarios import SCENARIOS
from tests.core.jobs import make_job, make_reading, play
from tests.shell.stand_ins import block_of

T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
Value = Callable[[int, int], float]
NAMES = ("ret", "sup", "out", "mix")
ROLES = (Role.RETURN, Role.SUPPLY, Role.OUTDOOR, Role.MIXED)


@pytest.fixture
def even_air(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the share that is assumed: what is left must cover by itself."""
    for quantity, limits in match_verdict.LIMITS.items():
        monkeypatch.setitem(match_verdict.LIMITS, quantity, replace(limits, uneven_u=0.0))


def job_of(n: int) -> JobParams:
    probes = tuple(ProbeParams(name=a, role=b, u95=0.5) for a, b in zip(NAMES[:n], ROLES[:n], strict=True))
    return make_job(probes=probes)


def ar1(rng: np.random.Generator, n: int, phi: float, sd: float = 1.0) -> np.ndarray:
    out = np.empty(n)
    out[0] = rng.standard_normal()
    for k in range(1, n):
        out[k] = phi * out[k - 1] + np.sqrt(1.0 - phi * phi) * rng.standard_normal()
    return sd * out


def compared(values: np.ndarray, step: float = 1e-6, quantity: Quantity = T) -> tuple[ProbeOffset, ...]:
    """Rows of probes, one value a second each."""
    n, length = values.shape
    group = MatchGroup(quantity, [(NAMES[i], i, NS_PER_S) for i in range(n)], 1, length)
    for k in range(length):
        group.push(values[:, k].tolist(), [k * NS_PER_S] * n, k * NS_PER_S)
    found = group.compare(length, [step] * n)
    assert found is not None
    return found[0]


def pair_u95(found: tuple[ProbeOffset, ...]) -> float:
    """Of the difference of the first two, as the budget adds them: independent."""
    return float(np.hypot(found[0].u95, found[1].u95))


def watched(job: JobParams, stream: Iterable[Reading], collect_s: int = 120) -> MatchWatch:
    watch = MatchWatch(job, collect_s)
    for reading in stream:
        watch.update(reading)
        if watch.result is not None:
            break
    return watch


def readings(
    job: JobParams,
    value: Value,
    seconds: int = 600,
    *,
    silent: Callable[[str, int], bool] = lambda _name, _t: False,
    every: int = 1,
) -> Iterator[Reading]:
    """``value(place, t)`` of each probe, once in so many seconds."""
    seq = count()
    for t in range(seconds):
        for place, probe in enumerate(job.probes):
            if not silent(probe.name, t) and t % every == 0:
                yield make_reading(next(seq), t + 0.1 + 0.2 * place, probe.name, value(place, t))


def noise(seed: int, n: int, sd: float = 0.05, seconds: int = 1300) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, (n, seconds))


# -- the numbers -------------------------------------------------------------------------------


@given(st.lists(st.floats(0.01, 3.0), min_size=2, max_size=6))
def test_own_variances_are_told_apart(sigmas: list[float]) -> None:
    """Reference: the covariance P diag(s^2) P' of differences from the mean (linear algebra, numpy)."""
    n = len(sigmas)
    p = np.eye(n) - 1.0 / n
    variances = np.diag(p @ np.diag(np.square(sigmas)) @ p.T)
    found = own_variances(variances.tolist())
    if n == 2:
        assert sum(found) == pytest.approx(sum(np.square(sigmas)))  # all that a rise needs
    else:
        assert np.all(np.array(found) >= np.square(sigmas) * (1.0 - 1e-9))
        told = np.array(found) > variances + 1e-12
        assert np.array(found)[told] == pytest.approx(np.square(sigmas)[told], rel=1e-6, abs=1e-9)


def test_type_a_of_the_guide(even_air: None) -> None:
    """JCGM 100:2008 4.4.3 and table 1 (values recalled): 20 readings, s = 1.489, of the mean 0.333 °C."""
    table = (
        *(96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07),
        *(100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72),
    )
    assert np.std(table, ddof=1) == pytest.approx(1.489, abs=0.0005)
    order = [9, 10, 8, 11, 7, 12, 6, 13, 5, 14, 4, 15, 3, 16, 2, 17, 1, 18, 0, 19]  # no trend, no memory
    values = np.array([[table[k] for k in order], [100.0] * 20])
    found = compared(values)
    u = pair_u95(found) / stats.t.ppf(0.975, 18)
    assert u == pytest.approx(0.333, rel=0.06)  # the scatter about a line has one degree of freedom less
    assert found[0].offset - found[1].offset == pytest.approx(0.145, abs=0.0005)  # mean 100.145 there


@pytest.mark.parametrize(("phi", "low"), [(0.0, 0.93), (0.5, 0.93), (0.8, 0.91)])
def test_coverage_and_size_with_memory(even_air: None, phi: float, low: float) -> None:
    """Mean of an AR(1) series: variance s^2/n [1 + 2 sum (1 - k/n) phi^k], exact (derived; check value 6.9).

    The estimate of phi from 180 values is a little small, so 95 % comes out as 92 to 96.
    """
    rng = np.random.default_rng(7)
    n, trials = 180, 600
    inside, squares = 0, 0.0
    for _ in range(trials):
        found = compared(np.array([ar1(rng, n, phi, 0.1), ar1(rng, n, phi, 0.1)]))
        u95 = pair_u95(found)
        inside += abs(found[0].offset - found[1].offset) < u95
        squares += u95**2
    k = np.arange(1, n)
    exact = 2 * 0.01 / n * (1.0 + 2.0 * np.sum((1.0 - k / n) * phi**k))
    assert low < inside / trials < 0.975
    n_eff = n * (1.0 - phi) / (1.0 + phi)
    assert squares / trials == pytest.approx(exact * stats.t.ppf(0.975, n_eff - 2) ** 2, rel=0.13)


def test_quiet_probes_beside_loud_ones_keep_their_own_u95(even_air: None) -> None:
    """Three probes of 0.02, 0.02 and 0.2 K: what covers the pair of quiet ones, from 300 trials."""
    rng = np.random.default_rng(3)
    inside, sizes = 0, []
    for _ in range(300):
        values = rng.normal(0.0, [[0.02], [0.02], [0.2]], (3, 180))
        found = compared(values)
        inside += abs(found[0].offset - found[1].offset) < pair_u95(found)
        sizes.append(found[2].u95)
    assert inside / 300 > 0.93
    assert np.mean(sizes) == pytest.approx(1.97 * 0.2 / np.sqrt(180), rel=0.05)  # GUM 4.2.3: s / sqrt(n)


def test_a_coarse_probe_that_repeats_one_value_has_its_step_in_the_budget(even_air: None) -> None:
    """A value known to a step of 0.5 K is a rectangle: u = 0.5 / sqrt(12) (JCGM 100 4.3.7)."""
    found = compared(np.array([[20.0] * 120, [20.5] * 120]), step=0.5)
    for offset in found:
        assert offset.u95 == pytest.approx(1.96 * 0.5 / np.sqrt(12.0), rel=1e-3)


def test_the_assumed_unevenness_and_the_lag_are_added() -> None:
    """0.02 K, and 0.06 K a minute over 30 s between time constants, / sqrt(3): root of the sum of squares."""
    drift = 0.001 * np.arange(120)
    found = compared(np.array([20.0 + drift, 20.2 + drift]))
    expected = 1.96 * np.sqrt(0.02**2 + (0.001 * 30.0 / np.sqrt(3.0)) ** 2)
    assert [o.u95 for o in found] == pytest.approx([expected] * 2, rel=1e-3)
    assert [o.offset for o in found] == pytest.approx([-0.1, 0.1])
    assert all(o.ok for o in found)


def test_offsets_of_the_simulation_are_found_and_u95_covers_them(even_air: None) -> None:
    """40 seeds: the zero of the rise, found against drawn. 95 % of 80 is 76; fewer than 69 has p < 0.1 %."""
    inside = 0
    for seed in range(1, 41):
        job, stream = play.__wrapped__("match", seed)
        watch = watched(job, stream, 180)
        assert watch.stage is MatchStage.DONE, watch.result
        for quantity in (T, RH):
            first, second = (o for o in watch.finish().offsets if o.quantity is quantity)
            true = [
                drawn_offset(
                    dict(SCENARIOS["match"].probes[role].responses)[quantity], o.probe, seed, quantity
                )
                for o, role in ((first, "return"), (second, "supply"))
            ]
            error = first.offset - second.offset - (true[0] - true[1])
            inside += abs(error) < pair_u95((first, second))
            assert abs(true[0] - true[1]) < 3.0 if quantity is T else True
    assert 69 <= inside <= 80


# -- when it starts, and when there is none ----------------------------------------------------


def test_it_waits_until_the_last_probe_has_come_to_rest() -> None:
    """A probe that comes from 5 K above with 60 s: within 0.05 K after 60 ln(100) = 276 s."""
    job, white = job_of(2), noise(1, 2)
    warm = watched(
        job, readings(job, lambda p, t: 20.0 + white[p, t] + (5.0 * np.exp(-t / 60.0) if p else 0.0))
    )
    result = warm.finish()
    assert warm.stage is MatchStage.DONE
    assert warm._tick_s - 120 > 240
    assert result.offsets[1].offset == pytest.approx(0.0, abs=0.03)
    quick = watched(job, readings(job, lambda p, t: 20.0 + white[p, t]))
    assert quick._tick_s < warm._tick_s
    assert quick.finish().at_c == pytest.approx(20.0, abs=0.02)


def test_progress_says_what_it_waits_for() -> None:
    job, white = job_of(3), noise(2, 3)
    watch = MatchWatch(job, 60)
    seen: dict[MatchStage, object] = {}
    late = readings(job, lambda p, t: 20.0 + white[p, t], silent=lambda name, t: name == "out" and t < 20)
    for reading in late:
        watch.update(reading)
        progress = watch.progress()
        seen.setdefault(progress.stage, progress)
        if watch.result:
            break
    assert list(seen) == [MatchStage.LISTENING, MatchStage.SETTLING, MatchStage.COLLECTING, MatchStage.DONE]
    assert seen[MatchStage.COLLECTING].left_s == 60.0  # type: ignore[attr-defined]
    assert seen[MatchStage.SETTLING].moving == (("ret", None), ("sup", None), ("out", None))  # type: ignore[attr-defined]


def refused(n: int, value: Value, **more: Any) -> Match:
    job = job_of(n)
    watch = watched(job, readings(job, value, 1300, **more))
    result = watch.finish()
    assert watch.stage is MatchStage.REFUSED
    assert result.reason
    return result


def test_a_probe_that_is_off_is_named_with_how_far() -> None:
    white = noise(4, 4)
    result = refused(4, lambda p, t: 20.0 + white[p, t] + (2.75 if p == 2 else 0.0))
    assert "Probe out reads 2.7" in result.reason
    assert "above the median" in result.reason
    assert [o.ok for o in result.offsets] == [True, True, False, True]


def test_of_two_that_differ_nobody_knows_which_is_off() -> None:
    white = noise(5, 2)
    result = refused(2, lambda p, t: 20.0 + white[p, t] - 2.0 * p)
    assert "2.00 K (3.60 °F) above the other one" in result.reason
    assert [o.ok for o in result.offsets] == [False, False]


def test_drifting_air_is_waited_for_and_then_refused() -> None:
    white = noise(6, 2)
    result = refused(2, lambda p, t: 20.0 + white[p, t] + 0.005 * t)  # 0.3 K a minute
    assert "Not settled after 15 minutes" in result.reason
    assert "the air" in result.reason


def test_air_that_begins_to_drift_while_it_is_compared() -> None:
    white = noise(7, 2)
    result = refused(2, lambda p, t: 20.0 + white[p, t] + 0.01 * max(t - 70, 0))
    assert "The air rises by 0.6" in result.reason


def test_a_probe_taken_away_while_it_is_compared() -> None:
    white = noise(8, 3)
    result = refused(3, lambda p, t: 20.0 + white[p, t] + (0.02 * max(t - 150, 0) if p == 1 else 0.0))
    assert "Probe sup moved" in result.reason
    assert [o.ok for o in result.offsets] == [True, False, True]


def test_a_probe_that_never_comes_to_rest_is_named() -> None:
    white = noise(15, 3)
    result = refused(3, lambda p, t: 20.0 + white[p, t] + (0.003 * t if p == 1 else 0.0))
    assert "restless is sup against the others" in result.reason


def test_silent_probes_are_named() -> None:
    white = noise(9, 3)

    def value(p: int, t: int) -> float:
        return 20.0 + white[p, t]

    never = refused(3, value, silent=lambda name, _t: name == "out")
    assert "No usable reading from out" in never.reason
    later = refused(3, value, silent=lambda name, t: name == "sup" and t > 100)
    assert "Probe sup has fallen silent" in later.reason
    assert refused(3, value, silent=lambda _name, t: t > 100).reason.startswith("The readings ended")


def test_when_nobody_speaks_any_more_time_alone_ends_it() -> None:
    job, white = job_of(2), noise(10, 2)
    watch = watched(job, readings(job, lambda p, t: 20.0 + white[p, t], 50))
    watch.advance(60 * NS_PER_S)
    assert watch.result is None
    watch.advance(90 * NS_PER_S)
    assert watch.result is not None
    assert "No probe speaks" in watch.result.reason


def test_one_probe_is_none_to_compare_with() -> None:
    assert "two or more" in MatchWatch(make_job(probes=job_of(1).probes), 60).finish().reason


def test_flagged_values_do_not_count() -> None:
    job, white = job_of(2), noise(11, 2)
    stream = [
        r._replace(flag=Flag.NOT_KNOWN, value=655.35) if r.seq % 10 == 3 else r
        for r in readings(job, lambda p, t: 20.0 + white[p, t] + 0.3 * p)
    ]
    found = watched(job, stream).finish()
    assert found.offsets[1].offset == pytest.approx(0.15, abs=0.03)


def test_slow_probes_are_compared_on_their_own_pace() -> None:
    job, white = job_of(2), noise(12, 2)
    job = replace(job, probes=tuple(replace(p, max_age_s=12.0) for p in job.probes))
    watch = watched(job, readings(job, lambda p, t: 20.0 + white[p, t] + 0.3 * p, 900, every=5), 200)
    assert watch.stage is MatchStage.DONE, watch.result
    assert watch._grid_s == 5
    assert watch.finish().offsets[1].offset == pytest.approx(0.15, abs=0.05)


def test_offsets_that_the_config_has_do_not_enter() -> None:
    job, white = job_of(2), noise(13, 2)
    stream = list(readings(job, lambda p, t: 20.0 + white[p, t]))
    other = replace(
        job, probes=tuple(replace(p, offset=3.0, gain=0.01, matched_at_c=0.0) for p in job.probes)
    )
    assert watched(job, stream).finish() == watched(other, stream).finish()


def test_humidity_that_does_not_settle_does_not_keep_the_temperature() -> None:
    job, white = job_of(2), noise(14, 2)
    stream: list[Reading] = []
    for r in readings(job, lambda p, t: 20.0 + white[p, t]):
        stream.append(r._replace(seq=2 * r.seq))
        humidity = 40.0 + (0.03 * r.t_ns / NS_PER_S if r.probe == "sup" else 0.0)
        stream.append(r._replace(seq=2 * r.seq + 1, quantity=RH, value=humidity))
    found = watched(job, stream).finish()
    assert found.reason == ""
    assert {(o.quantity, o.ok) for o in found.offsets} == {(T, True), (RH, False)}


# -- gain --------------------------------------------------------------------------------------

TRUE = {"ret": (0.2, 0.004), "sup": (-0.1, -0.003), "out": (-0.1, 0.002)}  # offset at 20 °C, gain


def reads(name: str, true_c: float) -> float:
    offset, gain = TRUE[name]
    return true_c + offset + gain * (true_c - 20.0)


def found_at(true_c: float, u95: float) -> tuple[list[ProbeOffset], float]:
    raw = {name: reads(name, true_c) for name in TRUE}
    mean = sum(raw.values()) / len(raw)
    return [
        ProbeOffset(probe=n, quantity=T, offset=v - mean, u95=u95, ok=True, text="") for n, v in raw.items()
    ], mean


def test_two_matches_make_all_probes_agree_at_both_temperatures_and_between() -> None:
    cold, cold_c = found_at(20.0, 0.03)
    warm, warm_c = found_at(48.0, 0.04)
    first = {
        o.probe: ProbeParams(name=o.probe, role=Role.RETURN, offset=o.offset, u95=o.u95, matched_at_c=cold_c)
        for o in cold
    }
    found = gains(warm, first, warm_c)
    mean_gain = sum(g for _, g in TRUE.values()) / 3
    for name, (gain, _) in found.items():
        assert gain == pytest.approx(TRUE[name][1] - mean_gain, abs=3e-5)
    for true_c in (20.0, 34.0, 48.0):
        corrected = []
        for name, params in first.items():
            scale, shift = replace(params, gain=found[name][0]).correction(T)
            corrected.append(scale * reads(name, true_c) - shift)
        assert np.ptp(corrected) < 2e-3
        raw = [reads(name, true_c) for name in TRUE]
        assert np.mean(corrected) == pytest.approx(np.mean(raw), abs=2e-3)  # the common part stays


def test_uncertainty_of_the_gain_against_gtc() -> None:
    """GTC: what is found less the gain drawn, 0.35 % (u95) of it common to all three, the rest their own.

    Found is a difference from the mean of all, so the common part is never in it.
    """
    cold, cold_c = found_at(20.0, 0.03)
    warm, warm_c = found_at(48.0, 0.04)
    first = {
        o.probe: ProbeParams(name=o.probe, role=Role.RETURN, offset=o.offset, u95=o.u95, matched_at_c=cold_c)
        for o in cold
    }
    gain, u95 = gains(warm, first, warm_c)["sup"]
    a, b = ureal(warm[1].offset, 0.02), ureal(cold[1].offset, 0.015)
    common = ureal(0.0, 0.00175)
    own = [ureal(0.0, np.sqrt(0.0025**2 - 0.00175**2)) for _ in range(3)]
    drawn = [common + each for each in own]
    seen = drawn[1] - sum(drawn) / 3 + (a - b) / 28.0
    left = seen - drawn[1]
    assert gain == pytest.approx(seen.x, rel=2e-3)
    assert u95 == pytest.approx(2.0 * left.u, rel=2e-3)
    assert u95 > 2.0 * common.u  # a comparison never sees it


def test_no_gain_without_a_first_match_or_warm_air() -> None:
    bare = ProbeParams(name="ret", role=Role.RETURN, u95=0.5)
    assert "stored for ret" in no_gain_reason([bare])
    warm, warm_c = found_at(26.0, 0.04)
    first = {n: replace(bare, name=n, matched_at_c=20.0) for n in TRUE}
    assert no_gain_reason(list(first.values())) == ""
    assert gains(warm, first, warm_c) == {}


def test_the_budget_charges_the_gain_from_where_the_probe_was_matched() -> None:
    """By hand: 0.4 % / 2 of 48 - 22 = 26 K is 0.052 K; unmatched 0.5 % / 2 of 48 - 20 = 28 K is 0.07 K."""
    matched = ProbeParams(
        name="a", role=Role.SUPPLY, u95=0.1, gain_u95=0.004, gain_assumed=False, matched_at_c=22.0
    )
    bare = ProbeParams(name="b", role=Role.SUPPLY, u95=0.5)
    for probes, zero_c, expected_k in (
        ((matched,), None, 0.052),
        ((bare,), None, 0.070),
        ((matched, bare), None, 0.061),  # alike in one make: no better than their mean
        ((matched,), 23.0, 0.050),  # a fan phase at 23 °C is where they are right
    ):
        assert gain_u_k(Side("supply", probes, 48.0, zero_c)) == pytest.approx(expected_k)


# -- what the core does with it ----------------------------------------------------------------


def matched_job() -> JobParams:
    job = job_of(2)
    ret, sup = job.probes
    return replace(
        job,
        probes=(
            replace(ret, offset=0.2, gain=0.01, matched_at_c=20.0, matched_day=date(2026, 1, 1).toordinal()),
            replace(sup, offset=-0.1, humidity_offset=60.0),
        ),
    )


def test_offset_and_gain_are_taken_off_alike_one_by_one_and_in_blocks() -> None:
    job = matched_job()
    stream = list(readings(job, lambda p, _t: 30.0 + p, 30))
    extra = [r._replace(seq=r.seq + 1000, quantity=RH, value=45.0) for r in stream]
    stream = [r for pair in zip(stream, extra, strict=True) for r in pair]
    one, many = Pipeline(job), Pipeline(job)
    for reading in stream:
        one.update(reading)
    many.update_block(block_of(stream))
    assert one.take_trace() == many.take_trace()
    moment = one.moment
    assert moment is not None
    assert moment.entering_c == pytest.approx(30.0 - 0.2 - 0.01 * 10.0)  # by hand
    assert moment.supply_c == pytest.approx(31.1)
    probes = {p.name: p for p in one.snapshot(29 * NS_PER_S).probes}
    assert probes["ret"].temperature_c == moment.entering_c
    assert probes["sup"].humidity_pct == pytest.approx(-15.0)  # shown as it comes out, for who set it


def test_a_humidity_offset_cannot_make_air_impossible() -> None:
    job = matched_job()
    ret, sup = job.probes
    for wrong in (60.0, -80.0):
        core = Pipeline(replace(job, probes=(replace(ret, humidity_offset=wrong), sup)))
        for reading in readings(job, lambda p, _t: 20.0 + p, 20):
            core.update(reading)
            core.update(reading._replace(quantity=RH, value=45.0))
        assert core.moment is not None
        assert 0.0 <= core.moment.w < 0.02


@given(st.dates(date(1971, 1, 1), date(2200, 1, 1)), st.integers(0, 86_399_999_999))
def test_the_day_is_that_of_the_calendar(day: date, us: int) -> None:
    midnight = datetime(day.year, day.month, day.day, tzinfo=UTC)
    assert day_of(round(midnight.timestamp()) * 1_000_000 + us) == day.toordinal()


@pytest.mark.parametrize(("today", "told"), [(date(2026, 1, 31), False), (date(2026, 2, 1), True)])
def test_a_match_older_than_asked_is_told_once_at_the_start(today: date, *, told: bool) -> None:
    job = matched_job()
    at_us = round(datetime(today.year, today.month, today.day, 12, tzinfo=UTC).timestamp() * 1e6)
    stream = [r._replace(utc_us=at_us + r.t_ns // 1000) for r in readings(job, lambda p, _t: 20.0 + p, 20)]
    one, many = Pipeline(job), Pipeline(job)
    events = [e for r in stream for e in one.update(r)]
    many.update_block(block_of(stream[:7]))
    many.update_block(block_of(stream[7:]))
    stale = [e for e in events if e.code == "stale-match"]
    assert [(e.t_ns, e.probe) for e in stale] == ([(0, "ret")] if told else [])
    assert all("31 days ago" in e.text and "riselog match" in e.text for e in stale)
    assert [e for e in many.finish().events if e.code == "stale-match"] == stale


def test_no_date_no_word() -> None:
    """Seconds without a date in a CSV: nobody knows how old a match is then."""
    assert list(stale_matches(matched_job(), day_of(0))) == []
