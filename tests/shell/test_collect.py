"""The collector: one counter, one queue, flags given once."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.collect import Collector, Noted, Record, Tick
from logger.core.readings import Flag, Quantity, Reading, Sample
from logger.driver_api import LinkState
from tests.shell.stand_ins import UTC0, HandClock

S = 1_000_000_000


@pytest.fixture
def clock() -> HandClock:
    return HandClock(5 * S)


@pytest.fixture
def collector(clock: HandClock) -> Collector:
    return Collector(clock, ["ret", "sup"])


def sample(value: float = 20.0, probe: str = "ret", flag: Flag = Flag.OK) -> Sample:
    return Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=value, flag=flag)


def notes(records: list[Record]) -> list[tuple[str, str | None]]:
    return [(r.event.code, r.event.probe) for r in records if isinstance(r, Noted)]


def test_zero_is_the_first_reading(clock: HandClock, collector: Collector) -> None:
    collector.emit(sample(20.5))
    clock.t_ns += 3 * S // 2
    collector.emit(sample(48.0, "sup"))
    utc = UTC0 + 5_000_000
    assert collector.take() == [
        Reading(0, 0, "ret", Quantity.TEMPERATURE, 20.5, Flag.OK, utc, 0),
        Reading(1, 3 * S // 2, "sup", Quantity.TEMPERATURE, 48.0, Flag.OK, utc + 1_500_000, 3 * S // 2),
    ]
    assert collector.start_utc_us == utc
    assert collector.take() == []


def test_one_counter_for_readings_events_and_results(clock: HandClock, collector: Collector) -> None:
    collector.emit(sample())
    collector.note("mark", "damper closed by hand")
    assert collector.next_seq() == 2
    collector.emit(sample())
    seqs = [r.seq for r in collector.take() if not isinstance(r, Tick)]
    assert seqs == [0, 1, 3]


@pytest.mark.parametrize(
    ("value", "given_flag", "expected"),
    [
        (20.0, Flag.OK, Flag.OK),
        (327.67, Flag.OK, Flag.OUT_OF_RANGE),
        (-327.68, Flag.NOT_KNOWN, Flag.NOT_KNOWN),  # the driver's own flag wins
        (20.0, Flag.DUPLICATE, Flag.DUPLICATE),
    ],
)
def test_flags(collector: Collector, value: float, given_flag: Flag, expected: Flag) -> None:
    collector.emit(sample(value, flag=given_flag))
    (reading,) = collector.take()
    assert isinstance(reading, Reading)
    assert (reading.flag, reading.value) == (expected, value)


@pytest.mark.parametrize("moved_us", [-3_600_000_000, 1_000_001, 7_200_000_000])
def test_a_clock_that_was_set_marks_one_reading(
    clock: HandClock, collector: Collector, moved_us: int
) -> None:
    collector.emit(sample())
    clock.t_ns += S
    clock.utc_shift_us = moved_us
    collector.emit(sample())
    clock.t_ns += S
    collector.emit(sample())
    first, note, second, third = collector.take()
    assert isinstance(note, Noted)
    assert note.event.code == "clock-jump"
    assert note.event.t_ns == second.t_ns == S  # type: ignore[union-attr]
    assert [r.flag for r in (first, second, third) if isinstance(r, Reading)] == [
        Flag.OK,
        Flag.CLOCK_JUMP,
        Flag.OK,
    ]


def test_a_slowly_steered_clock_is_no_jump(clock: HandClock, collector: Collector) -> None:
    for _ in range(100):
        clock.t_ns += S
        clock.utc_shift_us += 500  # 500 ppm: the most that NTP slews (RFC 5905 clock discipline)
        collector.emit(sample())
    assert notes(collector.take()) == []


def test_a_suspend_comes_before_the_next_reading(clock: HandClock, collector: Collector) -> None:
    collector.emit(sample())
    clock.slept_ns += 62 * S
    clock.t_ns += S
    collector.emit(sample())
    _, note, reading = collector.take()
    assert isinstance(note, Noted)
    assert (note.event.code, note.event.origin, note.event.t_ns) == ("suspended", "shell", 63 * S)
    assert "62 s" in note.event.text
    assert isinstance(reading, Reading)
    assert reading.t_ns == 63 * S
    clock.slept_ns += S  # shorter than the limit
    collector.tick()
    assert notes(collector.take()) == []


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_value_that_is_no_number_is_the_drivers_fault(collector: Collector, value: float) -> None:
    collector.emit(sample(value))
    collector.emit(sample(value))
    collector.emit(sample(21.0))
    records = collector.take()
    assert notes(records) == [("driver-fault", "ret")]
    assert [r.value for r in records if isinstance(r, Reading)] == [21.0]
    collector.sum_up()
    (last,) = collector.take()
    assert isinstance(last, Noted)
    assert last.event.text.startswith("2 values in all were refused")


@pytest.mark.parametrize(
    "odd",
    [{"flag": "weird"}, {"flag": None}, {"quantity": "colour"}, {"value": "20"}, {"value": 10**400}],
)
def test_a_sample_that_is_none_is_refused_and_costs_no_other(
    collector: Collector, odd: dict[str, Any]
) -> None:
    collector.emit(Sample(**{"probe": "ret", "quantity": Quantity.TEMPERATURE, "value": 20.0} | odd))
    collector.emit(sample(21.0, "sup"))
    records = collector.take()
    assert notes(records) == [("driver-fault", "ret")]
    assert [r.value for r in records if isinstance(r, Reading)] == [21.0]


def test_a_low_battery_is_told_at_each_limit_once(collector: Collector) -> None:
    for value in (16.0, 15.0, 14.0, 15.0, 90.0, 12.0, 5.0, 4.0):
        collector.emit(Sample(probe="ret", quantity=Quantity.BATTERY, value=value))
    collector.emit(Sample(probe="sup", quantity=Quantity.BATTERY, value=3.0))
    collector.emit(Sample(probe="sup", quantity=Quantity.BATTERY, value=-3.0))
    told = [(r.event.code, r.event.probe, r.event.text) for r in collector.take() if isinstance(r, Noted)]
    assert [(code, probe) for code, probe, _ in told] == [
        ("battery-low", "ret"), ("battery-low", "ret"), ("battery-low", "sup")
    ]  # fmt: skip
    assert "at 15 %" in told[0][2]
    assert "at 5 %" in told[1][2]


def test_a_probe_that_nobody_asked_for(collector: Collector) -> None:
    collector.emit(sample(probe="x\x1b[2J"))
    (record,) = collector.take()
    assert isinstance(record, Noted)
    assert "\x1b" not in record.event.text
    assert record.event.probe is None


def test_time_before_the_first_reading(clock: HandClock, collector: Collector) -> None:
    collector.tick()
    collector.note("mark", "early")
    (record,) = collector.take()
    assert isinstance(record, Noted)
    assert record.event.t_ns == 0
    assert collector.elapsed_ns() == 0


def test_a_backward_clock_gives_late(clock: HandClock, collector: Collector) -> None:
    collector.emit(sample())
    clock.t_ns += 2 * S
    collector.emit(sample())
    clock.t_ns -= S
    collector.emit(sample())
    flags = [r.flag for r in collector.take() if isinstance(r, Reading)]
    assert flags == [Flag.OK, Flag.OK, Flag.LATE]


LIVE, LOST, SEARCH, REFUSED = LinkState.LIVE, LinkState.LOST, LinkState.SEARCHING, LinkState.REFUSED


@pytest.mark.parametrize(
    ("steps", "codes"),
    [
        ([(SEARCH, "a"), (LIVE, "found")], ["probe-live"]),
        ([(LOST, "1"), (SEARCH, ""), (LOST, "1"), (SEARCH, ""), (LOST, "")], ["probe-lost"]),
        (
            [
                (LOST, "connection was lost"),
                (SEARCH, ""),
                (LOST, "adapter is off; switch it on"),
                (LOST, "connection was lost"),
            ],
            ["probe-lost", "probe-note"],
        ),
        ([(LIVE, ""), (LOST, "gone"), (SEARCH, ""), (LIVE, "")], ["probe-live", "probe-lost", "probe-live"]),
        ([(LIVE, ""), (LIVE, "odd packet"), (LIVE, "odd packet"), (LIVE, "")], ["probe-live", "probe-note"]),
        ([(REFUSED, "encrypted"), (REFUSED, "encrypted")], ["probe-refused"]),
    ],
)
def test_links_are_told_once(
    collector: Collector, steps: list[tuple[LinkState, str]], codes: list[str]
) -> None:
    for state, text in steps:
        collector.link("ret", state, text)
    assert [code for code, _ in notes(collector.take())] == codes


@given(st.lists(st.sampled_from(["emit", "note", "tick", "step", "bad", "sleep", "set"]), max_size=60))
def test_order_and_counter_hold_whatever_happens(actions: list[str]) -> None:
    clock = HandClock(5 * S)
    collector = Collector(clock, ["ret"])
    for action in actions:
        if action == "emit":
            collector.emit(sample())
        elif action == "bad":
            collector.emit(sample(math.nan))
        elif action == "note":
            collector.note("mark", "x")
        elif action == "tick":
            collector.tick()
        elif action == "sleep":
            clock.slept_ns += 10 * S
        elif action == "set":
            clock.utc_shift_us += 5_000_000
        else:
            clock.t_ns += S
    records = collector.take()
    seqs = [r.seq for r in records if not isinstance(r, Tick)]
    assert seqs == list(range(len(seqs)))
    times = [r.event.t_ns if isinstance(r, Noted) else r.t_ns for r in records]
    assert times == sorted(times)
    assert sum(isinstance(r, Reading) for r in records) == actions.count("emit")


def test_what_a_probe_says_of_its_make_is_noted_once_and_when_it_changes(collector: Collector) -> None:
    for serial in ("7", "7", "8"):
        collector.about("ret", {"maker": "Nobody\x1b[31m", "serial": serial})
    collector.about("ret", {})
    collector.about("stranger", {"maker": "Nobody"})
    told = [each.event for each in collector.take() if isinstance(each, Noted)]
    assert [(event.code, event.probe, event.text) for event in told] == [
        ("probe-device", "ret", f"probe 'ret' by its own word: maker Nobody[31m, serial {n}") for n in (7, 8)
    ]
