"""The mixed temperature of a stream from a temperature traverse, each point weighted by its mass flow.

T_mix = sum(rho v T) / sum(rho v); the density goes with 1 / T (absolute). What comes of it replaces
the assumption of how well one probe stands for the stream.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from logger.core.airflow import FlowCheck
from logger.core.budget import BudgetLine, Combined, combine
from logger.core.errors import UsageError
from logger.core.params import VelocityBasis
from logger.core.texts import difference_text, temperature_text
from logger.core.traverse import Traverse, TraversePoint
from logger.core.traverse_budget import actual_velocity, air_state
from logger.core.traverse_checks import check_complete
from logger.core.traverse_grid import geometry
from logger.core.units import ZERO_C_K

LEAST_SPREAD_K = 2.0  # K: a stream behind a heat exchanger is seldom more even (assumed)
UNKNOWN_SCATTER_K = 0.3  # K of one point's average, where none was noted (assumed)
WEIGHT_U = 0.10  # of one point's velocity against the others (assumed)
LEAST_RISE_K = 3.0  # K: below it a rise scales nothing (assumed)
APART_MOST = 1.5  # a spot's rise over the stream's, or its inverse; beyond it nothing is corrected (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedTemperature:
    """``placement_u95_k``: how well the mixed temperature is known beside the probe's own error."""

    mixed_c: float
    plain_mean_c: float
    coldest_c: float
    warmest_c: float
    u95_k: float
    placement_u95_k: float
    lines: tuple[BudgetLine, ...]  # u_w in K
    combined: Combined


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """What one probe of the supply air makes of the stream.

    ``rise_factor``: rise of the stream over that at the probe. It scales the rise, where an offset
    would cancel in the fan phase. ``placement_u95``: how well it is known, a fraction of the rise.
    """

    rise_factor: float
    placement_u95: float


def spot(
    mixed: MixedTemperature, return_c: float, reading_c: float, other_u95_k: float | None = None
) -> Spot:
    """Hold a probe's reading, taken during the traverse, against the stream.

    ``other_u95_k``: u95 of that probe where it is another one than the traverse's; the calibrations
    of both are in the factor then, and of one probe they cancel.

    Raises
    ------
    UsageError
        One of the rises is not above 0, or they are too far apart to be of one stream.
    """
    rise_k, at_probe_k = mixed.mixed_c - return_c, reading_c - return_c
    if min(rise_k, at_probe_k) < LEAST_RISE_K:
        raise UsageError(
            f"the return air, {temperature_text(return_c)}, is not below both the stream's "
            f"{temperature_text(mixed.mixed_c)} and the probe's {temperature_text(reading_c)} by "
            f"{difference_text(LEAST_RISE_K)} or more: fire the unit, or see whether they were swapped"
        )
    if not 1.0 / APART_MOST <= rise_k / at_probe_k <= APART_MOST:
        raise UsageError(
            f"the probe's rise is {at_probe_k / rise_k:.2f} times that of the stream: it reads another "
            "temperature, or stands in a poor place; check it, or move it"
        )
    u95_k = mixed.placement_u95_k if other_u95_k is None else hypot(mixed.u95_k, other_u95_k)
    return Spot(rise_factor=rise_k / at_probe_k, placement_u95=u95_k / rise_k)


def mixed_temperature(traverse: Traverse) -> MixedTemperature:
    """Mix the stream.

    Raises
    ------
    UsageError
        There is no point, a point without its temperature, or no flow.
    """
    temperatures = [point.temperature_c for point in traverse.points if point.temperature_c is not None]
    if not temperatures or len(temperatures) < len(traverse.points):
        raise UsageError("every point needs a temperature and a velocity: add what is missing")
    state = air_state(traverse)
    temp_c = np.array(temperatures)
    flux = np.array([actual_velocity(traverse, state, p) for p in traverse.points])
    flux *= (temp_c + ZERO_C_K) ** np.array([_density_power(traverse, p) for p in traverse.points])
    if float(np.sum(flux)) <= 0.0:
        raise UsageError("the points show no flow along the duct: check the velocities")
    weight = flux / np.sum(flux)
    mixed_c = float(np.sum(weight * temp_c))
    lines = tuple(line for line in _lines(traverse, temp_c, weight, mixed_c) if line.u_w > 0.0)
    placement = combine([line for line in lines if line.source != "probe calibration"])
    combined = combine(lines)
    return MixedTemperature(
        mixed_c=mixed_c,
        plain_mean_c=float(np.mean(temp_c)),
        coldest_c=float(np.min(temp_c)),
        warmest_c=float(np.max(temp_c)),
        u95_k=combined.u95_w,
        placement_u95_k=placement.u95_w,
        lines=lines,
        combined=combined,
    )


def _density_power(traverse: Traverse, point: TraversePoint) -> float:
    """Power of the absolute temperature that turns a point's velocity into its mass flow.

    A standard velocity is the mass flow already; a velocity pressure gave it with the mean density.
    """
    if point.velocity_pressure_pa is not None:
        return -0.5
    return 0.0 if traverse.basis is VelocityBasis.STANDARD else -1.0


def _lines(traverse: Traverse, temp_c: np.ndarray, weight: np.ndarray, mixed_c: float) -> list[BudgetLine]:
    """The budget, in K; sampling and missing points by the rules of the velocity's."""
    places, count = geometry(traverse.duct, traverse.points), len(temp_c)
    missing = max(traverse.planned - count, 0)
    spread_k = max(float(np.std(temp_c)), LEAST_SPREAD_K)
    total = 0.0
    for pairs in (run.pairs for run in places.runs):
        steps = temp_c[pairs[:, 0]] - temp_c[pairs[:, 1]]
        total += float(np.mean(steps * steps)) / 12.0 if len(pairs) else spread_k**2 / 2.0
    scatter = [UNKNOWN_SCATTER_K if p.scatter_k is None else p.scatter_k for p in traverse.points]
    away = float(np.sqrt(np.sum((weight * (temp_c - mixed_c)) ** 2)))
    return [
        BudgetLine("probe calibration", traverse.temperature_u95_k / 2.0),
        BudgetLine("sampling", sqrt(total / count), nu=max(count - 1.0, 1.0)),
        BudgetLine(
            "scatter",
            sqrt(sum(s * s for s in scatter)) / count,
            assumed=any(p.scatter_k is None for p in traverse.points),
        ),
        BudgetLine("velocity weights", WEIGHT_U * away, assumed=True),
        BudgetLine("missing points", missing / max(traverse.planned, 1) * spread_k),
    ]


def check_mixed(traverse: Traverse, mixed: MixedTemperature) -> tuple[FlowCheck, ...]:
    """What must be told of it."""
    spread_k = mixed.warmest_c - mixed.coldest_c
    layered = abs(mixed.plain_mean_c - mixed.mixed_c) > mixed.u95_k
    told = f"The stream spreads over {difference_text(spread_k)}"
    told += "; the plain mean would be off by more than the uncertainty." if layered else "."
    return (
        check_complete(traverse),
        FlowCheck(code="spread", ok=not layered, text=told),
    )
