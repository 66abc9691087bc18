"""Results stage by stage: the levels that a run was steady at, each with its stage where that is told."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import log
from typing import Any

from logger.core.firing import STAGE_CHANGE, Firing, SteadyStretch, plate_output_w
from logger.core.flow_hold import held_by
from logger.core.gas import GasInput
from logger.core.params import AirflowSource, JobParams, Role
from logger.core.stage import (
    OFF_PLATES,
    OFF_RATIO,
    UNLIKE,
    Seen,
    Told,
    by_output,
    in_ratio,
    not_shown,
    offs,
    on_plates,
    plates_w,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One level: its longest stretch, its stage from 1, and why that (or the output) is not known."""

    stretch: SteadyStretch
    stage: int | None = None
    reason: str | None = None
    doubt: str = ""  # why the levels of the run do not show its stages, not even by their order


def has_stages(job: JobParams) -> bool:
    """Whether the unit fires at more than one level."""
    return job.unit.stages > 1


def levels(job: JobParams, firings: Sequence[Firing], speechless: Collection[str] = ()) -> list[Level]:
    """The levels of a run, lowest output first; those whose airflow is not known come last.

    ``speechless``: probes that never gave a usable reading.
    """
    stretches = [stretch for firing in firings for stretch in firing.stretches]
    told = _longest([s for s in stretches if not s.untold])
    unknown = {s.untold: s for s in sorted(stretches, key=lambda s: s.seconds) if s.untold}
    found = [_level(job, stretch, place, len(told)) for place, stretch in enumerate(told)]
    sure = _watched(job, firings, speechless) or _burnt(told)
    doubt = "" if sure else _doubt(job, found)
    if doubt:
        found = [replace(level, stage=None, reason=doubt, doubt=doubt) for level in found]
    return [*found, *(Level(stretch=s, reason=reason) for reason, s in unknown.items())]


def _watched(job: JobParams, firings: Iterable[Firing], speechless: Collection[str]) -> bool:
    """Whether a velocity shows that the levels are no change of the airflow."""
    if all(probe.name in speechless for probe in job.probes_of(Role.VELOCITY)):
        return False
    live = job.airflow.source is AirflowSource.PROBE
    return live or (held_by(job) is not None and all(f.flow_changed_s is None for f in firings))


def _burnt(told: Sequence[SteadyStretch]) -> bool:
    """Whether the gas input went from level to level as the output did; true of one level alone."""
    for low, high in pairwise(told):
        if not isinstance(low.gas, GasInput) or not isinstance(high.gas, GasInput):
            return False
        if min(low.means.output_w, low.gas.input_w) <= 0.0:
            return False
        gas, output = high.gas.input_w / low.gas.input_w, high.means.output_w / low.means.output_w
        if abs(log(gas / output)) > OFF_RATIO:
            return False
    return True


def _doubt(job: JobParams, found: Sequence[Level]) -> str:
    """Why several levels may be a change of the airflow; empty where they fit the plates."""
    if not job.unit.stage_output_w:
        return not_shown(job.unit.kind)
    seen = [Seen(level.stage, level.stretch.means.output_w, _u95(level.stretch)) for level in found]
    if not in_ratio(seen, job.unit):
        return UNLIKE
    return "" if on_plates(seen, job.unit) else OFF_PLATES


def _u95(stretch: SteadyStretch) -> float:
    """U95 of an output, a fraction of it."""
    y_w = stretch.means.output_w
    return stretch.combined.u95_w / abs(y_w) if y_w else 0.0


def _longest(stretches: list[SteadyStretch]) -> list[SteadyStretch]:
    """The longest stretch of each level, by rising output; levels lie more than 10 % apart."""
    groups: list[list[SteadyStretch]] = []
    for stretch in sorted(stretches, key=lambda s: s.means.output_w):
        last = groups[-1] if groups else []
        same = last and stretch.means.output_w * (1.0 - STAGE_CHANGE) <= last[0].means.output_w
        if same and stretch.stage == last[0].stage:
            last.append(stretch)
        else:
            groups.append([stretch])
    return [max(group, key=lambda s: s.seconds) for group in groups]


def _level(job: JobParams, stretch: SteadyStretch, place: int, count: int) -> Level:
    """``place`` of ``count`` levels: where all stages were seen their order says which is which."""
    unit = job.unit
    if unit.modulating:
        return Level(stretch=stretch)
    if stretch.stage is not None:
        return Level(stretch=stretch, stage=stretch.stage)
    if count == unit.stages:
        return Level(stretch=stretch, stage=place + 1)
    if job.visit.full_fire and place == count - 1:
        return Level(stretch=stretch, stage=unit.stages)
    y_w = stretch.means.output_w
    off = offs([y_w] * len(unit.stage_output_w), unit) if y_w > 0.0 else ()
    told = by_output(off, _u95(stretch))
    if isinstance(told, Told):
        return Level(stretch=stretch, stage=told.stage)
    return Level(stretch=stretch, reason=told)


def stage_results(
    job: JobParams, firings: Sequence[Firing], speechless: Collection[str] = ()
) -> list[dict[str, Any]] | None:
    """The rows of the result document; None where the unit has one stage."""
    if not has_stages(job):
        return None
    return [_row(job, level) for level in levels(job, firings, speechless)]


def _row(job: JobParams, level: Level) -> dict[str, Any]:
    stretch = level.stretch
    known = not stretch.untold
    plate_w = _plate_w(job, level.stage)
    return {
        "stage": level.stage,
        "output_w": stretch.means.output_w if known else None,
        "output_u95_w": stretch.combined.u95_w if known else None,
        "ratio": stretch.means.output_w / plate_w if known and plate_w else None,
        "seconds": float(stretch.seconds),
        "reason": _sentence(level.reason) if level.reason else None,
    }


def _plate_w(job: JobParams, stage: int | None) -> float | None:
    """What the plate says of a stage; of a burner that modulates, and of the highest stage: the full one."""
    if job.unit.modulating or stage == job.unit.stages:
        return plate_output_w(job)
    plates = plates_w(job.unit)
    return plates[stage - 1] if stage is not None and plates else None


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:].rstrip('.')}."
