"""Airflow of the stage that is fired: a stretch reckoned anew where the fan goes with the burner.

The ticks know the airflow of the highest stage alone. At stage k it is r = V_k / V_highest of that, and
so is all that goes with the mass. Two parts do not: what a fan heats goes with r cubed (fan laws, ASHRAE
Handbook HVAC Systems and Equipment, fans; recalled), and what the fan phase shows, taken at the speed of
the highest stage, is fan heat and the probes' zero difference together, and the second goes with r.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import log

from logger.core.assess import casing_loss_w
from logger.core.budget import BudgetLine, combine
from logger.core.firing import STAGE_CHANGE, SteadyStretch, assess_stretch
from logger.core.params import FanHeatMode, JobParams
from logger.core.stage import FITS_NONE, Told, by_rise, offs, still_possible
from logger.core.stretch import FAN_W_PER_KG_S, ROOT3, FanPhase, Means, Stretch

DRIFT = "residual drift"
UNSURE = "stage not sure"
_ABOUT_THE_STRETCH = frozenset({DRIFT})  # it says what is still to come, not what the rise is now


def by_stage(
    job: JobParams, highest: SteadyStretch, fan: FanPhase | None, earlier: Sequence[SteadyStretch]
) -> SteadyStretch:
    """A stretch with the airflow of its stage, or with the reason why that cannot be told.

    ``highest``: as reckoned with the airflow of the highest stage. ``earlier``: those of this firing.
    """
    volumes = job.airflow.stage_volume_m3_s
    trials = [_at(job, highest, fan, volume / volumes[-1]) for volume in volumes]
    told = _told(job, trials, earlier)
    if isinstance(told, str):
        return replace(highest, untold=told)
    found = replace(trials[told.stage - 1], stage=told.stage)
    if told.near is None:
        return found
    cost_w = abs(found.means.output_w - trials[told.near - 1].means.output_w)
    return _with_line(found, BudgetLine(UNSURE, cost_w / ROOT3, assumed=True))


def _told(job: JobParams, trials: Sequence[SteadyStretch], earlier: Sequence[SteadyStretch]) -> Told | str:
    if job.visit.full_fire:
        return Told(len(trials))
    outputs_w = [trial.means.output_w for trial in trials]
    if min(outputs_w) <= 0.0:
        return FITS_NONE
    off = offs(outputs_w, job.unit)
    possible = list(range(1, len(trials) + 1))
    for before in earlier:
        if before.stage is None or _unsure(before):
            continue
        moved = log(trials[-1].means.rise_k / before.means.rise_k)
        left = still_possible(off, moved, before.stage, STAGE_CHANGE)
        possible = [k for k in possible if k in left] or possible
    lines = [line for line in trials[-1].lines if line.source not in _ABOUT_THE_STRETCH]
    return by_rise(off, combine(lines).u95_w / outputs_w[-1], possible)


def _unsure(stretch: SteadyStretch) -> bool:
    return any(line.source == UNSURE for line in stretch.lines)


def _at(job: JobParams, highest: SteadyStretch, fan: FanPhase | None, ratio: float) -> SteadyStretch:
    """The stretch with ``ratio`` of the airflow."""
    if ratio == 1.0:
        return highest
    means, fan_u_w = _means(job, highest.means, fan, ratio)
    found = assess_stretch(
        job,
        start_s=highest.start_s,
        end_s=highest.end_s,
        means=means,
        return_c=highest.return_c,
        line=_behaviour(highest.line, ratio),
        fan=None if fan is None else _fan(fan, ratio),
        seen=highest.seen,
    )
    return _with_line(found, BudgetLine("fan at this stage", fan_u_w, assumed=True))


def _means(job: JobParams, highest: Means, fan: FanPhase | None, ratio: float) -> tuple[Means, float]:
    """The means, and the standard uncertainty of what the fan gives at this speed, W."""
    more = ratio - ratio**3
    part_w = 0.0  # of the fan heat at the highest stage: what goes with the cube
    if job.unit.fan_heat is FanHeatMode.GIVEN:
        part_w = job.unit.fan_heat_w or 0.0
    elif job.unit.fan_heat is FanHeatMode.MEASURED and fan is not None:
        part_w = FAN_W_PER_KG_S * highest.dry_air_kg_s  # none to twice the usual (GUM 4.3.7)
    fan_w = ratio * highest.fan_heat_w - more * part_w
    net_w = ratio * highest.air_heat_w - fan_w
    means = replace(
        highest,
        dry_air_kg_s=ratio * highest.dry_air_kg_s,
        air_heat_w=ratio * highest.air_heat_w,
        fan_heat_w=fan_w,
        output_w=net_w + casing_loss_w(job, net_w)[0],
    )
    return means, abs(more) * part_w / ROOT3


def _behaviour(stretch: Stretch, ratio: float) -> Stretch:
    """The line and batches of the output go with the mass."""
    line, batch = stretch.line, stretch.batch_w
    if line is not None:
        se = None if line.slope_se is None else ratio * line.slope_se
        line = line._replace(
            mean=ratio * line.mean, slope=ratio * line.slope, scatter=ratio * line.scatter, slope_se=se
        )
    return replace(stretch, line=line, batch_w=None if batch is None else (ratio * batch[0], batch[1]))


def _fan(fan: FanPhase, ratio: float) -> FanPhase:
    """The fan phase as its zero difference counts at this airflow."""
    return replace(
        fan,
        fan_heat_w=ratio * fan.fan_heat_w,
        watt_per_k=ratio * fan.watt_per_k,
        held_kg_s=None if fan.held_kg_s is None else ratio * fan.held_kg_s,
    )


def _with_line(stretch: SteadyStretch, line: BudgetLine) -> SteadyStretch:
    if line.u_w <= 0.0:
        return stretch
    lines = (*stretch.lines, line)
    return replace(stretch, lines=lines, combined=combine(lines))
