"""Probes held together in moving air: waits until they have settled, then collects.

Fed like the pipeline, reading by reading, on the same grid, from raw values: offsets in the config are
left aside. Temperature decides when it starts and ends; humidity rides along where probes give it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from logger.core.align import Grid, Row, Rows, Slots
from logger.core.match_group import MatchGroup
from logger.core.match_verdict import TWO, ProbeOffset
from logger.core.params import MAIN_QUANTITY, JobParams
from logger.core.readings import NS_PER_S, Quantity, Reading
from logger.core.stream import Streams

FIRST_WORD_S = 60  # s in which every probe must have spoken (assumed)
SILENT_S = 30.0  # s of silence, or three times max_age, that end a match (assumed)
SETTLE_MOST_S = 900  # s after which nothing will settle any more (assumed)


class MatchStage(StrEnum):
    """How far a match has come."""

    LISTENING = "listening"  # not every probe has spoken yet
    SETTLING = "settling"
    COLLECTING = "collecting"
    DONE = "done"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """One look. ``moving``: each unsettled probe and its slope, unit a minute; None: not known yet."""

    stage: MatchStage
    for_s: float  # so far in this stage
    left_s: float | None = None
    waiting: tuple[str, ...] = ()
    moving: tuple[tuple[str, float | None], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """What came of it. ``reason``: why there is nothing to use, with the next step; empty where there is."""

    reason: str
    offsets: tuple[ProbeOffset, ...] = ()
    at_c: float | None = None  # mean of the raw readings
    seconds: float = 0.0


class MatchWatch:
    """One match; ``update`` with each reading, ``advance`` with time, until ``result`` is there."""

    def __init__(self, job: JobParams, collect_s: int) -> None:
        raw = tuple(replace(p, offset=0.0, gain=0.0, humidity_offset=0.0) for p in job.probes)
        self.probes = tuple(p for p in raw if MAIN_QUANTITY[p.role] is Quantity.TEMPERATURE)
        slots = Slots(replace(job, probes=self.probes))
        self._slots, self._grid = slots, Grid(slots)
        self._collect_s = collect_s
        self._streams = Streams(range(len(slots)))
        self._read = 0  # of the rows that they looked at last
        self._counts = [0] * len(slots)  # of readings by the last tick
        self._groups: list[MatchGroup] = []
        self._silent_ns = {p.name: round(max(SILENT_S, 3.0 * p.max_age_s) * NS_PER_S) for p in self.probes}
        self._grid_s = 1
        self._tick_s = self._since_s = 0
        self.stage = MatchStage.LISTENING
        self.result: Match | None = None
        if len(self.probes) < TWO:
            self._refuse("A match needs two or more temperature probes; add their tables to the config.")

    def update(self, reading: Reading) -> None:
        """Take a reading; the ticks before it first."""
        for row in self._grid.due(reading.t_ns, self._look):
            if self.result is None:
                self._tick(row)
        self._grid.latch(reading)

    def advance(self, t_ns: int) -> None:
        """Time moves on; when no probe at all speaks any more, the match is over."""
        if self.result is None and self._grid.silence_ns(t_ns) > max(self._silent_ns.values()):
            self._refuse("No probe speaks any more: look at the radio, then match again.")

    def finish(self) -> Match:
        """No reading will come any more."""
        if self.result is None:
            self._refuse("The readings ended before the match was done: match again, for longer.")
        assert self.result is not None
        return self.result

    def progress(self) -> Progress:
        """How far it has come."""
        for_s = float(self._tick_s - self._since_s)
        match self.stage:
            case MatchStage.LISTENING:
                waiting = tuple(p.name for p in self.probes if not self._count(p.name))
                return Progress(stage=self.stage, for_s=for_s, waiting=waiting)
            case MatchStage.SETTLING:
                return Progress(stage=self.stage, for_s=for_s, moving=self._groups[0].moving())
        left_s = max(self._collect_s - for_s, 0.0) if self.stage is MatchStage.COLLECTING else None
        return Progress(stage=self.stage, for_s=for_s, left_s=left_s)

    # -- one tick ------------------------------------------------------------------------------

    def _look(self, rows: Rows) -> None:
        self._streams.take(rows, self._read)
        self._read = 0

    def _tick(self, row: Row) -> None:
        self._tick_s = tick = row.tick
        self._read += 1
        values, times, self._counts = row.values, row.times, row.counts
        if self.stage is MatchStage.LISTENING:
            self._listen(tick)
            return
        now_ns = tick * NS_PER_S
        for p in self.probes:
            if now_ns - times[self._slots.place[p.name, Quantity.TEMPERATURE]] > self._silent_ns[p.name]:
                self._refuse(
                    f"Probe {p.name} has fallen silent: see to its battery and distance, match again."
                )
                return
        if self._fit_grid() or tick % self._grid_s:
            return
        for group in self._groups:
            group.push(values, times, now_ns)
        if self.stage is MatchStage.SETTLING:
            self._settle(tick)
        elif tick - self._since_s >= self._collect_s:
            self._judge()

    def _listen(self, tick: int) -> None:
        missing = [p.name for p in self.probes if not self._count(p.name)]
        if not missing:
            self._turn(MatchStage.SETTLING)
            self._regroup()
        elif tick >= FIRST_WORD_S:
            names = ", ".join(missing)
            self._refuse(f"No usable reading from {names}: see to battery and distance, then match again.")

    def _settle(self, tick: int) -> None:
        if self._groups[0].settled():
            self._turn(MatchStage.COLLECTING)
            self._regroup()
        elif tick - self._since_s >= SETTLE_MOST_S:
            self._refuse(self._unsettled_text())

    def _unsettled_text(self) -> str:
        minutes = SETTLE_MOST_S // 60
        moving = ", ".join(name for name, _ in self._groups[0].moving())
        what = f"{moving} against the others" if moving else "the air"
        return (
            f"Not settled after {minutes} minutes, what moves or is too restless is {what}: hold all probes "
            "still in one stream of moving, even air and match again."
        )

    def _judge(self) -> None:
        """Compare over what was collected; temperature decides whether it can be used."""
        found: list[ProbeOffset] = []
        at_c = None
        for group in self._groups:
            steps = [self._streams.step[place][self._read] for _, place, _ in group.places]
            compared = group.compare(self._collect_s, steps)
            if compared is not None:
                found += compared[0]
                at_c = compared[1].mean if group is self._groups[0] else at_c
        if at_c is None:
            names = ", ".join(p.name for p in self.probes)
            self._refuse(f"Too many gaps in the readings of {names}: bring the probes nearer, match again.")
            return
        bad = next((o.text for o in found if o.quantity is Quantity.TEMPERATURE and not o.ok), "")
        self._turn(MatchStage.REFUSED if bad else MatchStage.DONE)
        self.result = Match(reason=bad, offsets=tuple(found), at_c=at_c, seconds=float(self._collect_s))

    # -- streams -------------------------------------------------------------------------------

    def _count(self, probe: str, quantity: Quantity = Quantity.TEMPERATURE) -> int:
        return self._counts[self._slots.place[probe, quantity]]

    def _regroup(self) -> None:
        """Start the series anew; humidity of those who have given it by now."""
        self._groups = []
        for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
            places = [
                (p.name, self._slots.place[p.name, quantity], round(p.max_age_s * NS_PER_S))
                for p in self.probes
                if self._count(p.name, quantity)
            ]
            if len(places) >= TWO:
                self._groups.append(MatchGroup(quantity, places, self._grid_s, self._collect_s))

    def _fit_grid(self) -> bool:
        """Follow a slower probe with a coarser grid; what was collected on the finer one is given up."""
        speaking = [place for place, count in enumerate(self._counts) if count]
        grid_s = max(self._streams.interval_s[place][self._read] for place in speaking)
        if grid_s <= self._grid_s:
            return False
        self._grid_s = grid_s
        self._turn(MatchStage.SETTLING)
        self._regroup()
        return True

    def _turn(self, stage: MatchStage) -> None:
        self.stage, self._since_s = stage, self._tick_s

    def _refuse(self, reason: str) -> None:
        self._turn(MatchStage.REFUSED)
        self.result = Match(reason=reason)
