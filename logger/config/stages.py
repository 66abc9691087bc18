"""Keys of a burner's stages: what they mean together, and what they become."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import log

from logger.config.problems import Problem
from logger.config.quantities import Dimension, show
from logger.config.schema import AirflowTable, ConfigFile, UnitTable
from logger.core.firing import expected, plate_output_w
from logger.core.params import JobParams, UnitKind
from logger.core.stage import CLEAR

MOST_STAGES = 16  # of any unit (assumed); a burner that modulates may have as many levels
SAME = 0.01  # fraction: the highest stage is the plate itself, rounded (assumed)
_HEATING = {UnitKind.GAS, UnitKind.ELECTRIC}


def stage_problems(config: ConfigFile) -> Iterator[Problem]:
    """What does not go together."""
    unit, air = config.unit, config.airflow
    lists = {
        ("unit", "stage_input"): unit.stage_input,
        ("unit", "stage_output"): unit.stage_output,
        ("airflow", "stage_volume"): air.stage_volume,
    }
    if unit.modulating and unit.stages > 1:
        yield Problem(
            ("unit", "modulating"), "stands beside unit.stages; a burner has stages or modulates: keep one"
        )
        return
    for path, values in lists.items():
        if values is not None:
            yield from _list_problems(path, values, unit)
    yield from _highest(unit, config)
    yield from _output_above_input(unit)
    yield from _airflow(unit, air)


def _list_problems(path: tuple[str, str], values: tuple[float, ...], unit: UnitTable) -> Iterator[Problem]:
    if unit.kind not in _HEATING:
        yield Problem(path, f"goes with gas or electric heat, and unit.kind is '{unit.kind}'; remove it")
    elif unit.modulating:
        yield Problem(path, "goes with stages, and this burner modulates; remove one of them")
    elif len(values) != unit.stages:
        yield Problem(
            path,
            f"has {len(values)} values and unit.stages is {unit.stages}; give one a stage, lowest first",
        )
    elif any(high <= low for low, high in pairwise(values)):
        yield Problem(path, "must rise from stage to stage; write the lowest stage first")


def _highest(unit: UnitTable, config: ConfigFile) -> Iterator[Problem]:
    """The highest stage is what the plate says of the whole unit."""
    pairs = (
        ("stage_input", unit.stage_input, "input", unit.input),
        ("stage_output", unit.stage_output, "output", _output_w(unit)),
    )
    for key, values, whole, plate_w in pairs:
        if values is None:
            continue
        if plate_w is None:
            yield Problem(("unit", key), f"needs unit.{whole}, that of the whole unit; add it from the plate")
        elif abs(values[-1] / plate_w - 1.0) > SAME:
            last, full = (show(w, Dimension.POWER, config.job.units) for w in (values[-1], plate_w))
            yield Problem(
                ("unit", key),
                f"its highest stage has {last} and unit.{whole} is {full}: the same thing twice; check both",
            )


def _output_above_input(unit: UnitTable) -> Iterator[Problem]:
    both = zip(unit.stage_output or (), unit.stage_input or (), strict=False)
    for stage, (output_w, input_w) in enumerate(both, 1):
        if output_w > input_w:
            yield Problem(
                ("unit", "stage_output"),
                f"is more than unit.stage_input at stage {stage}; check that they are not swapped",
            )


def _airflow(unit: UnitTable, air: AirflowTable) -> Iterator[Problem]:
    if air.stage_volume is None:
        return
    path = ("airflow", "stage_volume")
    for key, value in (("volume", air.volume), ("traverse", air.traverse)):
        if value is not None:
            yield Problem(path, f"stands beside airflow.{key}; keep one way to say the airflow")
    if not stage_output_w(unit):
        yield Problem(
            path,
            "needs to know what each stage gives, for the rise must tell the stage; add unit.stage_output, or"
            " unit.stage_input with the plate's input and output",
        )


def _output_w(unit: UnitTable) -> float | None:
    if unit.output is not None or unit.input is None:
        return unit.output
    if unit.efficiency is not None:
        return unit.efficiency * unit.input
    return unit.input if unit.kind is UnitKind.ELECTRIC else None


def stage_output_w(unit: UnitTable) -> tuple[float, ...]:
    """What the plate says of each stage's output, or its input at the plate's efficiency; () without."""
    if unit.stage_output is not None:
        return unit.stage_output
    output_w = _output_w(unit)
    if unit.stage_input is None or unit.input is None or output_w is None:
        return ()
    return tuple(output_w / unit.input * input_w for input_w in unit.stage_input)


def stage_notes(config: ConfigFile, job: JobParams) -> Iterator[str]:
    """What is taken for granted of the stages, and whether this set-up can tell them."""
    unit, volumes = config.unit, job.airflow.stage_volume_m3_s
    if unit.stage_input is not None and unit.stage_output is None and job.unit.stage_output_w:
        yield "unit.stage_output is left out: each stage is taken to have the plate's efficiency."
    if not volumes:
        return
    yield (
        "airflow.stage_volume: the fan phase before the firing is taken to be at the speed of the highest"
        " stage; the airflow of a firing is known with its stage, so no output is shown before it is steady."
    )
    sure, plate_w = expected(job), plate_output_w(job)
    if sure is None or not plate_w:
        return
    rises = [log(w / m3_s) for w, m3_s in zip(job.unit.stage_output_w, volumes, strict=True)]
    for stage, (low, high) in enumerate(pairwise(rises), 1):
        if abs(high - low) < CLEAR * sure[0] / plate_w:
            yield (
                f"airflow.stage_volume: at stages {stage} and {stage + 1} the rise is expected to be the same"
                f" within {abs(high - low):.0%}, too little to tell them: there will be no output without"
                ' visit.stage_forced; a velocity probe in the duct (airflow.source = "probe") needs none.'
            )
