"""The walk over the points as a state machine: a table of what each key does at each stage.

Pure. ``press`` gives the next state; what is said to the user, and whether there is something to
save, stands in the state.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from enum import StrEnum

from logger.take import moves
from logger.take.walk import NOTHING, Key, Moment, State, Taken, stage_of
from logger.take.watch import Stage


class Action(StrEnum):
    """What a key does."""

    CAPTURE = "capture"
    ASK = "ask"
    ENTER = "enter"
    AGAIN = "again"
    PASS = "pass"
    RETURN = "return"
    LEAVE = "leave"
    FINISH = "finish"
    REFUSE = "refuse"


_ALWAYS = {
    Key.VALUE: Action.ENTER,
    Key.REDO: Action.AGAIN,
    Key.SKIP: Action.PASS,
    Key.BACK: Action.RETURN,
    Key.LEAVE: Action.LEAVE,
}
TABLE: dict[tuple[Stage, Key], Action] = {
    **{(stage, key): action for stage in Stage for key, action in _ALWAYS.items()},
    (Stage.TYPED, Key.TAKE): Action.REFUSE,
    (Stage.SILENT, Key.TAKE): Action.REFUSE,
    (Stage.FLAGGED, Key.TAKE): Action.REFUSE,
    (Stage.MOVING, Key.TAKE): Action.REFUSE,
    (Stage.STEADY, Key.TAKE): Action.CAPTURE,
    (Stage.UNSTEADY, Key.TAKE): Action.CAPTURE,
    (Stage.DOUBTFUL, Key.TAKE): Action.ASK,
    (Stage.ASKING, Key.TAKE): Action.CAPTURE,
    (Stage.LACKING, Key.TAKE): Action.REFUSE,
    (Stage.END, Key.TAKE): Action.FINISH,
    (Stage.END, Key.VALUE): Action.REFUSE,
    (Stage.END, Key.SKIP): Action.REFUSE,
}

_ACTIONS: dict[Action, Callable[[State, Moment], State]] = {
    Action.CAPTURE: moves.capture,
    Action.ASK: moves.ask,
    Action.ENTER: moves.enter,
    Action.AGAIN: moves.again,
    Action.PASS: moves.pass_by,
    Action.RETURN: moves.back,
    Action.LEAVE: moves.leave,
    Action.FINISH: moves.finish,
    Action.REFUSE: moves.refuse,
}


def begin(count: int) -> State:
    """Nothing captured yet."""
    return State(count=count, taken=(None,) * count)


def resume(taken: tuple[Taken | None, ...], repeat: Taken | None) -> State:
    """Where an earlier take stopped: at its first open point."""
    last = max((i for i, value in enumerate(taken) if value is not None), default=None)
    state = State(count=len(taken), taken=taken, repeat=repeat, last=last)
    return replace(state, at=moves.next_open(state, -1))


def press(state: State, key: Key, moment: Moment) -> State:
    """The state after a key."""
    state = replace(state, said="", refused=False, changed=False, moved=False)
    action = TABLE[stage_of(state, moment), key]
    after = _ACTIONS[action](state, moment)
    doubted = after.doubted if action is Action.ENTER else NOTHING
    return replace(after, asking=action is Action.ASK, doubted=doubted)


def observe(state: State, moment: Moment) -> State:
    """Time has moved on: a question about a doubtful value lapses when the value is another."""
    if state.asking and stage_of(state, moment) is not Stage.ASKING:
        return replace(state, asking=False)
    return state
