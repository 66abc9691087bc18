"""The cooling coil: a surface that the refrigerant cools, dry or wet, and the water it holds.

Bypass model (ASHRAE Handbook Fundamentals and HVAC Systems and Equipment; recalled): a share of the
air leaves as it came, the rest as the surface has it; where the surface is below the dew point that
rest is saturated (Lewis number 1). Water stays on the fins until they can hold no more, then drains at
the surface's temperature; what is held evaporates again once the surface is warmer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from simulators.moist_air import enthalpy_j_kg, saturated_w

if TYPE_CHECKING:
    from simulators.unit import Fan, Plant, Stream

CP_WATER_J_KG_K = 4186.0  # J/(kg K), liquid at 15 degC; recalled
_SURFACE_RANGE_C = (-40.0, 80.0)  # degC between which a resting surface is looked for
_HALVINGS = 60  # of that range: below 1e-15 of it (derived)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coil:
    """A cooling coil. Sizes are assumed.

    The refrigerant takes what is called for, 1 - exp(-t / ramp) of it after the start, changed by
    ``capacity_per_k`` for each K of the surface above ``rated_c``.
    """

    bypass: float = 0.12
    metal_j_k: float = 15e3
    holds_kg: float = 0.8
    ramp_s: float = 45.0
    capacity_per_k: float = 0.02
    rated_c: float = 12.0

    def taken_w(self, called_w: float, surface_c: float) -> float:
        """Heat that the refrigerant takes from the surface."""
        return called_w * (1.0 + self.capacity_per_k * (surface_c - self.rated_c))

    def leaving(
        self, surface_c: float, entering: tuple[float, float], wet: float, pressure_pa: float
    ) -> tuple[float, float]:
        """Air behind the surface, for air in front: degC and kg/kg. ``wet``: share with water to give."""
        temp_c, w = entering
        reached = 1.0 - self.bypass
        surplus = w - saturated_w(surface_c, pressure_pa)
        if surplus < 0.0:
            surplus *= wet
        return temp_c + reached * (surface_c - temp_c), w - reached * surplus


class Passage(NamedTuple):
    """Air on its way through coil and fan: degC and kg/kg before the surface, behind it and as supply."""

    air: Stream
    front: tuple[float, float]
    back: tuple[float, float]
    supply: tuple[float, float]


def passage(plant: Plant, coil: Coil, surface_c: float, entering_c: float, fan: Fan, wet: float) -> Passage:
    """What becomes of the air that enters; ``fan``: of its humidity ratio. A fan that draws has the air
    behind the coil at its inlet: that volume is what it holds, and its heat is the supply's."""
    if plant.draws:
        front = (entering_c, fan.w)
        back = coil.leaving(surface_c, front, wet, plant.pressure_pa)
        air = fan.of(back[1]).at(back[0])._replace(entering_c=entering_c)
        return Passage(air, front, back, (air.fan_outlet_c, back[1]))
    air = fan.at(entering_c)
    front = (air.fan_outlet_c, fan.w)
    back = coil.leaving(surface_c, front, wet, plant.pressure_pa)
    return Passage(air, front, back, back)


class CoolingCoil:
    """The coil of one run: its surface, the water on it, and what drained in the last step."""

    __slots__ = (
        "_coil",
        "_passage",
        "_plant",
        "drained_kg_s",
        "metal_c",
        "water_kg",
    )
    slow_c = 0.0  # there is no such node

    def __init__(self, plant: Plant, coil: Coil, start_c: float) -> None:
        self._plant, self._coil = plant, coil
        self.metal_c, self.water_kg, self.drained_kg_s = start_c, 0.0, 0.0

    def output_w(self, input_w: float) -> float:
        """Heat that the refrigerant takes out now."""
        return self._coil.taken_w(input_w, self.metal_c)

    def passed(self, entering_c: float, fan: Fan) -> tuple[Stream, tuple[float, float]]:
        """The stream, and the supply air at the step's start: degC and kg/kg."""
        wet = self.water_kg / self._coil.holds_kg
        now = self._passage = passage(self._plant, self._coil, self.metal_c, entering_c, fan, wet)
        return now.air, now.supply

    def moved(self, air: Stream, fan: Fan, output_w: float, step_s: float) -> float:
        """One step after ``passed``; what leaves is held over it, so heat and water are conserved. Supply
        air in degC."""
        del fan
        _, front, back, supply = self._passage
        heat_j_kg = enthalpy_j_kg(*front) - enthalpy_j_kg(*back)
        caught_kg_s = air.dry_air_kg_s * (front[1] - back[1])
        self._take(air.dry_air_kg_s * heat_j_kg - output_w, caught_kg_s, step_s)
        return supply[0]

    def stilled(self, still_w_k: float, room_c: float, output_w: float, step_s: float) -> None:
        """One step of still air: nothing condenses from it."""
        self._take(still_w_k * (room_c - self.metal_c) - output_w, 0.0, step_s)

    def _take(self, heat_w: float, caught_kg_s: float, step_s: float) -> None:
        coil, surface_c = self._coil, self.metal_c
        heat_w -= self._plant.casing_w_k * (surface_c - self._plant.outdoor_c)
        water_kg = self.water_kg + caught_kg_s * step_s
        drained_kg = max(0.0, water_kg - coil.holds_kg)
        stored_j = (coil.metal_j_k + CP_WATER_J_KG_K * (self.water_kg - drained_kg)) * surface_c
        self.water_kg = water_kg - drained_kg
        self.metal_c = (stored_j + heat_w * step_s) / (coil.metal_j_k + CP_WATER_J_KG_K * self.water_kg)
        self.drained_kg_s = drained_kg / step_s


def rest_surface_c(plant: Plant, coil: Coil, called_w: float, entering_c: float, fan: Fan) -> float:
    """Surface at rest: heat of the air = what the refrigerant takes + condensate + casing."""
    low_c, high_c = _SURFACE_RANGE_C
    for _ in range(_HALVINGS):
        surface_c = (low_c + high_c) / 2.0
        air, front, back, _ = passage(plant, coil, surface_c, entering_c, fan, 0.0)
        given_w = air.dry_air_kg_s * (enthalpy_j_kg(*front) - enthalpy_j_kg(*back))
        drained_w = air.dry_air_kg_s * (front[1] - back[1]) * CP_WATER_J_KG_K * surface_c
        lost_w = plant.casing_w_k * (surface_c - plant.outdoor_c)
        if given_w > coil.taken_w(called_w, surface_c) + drained_w + lost_w:
            low_c = surface_c
        else:
            high_c = surface_c
    return (low_c + high_c) / 2.0
