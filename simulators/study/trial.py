"""One trial: a user with errors of its own measures the scenario's unit, up to a result.

The reader of the readings is the core itself; the truth it is held against is the plant's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from logger.config.load import LoadedConfig, loads_config
from logger.core.params import JobParams
from logger.core.pipeline import Outcome, Pipeline
from logger.core.readings import NS_PER_S, ReadingBlock
from logger.core.reasons import judge_outcome
from simulators.plant import Array, PlantRun, simulate
from simulators.scenario import Scenario, Truth
from simulators.scenarios import find
from simulators.study.draws import AIR, drawn, speaking_seed
from simulators.study.setting import Setting
from simulators.study.spoken import Cast, block_of
from simulators.study.traverses import traversed

LOOK_S = 30  # s of readings between two looks whether the result has come (cost)
AFTER_S = 120.0  # s after the burner's end that are still read: the fall of the rise


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What came of one trial. None where there was no steady stretch. W and s; residuals and what is
    said of them as fractions of the output. ``decided_s``, ``settled_s``: since the burner lit.
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

    @property
    def lit_s(self) -> float:
        """When the burner lights for the last time."""
        return self.truth.burner_s[-1][0]

    def mean_residual(self, start_s: float, end_s: float) -> float:
        """The residual over a stretch."""
        within = (self.run.t_s >= start_s) & (self.run.t_s <= end_s)
        return float(self.residual[within].mean())

    def least_s(self) -> float | None:
        """Least possible: from ignition until the output is within what is asked, and stays; None: never."""
        start_s, end_s = self.truth.burner_s[-1]
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
    return Bench(
        scenario=scenario,
        setting=setting,
        cast=Cast(probes=scenario.probes, signals=_signals(config), setting=setting),
        job=_stated(config.job, setting),
        run=run,
        truth=truth,
        residual=np.abs(run.capacity_w - truth.output_w) / truth.output_w,
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
    steady = {"window_s": setting.window_s, "hold_s": setting.hold_s, "remaining": setting.remaining}
    given = {name: value for name, value in steady.items() if value is not None}
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
    errors = drawn(bench.job, seed, name, number)
    flow = bench.job.airflow
    if bench.setting.traverse is None:
        stated = replace(
            flow, volume_m3_s=flow.volume_m3_s * (1.0 + errors.airflow) * (1.0 + errors.carry_over)
        )
    else:
        found, lines = traversed(bench.setting.traverse, seed, name, number)
        volume_m3_s = flow.volume_m3_s * found * (1.0 + errors.carry_over)
        stated = replace(flow, volume_m3_s=volume_m3_s, lines=lines)
    job = replace(bench.job, airflow=stated)
    block = block_of(bench.cast, job, bench.run, errors, speaking_seed(seed, name, number))
    truth_w = bench.truth.output_w + errors.casing * bench.truth.input_w - bench.truth.casing_loss_w
    return _compared(bench, _measured(job, block, bench.lit_s), truth_w, number)


def _measured(job: JobParams, block: ReadingBlock, lit_s: float) -> Measured:
    """What the core makes of the readings, up to where ``run --until result`` would end.

    Nothing can be steady before a window and its hold are over: until then nobody looks.
    """
    pipeline = Pipeline(job)
    last_s = int(block.t_ns[-1]) // NS_PER_S
    first_s = int(lit_s + job.steady.window_s + job.steady.hold_s) // LOOK_S * LOOK_S
    borders = np.arange(first_s, last_s + 2 * LOOK_S, LOOK_S, dtype=np.int64) * NS_PER_S
    start, said = 0, None
    for end in np.searchsorted(block.t_ns, borders).tolist():
        pipeline.update_block(block.part(start, end))
        start = end
        bound = pipeline.remaining()
        said = bound if said is None else said
        if bound is not None and bound < job.steady.remaining:
            return Measured(outcome=pipeline.finish(), said=said, settled_s=float(pipeline.tick_s))
    return Measured(outcome=pipeline.finish(), said=said, settled_s=None)


def _compared(bench: Bench, measured: Measured, truth_w: float, number: int) -> Trial:
    outcome, settled_s = measured.outcome, measured.settled_s
    firing = outcome.best
    stretch = firing.best if firing is not None else None
    tolerance, plate_w = outcome.job.unit.tolerance, outcome.job.unit.plate_output_w or 0.0
    told = Trial(number=number, truth_w=truth_w, true_verdict=true_verdict(truth_w, plate_w, tolerance))
    if firing is None or stretch is None:
        return told
    steady = [event.t_ns / NS_PER_S for event in outcome.events if event.code == "steady"]
    combined = stretch.combined
    verdict = judge_outcome(outcome, firing, stretch, advised=False)[1]
    return replace(
        told,
        output_w=stretch.means.output_w,
        u95_w=combined.u95_w,
        verdict=verdict,
        withheld=verdict is None and plate_w > 0.0,
        residual=float(np.interp(stretch.start_s, bench.run.t_s, bench.residual)),
        mean_residual=bench.mean_residual(stretch.start_s, stretch.end_s),
        said=measured.said,
        bound=None if stretch.drift_w is None else stretch.drift_w / abs(stretch.means.output_w),
        decided_s=steady[0] - bench.lit_s if steady else None,
        settled_s=None if settled_s is None else settled_s - bench.lit_s,
        shares=tuple((line.source, s) for line, s in zip(stretch.lines, combined.shares, strict=True)),
    )


def true_verdict(truth_w: float, plate_w: float, tolerance: float) -> str:
    """What an exact measurement would say.

    >>> true_verdict(94.9, 100.0, 0.05), true_verdict(95.0, 100.0, 0.05), true_verdict(106.0, 100.0, 0.05)
    ('below', 'meets', 'above')
    """
    if truth_w < (1.0 - tolerance) * plate_w:
        return "below"
    return "above" if truth_w > (1.0 + tolerance) * plate_w else "meets"
