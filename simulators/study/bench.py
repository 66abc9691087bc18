"""What the trials of one setting share: the plant's run, the job as stated, the truth of every moment."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from logger.config.load import LoadedConfig, loads_config
from logger.core.params import JobParams, Role, SteadyParams
from simulators.plant import SPOTS, Array, PlantRun, simulate
from simulators.rest import rest_at
from simulators.scenario import Scenario, Truth
from simulators.scenarios import find
from simulators.study.draws import AIR, Ground
from simulators.study.setting import Setting
from simulators.study.spoken import Cast
from simulators.unit import Kind

AFTER_S = 120.0  # s after the burner's end that are still read: the fall of the rise
PAST_S = 900.0  # s after a defrost that are still read: the way back up (assumed)
REST_S = 60.0  # s between two moments of which the equilibrium is looked for (cost)
THIRD, SECTION = 0.5, 1.5  # of ``Plant.uneven``: how far off a place within its third, or anywhere, may be


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """Where the last stage would end up at the conditions of a moment: s, W, kg/s.

    What a flame gives is the same throughout; the capacity of a coil or a heat pump goes with the air
    that enters, and the room changes while it is measured.
    """

    t_s: Array
    output_w: Array
    sensible_w: Array
    condensate_kg_s: Array

    def over(self, start_s: float, end_s: float) -> tuple[float, float, float]:
        """Mean output and sensible heat of a stretch, W, and its condensate, kg/s."""
        at_s = np.linspace(start_s, end_s, 9)
        columns = (self.output_w, self.sensible_w, self.condensate_kg_s)
        output_w, sensible_w, water_kg_s = (
            float(np.interp(at_s, self.t_s, column).mean()) for column in columns
        )
        return output_w, sensible_w, water_kg_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What the trials of one setting share: the plant's run is the same in all."""

    scenario: Scenario
    setting: Setting
    cast: Cast
    job: JobParams
    run: PlantRun
    truth: Truth
    rest: Rest
    residual: Array  # |output - equilibrium| / equilibrium on the run's grid
    ground: Ground

    @property
    def lit_s(self) -> float:
        """When the last stage comes on."""
        return self.scenario.timeline.burner[-1][0]

    @property
    def read_s(self) -> float:
        """Until when a trial reads on although its result is settled: past the first defrost."""
        pump = self.run.plant.heat_pump
        if pump is None or not pump.defrost_every_s:
            return 0.0
        return self.lit_s + pump.defrost_every_s + pump.defrost_s + PAST_S

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
    rest = _rest(scenario, run, truth)
    rest_w = np.interp(run.t_s, rest.t_s, rest.output_w)
    return Bench(
        scenario=scenario,
        setting=setting,
        cast=Cast(probes=scenario.probes, signals=signals, setting=setting),
        job=job,
        run=run,
        truth=truth,
        rest=rest,
        residual=np.abs(run.capacity_w - rest_w) / rest_w,
        ground=_ground(scenario, job, signals),
    )


def _rest(scenario: Scenario, run: PlantRun, truth: Truth) -> Rest:
    start_s, end_s, stage = scenario.timeline.burner[-1]
    if scenario.plant.kind in (Kind.GAS, Kind.ELECTRIC):
        same = (np.array([w]) for w in (end_s, truth.output_w, truth.sensible_w, truth.condensate_kg_s))
        return Rest(**dict(zip(Rest.__dataclass_fields__, same, strict=True)))
    t_s = np.arange(start_s + REST_S, end_s + REST_S / 2.0, REST_S)
    found = [rest_at(run, stage, at_s) for at_s in t_s.tolist()]
    return Rest(
        t_s=t_s,
        output_w=np.array([rest.output_w for rest in found]),
        sensible_w=np.array([rest.sensible_w for rest in found]),
        condensate_kg_s=np.array([rest.condensate_kg_s for rest in found]),
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
    if setting.humidity_u95 is not None:
        matched_pct = 100.0 * setting.humidity_u95
        probes = tuple(replace(p, humidity_u95=matched_pct) if p.role in AIR else p for p in job.probes)
        job = replace(job, probes=probes)
    if setting.airflow_u95 is not None:
        job = replace(job, airflow=replace(job.airflow, u95=setting.airflow_u95))
    return job
