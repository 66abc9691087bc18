"""What the simulated unit, its ducts and its room are made of, and where a stage ends up.

Heat into the metal = input x (1 - flue loss); out of it to the air stream and, through the
section's casing, to the outdoors. The fan holds the volume at its inlet for a given speed, so the mass
falls as the air there warms; its power goes with density and speed cubed. It blows into the section, or
draws from behind a cooling coil: then it moves cold, dried air, and its heat comes after the coil.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from simulators.coil import Coil
from simulators.moist_air import KELVIN, heat_capacity_j_kg_k, volume_m3_kg_k

Profile = tuple[tuple[float, float], ...]

REFERENCE_DENSITY_KG_M3 = 1.2  # kg/m3 at which ``fan_heat_w`` is given; assumed
_NO_DRAWN_FLAME = "a draw-through fan is told of a cooling coil alone: set fan to blow-through"
OUTDOOR_DRYNESS = 0.8  # of the room's humidity ratio; assumed
HX_FLOW_EXPONENT = 0.8  # metal to air with the flow: turbulent, Dittus-Boelter; recalled


class Kind(StrEnum):
    """How the unit makes heat or cold: the ``unit.kind`` of a config."""

    GAS = "gas"
    ELECTRIC = "electric"
    HEAT_PUMP = "heat-pump"
    COOLING = "cooling"


class FanPlace(StrEnum):
    """Where the fan stands to the section: the ``unit.fan`` of a config."""

    BLOW_THROUGH = "blow-through"
    DRAW_THROUGH = "draw-through"


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
class HeatPump:
    """How the capacity of a heat pump comes and goes. Sizes are assumed.

    ``capacity_per_k``: change with the outdoor temperature from ``rated_outdoor_c`` on, a share of the
    rated. It comes up as 1 - exp(-t / ramp). Every ``defrost_every_s`` of running (0: never) it takes
    ``defrost_share`` of the rated capacity out of the room's air for ``defrost_s``, then comes up again.
    Meanwhile electric elements behind the coil give ``strip_share`` of the rated capacity (0: none), and
    for ``strip_after_s`` more beside the heat that comes back.
    """

    rated_outdoor_c: float = 8.3  # 47 degF, the usual rating condition; recalled
    capacity_per_k: float = 0.02
    ramp_s: float = 120.0
    defrost_every_s: float = 0.0
    defrost_s: float = 240.0
    defrost_share: float = 0.4
    strip_share: float = 0.0
    strip_after_s: float = 0.0

    def share(self, outdoor_c: float) -> float:
        """Capacity at rest over the rated one."""
        return 1.0 + self.capacity_per_k * (outdoor_c - self.rated_outdoor_c)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomMoisture:
    """Dry air that the room holds, and the water that people and work bring into it."""

    air_kg: float
    gain_kg_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """What the unit, its ducts and its room are made of. Defaults are an invented unit: assumed.

    ``return_profile`` (s, degC) replaces the room loop. ``input_profile`` (s, factor) modulates
    the stage's input. ``fan_profile`` (s, factor) changes the fan's volume: a drive of variable speed,
    or a belt that slips. ``stage_input_w`` of a heat pump is the heat that its refrigerant brings, of a
    cooling unit (``coil``) what it takes. A fan that draws (``fan``) is told of a coil alone.

    Raises
    ------
    ValueError
        A fan that draws through anything but a coil.
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
    kind: Kind = Kind.GAS
    air_m3: float = 0.0  # between the heat exchanger's metal: 0 stores nothing
    fan_profile: Profile = ()
    outdoor_share: float = 0.0  # of the entering dry air: by a damper, or a leak past the return probe
    outdoor_w: float | None = None  # None: OUTDOOR_DRYNESS of ``humidity_ratio``
    supply_leak: float = 0.0  # share of the supply air lost outdoors past the supply probe
    room_gain_w: float = 0.0
    moisture: RoomMoisture | None = None  # None: the entering air keeps ``humidity_ratio``
    uneven: float = 0.0  # supply-1 and supply-3 see this share of the rise less and more
    radiant: float = 0.0  # share of the way to the metal's temperature that the supply probe is drawn
    heat_pump: HeatPump | None = None
    coil: Coil | None = None
    fan: FanPlace = FanPlace.BLOW_THROUGH

    def __post_init__(self) -> None:
        if self.draws and self.coil is None:
            raise ValueError(_NO_DRAWN_FLAME)

    @property
    def draws(self) -> bool:
        """Whether the fan stands behind the section."""
        return self.fan is FanPlace.DRAW_THROUGH

    @property
    def outdoor_humidity_ratio(self) -> float:
        """Water per dry air outdoors in kg/kg."""
        return OUTDOOR_DRYNESS * self.humidity_ratio if self.outdoor_w is None else self.outdoor_w

    @property
    def metal_j_k(self) -> float:
        """Heat capacity of the metal: a node that loses G + K has the time constant C / (G + K)."""
        return self.time_constant_s * (self.hx_w_k + self.casing_w_k)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """Who calls for what, when: (from, to) of the fan, (from, to, stage) of the burner, in s.

    ``lead_s``: what the plant goes through before 0 s, where the probes begin to be heard.
    """

    duration_s: float
    fan: tuple[tuple[float, float], ...]
    burner: tuple[tuple[float, float, int], ...]
    lead_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Equilibrium:
    """Where one stage ends up at given conditions: W, K, degC, kg/s of dry air.

    ``output_w`` is what the plate speaks of. Gas, electric: input x (1 - flue loss)
    = air heat - fan heat + casing loss. Heat pump: the air heat, fan and all. Cooling: the fall of the
    air's enthalpy, fan and all; then ``air_heat_w`` is its negative, and ``sensible_w`` is what of it
    cools the air of the leaving humidity (all of it, elsewhere).
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
    sensible_w: float
    condensate_kg_s: float = 0.0
    condensate_w: float = 0.0  # heat that leaves in it

    @property
    def latent_w(self) -> float:
        """What of the output is not sensible."""
        return self.output_w - self.sensible_w


class Stream(NamedTuple):
    """The moving air of one moment: dry air kg/s, capacity rate W/K at the fan, the fan's heat, and degC
    where it enters the unit and behind the fan."""

    dry_air_kg_s: float
    capacity_w_k: float
    entering_c: float
    fan_heat_w: float
    fan_outlet_c: float


class Fan:
    """The fan at one speed (``share`` of the plant's volume) and one humidity ratio."""

    __slots__ = (
        "_capacity_j_kg_k",
        "_fan_w",
        "_m3_kg_k",
        "_plant",
        "_volume_m3_s",
        "_wet",
        "hx_w_k",
        "share",
        "w",
    )

    def __init__(self, plant: Plant, w: float, share: float) -> None:
        self._plant, self.w, self.share = plant, w, share
        self.hx_w_k: float = plant.hx_w_k * share**HX_FLOW_EXPONENT
        self._volume_m3_s = plant.volume_m3_s * share
        self._m3_kg_k = volume_m3_kg_k(w, plant.pressure_pa)
        self._capacity_j_kg_k = heat_capacity_j_kg_k(w)
        self._fan_w = plant.fan_heat_w * share**3  # fan law
        self._wet = 1.0 + w

    def at(self, entering_c: float) -> Stream:
        """Air through the unit, for entering air of ``entering_c``."""
        dry_air_kg_s = self._volume_m3_s / ((entering_c + KELVIN) * self._m3_kg_k)
        density_kg_m3 = dry_air_kg_s * self._wet / self._volume_m3_s
        capacity_w_k = dry_air_kg_s * self._capacity_j_kg_k
        fan_w = self._fan_w * density_kg_m3 / REFERENCE_DENSITY_KG_M3
        return Stream(dry_air_kg_s, capacity_w_k, entering_c, fan_w, entering_c + fan_w / capacity_w_k)

    def of(self, w: float) -> Fan:
        """The same fan and speed in air of another humidity ratio."""
        return self if w == self.w else Fan(self._plant, w, self.share)

    def capacity_w_k(self, entering_c: float) -> float:
        """Of ``at`` the capacity rate alone."""
        return self._volume_m3_s / ((entering_c + KELVIN) * self._m3_kg_k) * self._capacity_j_kg_k


def stream(plant: Plant, entering_c: float) -> Stream:
    """Air through the unit with the fan on as it is meant to run."""
    return Fan(plant, plant.humidity_ratio, 1.0).at(entering_c)


def equilibrium(plant: Plant, input_w: float, entering_c: float, fan: Fan | None = None) -> Equilibrium:
    """Solve the metal's balance at rest: output = G (T - T_fan) + K (T - T_outdoor)."""
    fan = fan or Fan(plant, plant.humidity_ratio, 1.0)
    air = fan.at(entering_c)
    output_w = input_w * (1.0 - plant.flue_loss)
    metal_c = metal_rest_c(plant, output_w, fan.hx_w_k, air.fan_outlet_c)
    casing_w = plant.casing_w_k * (metal_c - plant.outdoor_c)
    air_heat_w = output_w + air.fan_heat_w - casing_w
    rise_k = air_heat_w / air.capacity_w_k
    stated_w = air_heat_w if plant.kind is Kind.HEAT_PUMP else output_w
    return Equilibrium(
        input_w=input_w,
        output_w=stated_w,
        air_heat_w=air_heat_w,
        fan_heat_w=air.fan_heat_w,
        casing_loss_w=casing_w,
        return_c=entering_c,
        supply_c=entering_c + rise_k,
        rise_k=rise_k,
        dry_air_kg_s=air.dry_air_kg_s,
        sensible_w=stated_w,
    )


def metal_rest_c(plant: Plant, output_w: float, hx_w_k: float, air_c: float) -> float:
    """Temperature of the metal at rest, for heat into it and the air around it."""
    gains_w = output_w + hx_w_k * air_c + plant.casing_w_k * plant.outdoor_c
    return gains_w / (hx_w_k + plant.casing_w_k)
