"""One trial: a user with errors of its own measures the scenario's unit, up to a result.

The reader of the readings is the core itself; the truth it is held against is the plant's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logger.core.coil_lines import capacities
from logger.core.firing import Firing, SteadyStretch
from logger.core.params import AirflowParams, AirflowSource, JobParams, OutputAt, Role
from logger.core.pipeline import Outcome, Pipeline
from logger.core.readings import NS_PER_S, ReadingBlock
from logger.core.reasons import judge_outcome
from simulators.study.bench import Bench
from simulators.study.draws import Errors, drawn, speaking_seed
from simulators.study.parts import PartFound, PartsFound
from simulators.study.spoken import block_of
from simulators.study.traverses import traversed

LOOK_S = 30  # s of readings between two looks whether the result has come (cost)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What came of one trial. None where there was no steady stretch. W and s; residuals and what is
    said of them as fractions of the output. ``decided_s``, ``settled_s``: since the last stage came on.
    ``sensible_w`` and what goes with it, and ``parts``: of a unit that cools.
    """

    number: int
    truth_w: float
    output_w: float | None = None
    u95_w: float | None = None
    verdict: str | None = None
    withheld: bool = False  # the number stands, but the program says itself that it cannot be judged
    true_verdict: str = ""
    residual: float | None = None  # of the true output, at the start of the stretch
    mean_residual: float | None = None  # over the stretch: what the published mean lacks
    start_bound: float | None = None  # published with the stretch: of what was still to come at its start
    bound: float | None = None  # and of what the published mean lacks
    decided_s: float | None = None
    settled_s: float | None = None
    shares: tuple[tuple[str, float], ...] = ()
    true_sensible_w: float | None = None
    sensible_w: float | None = None
    sensible_u95_w: float | None = None
    parts: PartsFound | None = None
    defrosts: int = 0

    @property
    def covered(self) -> bool:
        """Whether the truth lies within the stated u95."""
        if self.output_w is None or self.u95_w is None:
            return False
        return abs(self.output_w - self.truth_w) <= self.u95_w


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """The core's answer, and when ``run --until result`` would have ended."""

    outcome: Outcome
    settled_s: float | None


def run_trial(bench: Bench, seed: int, number: int) -> Trial:
    """One trial. The same setting, seed and number give the same, whatever else is computed."""
    name = bench.setting.scenario
    errors = drawn(bench.job, seed, name, number, bench.ground)
    job = mistaken(bench, errors, seed, number)
    block = block_of(bench.cast, job, bench.run, errors, speaking_seed(seed, name, number))
    casing_w = 0.0
    if job.unit.kind.fan_apart:
        casing_w = errors.casing * bench.truth.input_w - bench.truth.casing_loss_w
    return _compared(bench, _measured(bench, job, block), casing_w, number)


def mistaken(bench: Bench, errors: Errors, seed: int, number: int) -> JobParams:
    """The job with the numbers that this user has: each is off by what was drawn."""
    job, flow, found = bench.job, bench.job.airflow, 1.0 + errors.airflow
    if bench.setting.traverse is not None:
        found, lines = traversed(bench.setting.traverse, seed, bench.setting.scenario, number)
        flow = replace(flow, lines=lines)
    share = job.unit.outdoor_fraction
    if share:
        share = min(max(share + errors.outdoor_share, 0.0), 1.0)
    pressure_pa = job.pressure_pa
    if not job.probes_of(Role.PRESSURE):
        pressure_pa += errors.pressure_pa
    return replace(
        job,
        airflow=_flow(flow, found, 1.0 + errors.carry_over),
        unit=replace(job.unit, outdoor_fraction=share),
        pressure_pa=pressure_pa,
    )


def _flow(flow: AirflowParams, found: float, carried: float) -> AirflowParams:
    """``found``: over the true one. A live probe's flow is not carried over from another time."""
    if flow.source is AirflowSource.PROBE:
        return replace(flow, factor=flow.factor * found)
    if flow.source is AirflowSource.MASS:
        return replace(flow, mass_kg_s=flow.mass_kg_s * found * carried)
    stages = tuple(volume * found * carried for volume in flow.stage_volume_m3_s)
    return replace(flow, volume_m3_s=flow.volume_m3_s * found * carried, stage_volume_m3_s=stages)


def _measured(bench: Bench, job: JobParams, block: ReadingBlock) -> Measured:
    """What the core makes of the readings, up to where ``run --until result`` would end.

    Nothing can be steady before a window and its hold are over: until then nobody looks.
    """
    pipeline, settled_s = Pipeline(job, traced=False), None
    unjudged_s = int(bench.lit_s + job.steady.window_s + job.steady.hold_s) // LOOK_S * LOOK_S
    for tick in pipeline.walk(block):
        if (tick + 1) % LOOK_S or tick + 1 < unjudged_s:
            continue
        bound = pipeline.remaining()
        if settled_s is None and bound is not None and bound < job.steady.remaining:
            settled_s = float(tick)
        if settled_s is not None and tick >= bench.read_s:
            break
    return Measured(outcome=pipeline.finish(), settled_s=settled_s)


def _compared(bench: Bench, measured: Measured, casing_w: float, number: int) -> Trial:
    """``casing_w``: what this unit's casing loses beyond the plant's own."""
    outcome, settled_s = measured.outcome, measured.settled_s
    firing = outcome.best
    stretch = firing.best if firing is not None else None
    tolerance, plate_w = outcome.job.unit.tolerance, outcome.job.unit.plate_output_w or 0.0
    end_s = bench.truth.burner_s[-1][1]
    of_s = (end_s, end_s) if stretch is None else (stretch.start_s, stretch.end_s)
    true_w, sensible_w, water_kg_s = bench.rest.over(*of_s)
    truth_w = true_w + casing_w
    told = Trial(
        number=number,
        truth_w=truth_w,
        true_verdict=true_verdict(truth_w, plate_w, tolerance),
        true_sensible_w=sensible_w if outcome.job.unit.kind.cools else None,
        defrosts=sum(len(f.defrosts) for f in outcome.firings),
    )
    if firing is None or stretch is None:
        return told
    told_s = [event.t_ns / NS_PER_S for event in outcome.events if event.code == "steady"]
    steady = [at_s for at_s in told_s if at_s >= bench.lit_s]
    combined, coil = stretch.combined, stretch.line.coil
    verdict, withheld = _judged(outcome, firing, stretch)
    return replace(
        told,
        output_w=stretch.means.output_w,
        u95_w=combined.u95_w,
        verdict=verdict,
        withheld=withheld,
        residual=float(np.interp(stretch.start_s, bench.run.t_s, bench.residual)),
        mean_residual=bench.mean_residual(stretch.start_s, stretch.end_s),
        start_bound=stretch.start_share,
        bound=None if stretch.drift_w is None else stretch.drift_w / abs(stretch.means.output_w),
        decided_s=steady[0] - bench.lit_s if steady else None,
        settled_s=None if settled_s is None else settled_s - bench.lit_s,
        shares=tuple((line.source, s) for line, s in zip(stretch.lines, combined.shares, strict=True)),
        sensible_w=None if coil is None else coil.sensible_w,
        sensible_u95_w=stretch.sensible_u95_w,
        parts=_parts(stretch, (true_w - sensible_w, sensible_w / true_w, water_kg_s)),
    )


def _parts(stretch: SteadyStretch, true: tuple[float, float, float]) -> PartsFound | None:
    """What the stretch says of a coil's parts against the true ones; None where it has no total."""
    if stretch.line.coil is None or stretch.parts_u95 is None:
        return None
    found, u95 = capacities(stretch.means, stretch.line.coil), stretch.parts_u95._asdict()
    keys = ("latent_w", "sensible_heat_ratio", "condensate_kg_s")
    return PartsFound(*(PartFound(t, found[key] or 0.0, u95[key]) for t, key in zip(true, keys, strict=True)))


def _judged(outcome: Outcome, firing: Firing, stretch: SteadyStretch) -> tuple[str | None, bool]:
    """The verdict, and whether the program withholds it for a doubt about this measurement.

    A plate of other conditions is no such doubt: there is no verdict then, and the number stands.
    """
    unit = outcome.job.unit
    here = replace(outcome, job=replace(outcome.job, unit=replace(unit, output_at=OutputAt.VISIT)))
    verdict = judge_outcome(here, firing, stretch, advised=False)[1]
    withheld = verdict is None and bool(unit.plate_output_w)
    return (verdict if plate_is_here(outcome.job) else None), withheld


def plate_is_here(job: JobParams) -> bool:
    """Whether the plate's output holds for the conditions of the visit."""
    return job.unit.kind.fan_apart or job.unit.output_at is OutputAt.VISIT


def true_verdict(truth_w: float, plate_w: float, tolerance: float) -> str:
    """What an exact measurement would say.

    >>> true_verdict(94.9, 100.0, 0.05), true_verdict(95.0, 100.0, 0.05), true_verdict(106.0, 100.0, 0.05)
    ('below', 'meets', 'above')
    """
    if truth_w < (1.0 - tolerance) * plate_w:
        return "below"
    return "above" if truth_w > (1.0 + tolerance) * plate_w else "meets"
