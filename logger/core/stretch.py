"""What a fan phase and a steady stretch were found to be: means, and how they behaved."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from logger.core.ledger import COLUMN, Row, Sums, means
from logger.core.line import Line
from logger.core.units import ZERO_C_K

ROOT3 = sqrt(3.0)  # half-width of a rectangle -> standard uncertainty (GUM 4.3.7)
BLOCK_S = 30  # s at either end of a stretch, between whose means the temperatures drift (design choice)
SLOW_TAU_S = 900.0  # s: cabinet, duct, curb: the slow tail that no warm-up shows (design)
FAN_W_PER_KG_S = (
    773.0 * 0.84
)  # 365 W per 1000 cfm, the usual default (recalled); m3/kg at 20 degC: near enough
WATER_V_RATIO = 1.607858  # d ln(v) / dW, from v = R T (1 + 1.607858 W) / p


@dataclass(frozen=True, slots=True, kw_only=True)
class FanPhase:
    """What the fan phase before a firing gave: one mean state, and how well it is known."""

    fan_heat_w: float  # m0 dh0: fan heat and zero difference together
    entering_c: float
    supply_c: float
    humidity_ratio: float
    pressure_pa: float
    watt_per_k: float  # m0 cp
    return_c: float
    inlet_c: float  # at the fan
    rise_u_k: float  # standard uncertainty of the mean rise, from scatter and what it may still creep
    rise_nu: float
    seconds: float
    tail_k: float = 0.0  # what a slow tail of residual heat may still hold of the rise, one-sided
    drifts_k_s: tuple[float, float] = (0.0, 0.0)  # change of supply and entering temperature, K/s
    slope_k_s: float = 0.0  # slope of the rise, K/s, where it is told from noise; its sign is the tail's side
    held_kg_s: float | None = None  # dry air it was reckoned with, where that stands for the firing's


@dataclass(frozen=True, slots=True, kw_only=True)
class Means:
    """Means over a steady stretch, or the state of one tick. SI, degC."""

    entering_c: float
    supply_c: float
    rise_k: float
    humidity_ratio: float
    pressure_pa: float
    dry_air_kg_s: float
    air_heat_w: float
    fan_heat_w: float  # the usual one of such a flow where it is not known
    output_w: float
    return_c: float
    inlet_c: float  # at the fan


def means_from(mean: Row) -> Means:
    """A ledger's means by name: its columns are the fields of ``Means``."""
    return Means(**dict(zip(COLUMN._fields, mean, strict=True)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Which of the side quantities a probe gave, rather than an assumption."""

    humidity: bool
    pressure: bool


@dataclass(frozen=True, slots=True)
class CoilMeans:
    """Means of a cooling unit beside ``Means``; its total is the output.

    ``told``: both humidities were known; else the output is the sensible heat alone.
    """

    sensible_w: float
    supply_w: float  # humidity ratio of the supply air
    told: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """How the output behaved over the stretch: its line (per grid step) and the warm-up's tau."""

    line: Line | None
    grid_s: int
    tau_s: float | None
    batch_w: tuple[float, float] | None = None  # of the output's mean, by batches: u and its degrees
    drifts_k_s: tuple[float, float] = (0.0, 0.0)  # change of supply and entering temperature, K/s
    probes_c: tuple[tuple[str, float], ...] = ()  # mean of each probe, where a role has several
    supply_humidity: float | None = None  # %, by the supply probe itself
    velocity_m_s: float | None = None  # in the duct, where the config has an airflow for each stage
    coil: CoilMeans | None = None  # of a cooling unit


def drifts_k_s(head: tuple[Sums, Sums], tail: tuple[Sums, Sums], between_s: float) -> tuple[float, float]:
    """Change of supply and entering temperature from one block of the ledger to another, K/s; none where a
    block is empty."""
    first, last = means(*head), means(*tail)
    if first is None or last is None or between_s <= 0.0:
        return 0.0, 0.0
    supply_k, entering_k = (last[at] - first[at] for at in (COLUMN.supply_c, COLUMN.entering_c))
    return supply_k / between_s, entering_k / between_s


def fan_ratio(means: Means, fan: FanPhase) -> float:
    """What the heat of the fan phase goes with from then to now."""
    return heat_ratio(means.dry_air_kg_s, means.inlet_c, means.humidity_ratio, means.pressure_pa, fan)


def heat_ratio(dry_air_kg_s: float, inlet_c: float, w: float, pressure_pa: float, fan: FanPhase) -> float:
    """rho1 / rho0 at the fan inlet, as output = m1 dh1 - (rho1/rho0) m0 dh0 asks for.

    A constant-speed fan has m1/m0 = rho1/rho0. Where m0 is not had, but a mass that stands for m1,
    m1 over that mass gives the same product.
    """
    if fan.held_kg_s is not None:
        return dry_air_kg_s / fan.held_kg_s
    return density_ratio(inlet_c, w, pressure_pa, fan)


def density_ratio(inlet_c: float, w: float, pressure_pa: float, fan: FanPhase) -> float:
    """rho1 / rho0 of moist air as an ideal gas mixture (ASHRAE Fundamentals ch. 1)."""
    now = pressure_pa / (inlet_c + ZERO_C_K) * (1.0 + w) / (1.0 + WATER_V_RATIO * w)
    w0 = fan.humidity_ratio
    then = fan.pressure_pa / (fan.inlet_c + ZERO_C_K) * (1.0 + w0) / (1.0 + WATER_V_RATIO * w0)
    return now / then
