"""The room, its air's water, and the ducts that lead from it and to it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from simulators.moist_air import heat_capacity_j_kg_k, mixed

if TYPE_CHECKING:
    from simulators.unit import Fan, Plant, Stream


class Room:
    """One well-mixed room in its surroundings."""

    __slots__ = ("_plant", "temp_c", "w")

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self.temp_c, self.w = plant.room_c, plant.humidity_ratio

    @property
    def entering_w(self) -> float:
        """Humidity ratio of the air that enters the unit."""
        plant = self._plant
        return self.w + plant.outdoor_share * (plant.outdoor_humidity_ratio - self.w)

    def returned_c(self, fan: Fan) -> float:
        """What the room's air has become at the end of the return duct, by the flow that the fan draws of
        it: a coil in front of the fan makes that a twentieth more, and the duct's loss as much less."""
        plant = self._plant
        capacity_w_k = fan.capacity_w_k(self.temp_c) * (1.0 - plant.outdoor_share)
        kept = math.exp(-plant.return_duct_w_k / capacity_w_k)
        return plant.outdoor_c + (self.temp_c - plant.outdoor_c) * kept

    def entering_c(self, return_c: float) -> float:
        """Return and outdoor air mixed."""
        plant = self._plant
        if not plant.outdoor_share:
            return return_c
        outdoor = (plant.outdoor_c, plant.outdoor_humidity_ratio)
        return mixed(plant.outdoor_share, (return_c, self.w), outdoor)[0]

    def supplied(self, air: Stream, supply_c: float, supply_w: float, step_s: float) -> None:
        """One step with air from the registers, and from outdoors for what the duct lost on its way."""
        plant = self._plant
        capacity_w_k = air.capacity_w_k
        if plant.moisture:
            capacity_w_k = air.dry_air_kg_s * heat_capacity_j_kg_k(supply_w)
        kept = math.exp(-plant.supply_duct_w_k / capacity_w_k)
        register_c = plant.outdoor_c + (supply_c - plant.outdoor_c) * kept
        heat_w = capacity_w_k * (register_c - self.temp_c)
        if plant.supply_leak:
            drawn_in = max(0.0, plant.supply_leak - plant.outdoor_share)
            heat_w *= 1.0 - plant.supply_leak
            heat_w += drawn_in * capacity_w_k * (plant.outdoor_c - self.temp_c)
        self._heated(heat_w, step_s)
        if plant.moisture:
            drawn_in = max(0.0, plant.supply_leak - plant.outdoor_share)
            gain = (1.0 - plant.supply_leak) * (supply_w - self.w)
            gain += drawn_in * (plant.outdoor_humidity_ratio - self.w)
            self._moistened(air.dry_air_kg_s * gain, step_s)

    def left_alone(self, step_s: float) -> None:
        """One step without moving air."""
        self._heated(0.0, step_s)
        if self._plant.moisture:
            self._moistened(0.0, step_s)

    def _heated(self, heat_w: float, step_s: float) -> None:
        plant = self._plant
        loss_w = plant.room_loss_w_k * (self.temp_c - plant.outdoor_c)
        self.temp_c += step_s * (heat_w - loss_w + plant.room_gain_w) / plant.room_j_k

    def _moistened(self, water_kg_s: float, step_s: float) -> None:
        moisture = self._plant.moisture
        if moisture is not None:
            self.w += step_s * (water_kg_s + moisture.gain_kg_s) / moisture.air_kg
