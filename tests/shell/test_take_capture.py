"""The walk: every stage with every key, and what a whole walk leaves behind."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.readings import Quantity
from logger.take.capture import TABLE, Action, begin, observe, press, resume
from logger.take.hold import Tail
from logger.take.walk import Entry, Key, Moment, State, Taken, stage_of
from logger.take.watch import Look, Stage

TAIL = Tail(mean=4.0, scatter=0.1, drift=0.01, span_s=8.0, count=9)
BACK = Tail(mean=-0.6, scatter=0.1, drift=0.01, span_s=8.0, count=9)
WARM = Tail(mean=48.0, scatter=0.05, drift=0.0, span_s=12.0, count=13)


def look(stage: Stage, tail: Tail | None = TAIL, quantity: Quantity = Quantity.VELOCITY) -> Look:
    settled = stage is not Stage.UNSTEADY
    return Look(stage=stage, text=f"it is {stage}.", quantity=quantity, value=4.0, tail=tail, settled=settled)


def moment(stage: Stage, **more: object) -> Moment:
    return replace(Moment(looks=(look(stage),), t_s=12.0), **more)  # type: ignore[arg-type]


def placed(stage: Stage) -> tuple[State, Moment]:
    """A state and moment that are at that stage, two of four points captured."""
    done = Taken(entry=Entry(velocity_m_s=3.0), t_s=1.0)
    state = replace(begin(4), taken=(done, done, None, None), at=2, last=1)
    if stage is Stage.TYPED:
        return state, Moment(t_s=12.0)
    if stage is Stage.ASKING:
        return replace(state, asking=True), Moment(looks=(look(Stage.DOUBTFUL, BACK),), t_s=12.0)
    if stage is Stage.DOUBTFUL:
        return state, Moment(looks=(look(Stage.DOUBTFUL, BACK),), t_s=12.0)
    if stage is Stage.LACKING:
        warm = look(Stage.STEADY, WARM, Quantity.TEMPERATURE)
        return state, Moment(looks=(warm,), t_s=12.0, needs_temperature=True)
    if stage is Stage.END:
        return replace(state, at=5), moment(Stage.STEADY)
    return state, moment(stage)


# What each key does at each stage, written from the manual, not from the table: the point in hand
# afterwards (counted from 0; 4 is the repeat, 5 the end), whether something was captured, whether
# the key was refused, whether the walk is over.
HERE, NEXT, LAST, BEFORE = 2, 3, 1, 1
TAKES = {Stage.STEADY, Stage.UNSTEADY, Stage.ASKING}


@pytest.mark.parametrize("stage", Stage)
def test_take(stage: Stage) -> None:
    state, now = placed(stage)
    assert stage_of(state, now) is stage
    after = press(state, Key.TAKE, now)
    if stage is Stage.END:
        assert after.left
        assert after.done
        return
    assert after.changed is (stage in TAKES)
    assert after.refused is (stage not in TAKES)
    assert after.at == (NEXT if stage in TAKES else HERE)
    assert after.asking is (stage is Stage.DOUBTFUL)
    if stage not in TAKES:
        assert after.taken == state.taken
        assert after.said


@pytest.mark.parametrize("stage", Stage)
def test_a_typed_value(stage: Stage) -> None:
    state, now = placed(stage)
    whole = Entry(velocity_m_s=5.0, temperature_c=50.0 if now.needs_temperature else None)
    after = press(state, Key.VALUE, replace(now, entry=whole))
    if stage is Stage.END:
        assert after.refused
        assert after.taken == state.taken
        return
    kept = after.taken[HERE]
    assert after.changed
    assert kept is not None
    assert (kept.entry, kept.scatter_m_s, kept.readings) == (whole, None, 0)
    assert after.at == NEXT


@pytest.mark.parametrize("stage", Stage)
@pytest.mark.parametrize(
    ("key", "at", "at_end"), [(Key.REDO, LAST, LAST), (Key.SKIP, NEXT, 5), (Key.BACK, BEFORE, 4)]
)
def test_keys_that_only_move(stage: Stage, key: Key, at: int, at_end: int) -> None:
    state, now = placed(stage)
    after = press(state, key, now)
    assert after.at == (at_end if stage is Stage.END else at)
    assert after.taken == state.taken
    assert not after.changed
    assert after.refused is (stage is Stage.END and key is Key.SKIP)
    assert after.said


@pytest.mark.parametrize("stage", Stage)
def test_leave(stage: Stage) -> None:
    state, now = placed(stage)
    after = press(state, Key.LEAVE, now)
    assert after.left
    assert not after.done
    assert after.taken == state.taken


def test_the_table_is_whole() -> None:
    assert set(TABLE) == {(stage, key) for stage in Stage for key in Key}
    assert set(TABLE.values()) == set(Action)


def test_a_capture_keeps_average_scatter_and_time() -> None:
    state = press(begin(2), Key.TAKE, moment(Stage.STEADY))
    assert state.taken[0] == Taken(
        entry=Entry(velocity_m_s=4.0), scatter_m_s=0.1, t_s=12.0, span_s=8.0, readings=9
    )


def test_what_was_not_steady_is_noted() -> None:
    state = press(begin(2), Key.TAKE, moment(Stage.UNSTEADY))
    assert state.taken[0] is not None
    assert not state.taken[0].settled
    assert "did not settle" in state.taken[0].note


def test_of_two_probes_one_that_did_not_settle_marks_the_point() -> None:
    warm = look(Stage.UNSTEADY, WARM, Quantity.TEMPERATURE)
    both = Moment(looks=(warm, look(Stage.STEADY)), needs_temperature=True)
    taken = press(begin(1), Key.TAKE, both).taken[0]
    assert taken is not None
    assert not taken.settled


def test_reverse_flow_is_asked_for_twice_and_said() -> None:
    now = Moment(looks=(look(Stage.DOUBTFUL, BACK),), t_s=3.0)
    state = press(begin(2), Key.TAKE, now)
    assert state.refused
    assert state.taken == (None, None)
    state = press(state, Key.TAKE, now)
    assert state.taken[0] is not None
    assert state.taken[0].entry.velocity_m_s == -0.6
    assert "reverse" in state.said
    assert "reverse" in state.taken[0].note


def test_the_question_lapses_when_the_value_is_another() -> None:
    doubtful = Moment(looks=(look(Stage.DOUBTFUL, BACK),), t_s=3.0)
    state = press(begin(2), Key.TAKE, doubtful)
    state = observe(observe(state, doubtful), moment(Stage.MOVING))
    assert press(state, Key.TAKE, doubtful).taken == (None, None)


def test_the_first_point_is_repeated_at_the_end() -> None:
    state = begin(3)
    for _ in range(3):
        assert not state.repeating
        state = press(state, Key.TAKE, moment(Stage.STEADY))
    assert state.repeating
    assert state.here == 0
    assert not state.open
    state = press(state, Key.TAKE, moment(Stage.STEADY))
    assert state.ended
    assert state.repeat is not None
    assert press(state, Key.TAKE, moment(Stage.STEADY)).done


def test_the_repeat_can_be_left_out_and_come_back_to() -> None:
    state = resume((Taken(entry=Entry(velocity_m_s=1.0), t_s=0.0),) * 2, None)
    state = press(state, Key.SKIP, moment(Stage.STEADY))
    assert state.ended
    assert "drift" in state.said
    assert press(state, Key.BACK, moment(Stage.STEADY)).repeating


def walked(count: int, *times: tuple[Key, float]) -> State:
    """A walk by keys, each at its time in s; every value is steady."""
    state = begin(count)
    for key, t_s in times:
        state = press(state, key, moment(Stage.STEADY, t_s=t_s))
    return state


def test_the_repeat_is_of_the_point_captured_first_not_of_the_one_listed_first() -> None:
    skipped = walked(3, (Key.SKIP, 0), (Key.TAKE, 1), (Key.TAKE, 2), (Key.TAKE, 9))
    assert (skipped.ended, skipped.first, skipped.repeat) == (True, 1, skipped.repeat)
    assert skipped.repeat is not None
    state = skipped
    for _ in range(4):
        state = press(state, Key.BACK, moment(Stage.STEADY))
    state = press(state, Key.TAKE, moment(Stage.STEADY, t_s=20.0))  # point 1, last of all
    assert (state.first, state.repeating, state.here) == (1, True, 1)
    assert "The repeat is older: it comes once more" in state.said
    assert state.repeat == skipped.repeat  # it stays until there is a newer one
    state = press(state, Key.TAKE, moment(Stage.STEADY, t_s=30.0))
    assert state.ended
    assert state.repeat is not None
    assert state.repeat.t_s == 30.0


def test_a_first_point_taken_again_late_is_no_longer_the_first() -> None:
    state = walked(3, (Key.TAKE, 1), (Key.TAKE, 2), (Key.TAKE, 3))
    for _ in range(3):
        state = press(state, Key.BACK, moment(Stage.STEADY))
    state = press(state, Key.TAKE, moment(Stage.STEADY, t_s=30.0))
    assert (state.repeating, state.here) == (True, 1)
    state = press(state, Key.TAKE, moment(Stage.STEADY, t_s=40.0))
    assert state.ended
    for _ in range(3):
        state = press(state, Key.BACK, moment(Stage.STEADY))
    state = press(state, Key.TAKE, moment(Stage.STEADY, t_s=50.0))  # and now point 2: its repeat is void
    assert (state.repeat, state.repeating, state.here) == (None, True, 2)


def test_an_older_repeat_can_be_kept() -> None:
    state = walked(
        2, (Key.TAKE, 1), (Key.SKIP, 2), (Key.TAKE, 3), (Key.BACK, 3), (Key.BACK, 3), (Key.TAKE, 4)
    )
    assert state.repeating
    state = press(state, Key.SKIP, moment(Stage.STEADY))
    assert "stays the older one" in state.said
    assert state.ended
    assert state.repeat is not None


@pytest.mark.parametrize("redone", [0, 2])
def test_a_repeat_does_not_outlive_the_first_value(redone: int) -> None:
    """A new first value with an old repeat would hide a drift, or make one up."""
    state = begin(3)
    for value in (4.0, 4.1, 4.2, 3.0):  # the fan sinks by a quarter
        state = press(state, Key.VALUE, Moment(entry=Entry(velocity_m_s=value)))
    assert state.ended
    for _ in range(4 - redone):
        state = press(state, Key.BACK, Moment())
    state = press(state, Key.VALUE, Moment(entry=Entry(velocity_m_s=3.0)))
    assert (state.repeat is None) is (redone == 0)
    assert state.repeating is (redone == 0)
    assert ("The repeat does not go with it" in state.said) is (redone == 0)


DOUBTED = [
    (Entry(velocity_m_s=-0.6), "Reverse flow", "with reverse flow"),
    (Entry(velocity_m_s=-0.0508), "Next to no flow, and backwards", "with no flow"),  # -10 fpm
    (Entry(velocity_m_s=0.05), "No flow", "with no flow"),
    (Entry(velocity_pressure_pa=-3.0), "hoses are swapped", "with reverse flow"),
    (Entry(velocity_pressure_pa=0.0), "No flow", "with no flow"),
]


@pytest.mark.parametrize(("entry", "doubt", "said"), DOUBTED)
@pytest.mark.parametrize("key", [Key.TAKE, Key.VALUE])
@pytest.mark.parametrize("stage", [Stage.TYPED, Stage.STEADY])
def test_typed_no_flow_is_asked_for_twice(
    entry: Entry, doubt: str, said: str, key: Key, stage: Stage
) -> None:
    _, now = placed(stage)
    state = press(begin(2), Key.VALUE, replace(now, entry=entry))
    assert state.refused
    assert doubt in state.said
    assert state.taken == (None, None)
    assert stage_of(state, now) is Stage.ASKING
    state = press(state, key, replace(now, entry=entry if key is Key.VALUE else Entry()))
    assert state.taken[0] is not None
    assert (state.taken[0].entry, state.taken[0].scatter_m_s) == (entry, None)
    assert "taken as it was" in state.taken[0].note
    assert said in state.said


@pytest.mark.parametrize("key", [Key.REDO, Key.SKIP, Key.BACK])
def test_a_typed_doubt_lapses_with_any_other_key(key: Key) -> None:
    back = Moment(entry=Entry(velocity_m_s=-0.6))
    state = press(press(begin(2), Key.VALUE, back), key, Moment())
    assert stage_of(state, Moment()) is Stage.TYPED
    assert press(state, Key.VALUE, back).refused
    after = press(press(begin(2), Key.VALUE, back), Key.VALUE, Moment(entry=Entry(velocity_m_s=4.0)))
    assert [t.entry.velocity_m_s for t in after.taken if t] == [4.0]


def test_redo_replaces_and_goes_on_where_it_was() -> None:
    state = begin(4)
    for _ in range(2):
        state = press(state, Key.TAKE, moment(Stage.STEADY))
    state = press(state, Key.REDO, moment(Stage.STEADY))
    assert state.at == 1
    assert state.taken[1] is not None
    state = press(state, Key.VALUE, Moment(t_s=20.0, entry=Entry(velocity_m_s=9.0)))
    assert state.taken[1] is not None
    assert state.taken[1].entry.velocity_m_s == 9.0
    assert state.at == 2


def test_redo_with_nothing_captured_is_refused() -> None:
    assert press(begin(2), Key.REDO, moment(Stage.STEADY)).refused


def test_back_at_the_first_point_is_refused() -> None:
    assert press(begin(2), Key.BACK, moment(Stage.STEADY)).refused


def test_skipped_points_are_open_again_after_a_resume() -> None:
    state = press(begin(3), Key.SKIP, moment(Stage.STEADY))
    state = press(state, Key.TAKE, moment(Stage.STEADY))
    again = resume(state.taken, None)
    assert again.at == 0
    assert again.skipped == frozenset()


def test_a_temperature_point_needs_its_velocity() -> None:
    warm = look(Stage.STEADY, WARM, Quantity.TEMPERATURE)
    now = Moment(looks=(warm,), t_s=5.0, needs_temperature=True)
    state = press(begin(2), Key.TAKE, now)
    assert state.refused
    assert "velocity" in state.said
    state = press(state, Key.VALUE, replace(now, entry=Entry(velocity_m_s=4.0)))
    assert not state.changed
    assert "take its temperature" in state.said
    state = press(state, Key.TAKE, now)
    assert state.taken[0] == Taken(
        entry=Entry(velocity_m_s=4.0, temperature_c=48.0), scatter_k=0.05, t_s=5.0, span_s=12.0, readings=13
    )


def test_an_earlier_velocity_completes_a_temperature_point() -> None:
    warm = look(Stage.STEADY, WARM, Quantity.TEMPERATURE)
    known = (Entry(velocity_m_s=3.0), Entry(velocity_pressure_pa=9.0))
    now = Moment(looks=(warm,), needs_temperature=True, known=known)
    state = begin(2)
    for _ in range(2):
        state = press(state, Key.TAKE, now)
    entries = [taken.entry for taken in state.taken if taken is not None]
    assert entries == [replace(entry, temperature_c=48.0) for entry in known]


def test_two_probes_take_together_and_the_worse_one_decides() -> None:
    warm = look(Stage.STEADY, WARM, Quantity.TEMPERATURE)
    moving = Moment(looks=(warm, look(Stage.MOVING)), needs_temperature=True)
    assert press(begin(1), Key.TAKE, moving).refused
    both = Moment(looks=(warm, look(Stage.STEADY)), needs_temperature=True)
    taken = press(begin(1), Key.TAKE, both).taken[0]
    assert taken is not None
    assert taken.entry == Entry(velocity_m_s=4.0, temperature_c=48.0)
    assert (taken.scatter_m_s, taken.scatter_k) == (0.1, 0.05)


KEYS = st.sampled_from([Key.TAKE, Key.VALUE, Key.REDO, Key.SKIP, Key.BACK])
STAGES = st.sampled_from([Stage.TYPED, Stage.SILENT, Stage.MOVING, Stage.STEADY, Stage.DOUBTFUL])


@settings(max_examples=150)
@given(st.integers(1, 5), st.lists(st.tuples(STAGES, KEYS), max_size=40))
def test_no_walk_loses_a_value_or_captures_at_rest(count: int, steps: list[tuple[Stage, Key]]) -> None:
    state = begin(count)
    for stage, key in steps:
        looks = () if stage is Stage.TYPED else (look(stage),)
        entry = Entry(velocity_m_s=2.0) if key is Key.VALUE else Entry()
        before = state
        state = press(state, key, Moment(looks=looks, entry=entry))
        assert 0 <= state.at <= count + 1
        assert 0 <= state.here < count
        changed = [i for i in range(count) if before.taken[i] != state.taken[i]]
        assert changed in ([], [before.here])
        assert all(state.taken[i] is not None for i in changed)
        if changed:
            assert state.changed
            assert key in {Key.TAKE, Key.VALUE}
        if stage in {Stage.SILENT, Stage.MOVING} and key is Key.TAKE:
            assert state.taken == before.taken
        if state.left:
            break
