"""What every Bluetooth probe has: options, waiting times, reports. No radio."""

import random
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.probe import LinkReport, Rhythm, Wanted, backoff_s, not_found, printable, seconds
from logger.core.readings import NS_PER_S
from logger.driver_api import LinkState

SEARCHING, CONNECTING, LIVE, LOST, REFUSED = LinkState


def told() -> tuple[LinkReport, list[tuple[LinkState, str]]]:
    said: list[tuple[LinkState, str]] = []
    return LinkReport("ret", lambda _, state, text: said.append((state, text))), said


def test_each_change_of_state_is_told_once_and_tries_after_a_loss_are_not() -> None:
    report, said = told()
    for state, text in [
        (SEARCHING, "s"),
        (CONNECTING, "c"),
        (LOST, "no answer"),
        (CONNECTING, "c"),
        (LOST, "no answer"),
        (CONNECTING, "c"),
        (LOST, "other reason"),
        (LIVE, "l"),
        (LIVE, "l"),
        (LOST, "no answer"),
    ]:
        report.state(state, text)
    assert said == [
        (SEARCHING, 'probe "ret": s'),
        (CONNECTING, 'probe "ret": c'),
        (LOST, 'probe "ret": no answer'),
        (LOST, 'probe "ret": other reason'),
        (LIVE, 'probe "ret": l'),
        (LOST, 'probe "ret": no answer'),
    ]


def test_a_remark_waits_until_the_state_is_settled_and_is_made_once() -> None:
    report, said = told()
    report.remark("k", "before")
    report.state(CONNECTING, "c")
    report.remark("k", "before")
    report.remark("m", "meanwhile")
    report.state(LIVE, "l")
    report.remark("n", "after")
    report.remark("n", "after")
    assert [text for _, text in said] == [
        'probe "ret": c',
        'probe "ret": l',
        'probe "ret": before',
        'probe "ret": meanwhile',
        'probe "ret": after',
    ]
    assert {state for state, _ in said[1:]} == {LIVE}


@given(st.integers(1, 10_000), st.integers())
def test_backoff_lies_between_half_a_second_and_a_minute_and_is_repeatable(attempt: int, seed: int) -> None:
    wait_s = backoff_s(attempt, random.Random(seed))
    assert 0.5 <= wait_s <= 60.0
    assert wait_s == backoff_s(attempt, random.Random(seed))


def test_backoff_doubles_up_to_a_minute() -> None:
    class Highest(random.Random):
        def random(self) -> float:
            return 1.0

    assert [backoff_s(n, Highest()) for n in range(1, 10)] == [1, 2, 4, 8, 16, 32, 60, 60, 60]


def test_a_slow_probe_is_given_longer_with_every_silence_until_its_interval_is_known() -> None:
    rhythm = Rhythm(least_s=10.0, unknown_s=10.0)
    waits = []
    for t_s in (0, 100, 200):
        rhythm.start(t_s * NS_PER_S)
        waits.append(rhythm.silent_at_ns() / NS_PER_S - t_s)
        rhythm.silence()
    assert waits == [10.0, 20.0, 40.0]
    rhythm.update(210 * NS_PER_S)
    rhythm.update(240 * NS_PER_S)
    assert rhythm.silent_at_ns() == (240 + 5 * 30) * NS_PER_S
    rhythm.start(1000 * NS_PER_S)  # the time in between is no gap
    rhythm.update(1001 * NS_PER_S)
    assert rhythm.silent_at_ns() == (1001 + 5 * 30) * NS_PER_S


def test_one_long_gap_is_forgotten() -> None:
    rhythm = Rhythm(least_s=10.0, unknown_s=60.0)
    for t_s in (0, 100, *range(101, 109)):
        rhythm.update(t_s * NS_PER_S)
    assert rhythm.silent_at_ns() == (108 + 10) * NS_PER_S


@pytest.mark.parametrize(
    ("text", "expected"), [("1 s", 1.0), ("0.05s", 0.05), ("2 min", 120.0), ("250 ms", 0.25)]
)
def test_durations(text: str, expected: float) -> None:
    assert seconds(text) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("text", ["1", "", "s", "-1 s", "1 h", "nan s", "1 S", "1 s 2"])
def test_what_is_no_duration_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match='like "1 s"'):
        seconds(text)


@given(st.text())
def test_text_from_outside_is_short_and_printable(text: str) -> None:
    shown = printable(text)
    assert len(shown) <= 40
    assert shown.isprintable()


def test_an_address_is_compared_without_regard_to_case_and_a_name_with() -> None:
    uuid = "0f3d1b2a-0000-4000-8000-00000000abcd"  # as macOS names a device; invented
    assert Wanted(address=uuid.upper()).matches(uuid, "x")
    assert not Wanted(address=uuid).matches("0f3d1b2a-0000-4000-8000-00000000abce", "x")
    assert Wanted(name="Roof").matches(uuid, "Roof")
    assert not Wanted(name="Roof").matches(uuid, "roof")
    assert not Wanted(name="Roof").matches(uuid, None)


HARDWARE, UUID = "AA:BB:CC:00:00:02", "0F3D1B2A-0000-4000-8000-00000000ABCD"  # invented


@pytest.mark.parametrize(
    ("system", "wanted", "next_step"),
    [
        ("darwin", Wanted(address=HARDWARE), "by a UUID of this computer's own"),
        ("darwin", Wanted(address=UUID), "compare its address"),
        ("linux", Wanted(address=UUID), "by its hardware address, like"),
        ("win32", Wanted(address=UUID), "by its hardware address, like"),
        ("linux", Wanted(address=HARDWARE), "compare its address"),
        ("win32", Wanted(address=HARDWARE), "compare its address"),
        ("darwin", Wanted(name="Roof"), "compare its address or name"),
    ],
)
def test_an_address_of_a_kind_that_the_system_does_not_know_is_said(
    system: str, wanted: Wanted, next_step: str
) -> None:
    assert next_step in not_found(wanted, 20.0, system=system)[1]


def test_importing_a_driver_does_not_load_the_radio() -> None:
    code = "import sys, drivers.ess.driver, drivers.bthome.driver; sys.exit('bleak' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_probe_that_sends_in_bursts_is_not_lost_for_ever() -> None:
    rhythm = Rhythm(least_s=10.0, unknown_s=60.0)
    rhythm.start(0)
    losses, silent = 0, False
    for minute in range(30):
        for copy in range(10):
            t_ns = minute * 60 * NS_PER_S + copy * NS_PER_S // 5
            if t_ns >= rhythm.silent_at_ns():
                losses += 1
                rhythm.silence()
                silent = True
            (rhythm.resume if silent else rhythm.update)(t_ns)
            silent = False
    assert losses <= 1


def test_a_fast_probe_that_was_away_is_soon_told_silent_again() -> None:
    rhythm = Rhythm(least_s=10.0, unknown_s=60.0)
    rhythm.start(0)
    for s in range(20):
        rhythm.update(s * NS_PER_S)
    rhythm.resume(3600 * NS_PER_S)
    for s in range(1, 10):
        rhythm.update((3600 + s) * NS_PER_S)
    assert rhythm.silent_at_ns() == (3609 + 10) * NS_PER_S


def test_a_burst_of_a_slow_probe_does_not_shorten_the_interval_it_tells() -> None:
    rhythm = Rhythm(least_s=10.0, unknown_s=10.0)
    rhythm.start(0, every_s=60.0)
    for t_s in (0, 2):
        rhythm.update(t_s * NS_PER_S)
    assert rhythm.silent_at_ns() == (2 + 5 * 60) * NS_PER_S


def test_five_copies_a_minute_cost_at_most_two_losses_and_none_later() -> None:
    rhythm = Rhythm(least_s=10.0, unknown_s=10.0)
    rhythm.start(0)
    lost_in = []
    for minute in range(30):
        for copy in range(5):
            t_ns = minute * 60 * NS_PER_S + copy * NS_PER_S // 5
            if lost := t_ns >= rhythm.silent_at_ns():
                lost_in.append(minute)
                rhythm.silence()
            (rhythm.resume if lost else rhythm.update)(t_ns)
    assert lost_in == [1]
