"""The air of a cooling unit, tick by tick: moisture on both sides, total and sensible heat.

Total = m (h(T1, W1) - h(T2, W2)) per kg of dry air, sensible = m (h(T1, W2) - h(T2, W2)), latent the
rest; what the condensate takes along (its own small enthalpy) is in the total, as where a plate is
rated by the air's enthalpies. Source: ASHRAE Handbook Fundamentals ch. 1; ASHRAE 37 (recalled).
"""

from __future__ import annotations

from typing import Any

from logger.core.air import enthalpy_j_kg, humidity_ratio, volume_m3_kg
from logger.core.align import Slots
from logger.core.carry import Dried, dried
from logger.core.ledger import Ledger, Sums, means
from logger.core.params import JobParams, Role
from logger.core.readings import NS_PER_S, Quantity
from logger.core.stretch import CoilMeans

LEAST_TOLD = 0.999  # share of ticks: all but rounding
HOLD_NS = 60 * NS_PER_S  # a humidity this old still stands for the air: probes speak of it seldom (assumed)


class CoilReader:
    """Turns the moment of a dry process into that of a cooling coil, and keeps its sums."""

    def __init__(self, job: JobParams, slots: Slots, keep: int) -> None:
        self._entering = slots.place[job.entering_probes()[0].name, Quantity.HUMIDITY]
        self._supply = [
            (
                slots.place[p.name, Quantity.TEMPERATURE],
                slots.place[p.name, Quantity.HUMIDITY],
                round(p.max_age_s * NS_PER_S),
                p.weight,
            )
            for p in job.probes
            if p.role is Role.SUPPLY
        ]
        self._dried = dried(job)
        self._held: dict[int, tuple[float, int]] = {}  # moisture and its time, by place of the probe
        self._ledger = Ledger(keep, 3)
        self.told = False  # whether both humidities are known now
        self.supply_w: float | None = None  # of the last tick, where they are
        self.sensible_w: float | None = None  # of the last tick
        self.clear(1)

    def clear(self, next_tick: int) -> None:
        """Forget all; the next tick is ``next_tick``."""
        self._ledger.clear(next_tick)

    def cooled(
        self, tick: int, moment: tuple[Any, ...], values: list[float], times: list[int], *, frozen: bool
    ) -> tuple[Any, ...]:
        """The moment with the coil's air heat: negative, and sensible alone without both humidities.

        ``frozen``: one of them repeats its value.
        """
        entering_c, _, supply_c, _, w, pressure_pa, _, _, dry_kg_s, _, inlet_c = moment
        self.sensible_w = self.supply_w = None
        if dry_kg_s is None:
            self._ledger.post(None)
            return moment
        now_ns = tick * NS_PER_S
        held_w = self._see(now_ns, values, times, pressure_pa)
        self.told = held_w is not None and not frozen and now_ns - times[self._entering] <= HOLD_NS
        if held_w is None or not self.told:
            held_w = min(w, humidity_ratio(supply_c, 1.0, pressure_pa))
        supply_w = held_w
        self.supply_w = supply_w if self.told else None
        if self._dried is Dried.MASS:
            dry_kg_s *= (1.0 + w) / (1.0 + supply_w)
        elif self._dried is not None:
            at_c = inlet_c if self._dried is Dried.INLET else supply_c
            dry_kg_s *= volume_m3_kg(at_c, w, pressure_pa) / volume_m3_kg(at_c, supply_w, pressure_pa)
        h2_j_kg = enthalpy_j_kg(supply_c, supply_w)
        sensible_w = dry_kg_s * (enthalpy_j_kg(entering_c, supply_w) - h2_j_kg)
        total_w = dry_kg_s * (enthalpy_j_kg(entering_c, w) - h2_j_kg) if self.told else sensible_w
        self.sensible_w = sensible_w
        self._ledger.post((sensible_w, supply_w, float(self.told)))
        return (*moment[:8], dry_kg_s, -total_w, inlet_c)

    def _see(self, now_ns: int, values: list[float], times: list[int], pressure_pa: float) -> float | None:
        """Moisture of the supply air, the mean of the probes that have ever said it; None where one of
        them has been silent for too long, as the others alone would give another mean."""
        total = weights = 0.0
        for place, damp, max_age_ns, weight in self._supply:
            if now_ns - times[place] <= max_age_ns >= now_ns - times[damp]:
                share = min(max(values[damp], 0.0), 100.0) / 100.0
                self._held[place] = (humidity_ratio(values[place], share, pressure_pa), times[damp])
            if place not in self._held:
                continue
            w, seen_ns = self._held[place]
            if now_ns - seen_ns > HOLD_NS:
                return None
            total, weights = total + weight * w, weights + weight
        return total / weights if weights else None

    def at(self, tick: int) -> Sums:
        """Sums of all ticks before ``tick``."""
        return self._ledger.at(tick)

    def between(self, start: Sums, end: Sums) -> CoilMeans | None:
        """Means between two places; the total stands where both humidities were known throughout."""
        found = means(start, end)
        return None if found is None else CoilMeans(found[0], found[1], told=found[2] > LEAST_TOLD)
