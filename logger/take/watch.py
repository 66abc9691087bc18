"""What a probe says at a point, in one word and one sentence; pure, time comes in."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from logger.core.readings import NS_PER_S, USABLE_FLAGS, Flag, Quantity, Reading
from logger.take.hold import TEMPERATURE_LIMITS, VELOCITY_LIMITS, HoldStill, Tail

NO_FLOW_M_S = 0.1  # m/s; assumed: below it a probe of the trade tells nothing from no flow
REVERSE = "Reverse flow: turn the probe to face the air. If the air does turn back here, say so."
NO_FLOW = "No flow here: is the fan on, the probe's cap off, its head inside the duct?"
SIMULATED_NO_FLOW = (
    "No flow: the simulated fan is off in this part of the scenario. Wait: it runs again by itself."
)


class Stage(StrEnum):
    """What can be done at a point."""

    TYPED = "typed"  # no probe: a value is typed
    SILENT = "silent"  # the probe says nothing
    FLAGGED = "flagged"  # it says something that cannot be used
    MOVING = "moving"
    STEADY = "steady"
    UNSTEADY = "unsteady"  # long enough here: the air itself does not stand
    DOUBTFUL = "doubtful"  # stands, but there is no flow, or it is reverse
    ASKING = "asking"  # a doubtful value was asked for; once more takes it
    LACKING = "lacking"  # the probe is ready, another part of the point is missing
    END = "end"  # every point was visited


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One probe at one moment: SI values, ``tail`` is what a key would take."""

    stage: Stage
    text: str
    quantity: Quantity
    value: float | None = None
    tail: Tail | None = None
    settled: bool = True  # False: the tail is that of readings that never stood


SILENT = "has been silent"
NO_NEWS: dict[Flag, str] = {
    Flag.DUPLICATE: "has repeated one packet",
    Flag.LATE: "has given old values alone",
}
"""A repeat and an old value say nothing of now: they are looked over, and are no sign of life."""
FLAG_WORDS: dict[Flag, str] = {
    Flag.OUT_OF_RANGE: "gives a value that air cannot have",
    Flag.NOT_KNOWN: "says itself that it does not know the value",
}


class ProbeWatch:
    """One probe's main quantity while it stands at a point.

    ``correction``: scale and shift of a reading, as a probe's parameters have them; ``no_flow``: what
    is said where there is none.
    """

    def __init__(
        self,
        probe: str,
        quantity: Quantity,
        max_age_s: float,
        correction: tuple[float, float] = (1.0, 0.0),
        no_flow: str = NO_FLOW,
    ) -> None:
        self.probe, self.quantity = probe, quantity
        self._max_age_s = max_age_s
        self._scale, self._shift = correction
        self._no_flow = no_flow
        self._hold = HoldStill(VELOCITY_LIMITS if quantity is Quantity.VELOCITY else TEMPERATURE_LIMITS)
        self._heard_ns: int | None = None
        self._value: float | None = None
        self._flag = Flag.OK
        self._silent = SILENT
        self._note = ""

    def restart(self) -> None:
        """The probe goes to another point."""
        self._hold.restart()

    def update(self, reading: Reading) -> None:
        """One reading of this probe; other quantities are not looked at."""
        if reading.quantity is not self.quantity:
            return
        self._silent = NO_NEWS.get(reading.flag, SILENT)
        if reading.flag in NO_NEWS:
            return
        if self._age_s(reading.t_ns) > self._max_age_s:
            self._hold.restart()  # nobody knows where the probe was meanwhile
        self._heard_ns, self._flag = reading.t_ns, reading.flag
        if reading.flag in USABLE_FLAGS:
            self._value = self.corrected(reading.value)
            self._hold.update(reading.t_ns, self._value)
        else:
            self._value = None
            self._hold.restart()

    def corrected(self, value: float) -> float:
        """A reading with the probe's own correction."""
        return self._scale * value - self._shift

    def note(self, text: str) -> None:
        """What the driver says of the way to the probe; told while the probe is silent."""
        self._note = text

    def look(self, now_ns: int) -> Look:
        """The probe's stage now."""
        if (silence := self._silence(now_ns)) is not None:
            return Look(stage=Stage.SILENT, text=silence, quantity=self.quantity)
        if self._flag not in USABLE_FLAGS:
            words = FLAG_WORDS.get(self._flag, "marks its value as not usable")
            return self._said(
                Stage.FLAGGED, f"Probe '{self.probe}' {words} ({self._flag}): not taken; check the probe."
            )
        held = self._hold.get()
        tail = held.tail
        if held.steady and tail is not None:
            if doubt := self._doubt(tail.mean):
                return self._said(Stage.DOUBTFUL, doubt, tail)
            return self._said(Stage.STEADY, f"for {tail.span_s:.0f} s.", tail)
        if tail is not None and held.restless:
            stage, text = Stage.DOUBTFUL, self._doubt(tail.mean)
            if not text:
                stage = Stage.UNSTEADY
                text = f"It does not settle: {held.reason} after {held.waited_s:.0f} s here."
            return replace(self._said(stage, text, tail), settled=False)
        if self._value is not None and (doubt := self._doubt(self._value)):
            return self._said(Stage.MOVING, doubt, tail)
        return self._said(Stage.MOVING, f"{held.reason[:1].upper()}{held.reason[1:]}.", tail)

    def _said(self, stage: Stage, text: str, tail: Tail | None = None) -> Look:
        return Look(stage=stage, text=text, quantity=self.quantity, value=self._value, tail=tail)

    def _silence(self, now_ns: int) -> str | None:
        more = f" ({self._note.rstrip('.')})" if self._note else ""
        if self._heard_ns is None:
            return f"No reading from probe '{self.probe}' yet: switch it on and bring it near{more}."
        age_s = self._age_s(now_ns)
        if age_s <= self._max_age_s:
            return None
        return (
            f"Probe '{self.probe}' {self._silent} for {age_s:.0f} s: check its battery and its distance, "
            f"or type the value{more}."
        )

    def _age_s(self, now_ns: int) -> float:
        return 0.0 if self._heard_ns is None else (now_ns - self._heard_ns) / NS_PER_S

    def _doubt(self, value: float) -> str:
        """Why a velocity may not be one of the unit's air; empty for any other quantity."""
        if self.quantity is not Quantity.VELOCITY or value >= NO_FLOW_M_S:
            return ""
        if value <= -NO_FLOW_M_S:
            return REVERSE
        return self._no_flow
