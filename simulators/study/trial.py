"""One trial: a user with errors of its own measures the scenario's unit, up to a result.

The reader of the readings is the core itself; the truth it is held against is the plant's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from logger.config.load import LoadedConfig, loads_config
from logger.core.firing import Firing, SteadyStretch
from logger.core.params import AirflowParams, AirflowSource, JobParams, OutputAt, Role, SteadyParams
from logger.core.pipeline import Outcome, Pipeline
from logger.core.readings import NS_PER_S, ReadingBlock
from logger.core.reasons import judge_outcome
from simulators.plant import SPOTS, Array, PlantRun, simulate
from simulators.scenario import Scenario, Truth
from simulators.scenarios import find
from simulators.study.draws import AIR, Errors, Ground, drawn, speaking_seed
from simulators.study.setting import Setting
from simulators.study.spoken import Cast, block_of
from simulators.study.traverses import traversed

LOOK_S = 30  # s of readings between two looks whether the result has come (cost)
AFTER_S = 120.0  # s after the burner's end that are still read: the fall of the rise
THIRD, SECTION = 0.5, 1.5  # of ``Plant.uneven``: how far off a place within its third, or anywhere, may be


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What came of one trial. None where there was no steady stretch. W and s; residuals and what is
    said of them as fractions of the output. ``decided_s``, ``settled_s``: since the last stage came on.
    ``sensible_w`` and what goes with it: of a unit that cools.
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
    said: float | None = None  # what the stretch said of what may still come when it was first shown
    bound: float | None = None  # and in the end: of the published mean
    decided_s: float | None = None
    settled_s: float | None = None
    shares: tuple[tuple[str, float], ...] = ()
    true_sensible_w: float | None = None
    sensible_w: float | None = None
    sensible_u95_w: float | None = None
    defrosts: int = 0

    @property
    def covered(self) -> bool:
        """Whether the truth lies within the stated u95."""
        if self.output_w is None or self.u95_w is None:
            return False
        return abs(self.output_w - self.truth_w) <= self.u95_w


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """The core's answer, and what it said on its way there."""

    outcome: Outcome
    said: float | None
    settled_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What the trials of one setting share: the plant's run is the same in all."""

    scenario: Scenario
    setting: Setting
    cast: Cast
    job: JobParams
    run: PlantRun
    truth: Truth
    residual: Array  # |output - equilibrium| / equilibrium on the run's grid
    ground: Ground

    @property
    def lit_s(self) -> float:
        """When the last stage comes on."""
        return self.scenario.timeline.burner[-1][0]

    @property
    def defrosts(self) -> bool:
        """Whether the unit does; a trial then reads on to the end, past the first settled result."""
        pump = self.run.plant.heat_pump
        return pump is not None and pump.defrost_every_s > 0.0

    def mean_residual(self, start_s: float, end_s: float) -> float:
        """The residual over a stretch."""
        within = (self.run.t_s >= start_s) & (self.run.t_s <= end_s)
        return float(self.residual[within].mean())

    def least_s(self) -> float | None:
        """Least possible: from the last stage's start until the output is within what is asked, and stays;
        None: never. Of a unit that defrosts until it does."""
        start_s, end_s = self.lit_s, self.truth.burner_s[-1][1]
        pump = self.run.plant.heat_pump
        if pump is not None and pump.defrost_every_s:
            end_s = min(end_s, start_s + pump.defrost_every_s)
        firing = (self.run.t_s >= start_s) & (self.run.t_s < end_s)
        beyond = np.nonzero(self.residual[firing] > self.job.steady.remaining)[0]
        least = 0 if not len(beyond) else int(beyond[-1]) + 1
        t_s = self.run.t_s[firing]
        return float(t_s[least]) - start_s if least < len(t_s) else None


@lru_cache(maxsize=4)
def bench_of(setting: Setting) -> Bench:
    """Raises ``ConfigError`` for a scenario that does not exist."""
    scenario = find(setting.scenario)
    scenario = replace(scenario, name=setting.scenario)
    run = _cut(simulate(scenario.plant, scenario.timeline), scenario.timeline.burner[-1][1] + AFTER_S)
    truth = scenario.truth
    config = loads_config(scenario.config_text, setting.scenario, None)
    signals, job = _signals(config), _stated(config.job, setting)
    return Bench(
        scenario=scenario,
        setting=setting,
        cast=Cast(probes=scenario.probes, signals=signals, setting=setting),
        job=job,
        run=run,
        truth=truth,
        residual=np.abs(run.capacity_w - truth.output_w) / truth.output_w,
        ground=_ground(scenario, job, signals),
    )


def _ground(scenario: Scenario, job: JobParams, signals: Mapping[str, str]) -> Ground:
    """Whether the fan was alone for long enough, and what place a probe has in an uneven stream."""
    alone_s = scenario.timeline.burner[0][0] - scenario.timeline.fan[0][0]
    far = {p.name: THIRD if signals.get(p.name) in SPOTS else SECTION for p in job.probes_of(Role.SUPPLY)}
    uneven = scenario.plant.uneven
    return Ground(
        fan_seen=alone_s >= job.cycles.min_fan_phase_s,
        places={name: uneven * share for name, share in far.items()} if uneven else {},
    )


def _signals(config: LoadedConfig) -> dict[str, str]:
    """What each probe looks at, where its table says another thing than its role."""
    found = {setup.name: setup.options.get("signal") for setup in config.probes}
    return {name: str(signal) for name, signal in found.items() if signal is not None}


def _cut(run: PlantRun, end_s: float) -> PlantRun:
    """The run without what comes after ``end_s``."""
    kept = int(np.searchsorted(run.t_s, end_s)) + 1
    columns = {name: getattr(run, name)[:kept] for name in run.__dataclass_fields__ if name != "plant"}
    return replace(run, **columns)


def _stated(job: JobParams, setting: Setting) -> JobParams:
    """The job as a user of these probes and settings writes it."""
    of_setting = {name: getattr(setting, name, None) for name in SteadyParams.__dataclass_fields__}
    given = {name: value for name, value in of_setting.items() if value is not None}
    job = replace(job, steady=replace(job.steady, **given))
    if setting.probe_u95_k is not None:
        probes = tuple(replace(p, u95=setting.probe_u95_k) if p.role in AIR else p for p in job.probes)
        job = replace(job, probes=probes)
    if setting.airflow_u95 is not None:
        job = replace(job, airflow=replace(job.airflow, u95=setting.airflow_u95))
    return job


def run_trial(bench: Bench, seed: int, number: int) -> Trial:
    """One trial. The same setting, seed and number give the same, whatever else is computed."""
    name = bench.setting.scenario
    errors = drawn(bench.job, seed, name, number, bench.ground)
    job = mistaken(bench, errors, seed, number)
    block = block_of(bench.cast, job, bench.run, errors, speaking_seed(seed, name, number))
    truth_w = bench.truth.output_w
    if job.unit.kind.fan_apart:
        truth_w += errors.casing * bench.truth.input_w - bench.truth.casing_loss_w
    return _compared(bench, _measured(bench, job, block), truth_w, number)


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
    pipeline = Pipeline(job)
    last_s = int(block.t_ns[-1]) // NS_PER_S
    first_s = int(bench.lit_s + job.steady.window_s + job.steady.hold_s) // LOOK_S * LOOK_S
    borders = np.arange(first_s, last_s + 2 * LOOK_S, LOOK_S, dtype=np.int64) * NS_PER_S
    start, said, settled_s = 0, None, None
    for end in np.searchsorted(block.t_ns, borders).tolist():
        pipeline.update_block(block.part(start, end))
        start = end
        bound = pipeline.remaining()
        said = bound if said is None else said
        if settled_s is None and bound is not None and bound < job.steady.remaining:
            settled_s = float(pipeline.tick_s)
            if not bench.defrosts:
                break
    return Measured(outcome=pipeline.finish(), said=said, settled_s=settled_s)


def _compared(bench: Bench, measured: Measured, truth_w: float, number: int) -> Trial:
    outcome, settled_s = measured.outcome, measured.settled_s
    firing = outcome.best
    stretch = firing.best if firing is not None else None
    tolerance, plate_w = outcome.job.unit.tolerance, outcome.job.unit.plate_output_w or 0.0
    told = Trial(
        number=number,
        truth_w=truth_w,
        true_verdict=true_verdict(truth_w, plate_w, tolerance),
        true_sensible_w=bench.truth.sensible_w if outcome.job.unit.kind.cools else None,
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
        said=measured.said,
        bound=None if stretch.drift_w is None else stretch.drift_w / abs(stretch.means.output_w),
        decided_s=steady[0] - bench.lit_s if steady else None,
        settled_s=None if settled_s is None else settled_s - bench.lit_s,
        shares=tuple((line.source, s) for line, s in zip(stretch.lines, combined.shares, strict=True)),
        sensible_w=None if coil is None else coil.sensible_w,
        sensible_u95_w=stretch.sensible_u95_w,
    )


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
