"""The state of the air at one tick: temperatures, moisture, pressure, flow, heat.

Most of it is read for many ticks at once (``air_rows``); what hangs on the run itself is added tick by
tick: a supply probe that is frozen while air moves, and the fan's own rise ahead of its inlet.
"""

from __future__ import annotations

from math import nan, sqrt
from typing import Any, NamedTuple

import numpy as np

from logger.core.air_rows import AirReader, AirRows, Carried
from logger.core.align import Floats, Rows, Slots
from logger.core.flow import NO_FLOW_M_S, AirflowLaw
from logger.core.heat import air_heat_w
from logger.core.params import FanPosition, JobParams
from logger.core.stream import FrozenWatch, Streams


class Moment(NamedTuple):
    """State of the air at one tick; None where it cannot be had. SI, degC."""

    entering_c: float | None
    return_c: float | None
    supply_c: float | None
    rise_k: float | None
    w: float
    pressure_pa: float
    velocity_m_s: float | None
    flowing: bool | None  # by the velocity stream; None without one
    dry_air_kg_s: float | None
    air_heat_w: float | None
    inlet_c: float | None  # at the fan


class MomentReader:
    """Takes rows, and gives their moments one by one."""

    def __init__(self, job: JobParams, slots: Slots) -> None:
        self._air = AirReader(job, slots)
        self._law = AirflowLaw(job)
        self._draw_through = job.unit.fan is FanPosition.DRAW_THROUGH
        air = self._air
        self._streams = Streams([place for place, _ in (*air.entering, *air.supply, *air.velocity)])
        first = len(air.entering)  # of the supply's, behind the entering air's
        self._first = 0, first
        self._supply = tuple(
            FrozenWatch(self._streams, first + number, 0) for number in range(len(air.supply))
        )
        self._any_frozen = False  # may be: whoever asks looks
        self._read = 0  # how many of the rows that were taken last
        self._rows: AirRows | None = None
        self._before = Carried()  # ahead of them
        self._moments: list[tuple[Any, ...]] = []
        self._last_long: list[bool] = []  # whether a supply probe may be frozen there
        self.sides_odd = False  # a humidity may be held, or a pressure refused: whoever asks looks

    def grid_s(self) -> int:
        """Update interval of the slowest stream that the output hangs on, whole seconds."""
        return max(interval_s[self._read] for interval_s in self._streams.interval_s)

    def frozen(self) -> list[int]:
        """Slots of the supply probes that are frozen now."""
        if not self._any_frozen:
            return []
        found = [watch.place for watch in self._supply if watch.stays_frozen(self._read)]
        self._any_frozen = bool(found)
        return found

    def frozen_since(self) -> int:
        """Tick from which the frozen streams have repeated their value; there must be one."""
        return min(watch.since(self._read) for watch in self._supply if watch.stays_frozen(self._read))

    def rise_floor_k(self) -> float:
        """Least scatter of the rise: both probes' steps combined, / sqrt(12); 0 until they are known."""
        steps = [self._streams.step[stream][self._read] for stream in self._first]
        return sqrt(sum(step * step for step in steps)) / sqrt(12.0)

    @property
    def carried(self) -> Carried:
        """What is known of humidity and pressure by now."""
        rows, last = self._rows, self._read - 1
        if rows is None or last < 0:
            return self._before
        seen = bool(rows.humidity_seen[last]), bool(rows.pressure_seen[last])
        return Carried(float(rows.known_w[last]), *seen)

    def sides_c(self, sign: int) -> tuple[Floats, Floats, Floats]:
        """Entering and supply air of the rows that were taken last, degC, and the rise, K, times ``sign``."""
        assert self._rows is not None
        entering_c, supply_c = self._rows.entering_c, self._rows.supply_c
        return entering_c, supply_c, sign * (supply_c - entering_c)

    def sides(self) -> tuple[bool, bool]:
        """Whether the humidity is held now, and whether the pressure probe contradicts the site."""
        rows, last = self._rows, self._read - 1
        return (False, False) if rows is None else (bool(rows.held[last]), bool(rows.refused[last]))

    def take(self, rows: Rows) -> None:
        """Look at the rows of the next ticks, before the first of them is read."""
        self._streams.take(rows, self._read)
        self._before = self.carried
        self._read = 0
        air = self._rows = self._air.read(rows, self._before)
        self._moments = self._listed(air)
        lasting = [self._streams.lasting(self._first[1] + number) for number in range(len(self._supply))]
        self._last_long = [any(row) for row in zip(*lasting, strict=True)]
        self.sides_odd = bool(air.held.any() or air.refused.any())

    def _listed(self, air: AirRows) -> list[tuple[Any, ...]]:
        """The rows in the order of ``Moment``, as far as they hang on nothing else."""
        rise_k = air.supply_c - air.entering_c
        gone = np.isnan(rise_k)
        velocity_m_s, moves = air.velocity_m_s, ~gone
        flowing: list[bool | None] = [None] * len(gone)
        if velocity_m_s is not None:
            told, flows = ~np.isnan(velocity_m_s), velocity_m_s >= NO_FLOW_M_S
            flowing = [
                one if known else None for one, known in zip(flows.tolist(), told.tolist(), strict=True)
            ]
            moves = moves & (flows | ~told)
        dry_kg_s = heat_w = inlet_c = np.full(len(gone), nan)
        if not self._draw_through:
            inlet_c = np.where(gone, nan, air.entering_c)
            flow = self._law.dry_air(
                air.entering_c, air.supply_c, air.w, air.pressure_pa, velocity_m_s, air.entering_c
            )
            if flow is not None:
                dry_kg_s = np.where(moves, flow, nan)
                heat_w = air_heat_w(dry_kg_s, air.entering_c, air.supply_c, air.w)
        columns = (air.entering_c, air.return_c, air.supply_c, rise_k)
        return list(
            zip(
                *[_list(column) for column in columns],
                air.w.tolist(),
                air.pressure_pa.tolist(),
                [None] * len(gone) if velocity_m_s is None else _list(velocity_m_s),
                flowing,
                *[_list(column) for column in (dry_kg_s, heat_w, inlet_c)],
                strict=True,
            )
        )

    def read(self, tick: int, fan_rise_k: float, *, watch_frozen: bool) -> tuple[Any, ...]:
        """State of the air at the next tick, in the order of ``Moment``; a plain tuple, for every tick pays.

        ``watch_frozen``: air moves, so a probe must follow it.
        """
        moment = self._moments[self._read]
        self._read = read = self._read + 1
        entering_c, _, supply_c, rise_k, w, pressure_pa, velocity_m_s, flowing, *_ = moment
        if rise_k is None:
            return moment
        if watch_frozen and self._last_long[read] and self._is_frozen(tick, entering_c):
            return (*moment[:2], None, None, w, pressure_pa, velocity_m_s, flowing, None, None, None)
        if not self._draw_through:
            return moment
        inlet_c = supply_c - fan_rise_k
        dry_kg_s = heat_w = None
        if flowing is not False:
            dry_kg_s = self._law.dry_air(entering_c, supply_c, w, pressure_pa, velocity_m_s, inlet_c)
            if dry_kg_s is not None:
                heat_w = air_heat_w(dry_kg_s, entering_c, supply_c, w)
        return (*moment[:8], dry_kg_s, heat_w, inlet_c)

    def _is_frozen(self, tick: int, entering_c: float) -> bool:
        frozen, read = False, self._read
        for watch in self._supply:
            if watch.is_frozen(read, tick, entering_c):
                frozen = self._any_frozen = True
        return frozen


def _list(column: Floats) -> list[float | None]:
    """Plain numbers, None for nan."""
    listed: list[float | None] = column.tolist()
    if np.isnan(column).any():
        return [None if value != value else value for value in listed]  # noqa: PLR0124 - nan
    return listed
