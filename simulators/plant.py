"""An air unit on a room: the truth that simulated probes look at.

Nodes: what warms or cools the air (``heater``, ``coil``), room and room moisture (``room``). What a
node is coupled to is held over a step, so heat and water are conserved to rounding.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import lru_cache
from itertools import chain

import numpy as np
import numpy.typing as npt

from logger.core.readings import Quantity
from simulators.calls import calls
from simulators.coil import CoolingCoil
from simulators.heater import Heater, decays, relax
from simulators.moist_air import (
    KELVIN,
    enthalpy_j_kg,
    heat_capacity_j_kg_k,
    relative_humidity_pct,
    volume_m3_kg_k,
)
from simulators.room import Room
from simulators.unit import Fan, Kind, Plant, Stream, Timeline

Array = npt.NDArray[np.float64]

STEP_S = 0.5  # s; switching times are multiples of it (cost)
STILL_TIME_CONSTANT_S = 300.0  # s, still air at a duct probe; assumed
STILL_HX_W_K = 5.0  # W/K, metal to still air; assumed
STILL_SUPPLY_TO_OUTDOOR = 0.08  # share of the way from room to outdoors at the supply probe; assumed
STILL_SUPPLY_TO_METAL = 0.02  # share of the way from room to metal there; assumed
GAS_HEATING_VALUE_J_M3 = 38.64e6  # J/m3 gross, 1037 Btu/ft3: EIA, mean heat content of US gas
SPOTS = {"supply-1": -1.0, "supply-2": 0.0, "supply-3": 1.0}
"""Thirds of the supply section with equal flow: their mean is the stream's, whatever ``uneven`` is."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlantRun:
    """The truth on a grid of ``STEP_S``; read-only arrays of equal length.

    ``input_w`` and ``output_w`` hold from their grid point to the next, ``drained_kg_s`` from the one
    before to its own; the others are values at the grid point. ``output_w`` goes into the metal (a heat
    pump's defrost takes it out); of a cooling coil the refrigerant takes it out. ``still_w`` is heat of
    the metal to still air, ``air_heat_w`` the air's gain of enthalpy from where it enters (``mixed``) to
    the supply.
    """

    t_s: Array
    fan: Array
    input_w: Array
    output_w: Array
    return_c: Array
    supply_c: Array
    room_c: Array
    metal_c: Array
    slow_c: Array
    dry_air_kg_s: Array
    air_heat_w: Array
    fan_heat_w: Array
    casing_loss_w: Array
    still_w: Array
    fan_share: Array
    mixed_c: Array
    return_w: Array
    mixed_w: Array
    supply_w: Array
    water_kg: Array
    drained_kg_s: Array
    plant: Plant

    @property
    def capacity_w(self) -> Array:
        """What the plate speaks of, as it is now; see ``Equilibrium.output_w``."""
        if self.plant.kind is Kind.COOLING:
            return -self.air_heat_w
        if self.plant.kind is Kind.HEAT_PUMP:
            return self.air_heat_w
        return self.air_heat_w - self.fan_heat_w + self.casing_loss_w

    @property
    def sensible_w(self) -> Array:
        """What of a cooling unit's capacity cools the air of the leaving humidity."""
        capacity_w_k = self.dry_air_kg_s * heat_capacity_j_kg_k(self.supply_w)
        return capacity_w_k * (self.mixed_c - self.supply_c)

    def signals(self, name: str) -> Mapping[Quantity, Array]:
        """What a probe that looks at the signal ``name`` can see; ``KeyError`` if there is none."""
        plant = self.plant
        air = {"return": (self.return_c, self.return_w), "mixed": (self.mixed_c, self.mixed_w)}
        if name == "outdoor":
            outdoor_c = np.full_like(self.t_s, plant.outdoor_c)
            air[name] = (outdoor_c, np.full_like(self.t_s, plant.outdoor_humidity_ratio))
        if name == "supply" or name in SPOTS:
            air[name] = (self._supply_c(SPOTS.get(name, 0.0)), self.supply_w)
        if name in air:
            temp_c, w = air[name]
            humidity = np.minimum(100.0, relative_humidity_pct(temp_c, w, plant.pressure_pa))
            return {Quantity.TEMPERATURE: temp_c, Quantity.HUMIDITY: humidity}
        burnt_w = self.input_w[:-1] if plant.kind is Kind.GAS else np.zeros(len(self.t_s) - 1)
        gas_m3 = np.concatenate(([0.0], np.cumsum(burnt_w) * STEP_S / GAS_HEATING_VALUE_J_M3))
        return {
            "velocity": {Quantity.VELOCITY: self._return_m_s()},
            "pressure": {Quantity.PRESSURE: np.full_like(self.t_s, plant.pressure_pa)},
            "gas": {Quantity.GAS_VOLUME: gas_m3},
        }[name]

    def _return_m_s(self) -> Array:
        """Velocity in the return duct; a fan that draws has another volume at its inlet, behind the coil."""
        plant = self.plant
        if not plant.draws:
            return self.fan_share * (plant.volume_m3_s / plant.duct_area_m2)
        m3_kg_k = np.array([volume_m3_kg_k(w, plant.pressure_pa) for w in self.mixed_w.tolist()])
        return np.asarray(self.dry_air_kg_s * (self.mixed_c + KELVIN) * m3_kg_k / plant.duct_area_m2)

    def _supply_c(self, spot: float) -> Array:
        """Where a supply probe stands: uneven air, and the metal in its sight."""
        plant, supply_c = self.plant, self.supply_c
        if spot and plant.uneven:
            supply_c = supply_c + self.fan * (spot * plant.uneven * (supply_c - self.mixed_c))
        if plant.radiant:
            supply_c = supply_c + self.fan * (plant.radiant * (self.metal_c - supply_c))
        return supply_c


SIGNALS = ("return", "mixed", "supply", "outdoor", "velocity", "pressure", "gas", *SPOTS)
"""Names that ``PlantRun.signals`` knows; the roles of the logger by the same names, and SPOTS."""


class _Stepper:
    """Takes the plant one step on and tells the values at the step's start."""

    __slots__ = (
        "_fan",
        "_still",
        "_tripped",
        "extras",
        "plant",
        "return_c",
        "room",
        "supply_c",
        "supply_w",
        "unit",
    )

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        start_c = plant.return_profile[0][1] if plant.return_profile else plant.room_c
        self.room = Room(plant)
        coil = plant.coil
        self.unit = Heater(plant, start_c, STEP_S) if coil is None else CoolingCoil(plant, coil, start_c)
        self.return_c = start_c
        self.supply_c = start_c + STILL_SUPPLY_TO_OUTDOOR * (plant.outdoor_c - start_c)
        self.supply_w = plant.humidity_ratio
        self.extras: list[tuple[float, ...]] | None = [] if _has_extras(plant) else None
        self._tripped = False
        self._fan = Fan(plant, plant.humidity_ratio, 1.0)
        self._still = decays(STILL_TIME_CONSTANT_S, STEP_S)

    def let_through_w(self, called_w: float) -> float:
        """Input that the high limit lets through."""
        limit = self.plant.limit
        if limit is not None:
            threshold_c = limit.reset_c if self._tripped else limit.trip_c
            self._tripped = self.supply_c > threshold_c
        return 0.0 if self._tripped else called_w

    def with_fan(self, called_w: float, profile_c: float | None, share: float) -> tuple[float, ...]:
        """One step of moving air."""
        plant, room, unit = self.plant, self.room, self.unit
        fan = self._fan if self.extras is None else self._fan_at(room.entering_w, share)
        self.return_c = room.returned_c(fan) if profile_c is None else profile_c
        air, (self.supply_c, self.supply_w) = unit.passed(room.entering_c(self.return_c), fan)
        input_w = called_w if plant.limit is None else self.let_through_w(called_w)
        output_w, metal_c = unit.output_w(input_w), unit.metal_c
        row = (
            1.0,
            input_w,
            output_w,
            self.return_c,
            self.supply_c,
            room.temp_c,
            metal_c,
            unit.slow_c,
            air.dry_air_kg_s,
            self._air_heat_w(air, fan),
            air.fan_heat_w,
            plant.casing_w_k * (metal_c - plant.outdoor_c),
            0.0,
        )
        extras = self.extras
        if extras is not None:
            extras.append(
                (share, air.entering_c, room.w, fan.w, self.supply_w, unit.water_kg, unit.drained_kg_s)
            )
        supply_mean_c = unit.moved(air, fan, output_w, STEP_S)
        room.supplied(air, supply_mean_c, self.supply_w, STEP_S)
        return row

    def without_fan(self, called_w: float, profile_c: float | None) -> tuple[float, ...]:
        """One step of still air; probes drift to what surrounds them."""
        plant, room, unit = self.plant, self.room, self.unit
        input_w = self.let_through_w(called_w) if plant.coil is None else 0.0
        output_w = unit.output_w(input_w)
        row = (
            0.0,
            input_w,
            output_w,
            self.return_c,
            self.supply_c,
            room.temp_c,
            unit.metal_c,
            unit.slow_c,
            0.0,
            0.0,
            0.0,
            plant.casing_w_k * (unit.metal_c - plant.outdoor_c),
            STILL_HX_W_K * (unit.metal_c - room.temp_c),
        )
        if self.extras is not None:
            self.extras.append(
                (0.0, self.return_c, room.w, room.w, self.supply_w, unit.water_kg, unit.drained_kg_s)
            )
        unit.stilled(STILL_HX_W_K, room.temp_c, output_w, STEP_S)
        self._drift(room.temp_c if profile_c is None else profile_c)
        room.left_alone(STEP_S)
        return row

    def _drift(self, beside_c: float) -> None:
        outdoor_c, metal_c = self.plant.outdoor_c, self.unit.metal_c
        around_c = (
            beside_c
            + STILL_SUPPLY_TO_OUTDOOR * (outdoor_c - beside_c)
            + STILL_SUPPLY_TO_METAL * (metal_c - beside_c)
        )
        self.return_c, _ = relax(self.return_c, beside_c, *self._still)
        self.supply_c, _ = relax(self.supply_c, around_c, *self._still)
        self.supply_w, _ = relax(self.supply_w, self.room.w, *self._still)

    def _air_heat_w(self, air: Stream, fan: Fan) -> float:
        if self.supply_w == fan.w:
            return air.capacity_w_k * (self.supply_c - air.entering_c)
        gained_j_kg = enthalpy_j_kg(self.supply_c, self.supply_w) - enthalpy_j_kg(air.entering_c, fan.w)
        return air.dry_air_kg_s * gained_j_kg

    def _fan_at(self, w: float, share: float) -> Fan:
        """The fan is the same for as long as its speed and its air's humidity are."""
        if w != self._fan.w or share != self._fan.share:
            self._fan = Fan(self.plant, w, share)
        return self._fan


def _has_extras(plant: Plant) -> bool:
    """Whether anything after ``still_w`` in ``PlantRun`` is other than in a plain unit."""
    return bool(plant.fan_profile or plant.outdoor_share or plant.moisture or plant.coil)


@lru_cache(maxsize=4)
def simulate(plant: Plant, timeline: Timeline) -> PlantRun:
    """Run the plant through the timeline. Deterministic: no chance enters here."""
    before = round(timeline.lead_s / STEP_S)
    t_s: Array = STEP_S * np.arange(-before, round(timeline.duration_s / STEP_S) + 1, dtype=np.float64)
    stepper = _Stepper(plant)
    rows = [
        stepper.with_fan(power_w, entering_c, share) if share else stepper.without_fan(power_w, entering_c)
        for power_w, share, entering_c in zip(*calls(plant, timeline, t_s), strict=True)
    ]
    columns = [t_s, *_columns(rows)]
    columns += _plain_extras(plant, columns) if stepper.extras is None else [*_columns(stepper.extras)]
    columns = [column[before:] for column in columns]
    for column in columns:
        column.flags.writeable = False
    names = [entry.name for entry in fields(PlantRun) if entry.name != "plant"]
    return PlantRun(plant=plant, **dict(zip(names, columns, strict=True)))


def _columns(rows: list[tuple[float, ...]]) -> Array:
    width = len(rows[0])
    flat = np.fromiter(chain.from_iterable(rows), dtype=np.float64, count=width * len(rows))
    return np.ascontiguousarray(flat.reshape(-1, width).T)


def _plain_extras(plant: Plant, columns: list[Array]) -> list[Array]:
    """The fan as it is, the return air as what enters, one humidity ratio, no water on anything."""
    fan, return_c = columns[1], columns[4]
    w, nothing = np.full_like(fan, plant.humidity_ratio), np.zeros_like(fan)
    return [fan, return_c, w, w, w, nothing, nothing]
