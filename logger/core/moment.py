"""One tick's row of streams -> the state of the air: temperatures, moisture, pressure, flow, heat.

A value older than its probe's ``max_age`` is stale and gives nothing. Moisture and pressure
change slowly and hardly weigh: their last value is held, which is said once.
"""

from __future__ import annotations

from math import inf, sqrt
from typing import NamedTuple

from logger.core.air import humidity_ratio
from logger.core.airflow import GUESSED_PRESSURE_U_PA
from logger.core.align import NEVER_NS, Slots
from logger.core.flow import NO_FLOW_M_S, AirflowLaw
from logger.core.heat import air_heat_w, mix_air
from logger.core.params import (
    PRESSURE_GAP,
    AirflowSource,
    FanPosition,
    JobParams,
    OutdoorAir,
    ProbeParams,
    Role,
)
from logger.core.readings import NS_PER_S, Quantity
from logger.core.stream import FROZEN_TICKS, Stream

Place = tuple[int, int, float]
"""A stream of one role: its slot, its max_age in ns, its share in the role's mean."""


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
    """Knows which slot is what, and reads rows."""

    def __init__(self, job: JobParams, slots: Slots) -> None:
        self._job = job
        self._law = AirflowLaw(job)
        entering = job.entering_probes()
        self._entering = _places(slots, entering, Quantity.TEMPERATURE)
        self._return = self._entering
        if job.probes_of(Role.MIXED):
            self._return = _places(slots, job.probes_of(Role.RETURN), Quantity.TEMPERATURE)
        supply = job.probes_of(Role.SUPPLY)
        self._supply = _places(slots, supply, Quantity.TEMPERATURE)
        self._one_each = len(self._entering) == len(self._supply) == 1
        # what a temperature traverse found: the stream's rise is not that of the spots
        self._uneven = any(p.rise_factor != 1.0 for p in supply)
        factors = zip(self._supply, supply, strict=True)
        self._rise_parts = tuple((place, share * p.rise_factor) for (place, _, share), p in factors)
        damp = _places(slots, entering[:1], Quantity.HUMIDITY)
        self._humidity = (
            (*damp[0][:2], self._entering[0][0]) if damp else None
        )  # and the temperature beside it
        barometer = _places(slots, job.probes_of(Role.PRESSURE), Quantity.PRESSURE)
        self._pressure = barometer[0][0] if barometer else None
        self._pressure_pa = job.pressure_pa
        velocity = job.probes_of(Role.VELOCITY)
        if job.airflow.source is AirflowSource.PROBE:
            velocity = tuple(p for p in velocity if p.name == job.airflow.probe)
        self._velocity = _places(slots, velocity, Quantity.VELOCITY)
        self._draw_through = job.unit.fan is FanPosition.DRAW_THROUGH
        outdoor = job.probes_of(Role.OUTDOOR)[:1]
        self._outdoor = _places(slots, outdoor, Quantity.TEMPERATURE)
        self._outdoor_humidity = _places(slots, outdoor, Quantity.HUMIDITY)
        self._mixes = job.unit.outdoor_air is OutdoorAir.FRACTION and not job.probes_of(Role.MIXED)
        self._held_w: float | None = None
        self.streams = {place: Stream() for place, *_ in (*self._entering, *self._supply, *self._velocity)}
        self._streams = tuple(self.streams.items())
        self._any_frozen = False  # may be: whoever asks looks
        self._beside = self.streams[self._entering[0][0]]  # what a frozen supply probe is held against
        self._supply_streams = tuple((place, self.streams[place]) for place, *_ in self._supply)
        self.humidity_seen = self.pressure_seen = False
        known = job.pressure_u_pa < GUESSED_PRESSURE_U_PA  # from altitude or given, not a bare assumption
        spread = PRESSURE_GAP * job.pressure_pa if known else inf
        self._pressure_low, self._pressure_high = job.pressure_pa - spread, job.pressure_pa + spread
        self.pressure_refused = False  # the probe contradicts the site's altitude or pressure
        self.humidity_held = False

    def grid_s(self) -> int:
        """Update interval of the slowest stream that the output hangs on, whole seconds."""
        return max(stream.interval_s for stream in self.streams.values())

    def frozen(self) -> list[int]:
        """Slots of the supply probes that are frozen now."""
        if not self._any_frozen:
            return []
        found = [place for place, stream in self._supply_streams if stream.frozen]
        self._any_frozen = bool(found)
        return found

    def frozen_since(self) -> int:
        """Tick from which the frozen streams have repeated their value; there must be one."""
        return min(self.streams[place].changed_tick for place in self.frozen())

    def rise_floor_k(self) -> float:
        """Least scatter of the rise: both probes' steps combined, / sqrt(12); 0 until they are known."""
        steps = [self.streams[place].step for place, *_ in (*self._entering[:1], *self._supply[:1])]
        return sqrt(sum(step * step for step in steps)) / sqrt(12.0)

    def read(
        self,
        tick: int,
        values: list[float],
        times: list[int],
        counts: list[int],
        fan_rise_k: float,
        *,
        watch_frozen: bool,
    ) -> tuple[
        float | None,
        float | None,
        float | None,
        float | None,
        float,
        float,
        float | None,
        bool | None,
        float | None,
        float | None,
        float | None,
    ]:
        """State of the air at a tick, in the order of ``Moment``; a plain tuple, for every tick pays.

        ``watch_frozen``: air moves, so a probe must follow it.
        """
        for place, stream in self._streams:
            count = counts[place]
            if count != stream.count:
                stream.see(tick, values[place], times[place], count)
        now_ns = tick * NS_PER_S
        entering_c, supply_c = self._pair(values, times, now_ns)
        pressure_pa = (
            self._pressure_pa if self._pressure is None else self._measured_pa(self._pressure, values, times)
        )
        w = self._moisture(entering_c, values, times, now_ns, pressure_pa)
        return_c = (
            entering_c if self._entering is self._return else _mean(self._return, values, times, now_ns)
        )
        if self._mixes and entering_c is not None:
            entering_c, w = self._mix(entering_c, w, values, times, now_ns, pressure_pa)
        velocity_m_s = flowing = rise_k = dry_air_kg_s = heat_w = inlet_c = None
        if self._velocity:
            velocity_m_s = _mean(self._velocity, values, times, now_ns)
            flowing = None if velocity_m_s is None else velocity_m_s >= NO_FLOW_M_S
        if entering_c is None or supply_c is None:
            pass
        elif watch_frozen and self._is_frozen(tick, entering_c):
            supply_c = None
        else:
            if self._uneven:
                supply_c = self._stream_c(entering_c, values)
            rise_k = supply_c - entering_c
            inlet_c = supply_c - fan_rise_k if self._draw_through else entering_c
            if flowing is not False:
                dry_air_kg_s = self._law.dry_air(entering_c, supply_c, w, pressure_pa, velocity_m_s, inlet_c)
                if dry_air_kg_s is not None:
                    heat_w = air_heat_w(dry_air_kg_s, entering_c, supply_c, w)
        return (
            entering_c,
            return_c,
            supply_c,
            rise_k,
            w,
            pressure_pa,
            velocity_m_s,
            flowing,
            dry_air_kg_s,
            heat_w,
            inlet_c,
        )

    def _measured_pa(self, place: int, values: list[float], times: list[int]) -> float:
        """What the pressure probe reads; the site's while it is silent or contradicts it."""
        if times[place] == NEVER_NS:
            return self._pressure_pa
        self.pressure_refused = not self._pressure_low <= values[place] <= self._pressure_high
        if self.pressure_refused:
            return self._pressure_pa
        self.pressure_seen = True
        return values[place]

    def _pair(self, values: list[float], times: list[int], now_ns: int) -> tuple[float | None, float | None]:
        """Entering and supply temperature; None where not all of a side's probes are fresh."""
        if self._one_each:
            (place, max_age_ns, _), (supply, supply_age_ns, _) = self._entering[0], self._supply[0]
            return (
                values[place] if now_ns - times[place] <= max_age_ns else None,
                values[supply] if now_ns - times[supply] <= supply_age_ns else None,
            )
        return _mean(self._entering, values, times, now_ns), _mean(self._supply, values, times, now_ns)

    def _moisture(
        self, entering_c: float | None, values: list[float], times: list[int], now_ns: int, pressure_pa: float
    ) -> float:
        """Humidity ratio of the entering air: measured, else held, else assumed."""
        if self._humidity is not None:
            place, max_age_ns, beside = self._humidity
            if now_ns - times[place] <= max_age_ns and now_ns - times[beside] <= max_age_ns:
                self.humidity_seen, self.humidity_held = True, False
                self._held_w = w = humidity_ratio(values[beside], _fraction(values[place]), pressure_pa)
                return w
        if self._held_w is not None:
            self.humidity_held = True
            return self._held_w
        if entering_c is None:
            return 0.0
        return humidity_ratio(entering_c, self._job.humidity, pressure_pa)

    def _mix(
        self,
        return_c: float,
        w: float,
        values: list[float],
        times: list[int],
        now_ns: int,
        pressure_pa: float,
    ) -> tuple[float | None, float]:
        """Entering air of a stated outdoor fraction; nothing without a fresh outdoor probe."""
        outdoor_c = _mean(self._outdoor, values, times, now_ns) if self._outdoor else None
        if outdoor_c is None:
            return None, w
        humidity = self._job.humidity
        if self._outdoor_humidity and times[self._outdoor_humidity[0][0]] != NEVER_NS:
            humidity = _fraction(values[self._outdoor_humidity[0][0]])
        outdoor_w = humidity_ratio(outdoor_c, humidity, pressure_pa)
        return mix_air(self._job.unit.outdoor_fraction, return_c, w, outdoor_c, outdoor_w)

    def _stream_c(self, entering_c: float, values: list[float]) -> float:
        """Supply air of the whole stream, from the rises at the probes' spots."""
        return entering_c + sum([part * (values[place] - entering_c) for place, part in self._rise_parts])

    def _is_frozen(self, tick: int, entering_c: float) -> bool:
        frozen = False
        for _, stream in self._supply_streams:
            if tick - stream.changed_tick >= FROZEN_TICKS:
                if not stream.frozen:
                    stream.check_frozen(tick, entering_c, self._beside.step)
            elif stream.partner_c is None:
                stream.partner_c = entering_c
            if stream.frozen:
                frozen = self._any_frozen = True
        return frozen


def _fraction(humidity_pct: float) -> float:
    """Humidity as a fraction; an offset taken off must not make it one that air cannot have."""
    if 0.0 <= humidity_pct <= 100.0:  # noqa: PLR2004 - percent
        return humidity_pct / 100.0
    return min(max(humidity_pct, 0.0), 100.0) / 100.0


def _places(slots: Slots, probes: tuple[ProbeParams, ...], quantity: Quantity) -> tuple[Place, ...]:
    """Slot, max_age (ns) and share of each probe's quantity."""
    whole = sum(p.weight for p in probes)
    return tuple(
        (slots.place[p.name, quantity], round(p.max_age_s * NS_PER_S), p.weight / whole) for p in probes
    )


def _mean(places: tuple[Place, ...], values: list[float], times: list[int], now_ns: int) -> float | None:
    """Weighted mean over the probes of one role; None unless every one of them is fresh."""
    if len(places) == 1:
        place, max_age_ns, _ = places[0]
        return values[place] if now_ns - times[place] <= max_age_ns else None
    if not places:
        return None
    mean = 0.0
    for place, max_age_ns, share in places:
        if now_ns - times[place] > max_age_ns:
            return None
        mean += share * values[place]
    return mean
