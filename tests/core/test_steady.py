"""The steady detector: what must be found, what must not, and when."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from logger.core.approach import Approach
from logger.core.params import SteadyParams
from logger.core.snapshot import Phase
from logger.core.steady import Change, Judgement, SteadyDetector
from tests.core.jobs import feed, firing_readings, make_job


def ar1(phi: float, sigma: float, seed: int) -> Callable[[], float]:
    """Autocorrelated noise of standard deviation sigma."""
    rng = random.Random(seed)
    state = rng.gauss(0.0, sigma)

    def draw() -> float:
        nonlocal state
        state = phi * state + rng.gauss(0.0, sigma * math.sqrt(1 - phi * phi))
        return state

    return draw


def settle(
    rise_k: Callable[[int], float | None], seconds: int, params: SteadyParams | None = None
) -> tuple[list[tuple[int, Change]], SteadyDetector]:
    """Drive a detector with a rise; the output goes with it, 1.2 kW a kelvin."""
    detector = SteadyDetector(params or SteadyParams())
    changes = []
    for t in range(seconds):
        rise = rise_k(t)
        change = detector.update(t, rise, None if rise is None else 1200.0 * rise)
        if change is not Change.NONE:
            changes.append((t, change))
    return changes, detector


def approach(tau_s: float, noise: Callable[[], float]) -> Callable[[int], float]:
    """First-order approach to 27 K, steps of 0.1 K."""
    return lambda t: round((27.0 * (1 - math.exp(-t / tau_s)) + noise()) * 10) / 10


@pytest.mark.parametrize("tau_s", [60.0, 100.0, 150.0, 200.0])
@pytest.mark.parametrize(("sigma", "phi"), [(0.1, 0.3), (0.1, 0.8), (0.25, 0.3), (0.25, 0.8)])
def test_it_decides_on_every_noisy_approach_and_never_too_early(
    tau_s: float, sigma: float, phi: float
) -> None:
    """First-order approach: the remaining error at time t is exp(-t/tau) (closed form).

    The stretch may begin where the remaining error is the asked 1 %, give or take what the noise
    of a window's slope allows: half as much again.
    """
    for seed in range(3):
        changes, detector = settle(approach(tau_s, ar1(phi, sigma, seed)), 2400)
        assert changes, f"undecided: tau {tau_s}, seed {seed}"
        assert changes[0][1] is Change.SETTLED
        first_start_s = detector.start_s if len(changes) == 1 else changes[0][0] - 60
        assert math.exp(-first_start_s / tau_s) < 0.015 or first_start_s > 4.0 * tau_s


def test_a_long_time_constant_is_found_in_the_warm_up_and_sharpens_the_limit() -> None:
    """With the config's 120 s a plant of 300 s would be let in with 2.5 % still to come."""
    changes, detector = settle(approach(300.0, ar1(0.3, 0.05, 1)), 2600)
    assert detector.tau_s is not None
    assert 285.0 < detector.tau_s < 400.0
    assert math.exp(-detector.start_s / 300.0) < 0.0125
    assert changes[0][1] is Change.SETTLED


@pytest.mark.parametrize("tau_s", [30.0, 120.0, 300.0, 600.0])
def test_the_fit_finds_a_known_time_constant(tau_s: float) -> None:
    warm_up, noise = Approach(), ar1(0.5, 0.1, 4)
    for t in range(round(4 * tau_s)):
        warm_up.add(float(t), 27.0 * (1 - math.exp(-t / tau_s)) + noise())
    fit = warm_up.fit()
    assert fit is not None
    assert fit.tau_s == pytest.approx(tau_s, rel=0.12)
    assert fit.upper_s > fit.tau_s


def test_the_upper_bound_holds_most_of_the_time() -> None:
    """One-sided 95 %: of 60 warm-ups, at most 9 may lie above (binomial, 0.2 % by chance)."""
    missed = 0
    for seed in range(60):
        warm_up, noise = Approach(), ar1(0.5, 0.2, seed)
        for t in range(500):
            warm_up.add(float(t), 27.0 * (1 - math.exp(-t / 150.0)) + noise())
        fit = warm_up.fit()
        assert fit is not None
        missed += fit.upper_s < 150.0
    assert missed <= 9


def test_flat_from_the_start_has_no_time_constant() -> None:
    warm_up, noise = Approach(), ar1(0.3, 0.1, 1)
    for t in range(400):
        warm_up.add(float(t), 27.0 + noise())
    assert warm_up.fit() is None


def test_a_ramp_is_never_steady() -> None:
    changes, _ = settle(lambda t: 20.0 + 0.01 * t, 1500)
    assert changes == []


@pytest.mark.parametrize("period_s", [20, 60, 150, 300, 600])
def test_a_hunting_limit_is_never_steady(period_s: int) -> None:
    """Peak to peak 10 % of the rise."""
    noise = ar1(0.3, 0.1, 9)
    changes, _ = settle(lambda t: 27.0 + 1.35 * math.sin(2 * math.pi * t / period_s) + noise(), 2400)
    assert changes == []


def test_a_coarse_probe_in_flat_air_can_be_steady() -> None:
    """A constant reading proves nothing either way: the floor decides (resolution / sqrt(12))."""
    detector = SteadyDetector(SteadyParams())
    detector.floor = 0.5 / math.sqrt(12)
    changes = [detector.update(t, 27.0, 32_000.0) for t in range(400)]
    assert Change.SETTLED in changes
    tests, _ = detector.tests()
    assert {test.name: test.ok for test in tests} == {"slope": True, "spread": True, "hunting": True}
    assert next(test for test in tests if test.name == "spread").value == pytest.approx(0.144 / 27, rel=0.01)


def test_a_thin_window_is_not_judged() -> None:
    detector = SteadyDetector(SteadyParams())
    for t in range(400):
        rise = None if t % 8 == 0 else 27.0 + 0.01 * (t % 3)
        detector.update(t, rise, None if rise is None else 1200.0 * rise)
    assert detector._climb(detector.limit) == (Judgement.UNJUDGED, 0)
    assert detector.tests() == ((), None)


def test_a_break_ends_the_stretch_where_it_began() -> None:
    noise = ar1(0.3, 0.1, 3)
    changes, detector = settle(lambda t: (27.0 if t < 1000 else 24.0) + noise(), 1100)
    assert [change for _, change in changes] == [Change.SETTLED, Change.UNSETTLED]
    assert 1000 <= detector.end_s <= 1060


def test_an_outlier_leaves_no_trace_once_it_has_left_the_window() -> None:
    def run(outlier: float) -> tuple[object, ...]:
        noise = ar1(0.3, 0.1, 5)
        detector = SteadyDetector(SteadyParams(window_s=120, window_max_s=120))
        for t in range(400):
            rise = outlier if t == 200 else 27.0 + noise()
            detector.update(t, rise, 1200.0 * rise)
        return detector.tests()

    assert run(27.0) == run(900.0)


def test_both_temperatures_climb_while_the_output_is_flat_steady_is_found() -> None:
    room, noise = (lambda t: 18.0 + 6.0 * t / 2000.0), ar1(0.3, 0.05, 1)
    readings = firing_readings(
        lambda t: room(t) + 27.0 * (1 - math.exp(-t / 90.0)) + noise(), lambda t: room(t) + noise(), 2000
    )
    best = feed(make_job(), readings).finish().best
    assert best is not None
    assert best.best is not None
    assert best.best.seconds > 1000


def test_a_flat_supply_temperature_with_a_changing_rise_is_not_steady() -> None:
    noise = ar1(0.3, 0.05, 2)
    readings = firing_readings(
        lambda t: 20.0 + 27.0 * (1 - math.exp(-t / 60.0)) + noise(),
        lambda t: 20.0 + 0.008 * t + noise(),
        1500,
    )
    assert feed(make_job(), readings).finish().best is None


def test_a_supply_probe_that_freezes_gives_no_result() -> None:
    """Frozen while the return climbs: the rise falls so slowly that only the repetition tells."""
    noise = ar1(0.3, 0.05, 2)
    held = {"value": 0.0}

    def supply_c(t: float) -> float:
        if t < 600:
            held["value"] = round(20.0 + 27.0 * (1 - math.exp(-t / 60.0)) + noise(), 2)
        return held["value"]

    core = feed(make_job(), firing_readings(supply_c, lambda t: 20.0 + 0.0005 * t + noise(), 2000))
    outcome = core.finish()
    assert "frozen" in {event.code for event in outcome.events}
    best = outcome.best
    assert best is None or (best.best is not None and best.best.end_s <= 601)


def test_a_slow_probe_is_judged_on_its_own_grid() -> None:
    """Updates every 5 s: a grid of 1 s would count every value five times."""
    noise = ar1(0.0, 0.1, 8)
    readings = [
        r
        for r in firing_readings(
            lambda t: round(20.0 + 27.0 * (1 - math.exp(-t / 60.0)) + noise(), 2), lambda _: 20.0, 1500
        )
        if (r.t_ns // 10**9) % 5 == 0
    ]
    core = feed(make_job(), readings)
    assert core.detector.grid_s == 5
    best = core.finish().best
    assert best is not None
    assert best.best is not None
    line = best.best.line.line
    assert line is not None
    assert line.n <= best.best.seconds / 5 + 1
    assert core.cycles.phase is Phase.STEADY


def test_the_cost_of_an_update_does_not_grow_with_the_run() -> None:
    """What is kept is bounded: as many rows after a day as after an hour."""
    noise = ar1(0.3, 0.1, 5)
    detector = SteadyDetector(SteadyParams())
    sizes = []
    for t in range(90_000):
        detector.update(t, 27.0 + noise(), 32_000.0)
        if t in (3_600, 89_999):
            sizes.append(len(detector.series._rows) <= 2 * (detector.series.keep + 2))
    assert sizes == [True, True]
