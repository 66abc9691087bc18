"""The walk over the points as values: what was captured, where it stands, what a key finds there.

Pure: no clock, no terminal, no file. Values are raw: as typed or as averaged.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from logger.core.readings import Quantity
from logger.take.watch import NO_FLOW, NO_FLOW_M_S, REVERSE, Look, Stage

LEAST_PA = 1e-9  # a velocity pressure has no floor but 0: what shows any is flow
UNSETTLED = "did not settle, average of unsteady air"
ODD_FLOW = "no flow or reverse flow, taken as it was"
SWAPPED = (
    "A velocity pressure below 0: reverse flow, or the two hoses are swapped. Turn the probe to face the air."
)
BACKWARDS = "Next to no flow, and backwards: turn the probe to face the air, and see that the fan is on."


class Key(StrEnum):
    """What the user asks for."""

    TAKE = "take"
    VALUE = "value"  # a typed value
    REDO = "redo"
    SKIP = "skip"
    BACK = "back"
    LEAVE = "leave"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What was typed for a point, SI; raw stays raw."""

    velocity_m_s: float | None = None
    velocity_pressure_pa: float | None = None
    temperature_c: float | None = None

    @property
    def has_velocity(self) -> bool:
        """Whether it says how fast the air is."""
        return self.velocity_m_s is not None or self.velocity_pressure_pa is not None

    def over(self, earlier: Entry) -> Entry:
        """What is here, with what is lacking taken from an earlier entry."""
        flow = self if self.has_velocity else earlier
        return Entry(
            velocity_m_s=flow.velocity_m_s,
            velocity_pressure_pa=flow.velocity_pressure_pa,
            temperature_c=earlier.temperature_c if self.temperature_c is None else self.temperature_c,
        )


NOTHING = Entry()


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """One point as captured. ``scatter`` is that of the averaged readings (None: typed); s, SI.

    ``t_s`` is None where a file does not say it.
    """

    entry: Entry
    scatter_m_s: float | None = None
    scatter_pa: float | None = None
    scatter_k: float | None = None
    t_s: float | None
    span_s: float | None = None
    readings: int = 0
    settled: bool = True

    @property
    def note(self) -> str:
        """What is to be said of a point that was not simply steady air."""
        said = (UNSETTLED if not self.settled else "", ODD_FLOW if flow_word(self.entry) else "")
        return ", ".join(text for text in said if text)


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """Where the walk stands. ``at`` counts points in walking order; then the repeat, then the end."""

    count: int
    taken: tuple[Taken | None, ...]
    repeat: Taken | None = None
    at: int = 0
    skipped: frozenset[int] = frozenset()
    last: int | None = None  # captured last
    typed: Entry = NOTHING  # parts of the point in hand
    asking: bool = False  # the value of a probe
    doubted: Entry = NOTHING  # typed just now, to be confirmed
    left: bool = False
    done: bool = False
    said: str = ""
    refused: bool = False  # the last key could not be followed
    changed: bool = False  # the last key captured: save
    moved: bool = False  # the last key led to another point: readings start anew

    @property
    def first(self) -> int:
        """The point that is repeated at the end: the first of those captured, by their time where each
        has one, else in walking order."""
        taken = [(value.t_s, i) for i, value in enumerate(self.taken) if value is not None]
        times = [(t_s, i) for t_s, i in taken if t_s is not None]
        return min(times if len(times) == len(taken) else taken[:1], default=(0.0, 0))[1]

    @property
    def repeat_due(self) -> bool:
        """Whether the first point is still to be repeated: not yet, or points were captured since."""
        if self.repeat is None or self.repeat.t_s is None:
            return self.repeat is None
        return any(value.t_s > self.repeat.t_s for value in self.taken if value and value.t_s is not None)

    @property
    def repeating(self) -> bool:
        """Whether the repeat of the first point is in hand."""
        return self.at == self.count

    @property
    def ended(self) -> bool:
        """Whether there is no point in hand any more."""
        return self.at > self.count

    @property
    def here(self) -> int:
        """The point in hand as an index into the points."""
        return self.first if self.at >= self.count else self.at

    @property
    def open(self) -> tuple[int, ...]:
        """Points without a value, in walking order."""
        return tuple(i for i, value in enumerate(self.taken) if value is None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """What is there when a key comes: looks at the probes, time since the start, typed entry, and
    the velocities of an earlier traverse (``known``)."""

    looks: tuple[Look, ...] = ()
    t_s: float = 0.0
    entry: Entry = NOTHING
    needs_temperature: bool = False
    known: tuple[Entry | None, ...] = ()


_READY = frozenset({Stage.STEADY, Stage.UNSTEADY, Stage.DOUBTFUL})
_ORDER = (Stage.STEADY, Stage.UNSTEADY, Stage.DOUBTFUL, Stage.MOVING, Stage.FLAGGED, Stage.SILENT)
"""Of two probes, the one whose stage stands later here decides."""


def asked(state: State, moment: Moment) -> tuple[Look, ...]:
    """The looks that count: what was typed needs no probe."""
    return tuple(look for look in moment.looks if not _typed(state, look.quantity))


def deciding(state: State, moment: Moment) -> Look | None:
    """The look that decides; None where nothing is measured."""
    return max(asked(state, moment), key=lambda look: _ORDER.index(look.stage), default=None)


def _typed(state: State, quantity: Quantity) -> bool:
    typed = state.typed
    return typed.has_velocity if quantity is Quantity.VELOCITY else typed.temperature_c is not None


def stage_of(state: State, moment: Moment) -> Stage:
    """The stage of the point in hand."""
    if state.ended:
        return Stage.END
    if state.doubted != NOTHING:
        return Stage.ASKING
    look = deciding(state, moment)
    if look is None:
        return Stage.TYPED
    if look.stage in _READY and lacking(merged(state, moment), moment):
        return Stage.LACKING
    if look.stage is Stage.DOUBTFUL and state.asking:
        return Stage.ASKING
    return look.stage


def lacking(entry: Entry, moment: Moment) -> str:
    """What a point still lacks, in words; empty where it is whole."""
    if moment.needs_temperature and entry.temperature_c is None:
        return "temperature"
    if not entry.has_velocity:
        return "velocity"
    return ""


def flow_word(entry: Entry) -> str:
    """``reverse flow``, ``no flow``, or nothing where there is flow."""
    value, least = entry.velocity_m_s, NO_FLOW_M_S
    if entry.velocity_pressure_pa is not None:
        value, least = entry.velocity_pressure_pa, LEAST_PA
    if value is None or value >= least:
        return ""
    return "reverse flow" if value <= -least else "no flow"


def typed_doubt(entry: Entry) -> str:
    """Why a typed velocity may not be one of the unit's air; empty where it may."""
    word = flow_word(entry)
    if entry.velocity_pressure_pa is not None and entry.velocity_pressure_pa < 0.0:
        return SWAPPED
    if entry.velocity_m_s is not None and word == "no flow" and entry.velocity_m_s < 0.0:
        return BACKWARDS
    return {"reverse flow": REVERSE, "no flow": NO_FLOW}.get(word, "")


def measured(moment: Moment) -> Entry:
    """What the probes would give now."""
    found: dict[str, float] = {}
    for look in moment.looks:
        if look.tail is not None:
            name = "velocity_m_s" if look.quantity is Quantity.VELOCITY else "temperature_c"
            found[name] = look.tail.mean
    return Entry(**found)


def known_entry(state: State, moment: Moment) -> Entry:
    """What an earlier traverse found at this point."""
    return (moment.known[state.here] if moment.known else None) or Entry()


def merged(state: State, moment: Moment) -> Entry:
    """The point as it would be captured: what was typed first, then measured, then known before."""
    return state.typed.over(measured(moment)).over(known_entry(state, moment))


def point_name(state: State) -> str:
    """The point in hand in words."""
    if state.ended:
        return "the end"
    return f"point {state.here + 1} once more" if state.repeating else f"point {state.at + 1}"
