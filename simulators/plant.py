"""A gas-fired rooftop unit on a room: the truth that simulated probes look at.

Nodes: heat-exchanger metal (fast), cabinet (slow, optional), room. Each is linear and is stepped
by its exact exponential, with what it is coupled to held over the step, so heat is conserved to
rounding. Air itself stores nothing and needs no time from one end of the unit to the other.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from logger.core.readings import Quantity
from simulators.moist_air import relative_humidity_pct
from simulators.unit import Plant, Stream, Timeline, metal_rest_c, stream

Array = npt.NDArray[np.float64]

STEP_S = 0.5  # s; switching times are multiples of it
STILL_TIME_CONSTANT_S = 300.0  # s, still air at a duct probe; assumed
STILL_HX_W_K = 5.0  # W/K, metal to still air; assumed
STILL_SUPPLY_TO_OUTDOOR = 0.08  # share of the way from room to outdoors at the supply probe; assumed
STILL_SUPPLY_TO_METAL = 0.02  # share of the way from room to metal there; assumed
GAS_HEATING_VALUE_J_M3 = 38.64e6  # J/m3 gross, 1037 Btu/ft3: EIA, mean heat content of US gas


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlantRun:
    """The truth on a grid of ``STEP_S``; read-only arrays of equal length.

    ``input_w`` and ``output_w`` hold from their grid point to the next, the others are values
    at the grid point. ``still_w`` is heat of the metal to still air.
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
    plant: Plant

    def signals(self, name: str) -> Mapping[Quantity, Array]:
        """What a probe that looks at the signal ``name`` can see; ``KeyError`` if there is none."""
        plant = self.plant
        air = {"return": self.return_c, "mixed": self.return_c, "supply": self.supply_c}
        air["outdoor"] = np.full_like(self.t_s, plant.outdoor_c)
        if name in air:
            w = plant.humidity_ratio if name != "outdoor" else 0.8 * plant.humidity_ratio  # drier: assumed
            humidity = np.minimum(100.0, relative_humidity_pct(air[name], w, plant.pressure_pa))
            return {Quantity.TEMPERATURE: air[name], Quantity.HUMIDITY: humidity}
        gas_m3 = np.concatenate(([0.0], np.cumsum(self.input_w[:-1]) * STEP_S / GAS_HEATING_VALUE_J_M3))
        return {
            "velocity": {Quantity.VELOCITY: self.fan * (plant.volume_m3_s / plant.duct_area_m2)},
            "pressure": {Quantity.PRESSURE: np.full_like(self.t_s, plant.pressure_pa)},
            "gas": {Quantity.GAS_VOLUME: gas_m3},
        }[name]


SIGNALS = ("return", "mixed", "supply", "outdoor", "velocity", "pressure", "gas")
"""Names that ``PlantRun.signals`` knows; the roles of the logger by the same names."""


@dataclass(slots=True)
class _State:
    metal_c: float
    slow_c: float
    room_c: float
    return_c: float
    supply_c: float
    tripped: bool = False


def _relax(start: float, rest: float, decay: float, mean_decay: float) -> tuple[float, float]:
    """End and mean over a step of dx/dt = (rest - x) / tau; exact."""
    return rest + (start - rest) * decay, rest + (start - rest) * mean_decay


def _decays(time_constant_s: float) -> tuple[float, float]:
    x = STEP_S / time_constant_s
    return math.exp(-x), -math.expm1(-x) / x


class _Stepper:
    """Takes the state one step on and tells the values at the step's start."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        start_c = plant.return_profile[0][1] if plant.return_profile else plant.room_c
        still_supply_c = start_c + STILL_SUPPLY_TO_OUTDOOR * (plant.outdoor_c - start_c)
        self.state = _State(start_c, start_c, plant.room_c, start_c, still_supply_c)
        self._running = _decays(plant.time_constant_s)
        self._resting = _decays(plant.metal_j_k / (STILL_HX_W_K + plant.casing_w_k))
        self._still = _decays(STILL_TIME_CONSTANT_S)
        self._slow = _decays(plant.slow.time_constant_s) if plant.slow else (1.0, 1.0)
        self._slow_w_k = plant.slow.share * stream(plant, start_c).capacity_w_k if plant.slow else 0.0

    def burner_w(self, called_w: float) -> float:
        """Input that the high limit lets through."""
        limit, state = self.plant.limit, self.state
        if limit is not None:
            threshold_c = limit.reset_c if state.tripped else limit.trip_c
            state.tripped = state.supply_c > threshold_c
        return 0.0 if state.tripped else called_w

    def entering_c(self, profile_c: float | None) -> float:
        """Entering air with the fan on: the profile's, or the room's through the return duct."""
        if profile_c is not None:
            return profile_c
        plant, room_c = self.plant, self.state.room_c
        kept = math.exp(-plant.return_duct_w_k / stream(plant, room_c).capacity_w_k)
        return plant.outdoor_c + (room_c - plant.outdoor_c) * kept

    def with_fan(self, called_w: float, profile_c: float | None) -> tuple[float, ...]:
        """One step of moving air."""
        plant, state = self.plant, self.state
        air = stream(plant, self.entering_c(profile_c))
        state.return_c = air.return_c
        hot_c = air.fan_outlet_c + plant.hx_w_k * (state.metal_c - air.fan_outlet_c) / air.capacity_w_k
        state.supply_c = hot_c - self._slow_w_k * (hot_c - state.slow_c) / air.capacity_w_k
        input_w = self.burner_w(called_w)
        row = self._row(input_w, air, still_w=0.0)

        rest_c = metal_rest_c(plant, row[2], plant.hx_w_k, air.fan_outlet_c)
        state.metal_c, metal_mean_c = _relax(state.metal_c, rest_c, *self._running)
        hot_c = air.fan_outlet_c + plant.hx_w_k * (metal_mean_c - air.fan_outlet_c) / air.capacity_w_k
        state.slow_c, slow_mean_c = _relax(state.slow_c, hot_c, *self._slow)
        supply_mean_c = hot_c - self._slow_w_k * (hot_c - slow_mean_c) / air.capacity_w_k
        kept = math.exp(-plant.supply_duct_w_k / air.capacity_w_k)
        register_c = plant.outdoor_c + (supply_mean_c - plant.outdoor_c) * kept
        self._step_room(air.capacity_w_k * (register_c - state.room_c))
        return row

    def without_fan(self, called_w: float, profile_c: float | None) -> tuple[float, ...]:
        """One step of still air; probes drift to what surrounds them."""
        plant, state = self.plant, self.state
        input_w = self.burner_w(called_w)
        row = self._row(input_w, None, still_w=STILL_HX_W_K * (state.metal_c - state.room_c))
        beside_c = state.room_c if profile_c is None else profile_c
        rest_c = metal_rest_c(plant, row[2], STILL_HX_W_K, state.room_c)
        state.metal_c, _ = _relax(state.metal_c, rest_c, *self._resting)
        around_c = (
            beside_c
            + STILL_SUPPLY_TO_OUTDOOR * (plant.outdoor_c - beside_c)
            + STILL_SUPPLY_TO_METAL * (state.metal_c - beside_c)
        )
        state.return_c, _ = _relax(state.return_c, beside_c, *self._still)
        state.supply_c, _ = _relax(state.supply_c, around_c, *self._still)
        self._step_room(0.0)
        return row

    def _step_room(self, heat_w: float) -> None:
        plant, state = self.plant, self.state
        loss_w = plant.room_loss_w_k * (state.room_c - plant.outdoor_c)
        state.room_c += STEP_S * (heat_w - loss_w) / plant.room_j_k

    def _row(self, input_w: float, air: Stream | None, *, still_w: float) -> tuple[float, ...]:
        """One value for each array of ``PlantRun`` after ``t_s``, in its order."""
        plant, state = self.plant, self.state
        return (
            0.0 if air is None else 1.0,
            input_w,
            input_w * (1.0 - plant.flue_loss),
            state.return_c,
            state.supply_c,
            state.room_c,
            state.metal_c,
            state.slow_c,
            0.0 if air is None else air.dry_air_kg_s,
            0.0 if air is None else air.capacity_w_k * (state.supply_c - state.return_c),
            0.0 if air is None else air.fan_heat_w,
            plant.casing_w_k * (state.metal_c - plant.outdoor_c),
            still_w,
        )


def _calls(plant: Plant, timeline: Timeline, t_s: Array) -> tuple[list[float], list[bool]]:
    """Input called for and fan at each grid point; a call holds from its start to before its end."""
    called_w, fan = np.zeros_like(t_s), np.zeros_like(t_s, dtype=bool)
    for start_s, end_s, stage in timeline.burner:
        called_w[(t_s >= start_s) & (t_s < end_s)] = plant.stage_input_w[stage]
    for start_s, end_s in timeline.fan:
        fan[(t_s >= start_s) & (t_s < end_s)] = True
    if plant.input_profile:
        called_w *= np.interp(t_s, *np.transpose(plant.input_profile))
    return called_w.tolist(), fan.tolist()


@lru_cache(maxsize=4)
def simulate(plant: Plant, timeline: Timeline) -> PlantRun:
    """Run the plant through the timeline. Deterministic: no chance enters here."""
    t_s: Array = STEP_S * np.arange(round(timeline.duration_s / STEP_S) + 1, dtype=np.float64)
    called_w, fan = _calls(plant, timeline, t_s)
    profile_c: list[float | None] = [None] * len(t_s)
    if plant.return_profile:
        profile_c = np.interp(t_s, *np.transpose(plant.return_profile)).tolist()
    stepper = _Stepper(plant)
    rows = [
        (stepper.with_fan if on else stepper.without_fan)(power_w, entering_c)
        for on, power_w, entering_c in zip(fan, called_w, profile_c, strict=True)
    ]
    columns = [t_s, *np.array(rows, dtype=np.float64).T]
    for column in columns:
        column.flags.writeable = False
    names = [entry.name for entry in fields(PlantRun) if entry.name != "plant"]
    return PlantRun(plant=plant, **dict(zip(names, columns, strict=True)))
