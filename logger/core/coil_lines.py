"""Budget of a cooling coil: how its total goes with temperature, humidity and pressure of both sides.

A probe that is off in temperature is off in moisture too: its relative humidity stays what it read.
A few % of relative humidity are a large part of the latent heat, so these lines are wide. Sensitivities
are central differences of the output equation (GUM, JCGM 100, 5.1.3 note 2).
"""

from __future__ import annotations

from collections.abc import Callable
from math import hypot
from typing import NamedTuple

from logger.core.air import enthalpy_j_kg, humidity_ratio, saturation_pa
from logger.core.budget import BudgetLine
from logger.core.heat import WATER_CP_RATIO
from logger.core.humidity_probe import PROBE_U, humidity_inputs, matched_u, near_u
from logger.core.params import JobParams, Role
from logger.core.stretch import ROOT3, CoilMeans, Means

COMMON_U_K = 0.25  # K: what all temperature probes share, half of the +-0.5 K of the trade (assumed)
WATER_MASS_RATIO = 0.621945  # of water to dry air; ASHRAE Fundamentals ch. 1 eq. (20)
STEP_C, STEP_RH, STEP_PA = 0.05, 0.005, 50.0  # of the differences


class Slopes(NamedTuple):
    """What the enthalpy of one side, J/kg of dry air, and its moisture go with."""

    per_k: float  # at fixed relative humidity
    per_rh: float  # per fraction
    w_per_rh: float
    per_pa: float
    humidity: float  # fraction


def slopes(temp_c: float, w: float, pressure_pa: float) -> Slopes:
    """Slopes at a state, from the relative humidity that a probe reads in it."""
    vapour_pa = w * pressure_pa / (WATER_MASS_RATIO + w)
    rh = vapour_pa / saturation_pa(temp_c)
    damp = max(rh, STEP_RH)  # no step may lead to less than no moisture

    def h(at_c: float, at_rh: float, at_pa: float) -> float:
        return float(enthalpy_j_kg(at_c, humidity_ratio(at_c, at_rh, at_pa)))

    return Slopes(
        per_k=_slope(lambda d: h(temp_c + d, rh, pressure_pa), STEP_C),
        per_rh=_slope(lambda d: h(temp_c, damp + d, pressure_pa), STEP_RH),
        w_per_rh=_slope(lambda d: humidity_ratio(temp_c, damp + d, pressure_pa), STEP_RH),
        per_pa=_slope(lambda d: h(temp_c, rh, pressure_pa + d), STEP_PA),
        humidity=rh,
    )


def _slope(of: Callable[[float], float], step: float) -> float:
    return (of(step) - of(-step)) / (2.0 * step)


class Both(NamedTuple):
    """Slopes of both sides, and the dry air between them, kg/s."""

    supply: Slopes
    entering: Slopes
    dry_air_kg_s: float

    def watt_per_k(self) -> tuple[float, float]:
        """What a kelvin of the supply and of the entering probe does to the total, W/K."""
        return self.supply.per_k * self.dry_air_kg_s, self.entering.per_k * self.dry_air_kg_s

    def pressure_w_pa(self) -> float:
        """What a pascal does to the total through the moisture of both sides, W/Pa."""
        return (self.entering.per_pa - self.supply.per_pa) * self.dry_air_kg_s


def both(means: Means, coil: CoilMeans | None) -> Both | None:
    """Slopes of a coil whose total is told; None for every other process, which holds its moisture."""
    if coil is None or not coil.told:
        return None
    return Both(
        slopes(means.supply_c, coil.supply_w, means.pressure_pa),
        slopes(means.entering_c, means.humidity_ratio, means.pressure_pa),
        means.dry_air_kg_s,
    )


class Swells(NamedTuple):
    """-d ln(dry mass) / dW by the moisture of either side of a coil."""

    entering: float
    supply: float


def coil_lines(job: JobParams, coil: Both, total_w: float, swells: Swells) -> list[BudgetLine]:
    """Humidity of both sides, and what all probes have in common."""
    kg_s = coil.dry_air_kg_s
    front_w = coil.entering.per_rh * kg_s - swells.entering * coil.entering.w_per_rh * total_w
    back_w = coil.supply.per_rh * kg_s + swells.supply * coil.supply.w_per_rh * total_w
    common_k = COMMON_U_K * (coil.entering.per_k - coil.supply.per_k) * kg_s
    lines = []
    for part in humidity_inputs(job, coil.entering.humidity, coil.supply.humidity):
        u_w = part.u * abs(part.entering * front_w - part.supply * back_w)
        lines.append(BudgetLine(part.source, u_w, assumed=part.assumed))
    return [*lines, BudgetLine("temperature in common", abs(common_k), assumed=True)]


def zero_u_w(
    job: JobParams, temp_c: float, w: float, pressure_pa: float, dry_air_kg_s: float, rise_u_k: float
) -> float:
    """Standard uncertainty, W, of a total where nothing is cooled: that of both humidities, and of a rise's
    ``rise_u_k``, which is off in moisture too."""
    own = matched_u(job.entering_probes()[0], job.probes_of(Role.SUPPLY)[0]) or (PROBE_U, PROBE_U)
    here = slopes(temp_c, w, pressure_pa)
    near = near_u(here.humidity)  # of each of both
    u = hypot(*own, near, near)
    return hypot(u * here.per_rh, rise_u_k * here.per_k) * dry_air_kg_s


def unknown_moisture(means: Means, sensible_w: float) -> BudgetLine:
    """Where the supply's moisture is not told: any up to the entering air's, in its heat capacity."""
    u = WATER_CP_RATIO * means.humidity_ratio / 2.0 / ROOT3
    return BudgetLine("supply moisture", u * abs(sensible_w), assumed=True)


def capacities(means: Means, coil: CoilMeans) -> dict[str, float | None]:
    """Total apart from its parts, as the result has them; W and kg/s. None where the total is not told."""
    told = coil.told
    total_w, water_kg_s = means.output_w, means.dry_air_kg_s * (means.humidity_ratio - coil.supply_w)
    return {
        "sensible_w": coil.sensible_w,
        "latent_w": total_w - coil.sensible_w if told else None,
        "sensible_heat_ratio": coil.sensible_w / total_w if told and total_w else None,
        "condensate_kg_s": water_kg_s if told else None,
    }


NO_CAPACITIES: dict[str, float | None] = dict.fromkeys(
    ("sensible_w", "latent_w", "sensible_heat_ratio", "condensate_kg_s")
)
