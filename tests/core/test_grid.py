"""Readings onto the grid: one by one or in blocks, the core walks the same ticks."""

from __future__ import annotations

import math
import random
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.params import (
    AirflowParams,
    AirflowSource,
    FanDrive,
    FanPosition,
    OutdoorAir,
    Plane,
    ProbeParams,
    Role,
    UnitParams,
)
from logger.core.pipeline import Pipeline, TraceRow
from logger.core.readings import NS_PER_S, Flag, Quantity, Reading
from logger.core.result import result_document
from logger.core.snapshot import TRACE_COLUMNS, Event, Freshness, silenced
from logger.core.watch import silent_after_s
from tests.core.jobs import FACTS, feed, feed_live, firing_readings, make_job, make_reading, play
from tests.shell.stand_ins import block_of

FLAGS = st.sampled_from([Flag.OK] * 8 + [Flag.CLOCK_JUMP, Flag.LATE, Flag.OUT_OF_RANGE, Flag.NOT_KNOWN])
STEP_S = st.floats(0.0, 3.0) | st.sampled_from([0.0, 1.0, 7.0, 650.0])


@st.composite
def streams(draw: st.DrawFn) -> list[Reading]:
    """Two probes with pauses, silences, equal times, and readings that came too late."""
    t_s, readings = 0.0, []
    for seq in range(draw(st.integers(1, 60))):
        t_s += draw(STEP_S)
        flag = draw(FLAGS)
        at_s = max(t_s - 5.0, 0.0) if flag is Flag.LATE else t_s
        probe = draw(st.sampled_from(["ret", "sup", "other"]))
        readings.append(make_reading(seq, at_s, probe, draw(st.floats(10.0, 60.0)), flag))
    return readings


def everything(core: Pipeline) -> tuple[object, ...]:
    """All that a run leaves behind."""
    outcome = core.finish()
    return core.take_trace(), result_document(outcome, FACTS), outcome.events


@settings(max_examples=120, deadline=None)
@given(streams(), st.lists(st.integers(1, 59), max_size=4))
def test_blocks_give_the_rows_of_single_readings(readings: list[Reading], cuts: list[int]) -> None:
    single = feed_live(make_job(), readings)
    blocks = Pipeline(make_job())
    edges = [0, *sorted({c for c in cuts if c < len(readings)}), len(readings)]
    for start, end in pairwise(edges):
        if start < end:
            blocks.update_block(block_of(readings[start:end]))
    assert everything(blocks) == everything(single)


RICH = (
    ProbeParams(name="ret", role=Role.RETURN, u95=0.2, humidity_offset=3.0, max_age_s=6.0),
    ProbeParams(name="sup", role=Role.SUPPLY, u95=0.2, weight=2.0, rise_factor=0.97),
    ProbeParams(name="sup2", role=Role.SUPPLY, u95=0.2, max_age_s=9.0),
    ProbeParams(name="out", role=Role.OUTDOOR, u95=0.5, max_age_s=20.0),
    ProbeParams(name="baro", role=Role.PRESSURE, u95=200.0),
    ProbeParams(name="vel", role=Role.VELOCITY, u95=0.03),
)
FAN = AirflowParams(
    source=AirflowSource.FIXED, volume_m3_s=1.0, temperature_c=21.0, humidity=0.4, pressure_pa=95_000.0
)
LIVE = AirflowParams(source=AirflowSource.PROBE, probe="vel", area_m2=0.3, at=Plane.SUPPLY)
RICH_JOBS: dict[str, dict[str, object]] = {
    "mixing": {
        "unit": UnitParams(outdoor_air=OutdoorAir.FRACTION, outdoor_fraction=0.2, outdoor_fraction_u95=0.02),
        "airflow": FAN,
    },
    "draw-through": {"unit": UnitParams(fan=FanPosition.DRAW_THROUGH), "airflow": FAN},
    "live velocity": {"unit": UnitParams(fan_drive=FanDrive.VARIABLE), "airflow": LIVE},
}
VALUES = {  # of each quantity of a probe; some of them out of what the site can have
    ("ret", Quantity.TEMPERATURE): st.floats(15.0, 25.0) | st.just(20.0),
    ("ret", Quantity.HUMIDITY): st.floats(0.0, 104.0),
    ("sup", Quantity.TEMPERATURE): st.floats(15.0, 60.0) | st.just(45.0),
    ("sup2", Quantity.TEMPERATURE): st.floats(15.0, 60.0),
    ("sup2", Quantity.HUMIDITY): st.floats(5.0, 60.0),
    ("out", Quantity.TEMPERATURE): st.floats(-20.0, 30.0),
    ("out", Quantity.HUMIDITY): st.floats(0.0, 100.0),
    ("baro", Quantity.PRESSURE): st.floats(90_000.0, 110_000.0),
    ("vel", Quantity.VELOCITY): st.floats(-1.0, 8.0),
}


@st.composite
def rich_streams(draw: st.DrawFn) -> list[Reading]:
    """All that a probe may speak of, in any order, with pauses."""
    t_s, readings = 0.0, []
    for seq in range(draw(st.integers(1, 120))):
        t_s += draw(st.floats(0.0, 1.0) | st.sampled_from([0.0, 4.0, 30.0]))
        probe, quantity = draw(st.sampled_from(sorted(VALUES)))
        reading = make_reading(seq, t_s, probe, draw(VALUES[probe, quantity]), draw(FLAGS))
        readings.append(reading._replace(quantity=quantity))
    return readings


@pytest.mark.parametrize("changes", RICH_JOBS.values(), ids=RICH_JOBS)
@settings(max_examples=60, deadline=None)
@given(rich_streams(), st.integers(1, 119))
def test_of_every_quantity_blocks_give_the_rows_of_single_readings(
    changes: dict[str, object], readings: list[Reading], cut: int
) -> None:
    job = make_job(probes=RICH, **changes)
    single, blocks = feed_live(job, readings), Pipeline(job)
    for part in (readings[:cut], readings[cut:]):
        blocks.update_block(block_of(part))
    assert everything(blocks) == everything(single)


@settings(max_examples=60, deadline=None)
@given(streams(), st.integers(0, 2000))
def test_who_walks_a_block_part_of_the_way_has_the_run_up_to_there(
    readings: list[Reading], wanted: int
) -> None:
    rows = feed_live(make_job(), readings).take_trace()
    walked = Pipeline(make_job())
    steps = walked.walk(block_of(readings))
    ticks = [tick for _, tick in zip(range(wanted), steps, strict=False)]
    steps.close()
    assert ticks == [row[0] for row in rows[:wanted]]
    assert walked.take_trace() == rows[: len(ticks)]
    if not 0 < len(ticks) < len(rows):
        return
    walked.update(make_reading(99, ticks[-1] + 2.0, "ret", 20.0))  # and it goes on from there
    after = walked.take_trace()
    assert [row[0] for row in after] == [ticks[-1] + 1, ticks[-1] + 2]
    assert all(shown(row, "supply_c") in (None, shown(rows[len(ticks) - 1], "supply_c")) for row in after)


def shown(row: TraceRow, column: str) -> float | None:
    """A value of a trace row."""
    return row[TRACE_COLUMNS.index(column)]


@settings(max_examples=60, deadline=None)
@given(streams(), st.lists(st.floats(0.0, 200.0), max_size=20))
def test_clock_ticks_between_readings_change_nothing(readings: list[Reading], ticks: list[float]) -> None:
    plain = feed(make_job(), readings)
    ticked = Pipeline(make_job())
    for reading in readings:
        for tick in ticks:
            if tick * NS_PER_S <= reading.t_ns:
                ticked.advance(round(tick * NS_PER_S))
                ticked.snapshot(reading.t_ns)
        ticked.update(reading)
    ticked.advance(10**15)
    assert everything(ticked) == everything(plain)


def test_a_tick_sees_what_came_before_it() -> None:
    core = feed(
        make_job(),
        [
            make_reading(0, 0.0, "ret", 20.0),
            make_reading(1, 0.5, "sup", 21.0),
            make_reading(2, 1.0, "ret", 25.0),  # at the tick: seen by the next one
            make_reading(3, 2.0, "sup", 22.0),
        ],
    )
    rows = [dict(zip(TRACE_COLUMNS, row, strict=True)) for row in core.take_trace()]
    assert [(r["t_s"], r["entering_c"], r["supply_c"]) for r in rows] == [
        (1.0, 20.0, 21.0),
        (2.0, 25.0, 21.0),
    ]


def test_an_old_value_gives_nothing() -> None:
    readings = [make_reading(0, 0.0, "ret", 20.0), make_reading(1, 0.0, "sup", 21.0)]
    readings += [make_reading(2 + t, t, "sup", 21.0 + 0.1 * (t % 2)) for t in range(1, 10)]
    rows = [dict(zip(TRACE_COLUMNS, row, strict=True)) for row in feed(make_job(), readings).take_trace()]
    assert [row["rise_k"] is None for row in rows] == [False] * 5 + [True] * 4  # max_age is 5 s


@pytest.mark.parametrize("flag", [Flag.OUT_OF_RANGE, Flag.NOT_KNOWN, Flag.LATE, Flag.DUPLICATE])
def test_flagged_values_never_enter_arithmetic(flag: Flag) -> None:
    good = firing_readings(lambda t: 47.0 + 0.1 * math.sin(t), lambda t: 20.0 + 0.1 * math.cos(t), 400)
    bad: list[Reading] = []
    rng = random.Random(5)
    for reading in good:
        bad.append(reading)
        if rng.random() < 0.3:
            bad.append(reading._replace(value=655.35, flag=flag))
    clean, dirty = feed(make_job(), good), feed(make_job(), bad)
    assert clean.take_trace() == dirty.take_trace()


def test_a_long_silence_ends_the_firing_and_is_not_walked_through() -> None:
    first = firing_readings(lambda t: 20.0 + 27.0 * (1 - math.exp(-t / 60)), lambda _: 20.0, 900)
    after = [
        r._replace(t_ns=r.t_ns + 40_000 * NS_PER_S)
        for r in firing_readings(lambda _: 20.4, lambda _: 20.0, 60)
    ]
    core = feed(make_job(), [*first, *after])
    outcome = core.finish()
    assert len(core.take_trace()) < 1000
    assert [f.end_s for f in outcome.firings] == [900]
    assert "gap" in {event.code for event in outcome.events}


def test_shifting_all_values_of_seq_and_utc_changes_no_number() -> None:
    readings = firing_readings(lambda t: 20.0 + 27.0 * (1 - math.exp(-t / 60)), lambda _: 20.0, 700)
    moved = [r._replace(seq=r.seq + 5000, utc_us=r.utc_us + 10**15) for r in readings]
    assert everything(feed(make_job(), readings)) == everything(feed(make_job(), moved))


def test_a_silent_run_is_shown_without_its_values_in_the_middle_of_a_firing() -> None:
    """The core keeps the last tick's values; the shell's picture of the silence has none, but each
    probe's age. Silent after the shortest ``max_age`` of the two sides, not of a slow gas counter."""
    job, readings = play("standard")
    assert silent_after_s(job) == min(p.max_age_s for p in job.probes if p.role is not Role.VELOCITY)
    core = feed(job, [r for r in readings if r.t_ns < 900 * NS_PER_S])
    assert core.snapshot(899 * NS_PER_S).output_w is not None
    shot = silenced(core.snapshot(948 * NS_PER_S), 48.0)
    assert (shot.silent_s, shot.phase) == (48.0, core.cycles.phase)
    shown = (shot.output_w, shot.output_u95_w, shot.rise_k, shot.supply_c, shot.return_c, shot.entering_c)
    assert set(shown) == {None}
    assert (shot.tests, shot.steady_since_s, shot.residual_bound, shot.held_s) == ((), None, None, 0.0)
    for probe in shot.probes:
        assert probe.state is Freshness.STALE
        assert probe.age_s is not None
        assert 47.0 < probe.age_s < 60.0


def test_events_are_listed_by_their_time_even_where_they_were_told_late() -> None:
    """A probe's silence is found when the next reading comes; what the shell told meanwhile is later."""
    job = make_job()
    core = Pipeline(job)
    for t_s in range(11):
        for probe in ("ret", "sup"):
            core.update(make_reading(2 * t_s, t_s, probe, 20.0))
    core.note(Event(t_ns=19 * NS_PER_S, code="probe-lost", text="lost", probe="ret", origin="shell"))
    core.update(make_reading(30, 40, "ret", 20.0))
    told = [event.code for event in core.finish().events]
    assert told.index("probe-lost") < told.index("probe-silent")
    listed = result_document(core.finish(), FACTS)["events"]
    codes = [event["code"] for event in listed]
    assert codes.index("probe-silent") < codes.index("probe-lost")
    times = [event["t_s"] for event in listed]
    assert times == sorted(times)
