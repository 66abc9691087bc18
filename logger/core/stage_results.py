"""Results stage by stage: the levels that a run was steady at, each with its stage where that is told."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

from logger.core.firing import STAGE_CHANGE, Firing, SteadyStretch, plate_output_w
from logger.core.params import JobParams
from logger.core.stage import NO_OUTPUT, Told, by_output, no_plates, offs, plates_w
from logger.core.stage_doubts import Level, doubted, u95_share


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
    return [
        *doubted(job, firings, speechless, found),
        *(Level(stretch=s, reason=reason) for reason, s in unknown.items()),
    ]


def running_level(
    job: JobParams, firings: Sequence[Firing], running: SteadyStretch, speechless: Collection[str] = ()
) -> Level:
    """The level of a stretch that still runs, in the last of the firings; its stage may not be known."""
    if running.untold:
        return Level(stretch=running, reason=running.untold)
    *before, last = firings
    now = replace(last, stretches=[*(s for s in last.stretches if s.start_s != running.start_s), running])
    found = [level for level in levels(job, [*before, now], speechless) if not level.stretch.untold]
    return min(found, key=lambda level: abs(level.stretch.means.output_w - running.means.output_w))


def plate_w_of(job: JobParams, stage: int | None) -> float | None:
    """What the plate says of a stage; of a burner that modulates, and of the highest stage: the full one."""
    if job.unit.modulating or stage == job.unit.stages:
        return plate_output_w(job)
    plates = plates_w(job.unit)
    return plates[stage - 1] if stage is not None and plates else None


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
    if not unit.stage_output_w or y_w <= 0.0:
        return Level(stretch=stretch, reason=no_plates(unit.kind) if y_w > 0.0 else NO_OUTPUT)
    told = by_output(offs([y_w] * len(unit.stage_output_w), unit), u95_share(stretch))
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
    plate_w = plate_w_of(job, level.stage)
    return {
        "stage": level.stage,
        "output_w": stretch.means.output_w if known else None,
        "output_u95_w": stretch.combined.u95_w if known else None,
        "ratio": stretch.means.output_w / plate_w if known and plate_w else None,
        "seconds": float(stretch.seconds),
        "reason": _sentence(level.reason) if level.reason else None,
        "doubt": _sentence(level.unproven) if level.unproven else None,
    }


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:].rstrip('.')}."
