"""Probes against closed forms, scipy and counted statistics."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from logger.core.readings import QUANTITIES, Quantity
from simulators.probes import Probe, Response, Spoken, fading, lagged, quantised, speak

T_S = np.arange(0.0, 3600.5, 0.5)
FLAT = {Quantity.TEMPERATURE: np.full_like(T_S, 20.0)}
PLAIN = Probe(responses=((Quantity.TEMPERATURE, Response()),))


def probe(**changes: float) -> Probe:
    return PLAIN.with_response(Quantity.TEMPERATURE, **changes)


def temperatures(spoken: Spoken) -> np.ndarray:
    return np.array(
        [v for q, v in zip(spoken.quantity, spoken.value, strict=True) if q is Quantity.TEMPERATURE]
    )


def say(subject: Probe, *, name: str = "a", seed: int = 1, truth: np.ndarray | None = None) -> Spoken:
    return speak(subject, name, seed, T_S, FLAT if truth is None else {Quantity.TEMPERATURE: truth})


def test_perfect_probe_says_the_truth_every_second() -> None:
    truth = 20.0 + 0.01 * T_S
    spoken = say(PLAIN, truth=truth)
    assert spoken.t_ns == tuple(range(0, 3601 * 10**9, 10**9))
    np.testing.assert_allclose(spoken.value, truth[::2], rtol=1e-12)


def test_lag_step_response() -> None:
    # Closed form: the truth rises in a straight line over one grid step of h = 0.5 s, then holds;
    # from there on 1 - y = tau / h (1 - exp(-h / tau)) exp(-(t - h) / tau).
    tau_s, step_s = 8.0, 0.5
    y = lagged(T_S, (T_S > 0.0).astype(float), tau_s)
    left = tau_s / step_s * (1.0 - np.exp(-step_s / tau_s)) * np.exp(-(T_S[1:] - step_s) / tau_s)
    np.testing.assert_allclose(1.0 - y[1:], left, atol=1e-12)


def test_lag_behind_a_ramp_is_rate_times_lag() -> None:
    # Closed form: a first-order sensor follows a ramp r late by r tau.
    y = lagged(T_S, 0.05 * T_S, 8.0)
    assert (0.05 * T_S - y)[-1] == pytest.approx(0.05 * 8.0, rel=1e-9)


def test_lag_same_as_scipy() -> None:
    # Source: scipy.signal.lsim, 1 / (tau s + 1) with linear interpolation between points.
    truth = np.cumsum(np.random.default_rng(5).standard_normal(T_S.size))
    truth -= truth[0]
    _, expected, _ = signal.lsim(([1.0], [12.0, 1.0]), truth, T_S)
    np.testing.assert_allclose(lagged(T_S, truth, 12.0), expected, atol=1e-9)


@given(value=st.floats(-60.0, 250.0), resolution=st.sampled_from([0.01, 0.1, 0.35, 0.5, 1.0]))
def test_quantised_value_is_the_nearest_step(value: float, resolution: float) -> None:
    said = float(quantised(np.array([value]), resolution)[0])
    assert abs(said - value) <= resolution / 2.0 + 1e-9
    assert said / resolution == pytest.approx(round(said / resolution), abs=1e-6)


def test_decimal_steps_are_plain_decimals() -> None:
    said = quantised(np.array([40.983, 21.3749, -5.004]), 0.01)
    assert said.tolist() == [40.98, 21.37, -5.0]


def test_offset_and_gain() -> None:
    said = temperatures(say(probe(offset=0.5, gain=0.01, gain_reference=10.0)))
    np.testing.assert_allclose(said, 20.0 + 0.5 + 0.01 * (20.0 - 10.0))


def test_white_noise_has_its_size_and_no_memory() -> None:
    x = temperatures(say(probe(noise=0.2))) - 20.0
    # n = 3601: standard error of sd 1.2 %, of the lag-1 correlation 0.017 (large-sample theory); 4 of each.
    assert x.std() == pytest.approx(0.2, rel=0.05)
    assert abs(np.corrcoef(x[1:], x[:-1])[0, 1]) < 0.07


def test_first_order_noise_has_its_size_and_its_memory() -> None:
    x = temperatures(say(probe(drift_noise=0.2, drift_phi=0.8))) - 20.0
    # phi 0.8: n_eff = 3601 / 9 for the mean, sd within about 8 %;
    # correlation s.e. sqrt((1 - phi^2) / n) = 0.01.
    assert x.std() == pytest.approx(0.2, rel=0.1)
    assert np.corrcoef(x[1:], x[:-1])[0, 1] == pytest.approx(0.8, abs=0.04)


def test_jitter_keeps_order_and_mean_interval() -> None:
    t_ns = np.array(say(replace(PLAIN, jitter_s=0.3)).t_ns)
    gaps_s = np.diff(t_ns) / 1e9
    assert (gaps_s > 0.0).all()
    assert gaps_s.min() < 0.7
    assert gaps_s.max() <= 1.6
    assert gaps_s.mean() == pytest.approx(1.0, abs=1e-3)
    assert (t_ns % 1000 == 0).all()


@pytest.mark.parametrize("interval_s", [0.5, 2.0, 5.0])
def test_interval(interval_s: float) -> None:
    gaps_s = np.diff(np.array(say(replace(PLAIN, interval_s=interval_s)).t_ns)) / 1e9
    np.testing.assert_allclose(gaps_s, interval_s)


def test_drop_outs_have_their_share_and_change_no_other_value() -> None:
    noisy = probe(noise=0.2)
    whole, thinned = say(noisy), say(replace(noisy, drop_probability=0.1))
    # Binomial: 360 lost of 3601, sd 18; 5 of them.
    assert abs(len(whole.t_ns) - len(thinned.t_ns) - 360) < 90
    assert set(zip(thinned.t_ns, thinned.value, strict=True)) <= set(
        zip(whole.t_ns, whole.value, strict=True)
    )


def test_silence_is_exactly_its_span() -> None:
    whole, silent = say(probe(noise=0.2)), say(replace(probe(noise=0.2), silent=((100.0, 130.0),)))
    gone = set(whole.t_ns) - set(silent.t_ns)
    assert gone == {s * 10**9 for s in range(100, 130)}


def test_frost_repeats_the_last_value_and_thaws() -> None:
    free = temperatures(say(probe(noise=0.2)))
    frozen = temperatures(say(replace(probe(noise=0.2), frozen=((100.0, 200.0),))))
    assert set(frozen[100:200]) == {free[99]}
    np.testing.assert_array_equal(frozen[200:], free[200:])
    np.testing.assert_array_equal(frozen[:100], free[:100])


def test_same_seed_same_words_other_seed_other_words() -> None:
    noisy = replace(probe(noise=0.2), jitter_s=0.02, drop_probability=0.05)
    assert say(noisy).value == say(noisy).value
    assert say(noisy).value != say(noisy, seed=2).value
    assert say(noisy).value != say(noisy, name="b").value


def test_probes_are_independent_of_each_other() -> None:
    noisy = probe(noise=0.2)
    a, b = (temperatures(say(noisy, name=name)) for name in ("ret", "sup"))
    # n = 3601: correlation of independent series has s.e. 0.017; 4 of them.
    assert abs(np.corrcoef(a, b)[0, 1]) < 0.07


def test_another_noise_leaves_timing_and_drop_outs_alone() -> None:
    quiet = replace(PLAIN, jitter_s=0.1, drop_probability=0.1)
    assert say(quiet).t_ns == say(quiet.with_response(Quantity.TEMPERATURE, noise=1.0)).t_ns


def test_housekeeping_once_a_minute_in_whole_numbers() -> None:
    spoken = say(replace(PLAIN, battery_pct=50.0, battery_pct_per_h=3.0))
    battery = [v for q, v in zip(spoken.quantity, spoken.value, strict=True) if q is Quantity.BATTERY]
    strength = [v for q, v in zip(spoken.quantity, spoken.value, strict=True) if q is Quantity.SIGNAL]
    assert len(battery) == len(strength) == 61
    assert (battery[0], battery[-1]) == (50.0, 47.0)
    assert all(v == round(v) and -90.0 < v < -30.0 for v in strength)


def test_values_stay_in_the_range_of_their_quantity() -> None:
    wet = Probe(responses=((Quantity.HUMIDITY, Response(noise=5.0)),))
    spoken = speak(wet, "a", 1, T_S, {Quantity.HUMIDITY: np.full_like(T_S, 99.0)})
    assert max(spoken.value) == QUANTITIES[Quantity.HUMIDITY].high


def test_perfect_probe_has_no_faults_left() -> None:
    bad = replace(
        probe(noise=1.0, lag_s=30.0, offset=2.0, resolution=0.5), silent=((0.0, 99.0),), jitter_s=0.1
    )
    assert say(bad.perfect()).value == say(PLAIN).value


def test_drift_grows_with_the_hours() -> None:
    said = temperatures(say(probe(drift_per_h=0.8)))
    # Derivation: offset = rate x time; the grid is one hour long, one value a second.
    np.testing.assert_allclose(said - 20.0, 0.8 * np.arange(3601) / 3600.0, atol=1e-12)


def test_clock_that_runs_fast_samples_more_often_and_says_its_own_time() -> None:
    spoken = say(replace(PLAIN, clock_ppm=2000.0, clock_offset_s=-3.0))
    # Derivation: 3600 s of the host are 3607.2 s of a clock 2000 ppm fast.
    assert len(spoken.t_ns) == 3608
    gaps_s = np.diff(np.array(spoken.t_ns)) / 1e9
    np.testing.assert_allclose(gaps_s, 1.0 / 1.002, atol=2e-6)
    own_s = np.array(spoken.own_ns) / 1e9
    np.testing.assert_allclose(own_s, np.arange(3608) - 3.0, atol=2e-6)


def test_late_packets_keep_their_own_time_and_overtake_each_other() -> None:
    noisy = probe(noise=0.2)
    prompt, late = say(noisy), say(replace(noisy, late_s=4.0, late_spread_s=3.0))
    assert prompt.own_ns == prompt.t_ns
    assert list(late.t_ns) == sorted(late.t_ns)
    delay_s = (np.array(late.t_ns) - np.array(late.own_ns)) / 1e9
    assert delay_s.min() >= 4.0
    assert delay_s.max() <= 7.0
    # Uniform: mean 5.5 s, its standard error 3 / sqrt(12 n) = 0.015 s; 5 of them.
    assert delay_s.mean() == pytest.approx(5.5, abs=0.075)
    assert np.count_nonzero(np.diff(late.own_ns) < 0) > 500
    # Each value still belongs to its own moment; what would come after the end is not heard.
    said = dict(zip(prompt.own_ns, prompt.value, strict=True))
    assert all(said[own] == value for own, value in zip(late.own_ns, late.value, strict=True))
    assert set(said) - set(late.own_ns) <= {s * 10**9 for s in range(3593, 3601)}


def test_packet_with_two_quantities_arrives_as_one() -> None:
    both = Probe(
        responses=((Quantity.TEMPERATURE, Response()), (Quantity.HUMIDITY, Response())), late_spread_s=5.0
    )
    spoken = speak(both, "a", 1, T_S, {**FLAT, Quantity.HUMIDITY: np.full_like(T_S, 50.0)})
    temperature, humidity = (
        [
            (t, own)
            for t, own, q in zip(spoken.t_ns, spoken.own_ns, spoken.quantity, strict=True)
            if q is quantity
        ]
        for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    )
    assert temperature == humidity


def test_delay_changes_no_value_and_no_drop_out() -> None:
    quiet = replace(probe(noise=0.2), drop_probability=0.1)
    prompt, late = say(quiet), say(replace(quiet, late_s=0.25))
    assert late.value == prompt.value[: len(late.value)]
    assert np.array_equal(np.array(late.t_ns) - 250_000_000, prompt.t_ns[: len(late.t_ns)])


@given(
    st.lists(st.floats(-10.0, 10.0), min_size=1, max_size=200),
    st.sampled_from([0.0, 1e-12, 0.01, 0.5, 0.9, 0.999, 1.0]),
)
def test_what_fades_is_scipys_filter_of_first_order(drive: list[float], share: float) -> None:
    expected = signal.lfilter([1.0], [1.0, -share], drive)
    assert fading(np.array(drive), share) == pytest.approx(expected, rel=1e-12, abs=1e-11)
