"""The transition table, walked through every pair, and the signs that drive it."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from logger.core.cycles import TABLE, CycleWatch, Sign, Transition
from logger.core.params import CycleParams
from logger.core.snapshot import Phase

EXPECTED = """
           off fan warm-up steady cool-down
fan        fan  -    -       -       -
fire       warm-up warm-up - - warm-up
settled    -    -  steady    -       -
unsettled  -    -    -     warm-up   -
fall       -    -  cool-down cool-down -
level      -    -    -       -     warm-up
out        -    -   fan     fan     fan
still      -   off  off     off     off
none       -    -    -       -       -
"""


def test_every_pair_of_phase_and_sign() -> None:
    header, *rows = [line.split() for line in EXPECTED.strip().splitlines()]
    seen = set()
    for name, *cells in rows:
        sign = Sign[name.upper()]
        for phase_name, cell in zip(header, cells, strict=True):
            phase = Phase(phase_name)
            expected = None if cell == "-" else Phase(cell)
            assert TABLE[phase].get(sign) is expected, (phase, sign)
            seen.add((phase, sign))
    assert seen == {(phase, sign) for phase in Phase for sign in Sign}


def walk(
    rise_k: Callable[[int], float | None], seconds: int, *, flow: bool | None = None
) -> list[Transition]:
    """Drive the watch with a rise alone."""
    watch = CycleWatch(CycleParams(), zero_u95_k=0.3)
    turns = []
    for t in range(seconds):
        turn = watch.update(t, rise_k(t), flow, steady=False)
        if turn is not None:
            turns.append(turn)
    return turns


def plant(tau_s: float, on_s: int, off_s: int) -> Callable[[int], float]:
    """First-order rise of 27 K between two times."""

    def rise_k(t: int) -> float:
        if t < on_s:
            return 0.0
        top = 27.0 * (1 - math.exp(-(min(t, off_s) - on_s) / tau_s))
        return top if t <= off_s else top * math.exp(-(t - off_s) / tau_s)

    return rise_k


@pytest.mark.parametrize("tau_s", [30.0, 60.0, 120.0, 200.0, 300.0])
def test_a_firing_is_found_and_dated(tau_s: float) -> None:
    turns = walk(plant(tau_s, 100, 1600), 1600 + round(4 * tau_s))
    assert [turn.new for turn in turns] == [Phase.WARM_UP, Phase.COOL_DOWN, Phase.FAN]
    fire, fall, _ = turns
    assert fire.new_firing
    assert 98 <= fire.since_s <= 106
    assert 1598 <= fall.since_s <= 1610


def test_a_slow_drift_below_the_threshold_is_no_firing() -> None:
    assert walk(lambda t: 2.5 * math.sin(t / 200), 2000) == []


def test_a_stage_down_is_the_same_firing() -> None:
    def rise_k(t: int) -> float:
        first = 27.0 * (1 - math.exp(-max(t - 50, 0) / 60))
        return first if t < 900 else 18.0 + 9.0 * math.exp(-(t - 900) / 60)

    turns = walk(rise_k, 1500)
    assert [turn.new for turn in turns] == [Phase.WARM_UP, Phase.COOL_DOWN, Phase.WARM_UP]
    assert [turn.new_firing for turn in turns] == [True, False, False]


def test_a_relit_burner_is_a_new_firing() -> None:
    def rise_k(t: int) -> float:
        return 27.0 if t % 300 < 200 else 27.0 * math.exp(-(t % 300 - 200) / 40)

    turns = walk(lambda t: 0.0 if t < 10 else rise_k(t), 1000)
    assert [turn.new_firing for turn in turns if turn.new is Phase.WARM_UP] == [True] * 4


def test_no_flow_is_no_firing() -> None:
    """Hot still air around the supply probe is no output."""
    assert walk(plant(60.0, 100, 800), 1000, flow=False) == []


def test_a_small_flat_rise_alone_is_no_fan() -> None:
    """A duct in still air, warmer than the return, does the same."""
    assert walk(lambda _: 0.45, 400) == []
    assert walk(lambda _: 1.3, 400) == []


def test_one_wild_reading_is_no_sign() -> None:
    rise_k = plant(60.0, 100, 1500)
    turns = walk(lambda t: rise_k(t) + (15.0 if t in (50, 1000) else 0.0), 1400)
    assert [turn.new for turn in turns] == [Phase.WARM_UP]


def test_a_velocity_probe_may_skip_a_beat() -> None:
    watch = CycleWatch(CycleParams(), zero_u95_k=0.3)
    rise_k, turns = plant(60.0, 100, 1500), []
    for t in range(1400):
        turn = watch.update(t, rise_k(t), not 800 <= t < 806, steady=False)
        if turn is not None:
            turns.append(turn.new)
    assert turns == [Phase.FAN, Phase.WARM_UP]


def test_a_high_rise_that_was_simply_there_has_no_onset() -> None:
    turns = walk(lambda _: 13.0, 200)
    assert [(turn.new, turn.onset_seen) for turn in turns] == [(Phase.WARM_UP, False)]


def test_a_duct_that_sinks_in_still_air_ends_the_fan_phase() -> None:
    def rise_k(t: int) -> float:
        if t < 100:
            return -4.0
        return 0.4 if t < 500 else 0.4 - 6.0 * (1 - math.exp(-(t - 500) / 600))

    assert [t.new for t in walk(rise_k, 1500)] == [Phase.FAN, Phase.OFF]


def test_the_fan_shows_by_the_jump_it_makes() -> None:
    turns = walk(lambda t: -6.0 if t < 100 else -6.0 * math.exp(-(t - 100) / 10), 400)
    assert [t.new for t in turns] == [Phase.FAN]


def test_stale_ticks_change_no_phase() -> None:
    rise_k = plant(60.0, 100, 1500)
    turns = walk(lambda t: None if 700 <= t < 760 else rise_k(t), 1400)
    assert [turn.new for turn in turns] == [Phase.WARM_UP]
