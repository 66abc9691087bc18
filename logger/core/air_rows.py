"""Rows of streams -> the state of the air at each: all of it that hangs on the readings alone.

A value older than its probe's ``max_age`` is stale and gives nothing. Moisture and pressure
change slowly and hardly weigh: their last value is held, which is said once. Arrays hold one value
for each row, nan where it cannot be had; every step is the same for one row as for many, so a replay
has a live run's bits.
"""

from __future__ import annotations

from math import inf, nan
from typing import NamedTuple

import numpy as np

from logger.core.air import humidity_ratio, humidity_ratios
from logger.core.airflow import GUESSED_PRESSURE_U_PA
from logger.core.align import NEVER_NS, Bools, Floats, Rows, Slots
from logger.core.heat import mix_air
from logger.core.params import (
    PRESSURE_GAP,
    AirflowSource,
    JobParams,
    OutdoorAir,
    ProbeParams,
    Role,
)
from logger.core.readings import NS_PER_S, Quantity

Part = tuple[int, float]
"""A stream of one role: its place, and its share in the role's mean."""


class AirRows(NamedTuple):
    """State of the air at some ticks, degC, kg/kg, Pa and m/s; ``velocity_m_s`` None without such a probe.

    ``held``: the humidity is an old one; ``refused``: the pressure probe contradicts the site;
    ``humidity_seen``, ``pressure_seen``: a measured one has been used by then.
    """

    entering_c: Floats
    return_c: Floats
    supply_c: Floats
    w: Floats
    pressure_pa: Floats
    velocity_m_s: Floats | None
    known_w: Floats  # measured, or held; nan before there was one
    held: Bools
    refused: Bools
    humidity_seen: Bools
    pressure_seen: Bools


class Carried(NamedTuple):
    """What later rows are told of earlier ones."""

    known_w: float = nan
    humidity_seen: bool = False
    pressure_seen: bool = False


class AirReader:
    """Knows which slot is what, and reads rows; the streams of each side are ``entering``, ``supply`` and
    ``velocity``."""

    def __init__(self, job: JobParams, slots: Slots) -> None:
        self._job = job
        entering = job.entering_probes()
        supply = job.probes_of(Role.SUPPLY)
        self.entering = _parts(slots, entering, Quantity.TEMPERATURE)
        self._return = self.entering
        if job.probes_of(Role.MIXED):
            self._return = _parts(slots, job.probes_of(Role.RETURN), Quantity.TEMPERATURE)
        self.supply = _parts(slots, supply, Quantity.TEMPERATURE)
        # what a temperature traverse found: the stream's rise is not that of the spots
        self._uneven = any(p.rise_factor != 1.0 for p in supply)
        factors = zip(self.supply, supply, strict=True)
        self._rise_parts = tuple((place, share * p.rise_factor) for (place, share), p in factors)
        damp = _parts(slots, entering[:1], Quantity.HUMIDITY)
        self._humidity = damp[0][0] if damp else None  # and the temperature beside it
        barometer = _parts(slots, job.probes_of(Role.PRESSURE), Quantity.PRESSURE)
        self._pressure = barometer[0][0] if barometer else None
        self.velocity = _parts(slots, _velocity_probes(job), Quantity.VELOCITY)
        outdoor = job.probes_of(Role.OUTDOOR)[:1]
        self._outdoor = _parts(slots, outdoor, Quantity.TEMPERATURE)
        self._outdoor_humidity = _parts(slots, outdoor, Quantity.HUMIDITY)
        self._mixes = job.unit.outdoor_air is OutdoorAir.FRACTION and not job.probes_of(Role.MIXED)
        known = job.pressure_u_pa < GUESSED_PRESSURE_U_PA  # from altitude or given, not a bare assumption
        spread = PRESSURE_GAP * job.pressure_pa if known else inf
        self._pressure_low, self._pressure_high = job.pressure_pa - spread, job.pressure_pa + spread
        self._max_age_ns = np.zeros(len(slots), dtype=np.int64)
        for (name, _), place in slots.place.items():
            max_age_s = next(p.max_age_s for p in job.probes if p.name == name)
            self._max_age_ns[place] = round(max_age_s * NS_PER_S)

    def read(self, rows: Rows, before: Carried) -> AirRows:
        """State of the air at each row; ``before``: what was known ahead of the first."""
        ages_ns = (rows.ticks * NS_PER_S)[:, None] - rows.times
        fresh = ages_ns <= self._max_age_ns
        entering_c = return_c = _mean(self.entering, rows, fresh)
        if self._return is not self.entering:
            return_c = _mean(self._return, rows, fresh)
        supply_c = _mean(self.supply, rows, fresh)
        pressure_pa, measured, refused = self._pressures(rows)
        known_w, humid = self._moisture(rows, fresh, pressure_pa, before.known_w)
        w = self._assumed(known_w, entering_c, pressure_pa)
        if self._mixes:
            entering_c, w = self._mixed(rows, fresh, (entering_c, w), pressure_pa)
        if self._uneven:
            # without the entering air there is no rise to carry over: then the spots' own mean stands
            lost = np.isnan(supply_c) | np.isnan(entering_c)
            supply_c = np.where(lost, supply_c, self._stream_c(entering_c, rows.values))
        return AirRows(
            entering_c,
            return_c,
            supply_c,
            w,
            pressure_pa,
            _mean(self.velocity, rows, fresh) if self.velocity else None,
            known_w,
            held=~humid & ~np.isnan(known_w),
            refused=refused,
            humidity_seen=np.logical_or.accumulate(humid) | before.humidity_seen,
            pressure_seen=np.logical_or.accumulate(measured) | before.pressure_seen,
        )

    def _pressures(self, rows: Rows) -> tuple[Floats, Bools, Bools]:
        """What the pressure probe reads (the site's while it is silent or contradicts it), whether it is
        measured, whether it is refused."""
        none = np.zeros(len(rows.ticks), dtype=np.bool_)
        if self._pressure is None:
            return np.full(len(none), self._job.pressure_pa), none, none
        read_pa = rows.values[:, self._pressure]
        come = rows.times[:, self._pressure] != NEVER_NS
        likely = (self._pressure_low <= read_pa) & (read_pa <= self._pressure_high)
        measured = come & likely
        return np.where(measured, read_pa, self._job.pressure_pa), measured, come & ~likely

    def _moisture(
        self, rows: Rows, fresh: Bools, pressure_pa: Floats, before_w: float
    ) -> tuple[Floats, Bools]:
        """Humidity ratio as measured, else held, else nan; and whether it is measured."""
        if self._humidity is None:
            return np.full(len(rows.ticks), before_w), np.zeros(len(rows.ticks), dtype=np.bool_)
        beside = self.entering[0][0]
        humid = fresh[:, self._humidity] & fresh[:, beside]
        temps_c, shares = (
            rows.values[humid, beside],
            rows.values[humid, self._humidity].clip(0.0, 100.0) / 100.0,
        )
        known_w = humidity_ratios(temps_c, shares, pressure_pa[humid])
        return np.concatenate(([before_w], known_w))[np.cumsum(humid)], humid

    def _assumed(self, known_w: Floats, entering_c: Floats, pressure_pa: Floats) -> Floats:
        """Humidity ratio of the entering air: known, else by the humidity that is assumed of it."""
        unknown = np.isnan(known_w)
        if not unknown.any():
            return known_w
        told = unknown & ~np.isnan(entering_c)
        w = np.where(unknown, 0.0, known_w)
        w[told] = humidity_ratios(entering_c[told], self._job.humidity, pressure_pa[told])
        return w

    def _mixed(
        self, rows: Rows, fresh: Bools, air: tuple[Floats, Floats], pressure_pa: Floats
    ) -> tuple[Floats, Floats]:
        """Entering air of a stated outdoor fraction; nothing without a fresh outdoor probe."""
        entering_c, w = air[0].copy(), air[1].copy()
        outdoor_c = _mean(self._outdoor, rows, fresh) if self._outdoor else np.full(len(w), nan)
        place = self._outdoor_humidity[0][0] if self._outdoor_humidity else None
        entering_c[np.isnan(outdoor_c)] = nan
        for row in np.flatnonzero(~np.isnan(entering_c)).tolist():
            humidity = self._job.humidity
            if place is not None and rows.times[row, place] != NEVER_NS:
                humidity = min(max(float(rows.values[row, place]), 0.0), 100.0) / 100.0
            out_c = float(outdoor_c[row])
            out_w = humidity_ratio(out_c, humidity, float(pressure_pa[row]))
            share = self._job.unit.outdoor_fraction
            entering_c[row], w[row] = mix_air(share, float(entering_c[row]), float(w[row]), out_c, out_w)
        return entering_c, w

    def _stream_c(self, entering_c: Floats, values: Floats) -> Floats:
        """Supply air of the whole stream, from the rises at the probes' spots."""
        rise_k = np.zeros(len(entering_c))
        for place, part in self._rise_parts:
            rise_k += part * (values[:, place] - entering_c)
        return entering_c + rise_k


def _velocity_probes(job: JobParams) -> tuple[ProbeParams, ...]:
    """Those that show whether air moves: the one that measures the airflow, or all there are."""
    probes = job.probes_of(Role.VELOCITY)
    if job.airflow.source is AirflowSource.PROBE:
        return tuple(p for p in probes if p.name == job.airflow.probe)
    return probes


def _parts(slots: Slots, probes: tuple[ProbeParams, ...], quantity: Quantity) -> tuple[Part, ...]:
    """Place and share of each probe's quantity."""
    whole = sum(p.weight for p in probes)
    return tuple((slots.place[p.name, quantity], p.weight / whole) for p in probes)


def _mean(parts: tuple[Part, ...], rows: Rows, fresh: Bools) -> Floats:
    """Weighted mean over the probes of one role; nan unless every one of them is fresh."""
    if len(parts) == 1:
        place = parts[0][0]
        return np.where(fresh[:, place], rows.values[:, place], nan)
    mean, all_fresh = np.zeros(len(rows.ticks)), np.full(len(rows.ticks), bool(parts))
    for place, share in parts:
        mean += share * rows.values[:, place]
        all_fresh &= fresh[:, place]
    return np.where(all_fresh, mean, nan)
