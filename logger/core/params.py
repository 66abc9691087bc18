"""What the core is told about the job: frozen, SI, already checked by the config edge."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from math import inf

from logger.core.gas import GasParams
from logger.core.readings import Quantity

PRESSURE_GAP = (
    0.04  # fraction: a pressure further off the site's altitude or pressure is not its own (design)
)
GAIN_U95 = 0.005  # of the difference from the match temperature: assumed (design)
STANDARD_DENSITY_KG_M3 = 1.2014  # kg/m3: 0.075 lb/ft3, standard air of ASHRAE


class Role(StrEnum):
    """Where a probe stands."""

    RETURN = "return"
    MIXED = "mixed"
    SUPPLY = "supply"
    OUTDOOR = "outdoor"
    VELOCITY = "velocity"
    PRESSURE = "pressure"
    GAS = "gas"


class UnitKind(StrEnum):
    """How the unit makes heat, or takes it."""

    GAS = "gas"
    ELECTRIC = "electric"
    HEAT_PUMP = "heat-pump"
    COOLING = "cooling"

    @property
    def fan_apart(self) -> bool:
        """Whether the plate's output is without the fan's heat; else ratings include it (recalled)."""
        return self in (UnitKind.GAS, UnitKind.ELECTRIC)

    @property
    def cools(self) -> bool:
        """Whether the air gives heat away: its rise is negative, the output is what it gives."""
        return self is UnitKind.COOLING


class FanPosition(StrEnum):
    """Where the fan stands against the heat exchanger."""

    BLOW_THROUGH = "blow-through"
    DRAW_THROUGH = "draw-through"


class FanDrive(StrEnum):
    """What the fan holds constant from the traverse to the firing."""

    CONSTANT_SPEED = "constant-speed"
    PROGRAMMED_FLOW = "programmed-flow"
    TORQUE = "torque"
    VARIABLE = "variable"


class FanHeatMode(StrEnum):
    """How the fan's heat is had."""

    MEASURED = "measured"
    NONE = "none"
    GIVEN = "given"


class OutdoorAir(StrEnum):
    """State of the outdoor-air damper as the operator says it."""

    CLOSED = "closed"
    FRACTION = "fraction"
    OPEN = "open"


class OutputAt(StrEnum):
    """For which conditions the plate's output holds, of a heat pump or a unit that cools."""

    RATING = "rating"
    VISIT = "visit"


class AirflowSource(StrEnum):
    """Where the airflow comes from."""

    FIXED = "fixed"
    PROBE = "probe"
    MASS = "mass"


class Plane(StrEnum):
    """Where in the duct an airflow or velocity was measured."""

    RETURN = "return"
    SUPPLY = "supply"


class Burner(StrEnum):
    """Whether the unit was heating while an airflow was measured."""

    ON = "on"
    OFF = "off"


class VelocityBasis(StrEnum):
    """Whether a velocity is the air's own or that of standard air of the same mass flow."""

    ACTUAL = "actual"
    STANDARD = "standard"


PLACEMENT_U95: dict[Role, float] = {
    Role.SUPPLY: 0.03,  # air just heated is uneven (assumed, design)
    Role.MIXED: 0.03,  # so is air just mixed (assumed)
    Role.RETURN: 0.01,  # the return duct or its fan has mixed it (assumed)
}
"""How well one spot stands for a whole stream where nobody says it: u95, a fraction of the rise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeParams:
    """One probe. ``offset`` is taken off the readings of its role's main quantity.

    ``u95``: expanded uncertainty (95 %) of the role's main quantity: K for temperatures,
    Pa for pressure, a fraction (0.04) of the value for velocity and gas. Of a probe that was matched
    it is that of its own offset: what all probes have in common cancels in the rise.
    Temperature alone: ``gain`` x (reading - ``matched_at_c``) is taken off too, ``gain_u95`` is what
    stays of it; ``humidity_offset``, %, is taken off the humidity, ``humidity_u95``, %, is that
    against the other probes. ``matched_day``: ordinal of the day of the match (1 = 0001-01-01).
    """

    name: str
    role: Role
    offset: float = 0.0
    u95: float
    u95_assumed: bool = False
    placement_u95: float = PLACEMENT_U95[Role.SUPPLY]  # where ``placement_assumed``, the role's own stands
    placement_assumed: bool = True
    max_age_s: float = 5.0
    weight: float = 1.0  # of this probe in the mean of its role
    rise_factor: float = 1.0  # supply: rise of the whole stream over that at this probe
    gain: float = 0.0
    gain_u95: float = GAIN_U95
    gain_assumed: bool = True
    matched_at_c: float | None = None
    matched_day: int | None = None
    humidity_offset: float = 0.0
    humidity_u95: float | None = None

    def correction(self, quantity: Quantity) -> tuple[float, float]:
        """Scale and shift of a reading: corrected = scale x reading - shift."""
        if quantity is Quantity.HUMIDITY:
            return 1.0, self.humidity_offset
        if quantity is not MAIN_QUANTITY[self.role]:
            return 1.0, 0.0
        return 1.0 - self.gain, self.offset - self.gain * (self.matched_at_c or 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitParams:
    """The unit under test and its plate. Powers in W, temperatures in degC, differences in K."""

    kind: UnitKind = UnitKind.GAS
    plate_input_w: float | None = None
    plate_output_w: float | None = None
    output_at: OutputAt = OutputAt.RATING  # nothing of a unit that burns or has elements hangs on it
    derate_factor: float = 1.0  # 1 where the unit was not derated
    derated: bool = False
    rise_window_k: tuple[float, float] | None = None
    tolerance: float = 0.05  # fraction of the plate
    fan: FanPosition = FanPosition.BLOW_THROUGH
    fan_heat: FanHeatMode = FanHeatMode.MEASURED
    fan_heat_w: float | None = None  # with GIVEN
    fan_drive: FanDrive = FanDrive.CONSTANT_SPEED
    outdoor_air: OutdoorAir = OutdoorAir.CLOSED
    outdoor_fraction: float = 0.0
    outdoor_fraction_u95: float = 0.0  # absolute, as a fraction of the supply air
    casing_loss_w: float | None = None  # None: 0..2 % of input assumed
    max_supply_c: float | None = None
    min_entering_c: float | None = None
    stages: int = 1  # of a burner that modulates: the most levels that are no surprise
    modulating: bool = False
    stage_output_w: tuple[float, ...] = ()  # of the plate, lowest first; () where nobody said them


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowLine:
    """One line of an airflow's own budget: ``u`` is a standard uncertainty, a fraction of the flow."""

    source: str
    u: float
    nu: float = inf
    assumed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AirflowParams:
    """How much air. ``u95`` is a fraction of the flow.

    FIXED: ``volume_m3_s`` at ``temperature_c`` and ``humidity`` (a fraction) in plane ``at``.
    PROBE: velocity of ``probe`` x ``area_m2`` x ``factor``, in plane ``at``.
    MASS: ``mass_kg_s`` of dry air.
    From a traverse: ``lines`` are the budget behind ``u95``, ``pressure_pa`` the pressure in the
    plane then, ``pressure_u_pa`` its standard uncertainty, ``origin`` one sentence on how it was
    had. ``density_power``: power with which its volume goes with 1 / density then.
    ``own_pressure``: ``pressure_pa`` is not the job's own number; else the pressure of the moment
    stands in for it. ``burner``: whether the unit heated then;
    ``burner_open``: nobody said it and the temperature does not tell; ``inlet_c``: the air at the fan
    inlet then, None where nobody said it.
    ``reference``: a fixed airflow that a live one is compared with.
    ``stage_volume_m3_s``: where the fan goes with the burner's stages, the volume at each, lowest stage
    first; ``volume_m3_s`` is then that of the highest.
    """

    source: AirflowSource
    u95: float = 0.05
    u95_assumed: bool = False
    at: Plane = Plane.RETURN
    volume_m3_s: float = 0.0
    temperature_c: float = 20.0
    humidity: float = 0.5
    mass_kg_s: float = 0.0
    probe: str = ""
    area_m2: float = 0.0
    factor: float = 1.0
    basis: VelocityBasis = VelocityBasis.ACTUAL
    reference_density_kg_m3: float = STANDARD_DENSITY_KG_M3
    pressure_pa: float | None = None
    pressure_u_pa: float = 1_000.0
    own_pressure: bool = False
    density_power: float = 0.0
    burner: Burner = Burner.OFF
    burner_open: bool = False
    inlet_c: float | None = None
    measured_day: int | None = None  # of a traverse: ordinal of its day (1 = 0001-01-01)
    lines: tuple[FlowLine, ...] = ()
    origin: str = ""
    reference: AirflowParams | None = None
    stage_volume_m3_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyParams:
    """When a firing counts as steady; meanings in ``core.steady``."""

    window_s: float = 120.0
    window_max_s: float = 600.0
    hold_s: float = 60.0
    remaining: float = 0.01
    time_constant_s: float = 120.0
    spread: float = 0.015


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleParams:
    """What tells a firing from the rise alone."""

    fire_k: float = 3.0
    end_k: float = 2.0
    min_fan_phase_s: float = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitParams:
    """What the operator found at the unit that decides what the result may say.

    ``bars``: why no verdict can stand, a clause each. ``full_fire``: the highest stage is forced.
    ``meter_shared``: other appliances burn gas on the unit's meter.
    """

    bars: tuple[str, ...] = ()
    full_fire: bool = False
    meter_shared: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class JobParams:
    """Everything the core needs to turn readings into a result."""

    name: str
    pressure_pa: float = 101_325.0
    pressure_u_pa: float = 1_000.0  # standard uncertainty; 1 kPa from altitude alone (design)
    pressure_assumed: bool = True
    humidity: float = 0.5  # fraction, where no probe gives it
    humidity_u: float = 0.15  # standard uncertainty of the assumed humidity: assumed
    unit: UnitParams = field(default_factory=UnitParams)
    airflow: AirflowParams
    probes: tuple[ProbeParams, ...]
    visit: VisitParams = field(default_factory=VisitParams)
    steady: SteadyParams = field(default_factory=SteadyParams)
    cycles: CycleParams = field(default_factory=CycleParams)
    gas: GasParams | None = None  # its heating value and meter; None: the input is not measured
    match_max_age_days: float = 30.0  # older matches are told (design choice)

    def probes_of(self, *roles: Role) -> tuple[ProbeParams, ...]:
        """The probes of the given roles, in the config's order."""
        return tuple(p for p in self.probes if p.role in roles)

    def entering_probes(self) -> tuple[ProbeParams, ...]:
        """The probes of the air that enters the heating section: mixed, else return."""
        return self.probes_of(Role.MIXED) or self.probes_of(Role.RETURN)


MAIN_QUANTITY: dict[Role, Quantity] = {
    Role.RETURN: Quantity.TEMPERATURE,
    Role.MIXED: Quantity.TEMPERATURE,
    Role.SUPPLY: Quantity.TEMPERATURE,
    Role.OUTDOOR: Quantity.TEMPERATURE,
    Role.VELOCITY: Quantity.VELOCITY,
    Role.PRESSURE: Quantity.PRESSURE,
    Role.GAS: Quantity.GAS_VOLUME,
}
"""The quantity that ``offset`` and ``u95`` of a probe speak of."""
