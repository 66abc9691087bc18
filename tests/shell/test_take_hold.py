"""Hold still, on synthetic readings whose mean, scatter and slope are known by construction."""

import statistics

import numpy as np
import pytest

from logger.core.readings import NS_PER_S, Flag, Quantity, Reading
from logger.take.hold import TEMPERATURE_LIMITS, VELOCITY_LIMITS, Held, HoldStill, Limits
from logger.take.watch import ProbeWatch, Stage

S = NS_PER_S


def fed(values: list[float], step_s: float = 1.0, limits: Limits = VELOCITY_LIMITS) -> Held:
    hold = HoldStill(limits)
    for i, value in enumerate(values):
        hold.update(round(i * step_s * S), value)
    return hold.get()


def test_nothing_is_known_before_a_reading() -> None:
    held = HoldStill(VELOCITY_LIMITS).get()
    assert (held.steady, held.tail, held.reason) == (False, None, "waiting for a reading")


def test_a_still_value_is_steady_after_five_seconds_and_not_before() -> None:
    assert not fed([4.0] * 4).steady
    assert "more" in fed([4.0] * 2).reason
    held = fed([4.0] * 6)
    assert held.steady
    assert held.tail is not None
    assert (held.tail.mean, held.tail.scatter, held.tail.drift, held.tail.count) == (4.0, 0.0, 0.0, 6)


def test_mean_and_scatter_are_those_of_the_statistics_module() -> None:
    values = [4.0, 4.1, 3.9, 4.05, 3.95, 4.02, 4.08, 3.99, 4.01]
    held = fed(values)
    assert held.tail is not None
    assert held.tail.mean == pytest.approx(statistics.fmean(values), rel=1e-12)
    assert held.tail.scatter == pytest.approx(statistics.stdev(values), rel=1e-12)


def test_the_drift_is_that_of_numpys_line() -> None:
    values = [4.0, 4.02, 4.01, 4.05, 4.03, 4.06]
    slope = float(np.polyfit(np.arange(6.0), values, 1)[0])
    held = fed(values)
    assert held.tail is not None
    assert held.tail.drift == pytest.approx(5.0 * slope, rel=1e-9)


def test_a_probe_on_its_way_is_not_steady() -> None:
    assert fed([2.0 + 0.1 * i for i in range(8)]).reason == "the value rises"
    assert fed([4.0 - 0.1 * i for i in range(8)]).reason == "the value falls"


def test_swinging_air_is_restless_only_after_a_while() -> None:
    swing = [4.0 + (0.9 if i % 2 else -0.9) for i in range(30)]
    assert not fed(swing[:10]).restless
    held = fed(swing)
    assert held.restless
    assert not held.steady
    assert held.tail is not None
    assert held.tail.mean == pytest.approx(4.0, abs=0.1)


def test_a_slow_climb_never_counts_as_restless() -> None:
    held = fed([2.0 * 1.02**i for i in range(60)])
    assert not held.restless
    assert not held.steady


def test_waiting_makes_the_average_longer() -> None:
    spans = [tail.span_s for n in (6, 9, 13, 21, 31) if (tail := fed([4.0] * n).tail) is not None]
    assert spans == [5.0, 8.0, 12.0, 20.0, 30.0]


def test_what_was_read_on_the_way_is_not_averaged() -> None:
    """Twenty seconds in the old place at 3 m/s, then 4 m/s for nine readings."""
    held = fed([3.0] * 20 + [4.0] * 9)
    assert held.steady
    assert held.tail is not None
    assert held.tail.mean == pytest.approx(4.0, abs=0.01)


def test_restart_forgets_the_place_before() -> None:
    hold = HoldStill(VELOCITY_LIMITS)
    for i in range(10):
        hold.update(i * S, 4.0)
    hold.restart()
    hold.update(10 * S, 4.0)
    assert not hold.get().steady


def test_a_gap_starts_anew() -> None:
    hold = HoldStill(VELOCITY_LIMITS)
    for t in (*range(6), *range(20, 23)):
        hold.update(t * S, 4.0)
    assert not hold.get().steady


def test_a_slow_probe_gets_there_too() -> None:
    held = fed([4.0] * 6, step_s=3.0)
    assert held.steady
    assert held.tail is not None
    assert held.tail.count >= 4


@pytest.mark.parametrize("seed", range(20))
def test_ordinary_turbulence_settles_within_half_a_minute(seed: int) -> None:
    """5 % white scatter at 4 m/s, once a second; the mean of what is taken lies within 4 standard errors."""
    rng = np.random.default_rng(seed)
    hold, taken = HoldStill(VELOCITY_LIMITS), None
    for i, value in enumerate(rng.normal(4.0, 0.2, 31)):
        hold.update(i * S, float(value))
        if hold.get().steady:
            taken = hold.get().tail
    assert taken is not None
    assert abs(taken.mean - 4.0) < 4 * 0.2 / taken.count**0.5


def test_a_temperature_has_limits_of_its_own() -> None:
    assert fed([48.0 + 0.02 * i for i in range(8)], limits=TEMPERATURE_LIMITS).steady
    assert not fed([48.0 + 0.2 * i for i in range(8)], limits=TEMPERATURE_LIMITS).steady


# ProbeWatch: what the hand that holds the probe is told


def reading(
    t_s: float, value: float, flag: Flag = Flag.OK, quantity: Quantity = Quantity.VELOCITY
) -> Reading:
    return Reading(0, round(t_s * S), "duct", quantity, value, flag, 0, round(t_s * S))


def watch(values: list[float], correction: tuple[float, float] = (1.0, 0.0)) -> ProbeWatch:
    made = ProbeWatch("duct", Quantity.VELOCITY, 5.0, correction)
    for i, value in enumerate(values):
        made.update(reading(i, value))
    return made


def test_a_probe_that_never_spoke_is_silent() -> None:
    seen = ProbeWatch("duct", Quantity.VELOCITY, 5.0)
    seen.note("no answer from the radio.")
    look = seen.look(0)
    assert look.stage is Stage.SILENT
    assert "no answer from the radio" in look.text


def test_steady_then_silent() -> None:
    seen = watch([4.0] * 8)
    assert seen.look(8 * S).stage is Stage.STEADY
    look = seen.look(20 * S)
    assert look.stage is Stage.SILENT
    assert look.tail is None
    assert look.value is None
    assert "silent for 13 s" in look.text
    seen.update(reading(21, 4.0))
    assert seen.look(21 * S).stage is Stage.MOVING  # what was before the silence does not count


def test_a_flagged_value_is_said_and_empties_the_window() -> None:
    seen = watch([4.0] * 8)
    seen.update(reading(8, 655.35, Flag.NOT_KNOWN))
    look = seen.look(8 * S)
    assert look.stage is Stage.FLAGGED
    assert look.tail is None
    assert "not-known" in look.text
    seen.update(reading(9, 4.0))
    assert seen.look(9 * S).stage is Stage.MOVING


@pytest.mark.parametrize("flag", [Flag.DUPLICATE, Flag.LATE])
def test_a_repeat_or_an_old_value_changes_nothing(flag: Flag) -> None:
    """A probe that sends each packet three times gets to a steady value as fast as one that does not."""
    seen = ProbeWatch("duct", Quantity.VELOCITY, 5.0)
    for i in range(8):
        seen.update(reading(i, 4.0))
        seen.update(reading(i + 0.1, 9.0, flag))
        seen.update(reading(i + 0.2, 9.0, flag))
    assert seen.look(8 * S) == watch([4.0] * 8).look(8 * S)


@pytest.mark.parametrize(
    ("flag", "words"),
    [(Flag.DUPLICATE, "has repeated one packet for 8 s"), (Flag.LATE, "has given old values alone for 8 s")],
)
def test_a_probe_that_only_repeats_is_not_there(flag: Flag, words: str) -> None:
    seen = watch([4.0] * 8)
    for t_s in range(8, 16):
        seen.update(reading(t_s, 4.0, flag))
    look = seen.look(15 * S)
    assert (look.stage, look.tail) == (Stage.SILENT, None)
    assert words in look.text


def test_looking_changes_nothing() -> None:
    """A look into the future must not empty the window."""
    seen = watch([4.0] * 8)
    assert seen.look(100 * S).stage is Stage.SILENT
    assert seen.look(8 * S).stage is Stage.STEADY


def test_air_that_never_stood_is_marked_even_where_it_is_no_flow() -> None:
    swings = watch([4.0, 6.0] * 15).look(30 * S)
    assert (swings.stage, swings.settled) == (Stage.UNSTEADY, False)
    back = watch([-4.0, -6.0] * 15).look(30 * S)
    assert (back.stage, back.settled) == (Stage.DOUBTFUL, False)
    assert watch([4.0] * 8).look(8 * S).settled


@pytest.mark.parametrize(("value", "word"), [(-0.8, "Reverse flow"), (0.02, "No flow")])
def test_no_flow_and_reverse_flow_are_doubtful(value: float, word: str) -> None:
    look = watch([value] * 8).look(8 * S)
    assert look.stage is Stage.DOUBTFUL
    assert word in look.text


def test_other_quantities_of_the_probe_are_not_its_value() -> None:
    seen = watch([4.0] * 8)
    seen.update(reading(8, 21.0, quantity=Quantity.TEMPERATURE))
    assert seen.look(8 * S).value == 4.0


def test_the_probes_correction_is_applied() -> None:
    look = watch([4.0] * 8, (1.0, 0.25)).look(8 * S)
    assert look.tail is not None
    assert look.tail.mean == 3.75
