"""Budget lines of the temperature probes: own error, gain, placement."""

from __future__ import annotations

from math import sqrt

from logger.core.budget import BudgetLine
from logger.core.params import JobParams, ProbeParams, Role
from logger.core.stretch import FanPhase, Means, fan_ratio

UNMATCHED_C = 20.0  # degC: where an unmatched probe is taken to be right (assumed)


def probe_lines(job: JobParams, means: Means, fan: FanPhase | None, watt_per_k: float) -> list[BudgetLine]:
    """Each probe's own error (what the fan phase cancels taken out), its gain, its placement."""
    kept = watt_per_k if fan is None else abs(watt_per_k - fan_ratio(means, fan) * fan.watt_per_k)
    entering_role = Role.MIXED if job.probes_of(Role.MIXED) else Role.RETURN
    lines = []
    for role, name, now_c, zero_c in (
        (Role.SUPPLY, "supply", means.supply_c, fan.supply_c if fan else None),
        (entering_role, "entering", means.entering_c, fan.entering_c if fan else None),
    ):
        probes = job.probes_of(role)
        own_k = sqrt(sum((p.u95 / 2.0) ** 2 for p in probes)) / len(probes)
        assumed = any(p.u95_assumed for p in probes)
        lines.append(BudgetLine(f"{name} temperature", own_k * kept, assumed=assumed))
        gain_k = _gain_u_k(probes, now_c, zero_c)
        guess = any(p.gain_assumed for p in probes)
        lines.append(BudgetLine(f"{name} probe gain", gain_k * watt_per_k, assumed=guess))
        if role is Role.SUPPLY or not all(p.placement_assumed for p in probes):
            part = sqrt(sum((p.placement_u95 / 2.0) ** 2 for p in probes)) / len(probes)
            guess = any(p.placement_assumed for p in probes)
            lines.append(BudgetLine(f"{name} placement", part * abs(means.air_heat_w), assumed=guess))
    return lines


def _gain_u_k(probes: tuple[ProbeParams, ...], now_c: float, zero_c: float | None) -> float:
    """What the probes' gain may do to their mean, K: its error grows from where they are right.

    That is the fan phase's temperature ``zero_c``, else that of their match. Gains of one make are
    alike, so the mean of several is no better than one.
    """
    parts = []
    for probe in probes:
        matched_c = UNMATCHED_C if probe.matched_at_c is None else probe.matched_at_c
        parts.append(probe.gain_u95 / 2.0 * abs(now_c - (matched_c if zero_c is None else zero_c)))
    return sum(parts) / len(parts)
