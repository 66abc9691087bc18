"""What single probes showed over a stretch: each of several in one stream, the supply's moisture, a velocity.

The mean of a role goes into the ledger; how far its probes lie apart, whether the supply air is as moist
as the entering air, and whether the air went with the stages, is had from here.
"""

from __future__ import annotations

from typing import NamedTuple

from logger.core.align import Row, Rows, Slots
from logger.core.ledger import Ledger, Sums, means
from logger.core.params import JobParams, Role
from logger.core.readings import NS_PER_S, Quantity


class SideSums(NamedTuple):
    """A place in each ledger."""

    temperatures: Sums
    humidity: Sums
    velocity: Sums


class Between(NamedTuple):
    """Means over a stretch: of each of several probes, degC; of relative humidity, %; of a velocity, m/s."""

    probes_c: tuple[tuple[str, float], ...]
    humidity: float | None
    velocity_m_s: float | None


class Sides:
    """Ledgers beside the main one, tick by tick with it."""

    def __init__(self, job: JobParams, slots: Slots, keep: int) -> None:
        entering = job.entering_probes()
        supply = job.probes_of(Role.SUPPLY)
        several = [probe for side in (entering, supply) if len(side) > 1 for probe in side]
        self.names = tuple(probe.name for probe in several)
        self._temperatures = [
            (slots.place[p.name, Quantity.TEMPERATURE], round(p.max_age_s * NS_PER_S)) for p in several
        ]
        self._humidity = [
            (slots.place[p.name, Quantity.HUMIDITY], round(p.max_age_s * NS_PER_S)) for p in supply
        ]
        self._each = Ledger(keep, len(several))
        self._damp = Ledger(keep, 1)
        moving = job.probes_of(Role.VELOCITY) if job.airflow.stage_volume_m3_s else ()
        self._velocity = [
            (slots.place[p.name, Quantity.VELOCITY], round(p.max_age_s * NS_PER_S)) for p in moving[:1]
        ]
        self._moving = Ledger(keep, 1)
        self._damp_seen = False  # until then there is nothing to sum (cost)
        self._speak = True  # in the next ticks, as far as they were looked at

    def clear(self, next_tick: int) -> None:
        """Forget all; the next tick posted is ``next_tick``."""
        self._each.clear(next_tick)
        self._damp.clear(next_tick)
        self._moving.clear(next_tick)

    def look(self, rows: Rows) -> None:
        """See whether the next ticks have anything to post."""
        damp = self._damp_seen or any(rows.counts[-1, place] for place, _ in self._humidity)
        self._speak = damp or bool(self._temperatures or self._velocity)

    def post(self, row: Row) -> None:
        """Take the next tick; a side counts only while all of it is fresh."""
        if not self._speak:
            return
        values, times, now_ns = row.values, row.times, row.tick * NS_PER_S
        if self._temperatures:
            fresh = all(now_ns - times[place] <= age_ns for place, age_ns in self._temperatures)
            self._each.post(tuple([values[place] for place, _ in self._temperatures]) if fresh else None)
        for place, age_ns in self._velocity:
            self._moving.post((values[place],) if now_ns - times[place] <= age_ns else None)
        for place, age_ns in self._humidity:
            if now_ns - times[place] <= age_ns:
                if not self._damp_seen:
                    self._damp.clear(row.tick)
                    self._damp_seen = True
                self._damp.post((values[place],))
                return
        if self._damp_seen:
            self._damp.post(None)

    def at(self, tick: int) -> SideSums:
        """Sums of all ticks before ``tick``."""
        each = self._each.at(tick) if self.names else ()
        return SideSums(each, self._damp.at(tick), self._moving.at(tick) if self._velocity else ())

    def between(self, start: SideSums, end: SideSums) -> Between:
        """Means between two places; a quantity that nobody told is None."""
        each = means(start.temperatures, end.temperatures) if self.names else None
        damp = means(start.humidity, end.humidity)
        moving = means(start.velocity, end.velocity) if self._velocity else None
        return Between(
            tuple(zip(self.names, each or (), strict=False)),
            None if damp is None else damp[0],
            None if moving is None else moving[0],
        )
