"""Tells when a humidity that a coil's total needs is lost on the way, which probe's, and what comes of it.

The temperature of the same probe still comes: where that is silent too there is no output at all, and the
probe's silence is told. A humidity that was never there is told when the unit comes on.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger.core.align import NEVER_NS, Slots
from logger.core.coil import HOLD_NS
from logger.core.params import JobParams, Role
from logger.core.readings import NS_PER_S, Quantity
from logger.core.texts import Say

CODE, BACK = "humidity-lost", "humidity-back"
TOLD = 5  # losses of one probe: then its rhythm is known (design choice)
ALONE_S = 15  # s that a temperature must have come alone: its humidity may be in the next packet (assumed)
FINE_STEP_PCT = 0.02  # % RH: a probe this fine shows the air's own unrest, 0.01 K of it (assumed)
REPEATS = 5  # readings of one value at least: a seldom probe may say it twice (assumed)
FINE_FROZEN_S = 120  # s of one value that such a probe never shows in moving air (assumed)
MOVED_K = 3.0  # K that the air goes while % RH stays: a fifth of its water, to the step (derived)
LOST = (
    "from here on there is sensible heat alone; latent heat, total and verdict are those of what was steady "
    "before, if anything was"
)
WHY = {
    "silent": "has given no usable value for {held:.0f} s, while its temperature comes: it is silent or "
    "beyond its range",
    "frozen": "repeats one value ({value:.1f} %) in changing air",
}
NEXT = {
    "silent": "See to the probe: a sensor that is wet or worn out, a gateway that leaves the humidity out",
    "frozen": "Restart the probe",
}


@dataclass(slots=True)
class _Damp:
    """One probe's humidity, and the temperature beside it."""

    name: str
    place: int
    beside: int
    max_age_ns: int
    value: float = float("nan")
    beside_c: float = 0.0  # when the value was first said
    step: float = 0.0  # smallest change seen; 0 until there was one
    since_s: int = 0  # tick from which it has stood at its value
    seen_ns: int = NEVER_NS
    repeats: int = 0  # readings of that value after the first
    alone_s: int = 0  # tick from which its temperature has come without a pause
    lost: str = ""  # why, by ``WHY``
    losses: int = 0

    def state(self, tick: int, values: list[float], times: list[int]) -> str:
        """Why it is lost now; nothing where it is not."""
        now_ns = tick * NS_PER_S
        if times[self.place] == NEVER_NS:
            return ""
        if now_ns - times[self.beside] > self.max_age_ns:
            self.alone_s = tick
            return self.lost
        if now_ns - times[self.place] > HOLD_NS:
            return "silent" if self.lost == "silent" or tick - self.alone_s >= ALONE_S else self.lost
        if times[self.place] != self.seen_ns:
            self.seen_ns = times[self.place]
            self.repeats += 1
        return "frozen" if self._stands(tick, values[self.place], values[self.beside]) else ""

    def _stands(self, tick: int, value: float, beside_c: float) -> bool:
        """Whether it stands at one value where it must move."""
        if value != self.value:
            change = abs(value - self.value)
            if change < self.step or not self.step:
                self.step = change if change == change else 0.0  # noqa: PLR0124 - nan: no value before
            self.value, self.since_s, self.beside_c, self.repeats = value, tick, beside_c, 0
            return False
        if not self.step or self.repeats < REPEATS or not 0.0 < value < 100.0:  # noqa: PLR2004 - percent; at an end of the scale it rests
            return False
        fine = self.step <= FINE_STEP_PCT and tick - self.since_s >= FINE_FROZEN_S
        return fine or abs(beside_c - self.beside_c) > MOVED_K


class HumidityWatch:
    """Follows the humidities of both sides of a coil, tick by tick."""

    def __init__(self, job: JobParams, slots: Slots, say: Say) -> None:
        self._say = say
        self._damps = [
            _Damp(
                probe.name,
                slots.place[probe.name, Quantity.HUMIDITY],
                slots.place[probe.name, Quantity.TEMPERATURE],
                round(probe.max_age_s * NS_PER_S),
            )
            for probe in (job.entering_probes()[0], *job.probes_of(Role.SUPPLY))
        ]
        self.frozen = False  # whether one repeats its value now: the total cannot be had
        self.parted_s: int | None = None  # where what was and what comes part at this tick

    def unknown_text(self, times: list[int]) -> str:
        """What is said where the unit comes on without them."""
        names = tuple(d.name for d in self._damps if d.lost or times[d.place] == NEVER_NS)
        return (
            f"The humidity at {_named(names)} is not known: sensible heat alone, no total and no verdict. "
            "Use probes with humidity on both sides."
        )

    def tick(self, tick: int, values: list[float], times: list[int]) -> None:
        """Compare with the tick before and say what changed."""
        self.parted_s = None
        for damp in self._damps:
            lost = damp.state(tick, values, times)
            if lost != damp.lost:
                damp.lost = lost
                self._turn(tick, damp, tick * NS_PER_S - times[damp.place])
                self.frozen = any(one.lost == "frozen" for one in self._damps)

    def _turn(self, tick: int, damp: _Damp, held_ns: int) -> None:
        damp.losses += bool(damp.lost)
        if damp.losses > TOLD:
            return
        self.parted_s = damp.since_s if damp.lost == "frozen" else tick
        if not damp.lost:
            self._say(tick, BACK, f"Probe {damp.name} gives its humidity again.", damp.name)
            return
        why = WHY[damp.lost].format(held=held_ns / NS_PER_S, value=damp.value)
        last = " Its further losses are not told." if damp.losses == TOLD else ""
        text = f"The humidity of probe {damp.name} is lost: it {why}; {LOST}. {NEXT[damp.lost]}.{last}"
        self._say(tick, CODE, text, damp.name)


def lost_text(names: tuple[str, ...]) -> str:
    """Why a run has no total, of which humidities were lost on the way."""
    return (
        f"the humidity of {_named(names)} was lost on the way, before anything was steady with it, so there "
        "is sensible heat alone and no total; see the events, see to it and cool again"
    )


def _named(names: tuple[str, ...]) -> str:
    return "probe " + " and ".join(f'"{name}"' for name in names)
