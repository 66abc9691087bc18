"""Budget lines of the temperature probes: own error, gain, placement, lag.

A probe reads true + common + own + gain x (T - where it is right). What is common to all cancels
in the rise; ``own`` is a zero error, which a fan phase takes out; the gain stays. Several probes of
a role count by their weights, and how far they lie apart tells how uneven the stream is.
Source: GUM (JCGM 100) 4.2.3 (mean of observations), 4.3.7 (rectangle).
"""

from __future__ import annotations

from math import inf, sqrt
from typing import NamedTuple

from logger.core.budget import BudgetLine
from logger.core.params import PLACEMENT_U95, JobParams, ProbeParams, Role
from logger.core.stretch import ROOT3, FanPhase, Means, Stretch, fan_ratio

WRONG_WAY_K = 5.0  # K; assumed: beyond what duct, fan and probes make of still or idle air
UNMATCHED_C = 20.0  # degC: where an unmatched probe is taken to be right (assumed)
LEAST_PLACEMENT = 0.01  # of the rise, u95: what probes that agree may have in common (assumed)
LAG_K_S = 30.0  # s: how much later one probe may follow than the other (assumed)


class Side(NamedTuple):
    """One side of the rise: its probes, their temperature now and in the fan phase, degC."""

    name: str
    probes: tuple[ProbeParams, ...]
    now_c: float
    zero_c: float | None


class Placement(NamedTuple):
    """What the place of a side's probes does to their mean, a fraction of the rise."""

    u: float
    nu: float
    assumed: bool


def probe_lines(
    job: JobParams, means: Means, fan: FanPhase | None, stretch: Stretch, watts_per_k: tuple[float, float]
) -> list[BudgetLine]:
    """The lines of both sides, and the lag between them.

    ``watts_per_k``: what a kelvin of the supply side and of the entering side does to the output.
    """
    supply = Side("supply", job.probes_of(Role.SUPPLY), means.supply_c, fan.supply_c if fan else None)
    entering = Side("entering", job.entering_probes(), means.entering_c, fan.entering_c if fan else None)
    lines = []
    for side, watt_per_k in zip((supply, entering), watts_per_k, strict=True):
        kept = watt_per_k if fan is None else abs(watt_per_k - fan_ratio(means, fan) * fan.watt_per_k)
        own_k = mean_own_u(side.probes)
        assumed = any(p.u95_assumed for p in side.probes)
        lines.append(BudgetLine(f"{side.name} temperature", own_k * kept, assumed=assumed))
        guess = any(p.gain_assumed for p in side.probes)
        lines.append(BudgetLine(f"{side.name} probe gain", gain_u_k(side) * watt_per_k, assumed=guess))
        place = placement(side.probes, stretch, means.rise_k)
        u_w = place.u * abs(means.air_heat_w)
        lines.append(BudgetLine(f"{side.name} placement", u_w, place.nu, place.assumed))
    lines.append(BudgetLine("probe lag", _lag_w(means, fan, stretch, watts_per_k), assumed=True))
    return lines


def _lag_w(means: Means, fan: FanPhase | None, stretch: Stretch, watts_per_k: tuple[float, float]) -> float:
    """Standard uncertainty, W, by a probe that follows later than the other: the worse of both sides.

    It is behind in the fan phase too, by what the air changed there, and the fan's heat is off by that: of
    one and the same part of it. A late probe's own flat part may begin later and be off by less.
    """
    then_w_k = 0.0 if fan is None else fan_ratio(means, fan) * fan.watt_per_k
    then_k_s = (0.0, 0.0) if fan is None else fan.drifts_k_s
    sides = zip(stretch.drifts_k_s, watts_per_k, then_k_s, strict=True)
    return max(abs(k_s * w_k - k0_s * then_w_k) for k_s, w_k, k0_s in sides) * LAG_K_S / ROOT3


def shares(probes: tuple[ProbeParams, ...]) -> list[float]:
    """Weights of a role's probes, that add up to 1."""
    whole = sum(p.weight for p in probes)
    return [p.weight / whole for p in probes]


def mean_own_u(probes: tuple[ProbeParams, ...]) -> float:
    """Standard uncertainty of a role's mean from its probes' own errors, K."""
    return sqrt(sum((share * p.u95 / 2.0) ** 2 for p, share in zip(probes, shares(probes), strict=True)))


def gain_u_k(side: Side) -> float:
    """What the probes' gain may do to their mean, K: its error grows from where they are right.

    That is the fan phase's temperature, else that of their match. Gains of one make are alike, so
    the mean of several is no better than one.
    """
    total = 0.0
    for probe, share in zip(side.probes, shares(side.probes), strict=True):
        matched_c = UNMATCHED_C if probe.matched_at_c is None else probe.matched_at_c
        right_c = matched_c if side.zero_c is None else side.zero_c
        total += share * probe.gain_u95 / 2.0 * abs(side.now_c - right_c)
    return total


def placement(probes: tuple[ProbeParams, ...], stretch: Stretch, rise_k: float) -> Placement:
    """Given beats measured beats assumed.

    Measured: the scatter s of the probes over the stretch, s / sqrt(n) with n - 1 degrees; with
    weights, n is 1 / sum of the shares squared. It holds the probes' own differences too.
    """
    parts = shares(probes)
    seen = dict(stretch.probes_c)
    if all(p.placement_assumed for p in probes) and len(probes) > 1 and rise_k and seen:
        readings = [seen[p.name] for p in probes]
        mean_c = sum(share * c for share, c in zip(parts, readings, strict=True))
        squares = sum(share**2 for share in parts)
        variance = sum(share * (c - mean_c) ** 2 for share, c in zip(parts, readings, strict=True))
        u = sqrt(variance * squares / (1.0 - squares)) / abs(rise_k)
        if u > LEAST_PLACEMENT / 2.0:
            return Placement(u, 1.0 / squares - 1.0, assumed=False)
        return Placement(LEAST_PLACEMENT / 2.0, inf, assumed=True)
    u = sqrt(sum((share * _spot_u95(p) / 2.0) ** 2 for p, share in zip(probes, parts, strict=True)))
    return Placement(u, inf, any(p.placement_assumed for p in probes))


def _spot_u95(probe: ProbeParams) -> float:
    return PLACEMENT_U95[probe.role] if probe.placement_assumed else probe.placement_u95
