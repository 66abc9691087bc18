"""What the simulated unit, its ducts and its room are made of, and where a stage ends up.

Heat into the metal = input x (1 - flue loss); out of it to the air stream and, through the
section's casing, to the outdoors. The fan (blow-through, constant speed) holds the volume at its
inlet, so the mass falls as the entering air warms, and its power goes with the density.
"""

from __future__ import annotations

from dataclasses import dataclass

from simulators.moist_air import heat_capacity_j_kg_k, volume_m3_kg

Profile = tuple[tuple[float, float], ...]

REFERENCE_DENSITY_KG_M3 = 1.2  # kg/m3 at which ``fan_heat_w`` is given; assumed


@dataclass(frozen=True, slots=True, kw_only=True)
class SlowNode:
    """Mass past the heat exchanger that takes ``share`` of the heat at first, nothing in the end."""

    share: float
    time_constant_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """High limit on the supply air: opens the burner above ``trip_c``, closes it below ``reset_c``."""

    trip_c: float
    reset_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """What the unit, its ducts and its room are made of. Defaults are an invented unit: assumed.

    ``return_profile`` (s, degC) replaces the room loop. ``input_profile`` (s, factor) modulates
    the stage's input.
    """

    stage_input_w: tuple[float, ...]
    flue_loss: float
    volume_m3_s: float  # at the fan inlet
    pressure_pa: float
    humidity_ratio: float
    time_constant_s: float = 120.0
    hx_w_k: float = 117.0  # metal to air
    casing_w_k: float = 1.39  # metal through the casing to outdoors: about 1 % of input when firing
    slow: SlowNode | None = None
    fan_heat_w: float = 460.0  # at REFERENCE_DENSITY_KG_M3
    outdoor_c: float = 5.0
    room_c: float = 21.0  # at the start
    room_j_k: float = 15e6
    room_loss_w_k: float = 600.0
    return_duct_w_k: float = 15.0
    supply_duct_w_k: float = 25.0  # downstream of the supply probe
    duct_area_m2: float = 0.25  # where the velocity probe stands, in the return duct
    limit: Limit | None = None
    return_profile: Profile = ()
    input_profile: Profile = ()

    @property
    def metal_j_k(self) -> float:
        """Heat capacity of the metal: a node that loses G + K has the time constant C / (G + K)."""
        return self.time_constant_s * (self.hx_w_k + self.casing_w_k)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """Who calls for what, when: (from, to) of the fan, (from, to, stage) of the burner, in s."""

    duration_s: float
    fan: tuple[tuple[float, float], ...]
    burner: tuple[tuple[float, float, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Equilibrium:
    """Where one stage ends up at given conditions: W, K, degC, kg/s of dry air.

    ``output_w`` is what the plate speaks of, input x (1 - flue loss)
    = air heat - fan heat + casing loss.
    """

    input_w: float
    output_w: float
    air_heat_w: float
    fan_heat_w: float
    casing_loss_w: float
    return_c: float
    supply_c: float
    rise_k: float
    dry_air_kg_s: float


@dataclass(frozen=True, slots=True)
class Stream:
    """The moving air of one moment: capacity rate W/K, dry air kg/s, and the fan's heat."""

    dry_air_kg_s: float
    capacity_w_k: float
    return_c: float
    fan_heat_w: float

    @property
    def fan_outlet_c(self) -> float:
        """Temperature between fan and heat exchanger."""
        return self.return_c + self.fan_heat_w / self.capacity_w_k


def stream(plant: Plant, return_c: float) -> Stream:
    """Air through the unit with the fan on, for entering air of ``return_c``."""
    w = plant.humidity_ratio
    dry_air_kg_s = plant.volume_m3_s / volume_m3_kg(return_c, w, plant.pressure_pa)
    density_kg_m3 = dry_air_kg_s * (1.0 + w) / plant.volume_m3_s
    return Stream(
        dry_air_kg_s,
        dry_air_kg_s * heat_capacity_j_kg_k(w),
        return_c,
        plant.fan_heat_w * density_kg_m3 / REFERENCE_DENSITY_KG_M3,
    )


def equilibrium(plant: Plant, input_w: float, return_c: float) -> Equilibrium:
    """Solve the metal's balance at rest: output = G (T - T_fan) + K (T - T_outdoor)."""
    air = stream(plant, return_c)
    output_w = input_w * (1.0 - plant.flue_loss)
    metal_c = metal_rest_c(plant, output_w, plant.hx_w_k, air.fan_outlet_c)
    casing_w = plant.casing_w_k * (metal_c - plant.outdoor_c)
    air_heat_w = output_w + air.fan_heat_w - casing_w
    rise_k = air_heat_w / air.capacity_w_k
    return Equilibrium(
        input_w=input_w,
        output_w=output_w,
        air_heat_w=air_heat_w,
        fan_heat_w=air.fan_heat_w,
        casing_loss_w=casing_w,
        return_c=return_c,
        supply_c=return_c + rise_k,
        rise_k=rise_k,
        dry_air_kg_s=air.dry_air_kg_s,
    )


def metal_rest_c(plant: Plant, output_w: float, hx_w_k: float, air_c: float) -> float:
    """Temperature of the metal at rest, for heat into it and the air around it."""
    gains_w = output_w + hx_w_k * air_c + plant.casing_w_k * plant.outdoor_c
    return gains_w / (hx_w_k + plant.casing_w_k)
