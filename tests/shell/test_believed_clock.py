"""A clock is believed once it has gone evenly for ten minutes, from where the store's records end."""

from pathlib import Path

from hypothesis import example, given
from hypothesis import strategies as st

from logger.believed_clock import AGREED_S, FALL_S, LEAP_S, BelievedClock, Stretch
from logger.core.readings import NS_PER_S
from logger.store import Batch, ClockSegment, RunEnd, RunHeader, StoreWriter
from logger.store.kept import KeptReader

DAY_S = 86_400
KEEP_S = 14.0 * DAY_S
US = 1_000_000
UTC0 = 1_700_000_000 * US  # 2023-11-14
STORE = (Stretch(first_utc_us=UTC0 - 30 * DAY_S * US, last_utc_us=UTC0),)


def looks(
    clock: BelievedClock, offset_s: float, first_s: float, last_s: float, every_s: float = 60.0
) -> list[int | None]:
    """Looks from elapsed ``first_s`` to ``last_s`` at a clock that is ``offset_s`` ahead of right."""
    count = int((last_s - first_s) // every_s) + 1
    times = [first_s + n * every_s for n in range(count)]
    return [clock.look(UTC0 + round((t + offset_s) * US), round(t * NS_PER_S)) for t in times]


def test_it_is_believed_once_it_has_gone_evenly_for_ten_minutes() -> None:
    clock = BelievedClock(STORE, KEEP_S)
    found = looks(clock, 0.0, 0.0, 1_200.0)
    assert [utc is None for utc in found] == [True] * 10 + [False] * 11
    assert found[10] == UTC0 + 600 * US
    assert clock.doubt == ""


def test_a_step_begins_the_ten_minutes_again() -> None:
    clock = BelievedClock(STORE, KEEP_S)
    looks(clock, 0.0, 0.0, 540.0)
    stepped = looks(clock, 3_600.0, 600.0, 1_800.0)
    assert [utc is None for utc in stepped] == [True] * 10 + [False] * 11
    back = looks(clock, 0.0, 1_860.0, 1_860.0)
    assert back == [None]


def test_a_clock_a_year_ahead_is_not_believed_and_a_person_is_told() -> None:
    clock = BelievedClock(STORE, KEEP_S)
    assert set(looks(clock, 365.0 * DAY_S, 0.0, 10.0 * DAY_S, 3_600.0)) == {None}
    assert clock.doubt == (
        "the clock says 2024-11-13 and the store's newest record before it is of 2023-11-14: nothing goes by "
        "age before 2024-11-27; set the clock if one of the two is wrong"
    )
    # what lies before the leap is older than the time since: by then nothing wrong can be done
    assert None not in looks(clock, 365.0 * DAY_S, KEEP_S, KEEP_S + DAY_S, 3_600.0)
    assert clock.doubt == ""


def test_what_a_wrong_clock_has_stored_does_not_vouch_for_it() -> None:
    wrong = Stretch(first_utc_us=UTC0 + 365 * DAY_S * US, last_utc_us=UTC0 + 366 * DAY_S * US)
    clock = BelievedClock((*STORE, wrong), KEEP_S)
    assert set(looks(clock, 366.0 * DAY_S, 0.0, 3_600.0)) == {None}
    assert "2024-11-13" in clock.doubt
    right_again = BelievedClock((*STORE, wrong), KEEP_S)
    assert set(looks(right_again, 0.0, 0.0, 3_600.0)) == {None}  # a fall of a year: told too
    assert "the clock says 2023-11-14" in right_again.doubt
    later = BelievedClock(
        (*STORE, wrong, Stretch(first_utc_us=UTC0, last_utc_us=UTC0 + 20 * DAY_S * US)), KEEP_S
    )
    assert looks(later, 20.0 * DAY_S, 0.0, 600.0)[-1] is not None


def test_a_clock_that_wakes_at_an_old_date_waits_for_its_time_server() -> None:
    clock = BelievedClock(STORE, KEEP_S)
    assert set(looks(clock, -400.0 * DAY_S, 0.0, 3_600.0)) == {None}
    assert clock.doubt
    found = looks(clock, 0.0, 3_660.0, 4_320.0)
    assert (found[0], found[-1] is None, clock.doubt) == (None, False, "")


def test_a_clock_that_is_a_minute_behind_the_store_waits_without_a_word() -> None:
    clock = BelievedClock(STORE, KEEP_S)
    found = looks(clock, -1_200.0, 0.0, 1_800.0)
    assert [utc is None for utc in found] == [True] * 20 + [False] * 11
    assert clock.doubt == ""


def test_a_summer_without_heating_is_no_leap_and_a_long_run_neither() -> None:
    assert looks(BelievedClock(STORE, KEEP_S), 190.0 * DAY_S, 0.0, 600.0)[-1] is not None
    assert None not in looks(BelievedClock(STORE, KEEP_S), 0.0, 0.0, 500.0 * DAY_S, 3_600.0)[1:]


def test_an_empty_store_has_nothing_to_lose() -> None:
    assert looks(BelievedClock((), KEEP_S), 9_000.0 * DAY_S, 0.0, 600.0)[-1] is not None


@given(
    steps=st.lists(
        st.tuples(
            st.floats(1.0, 2_000.0), st.sampled_from([0.0, 0.0, 0.0, 1.0, 30.0, -30.0, 3e7, -3e7, 4e6])
        ),
        max_size=40,
    ),
    keep_s=st.floats(60.0, 1e7),
)
@example(steps=[(1.0, -3e7), (600.0, 0.0)], keep_s=60.0)
def test_it_is_believed_only_behind_ten_even_minutes_and_never_before_the_store(
    steps: list[tuple[float, float]], keep_s: float
) -> None:
    """Random looks and steps; the clock starts right."""
    clock = BelievedClock(STORE, keep_s)
    elapsed_s, offset_s, even_s = 0.0, 0.0, 0.0
    clock.look(UTC0, 0)
    for wait_s, step_s in steps:
        elapsed_s, offset_s = elapsed_s + wait_s, offset_s + step_s
        even_s = even_s + wait_s if abs(step_s) <= 1.0 else 0.0
        utc_us = UTC0 + round((elapsed_s + offset_s) * US)
        found = clock.look(utc_us, round(elapsed_s * NS_PER_S))
        if found is None:
            assert even_s < AGREED_S + 1.0 or offset_s < 0.0 or offset_s > LEAP_S
            continue
        assert found == utc_us
        assert utc_us >= UTC0 or offset_s < -FALL_S  # a fall that was waited out makes ages smaller, no more
        assert even_s >= AGREED_S - 1.0
        assert -FALL_S <= offset_s <= LEAP_S or elapsed_s >= keep_s - 1.0


def test_what_a_store_knows_of_its_times(tmp_path: Path) -> None:
    path = tmp_path / "hall.db"
    day = DAY_S * US

    def add(writer: StoreWriter, run: str, **header: object) -> None:
        started = header.pop("started_utc_us", UTC0)
        made = RunHeader(run=run, job="hall", started_utc_us=started, **header)  # type: ignore[arg-type]
        end = RunEnd(ended_utc_us=UTC0 + 9 * day, end_reason="ended", result_json="{}")
        writer.write(Batch(run=run, header=made, end=end))

    with StoreWriter(path, "test") as writer:
        step = ClockSegment(t_ns=3_600 * NS_PER_S, utc_us=UTC0 + 8 * day)
        add(writer, "stepped", clock_segments=(step,))
        add(writer, "sim", simulated=True)
        add(writer, "again", replay_of="stepped", started_utc_us=UTC0 - 99 * day)
        add(writer, "ours", started_utc_us=UTC0 + 10 * day)
        writer.write(Batch(run="open", header=RunHeader(run="open", job="hall", started_utc_us=UTC0)))
    with KeptReader(path) as reader:
        assert reader.stretches("ours") == (
            Stretch(first_utc_us=UTC0, last_utc_us=UTC0 + 3_600 * US),
            Stretch(first_utc_us=UTC0 + 8 * day, last_utc_us=UTC0 + 9 * day),
            Stretch(first_utc_us=UTC0, last_utc_us=UTC0),
        )
