"""The take in hand: keys and readings go in, every captured point goes to the disk."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

from logger.clock import Clock
from logger.core.readings import NS_PER_S
from logger.core.texts import temperature_text
from logger.core.traverse import Assumed, Traverse, TraverseQuantity
from logger.take.capture import observe, press
from logger.take.notebook import Air, Notebook
from logger.take.probes import ProbeFeed
from logger.take.walk import NOTHING, Entry, Key, Moment, State, stage_of
from logger.take.watch import Stage


class AirSource(Protocol):
    """What knows the air in the plane."""

    def get(self) -> Air:
        """The air as it is known now."""

    def captured(self, span_s: float, now_ns: int) -> None:
        """A point was captured from its last ``span_s`` seconds; ``now_ns`` as of the readings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """What stays the same for the whole take. ``t0_s``: seconds already passed before a resume;
    ``in_supply``: the plane is in the supply air."""

    quantity: TraverseQuantity
    known: tuple[Entry | None, ...] = ()
    t0_s: float = 0.0
    in_supply: bool = False


class Taking:
    """One take from its first key to its last.

    ``feed`` is None where every value is typed; ``air`` watches the air at the points.
    """

    def __init__(
        self,
        state: State,
        notebook: Notebook,
        manner: Manner,
        clock: Clock,
        air: AirSource,
        feed: ProbeFeed | None = None,
    ) -> None:
        self.state = state
        self.notebook = notebook
        self.manner = manner
        self.feed = feed
        self._air = air
        self._clock = clock
        self._start_ns = clock.now_ns()

    @property
    def stage(self) -> Stage:
        """The stage of the point in hand."""
        return stage_of(self.state, self.moment())

    def moment(self, entry: Entry = NOTHING) -> Moment:
        """What is there now."""
        return Moment(
            looks=() if self.feed is None else self.feed.looks(),
            t_s=self.manner.t0_s + (self._clock.now_ns() - self._start_ns) / NS_PER_S,
            entry=entry,
            needs_temperature=self.manner.quantity is TraverseQuantity.TEMPERATURE,
            known=self.manner.known,
        )

    def key(self, key: Key, entry: Entry = NOTHING) -> State:
        """Carry out a key; what it captured is on the disk when this returns, or ``said`` says not."""
        before = self.state
        self.state = press(before, key, self.moment(entry))
        if self.state.changed:
            taken = self.state.repeat if before.repeating else self.state.taken[before.here]
            span_s = (taken.span_s if taken else None) or 0.0
            self._air.captured(span_s, 0 if self.feed is None else self.feed.elapsed_ns())
            self.state = replace(self.state, said=self.state.said + self._air_doubt())
            if not self.save():
                self.state = replace(self.state, said=f"NOT SAVED: {self.notebook.trouble}.")
        if self.state.moved and self.feed is not None:
            self.feed.restart()
        return self.state

    def _air_doubt(self) -> str:
        """That the supply air's temperature is a guess, and a poor one."""
        velocity = self.manner.quantity is TraverseQuantity.VELOCITY
        air = self._air.get()
        if not (self.manner.in_supply and velocity and Assumed.TEMPERATURE in air.assumed):
            return ""
        return (
            f" No probe says how warm this supply air is: {temperature_text(air.temperature_c)} stands in; "
            "--resume with --temperature mends it."
        )

    def observe(self) -> None:
        """Time has moved on."""
        self.state = observe(self.state, self.moment())

    def save(self) -> bool:
        """Write the file as it stands."""
        return self.notebook.save(self.state, self._air.get())

    def traverse(self) -> Traverse:
        """The traverse as far as it goes."""
        return self.notebook.traverse(self.state, self._air.get())
