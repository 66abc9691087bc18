"""The result as the JSON document ``riselog.result/1``: the answer first, then how it was had.

Pure: what the core cannot know (run id, wall clock, counts of the store) comes in as ``RunFacts``.
Values that cannot be had are None, never 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from logger.core.air import volume_m3_kg
from logger.core.airflow_watch import is_airflow
from logger.core.assess import casing_loss_w
from logger.core.budget import combine
from logger.core.coil_lines import NO_CAPACITIES, capacities
from logger.core.efficiency import efficiency
from logger.core.firing import Firing, SteadyStretch, plate_output_w
from logger.core.gas import GasInput, timed_input
from logger.core.gas_meter import SHARED, site_pressure
from logger.core.heat import shortcut_w
from logger.core.kind_words import NO_INPUT
from logger.core.params import FanHeatMode, JobParams, Role, UnitKind
from logger.core.pipeline import Outcome
from logger.core.plausible import rise_in_window
from logger.core.readings import NS_PER_S
from logger.core.reasons import judge_outcome
from logger.core.snapshot import Event
from logger.core.stage_results import stage_results

SCHEMA = "riselog.result/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """What the shell knows of a run. Times RFC 3339 UTC."""

    run: str
    simulated: bool
    stored: bool
    started_utc: str
    ended_utc: str
    end_reason: str
    readings_stored: int
    readings_flagged: int
    readings_lost: int = 0


def result_document(outcome: Outcome, facts: RunFacts) -> dict[str, Any]:
    """Build the document."""
    job, best = outcome.job, outcome.best
    stretch = best.best if best is not None else None
    verdict, name, reason = judge_outcome(outcome, best, stretch)
    return {
        "schema": SCHEMA,
        "run": facts.run,
        "job": job.name,
        "simulated": facts.simulated,
        "stored": facts.stored,
        "started_utc": facts.started_utc,
        "ended_utc": facts.ended_utc,
        "end_reason": facts.end_reason,
        "verdict": name,
        "p_low": verdict.p_low if verdict else None,
        "p_high": verdict.p_high if verdict else None,
        "p_meets": verdict.p_meets if verdict else None,
        "decidable_tolerance": verdict.decidable_tolerance if verdict else None,
        "reason": reason,
        "firing": _firing(job, best, stretch) if best is not None and stretch is not None else None,
        "nameplate": _nameplate(job, stretch),
        "input": _input(job, stretch),
        "budget": _budget(stretch) if stretch is not None else [],
        "stage_results": stage_results(job, outcome.firings, outcome.speechless),
        "cycles": [_cycle(outcome, firing) for firing in outcome.firings],
        "events": [_event(event) for event in sorted(outcome.events, key=_time)],
        "readings": {
            "stored": facts.readings_stored,
            "flagged": facts.readings_flagged,
            "lost_to_storage": facts.readings_lost,
        },
    }


def firing_document(job: JobParams, firing: Firing, facts: RunFacts) -> dict[str, Any]:
    """The result of one firing alone, as it is stored when the firing is complete."""
    return result_document(Outcome(job=job, firings=(firing,)), facts)


def _firing(job: JobParams, firing: Firing, stretch: SteadyStretch) -> dict[str, Any]:
    means, mode, told, coil = stretch.means, job.unit.fan_heat, stretch.total_told, stretch.line.coil
    # assumed where it was not measured: the parts add up to the output all the same
    fan_known = job.unit.kind.fan_apart and (
        mode is not FanHeatMode.MEASURED or firing.fan is not None or means.fan_heat_w > 0.0
    )
    casing_w = casing_loss_w(job, means.air_heat_w - means.fan_heat_w)[0]
    at_c = means.entering_c if stretch.return_c is None else stretch.return_c
    airflow_m3_s = means.dry_air_kg_s * float(volume_m3_kg(at_c, means.humidity_ratio, means.pressure_pa))
    return {
        "start_s": float(firing.start_s),
        "steady_start_s": float(stretch.start_s),
        "steady_end_s": float(stretch.end_s),
        "time_to_steady_s": None if firing.on_already else float(stretch.start_s - firing.start_s),
        "start_residual_bound": stretch.start_share,
        "output_w": means.output_w if told else None,
        "output_u95_w": stretch.combined.u95_w if told else None,
        "air_heat_w": means.air_heat_w if told else None,
        "fan_heat_w": means.fan_heat_w if fan_known else None,
        "casing_loss_w": casing_w if job.unit.kind.fan_apart else None,
        "rise_k": means.rise_k,
        "return_c": stretch.return_c,
        "supply_c": means.supply_c,
        "dry_air_kg_s": means.dry_air_kg_s,
        "airflow_m3_s": airflow_m3_s,
        "airflow_u95_percent": _airflow_u95_percent(stretch),
        "pressure_pa": means.pressure_pa,
        "humidity_ratio": means.humidity_ratio,
        "shortcut_w": shortcut_w(airflow_m3_s, abs(means.rise_k) if coil else means.rise_k),
        "energy_j": firing.energy_j if told else None,
        **(NO_CAPACITIES if coil is None else capacities(means, coil)),
        **_capacities_u95(stretch),
        "defrosts": len(firing.defrosts) if job.unit.kind is UnitKind.HEAT_PUMP else None,
        "pauses": len(firing.pauses) if job.unit.kind is UnitKind.HEAT_PUMP else None,
    }


def _capacities_u95(stretch: SteadyStretch) -> dict[str, float | None]:
    """U95 of each part of a cooling unit's output; the sensible heat's is known without the total too."""
    parts = stretch.parts_u95
    return {
        "sensible_u95_w": stretch.sensible_u95_w,
        "latent_u95_w": parts.latent_w if parts else None,
        "sensible_heat_ratio_u95": parts.sensible_heat_ratio if parts else None,
        "condensate_u95_kg_s": parts.condensate_kg_s if parts else None,
    }


def _airflow_u95_percent(stretch: SteadyStretch) -> float | None:
    """U95 of the airflow of the stretch in percent: the budget's lines that are the air's."""
    net_w = abs(stretch.means.air_heat_w - stretch.means.fan_heat_w)
    lines = [line for line in stretch.lines if is_airflow(line.source)]
    return 100.0 * combine(lines).u95_w / net_w if lines and net_w else None


def _nameplate(job: JobParams, stretch: SteadyStretch | None) -> dict[str, Any]:
    unit = job.unit
    plate_w = plate_output_w(job)
    told = stretch is not None and stretch.total_told
    rise_ok, rise_sure = (None, None) if stretch is None else rise_in_window(job, stretch)
    return {
        "kind": unit.kind.value,
        "plate_output_w": unit.plate_output_w,
        "output_w": plate_w,
        "derated": unit.derated,
        "ratio": stretch.means.output_w / plate_w if plate_w and stretch and told else None,
        "plate_input_w": unit.plate_input_w,
        "input_w": None if unit.plate_input_w is None else unit.plate_input_w * unit.derate_factor,
        "rise_ok": rise_ok,
        "rise_sure": rise_sure,
    }


def _input(job: JobParams, stretch: SteadyStretch | None) -> dict[str, Any]:
    """Input by the meter, and the output over it; the share of the plate's input is no efficiency."""
    input_w = job.unit.plate_input_w
    of_plate = None
    if input_w and stretch is not None and job.unit.kind.fan_apart:
        of_plate = stretch.means.output_w / (input_w * job.unit.derate_factor)
    gas = _timed(job) if stretch is None else stretch.gas
    burned = gas if isinstance(gas, GasInput) else None
    found = None
    if burned is not None and stretch is not None:
        found = efficiency(stretch.means.output_w, stretch.combined, burned)
    return {
        "measured_w": burned.input_w if burned else None,
        "measured_u95_w": burned.combined.u95_w if burned else None,
        "source": burned.source if burned else None,
        "reason": None if isinstance(gas, GasInput) else gas,
        "efficiency": found.value if found else None,
        "efficiency_u95": found.combined.u95_w if found else None,
        "efficiency_of_nameplate_input": of_plate,
    }


def _timed(job: JobParams) -> GasInput | str:
    """What was timed by hand needs no firing that was steady."""
    if job.gas is None or job.gas.timed is None or job.probes_of(Role.GAS):
        return NO_INPUT[job.unit.kind]
    if job.visit.meter_shared:
        return SHARED
    return timed_input(job.gas, job.gas.timed, site_pressure(job, job.pressure_pa, measured=False))


def _budget(stretch: SteadyStretch) -> list[dict[str, Any]]:
    return [
        {"source": line.source, "u_w": line.u_w, "share": share, "assumed": line.assumed}
        for line, share in zip(stretch.lines, stretch.combined.shares, strict=True)
    ]


def _cycle(outcome: Outcome, firing: Firing) -> dict[str, Any]:
    stretch = firing.best
    told = stretch is None or stretch.total_told
    _, name, _ = judge_outcome(outcome, firing if stretch else None, stretch)
    return {
        "start_s": float(firing.start_s),
        "end_s": None if firing.end_s is None else float(firing.end_s),
        "steady": stretch is not None,
        "output_w": stretch.means.output_w if stretch and told else None,
        "output_u95_w": stretch.combined.u95_w if stretch and told else None,
        "verdict": name,
        "energy_j": firing.energy_j if told else None,
        "pauses": _pauses(firing) if outcome.job.unit.kind is UnitKind.HEAT_PUMP else None,
    }


def _pauses(firing: Firing) -> list[dict[str, Any]]:
    """Where a heat pump's heat was off, in the order of time."""
    spans = [("defrost", span) for span in firing.defrosts] + [("pause", span) for span in firing.pauses]
    return [
        {"code": code, "start_s": float(start_s), "end_s": float(end_s)}
        for code, (start_s, end_s) in sorted(spans, key=lambda row: row[1])
    ]


def _time(event: Event) -> int:
    """The core dates what it finds back: lists of events go by this, not by when each was told."""
    return event.t_ns


def _event(event: Event) -> dict[str, Any]:
    return {"t_s": event.t_ns / NS_PER_S, "code": event.code, "probe": event.probe, "text": event.text}
