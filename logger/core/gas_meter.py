"""The gas meter of a job: what it says of the input over a steady stretch.

A counter moves by steps. Only what lies between two moves inside the stretch is taken: whole
counts, and the time between them. When a move is seen, the meter has burned at most one step more,
and at most what flows from one reading to the next. Source: derivation.
"""

from __future__ import annotations

from collections import deque
from math import sqrt
from typing import NamedTuple

from logger.core.align import NEVER_NS, Slots
from logger.core.gas import Counted, GasInput, Known, counted_input, timed_input
from logger.core.kind_words import NO_INPUT
from logger.core.params import MAIN_QUANTITY, JobParams, Role
from logger.core.readings import NS_PER_S

ROOT6 = sqrt(6.0)  # two independent rectangles of width w: u = w sqrt(2) / sqrt(12)
LEAST_ROUND = 0.10  # of the volume: a counter's step may not leave more than that open, 95 % (assumed)
NO_VALUE = "the gas has no heating value: add [gas] with heating_value"
WENT_BACK = "the gas counter went back within the steady stretch"
SHARED = "other appliances burned gas on the same meter (visit record): shut them and measure again"
TOO_SHORT = "too few counts of the gas meter in the steady stretch: fire for longer"


class Move(NamedTuple):
    """The counter has moved: what it shows now, when that was read, and when the reading before."""

    t_ns: int
    before_ns: int
    volume_m3: float


class GasMeter:
    """Follows the counter, where there is one; else stands for what was timed by hand.

    ``keep_s``: how far back the start or end of a stretch may be dated.
    """

    def __init__(self, job: JobParams, slots: Slots, keep_s: int) -> None:
        self._job = job
        probes = job.probes_of(Role.GAS)
        self._probe = probes[0] if probes else None
        self._place = slots.place[probes[0].name, MAIN_QUANTITY[Role.GAS]] if probes else -1
        self._count = 0
        self._volume_m3 = 0.0
        self._read_ns = NEVER_NS
        self._step_m3 = 0.0  # smallest move seen
        self._moves: deque[Move] = deque(maxlen=max(keep_s, 1))  # at most one a tick
        self._since_ns: int | None = None  # start of the stretch
        self._first: Move | None = None  # first move in it
        self._back_ns = NEVER_NS  # when the counter last went back

    @property
    def counter(self) -> str | None:
        """Name of the counter's probe; None where there is none to follow."""
        return None if self._probe is None else self._probe.name

    def tick(self, values: list[float], times: list[int], counts: list[int]) -> str | None:
        """Take the counter's newest value; a sentence where it went back."""
        place, said = self._place, None
        if counts[place] == self._count:
            return None
        first, self._count = not self._count, counts[place]
        volume_m3, t_ns = values[place], times[place]
        if not first and volume_m3 < self._volume_m3:
            self._back_ns = t_ns
            said = (
                f"The gas counter went from {self._volume_m3:g} back to {volume_m3:g} m3: it was reset or "
                "ran over, so a steady stretch across it has no gas input; fire once more if you need it."
            )
        elif not first and volume_m3 > self._volume_m3:
            self._moved(Move(t_ns, self._read_ns, volume_m3), volume_m3 - self._volume_m3)
        self._volume_m3, self._read_ns = volume_m3, t_ns
        return said

    def begin(self, start_s: int) -> None:
        """A steady stretch has begun, dated back to ``start_s``."""
        self._since_ns = start_s * NS_PER_S
        self._first = next((move for move in self._moves if move.t_ns >= self._since_ns), None)

    def over(self, end_s: int, site_pa: Known) -> GasInput | str:
        """Input over the stretch up to ``end_s``, or why there is none."""
        gas = self._job.gas
        if gas is not None and self._job.visit.meter_shared:
            return SHARED
        if gas is None:
            return NO_INPUT[self._job.unit.kind] if self._probe is None else NO_VALUE
        if self._probe is not None:
            counted = self._counted(end_s * NS_PER_S)
            return counted if isinstance(counted, str) else counted_input(gas, counted, site_pa)
        return NO_INPUT["gas"] if gas.timed is None else timed_input(gas, gas.timed, site_pa)

    def _moved(self, move: Move, by_m3: float) -> None:
        self._moves.append(move)
        if not self._step_m3 or by_m3 < self._step_m3:
            self._step_m3 = by_m3
        if self._first is None and self._since_ns is not None and move.t_ns >= self._since_ns:
            self._first = move

    def _counted(self, end_ns: int) -> Counted | str:
        """Whole counts between the first and the last move of the stretch."""
        if self._since_ns is not None and self._since_ns <= self._back_ns < end_ns:
            return WENT_BACK
        last = next((move for move in reversed(self._moves) if move.t_ns < end_ns), None)
        if self._first is None or last is None or last.t_ns <= self._first.t_ns:
            return TOO_SHORT
        volume_m3 = last.volume_m3 - self._first.volume_m3
        seconds = (last.t_ns - self._first.t_ns) / NS_PER_S
        between_s = max(move.t_ns - move.before_ns for move in (self._first, last)) / NS_PER_S
        open_m3 = min(volume_m3 / seconds * between_s, self._step_m3)
        if 2.0 * open_m3 / ROOT6 > LEAST_ROUND * volume_m3:
            return TOO_SHORT
        u95 = self._probe.u95 if self._probe else 0.0
        meter = Known(1.0, u95 / 2.0, assumed=self._probe is not None and self._probe.u95_assumed)
        return Counted(volume_m3=volume_m3, seconds=seconds, step_u_m3=open_m3 / ROOT6, meter=meter)


def site_pressure(job: JobParams, mean_pa: float, *, measured: bool) -> Known:
    """The air's pressure over a stretch, as well as it is known."""
    if measured:
        probe = job.probes_of(Role.PRESSURE)[0]
        return Known(mean_pa, probe.u95 / 2.0, assumed=probe.u95_assumed)
    return Known(mean_pa, job.pressure_u_pa, assumed=job.pressure_assumed)
