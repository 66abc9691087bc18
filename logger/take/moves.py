"""What each action makes of the walk: pure functions from state to state."""

from __future__ import annotations

from dataclasses import replace

from logger.core.readings import Quantity
from logger.take.walk import (
    NOTHING,
    Entry,
    Moment,
    State,
    Taken,
    asked,
    deciding,
    flow_word,
    known_entry,
    lacking,
    merged,
    point_name,
    stage_of,
    typed_doubt,
)
from logger.take.watch import Stage


def capture(state: State, moment: Moment) -> State:
    """The average at hand becomes the point, or the typed value that was doubted."""
    if state.doubted != NOTHING:
        return _entered(state, replace(moment, entry=state.doubted))
    scatter: dict[str, float] = {}
    span_s, readings, settled = 0.0, 0, True
    for look in asked(state, moment):
        if look.tail is not None:
            scatter["scatter_m_s" if look.quantity is Quantity.VELOCITY else "scatter_k"] = look.tail.scatter
            span_s, readings = max(span_s, look.tail.span_s), max(readings, look.tail.count)
            settled = settled and look.settled
    taken = Taken(
        entry=merged(state, moment),
        t_s=moment.t_s,
        span_s=span_s,
        readings=readings,
        settled=settled,
        **scatter,
    )
    return keep(state, taken)


def keep(state: State, taken: Taken) -> State:
    """The point has its value: save, and on to the next."""
    name = point_name(state)
    more = ""
    if state.repeating:
        after = replace(state, repeat=taken, last=state.at)
    else:
        values = (*state.taken[: state.at], taken, *state.taken[state.at + 1 :])
        after = replace(state, taken=values, skipped=state.skipped - {state.at}, last=state.at)
        if after.repeat is not None and (state.at == state.first or state.first != after.first):
            after = replace(after, repeat=None)  # it repeated another value, or another point
            more = " The repeat does not go with it and is dropped: it comes again at the end."
        elif after.repeat is not None and after.repeat_due:
            more = " The repeat is older: it comes once more at the end."
    word = flow_word(taken.entry)
    after = go(after, next_open(after, state.at))
    doubt = f" with {word}" if word else ""
    return replace(after, said=f"{_capital(name)} is saved{doubt}.{more}", changed=True)


def enter(state: State, moment: Moment) -> State:
    """A typed value; one without flow is taken only when it is entered twice."""
    doubt = typed_doubt(moment.entry)
    if doubt and moment.entry != state.doubted:
        said = f"{doubt} Once more takes it as it is."
        return replace(state, doubted=moment.entry, said=said, refused=True)
    return _entered(state, moment)


def _entered(state: State, moment: Moment) -> State:
    """The typed value is the whole point, or a part of it that is kept until the rest is there."""
    state = replace(state, doubted=NOTHING)
    typed = moment.entry.over(state.typed)
    whole = typed.over(known_entry(state, moment))
    missing = lacking(whole, moment)
    if not missing:
        return keep(state, Taken(entry=whole, t_s=moment.t_s))
    measured = any(look.quantity.value == missing for look in moment.looks)
    then = f"now take its {missing}" if measured else f"now type its {missing}"
    return replace(state, typed=typed, said=f"Noted for {point_name(state)}: {then}.")


def ask(state: State, moment: Moment) -> State:
    """A doubtful value is taken only when asked for twice."""
    look = deciding(state, moment)
    text = "" if look is None else f"{look.text} "
    return replace(state, said=f"{text}Once more takes it as it is.", refused=True)


_SILENT_REASONS = {
    Stage.END: "Every point was visited; go back to one to take it again.",
    Stage.TYPED: "There is no probe: type the value with its unit.",
}


def refuse(state: State, moment: Moment) -> State:
    """The key cannot be followed; say why."""
    stage = stage_of(state, moment)
    reason = _SILENT_REASONS.get(stage)
    if reason is None and stage is Stage.LACKING:
        reason = f"The point lacks its {lacking(merged(state, moment), moment)}: type it with its unit."
    look = deciding(state, moment)
    return replace(state, said=f"Not taken. {reason or (look.text if look else '')}", refused=True)


def again(state: State, _moment: Moment) -> State:
    """To the point captured last; nothing is lost until a new value is there."""
    if state.last is None:
        return replace(state, said="Nothing was captured yet that could be done again.", refused=True)
    after = go(state, state.last)
    return replace(after, said=f"Again {point_name(after)}: its value stays until a new one is captured.")


def pass_by(state: State, _moment: Moment) -> State:
    """On without a value, or with the one it has."""
    if state.repeating:
        after = go(state, state.count + 1)
        which = "is left out" if state.repeat is None else "stays the older one"
        return replace(after, said=f"The repeat {which}: a drift of the fan is then not seen.")
    name = point_name(state)
    if state.taken[state.at] is not None:
        after = go(state, next_open(state, state.at))
        return replace(after, said=f"{_capital(name)} keeps its value.")
    after = replace(state, skipped=state.skipped | {state.at})
    after = go(after, next_open(after, state.at))
    return replace(after, said=f"{_capital(name)} is skipped; back leads to it.")


def back(state: State, _moment: Moment) -> State:
    """One point back in walking order."""
    if state.at == 0:
        return replace(state, said="This is the first point.", refused=True)
    any_taken = state.taken[state.first] is not None
    after = go(state, (state.at if any_taken else min(state.at, state.count)) - 1)
    return replace(after, said=f"Back at {point_name(after)}.")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def leave(state: State, _moment: Moment) -> State:
    """End here; all that was captured is saved."""
    return replace(state, left=True)


def finish(state: State, _moment: Moment) -> State:
    """End of the walk."""
    return replace(state, left=True, done=True)


def next_open(state: State, after: int) -> int:
    """The next open point in walking order, else one left open before it, then the repeat, the end."""
    waiting = [i for i in state.open if i not in state.skipped]
    later = [i for i in waiting if i > after] or waiting
    if later:
        return later[0]
    none_taken = len(state.open) == state.count
    return state.count + 1 if none_taken or not state.repeat_due else state.count


def go(state: State, at: int) -> State:
    """To a point; what was typed for the one in hand is dropped."""
    return replace(state, at=at, typed=Entry(), moved=True)
