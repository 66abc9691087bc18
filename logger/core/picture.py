"""The core at one moment, as the screen and the broker are shown it. Reads, never changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logger.core.air import volume_m3_kg
from logger.core.airflow_watch import live_u95
from logger.core.efficiency import Efficiency, efficiency
from logger.core.firing import SteadyStretch, expected, plate_output_w
from logger.core.gas import GasInput
from logger.core.params import MAIN_QUANTITY, AirflowParams, AirflowSource, ProbeParams, Role
from logger.core.readings import NS_PER_S, Quantity
from logger.core.snapshot import Freshness, Phase, ProbeState, Snapshot
from logger.core.stage_doubts import Level
from logger.core.stage_results import has_stages, plate_w_of, running_level
from logger.core.steady import SteadyDetector

if TYPE_CHECKING:
    from logger.core.pipeline import Pipeline


def picture(core: Pipeline, t_ns: int) -> Snapshot:
    """Draw the snapshot of time ``t_ns`` (at or after the last reading)."""
    job, detector, cycles, moment = core.job, core.detector, core.cycles, core.moment
    stretch = core.stretch()
    firing = cycles.phase in (Phase.WARM_UP, Phase.STEADY)
    tests, window_s = detector.tests() if firing else ((), None)
    output_w, u95_w, bound = core.output_w, None, None
    decidable = expected(job)
    if stretch is not None and stretch.untold:
        stretch = None
    if stretch is not None:
        told = stretch.total_told
        output_w, u95_w = (stretch.means.output_w, stretch.combined.u95_w) if told else (None, None)
        if stretch.drift_w is not None and output_w:
            bound = stretch.drift_w / abs(output_w)
    volume_m3_s, flow_kg_s = None, moment.dry_air_kg_s if moment else None
    if core.by_stage and cycles.phase not in (Phase.OFF, Phase.FAN):  # the moment's is the highest stage's
        flow_kg_s = None if stretch is None else stretch.means.dry_air_kg_s
    if moment is not None and flow_kg_s is not None and moment.entering_c is not None:
        volume_m3_s = flow_kg_s * float(volume_m3_kg(moment.entering_c, moment.w, moment.pressure_pa))
    sensible_w = core.sensible_w()
    if stretch is not None and stretch.line.coil is not None:
        sensible_w = stretch.line.coil.sensible_w
    level = _level(core, stretch)
    good = _efficiency(stretch)
    return Snapshot(
        t_ns=t_ns,
        phase=cycles.phase,
        phase_since_s=float(cycles.since_s),
        pause=_pause(core),
        on_already=_on_already(core),
        kind=job.unit.kind.value,
        firing_start_s=float(core.book.open.start_s) if core.book.open else None,
        output_w=output_w,
        output_u95_w=u95_w,
        output_is_final=stretch is not None,
        sensible_w=sensible_w,
        sensible_u95_w=stretch.sensible_u95_w if stretch else None,
        latent_u95_w=stretch.parts_u95.latent_w if stretch and stretch.parts_u95 else None,
        latent_w=None if output_w is None or sensible_w is None else output_w - sensible_w,
        defrosts=len(core.book.open.defrosts) if core.pauses and core.book.open else None,
        plate_output_w=plate_output_w(job),
        stages=1 if job.unit.modulating else job.unit.stages,
        stage=level.stage if level else None,
        stage_plate_w=plate_w_of(job, level.stage) if level else None,
        stage_likely=bool(level and level.unproven),
        entering_c=moment.entering_c if moment else None,
        return_c=moment.return_c if moment else None,
        supply_c=moment.supply_c if moment else None,
        rise_k=moment.rise_k if moment else None,
        rise_window_k=job.unit.rise_window_k,
        dry_air_kg_s=flow_kg_s,
        airflow_m3_s=volume_m3_s,
        airflow_u95=live_u95(job),
        airflow_from=_airflow_from(job.airflow, stretch),
        tests=tests,
        window_s=window_s,
        hold_s=job.steady.hold_s,
        held_s=_held_s(detector, core.tick_s),
        steady_since_s=float(detector.start_s) if detector.steady else None,
        steady_for_s=float(core.tick_s + 1 - detector.start_s) if detector.steady else 0.0,
        residual_bound=bound,
        time_constant_s=detector.tau_s,
        decidable_tolerance=decidable[1] if decidable else None,
        efficiency=good.value if good else None,
        efficiency_u95=good.combined.u95_w if good else None,
        probes=tuple(_probe(core, probe, t_ns) for probe in job.probes),
        firings=len(core.book.done),
    )


def _level(core: Pipeline, stretch: SteadyStretch | None) -> Level | None:
    """The level of the running stretch, of a unit with fixed stages."""
    job, book = core.job, core.book
    if not has_stages(job) or job.unit.modulating or stretch is None or book.open is None:
        return None
    velocity = Quantity.VELOCITY
    dumb = [p.name for p in job.probes_of(Role.VELOCITY) if (p.name, velocity) not in core.watch.newest]
    return running_level(job, [*book.done, book.open], stretch, dumb)


def _efficiency(stretch: SteadyStretch | None) -> Efficiency | None:
    """Output over the gas input of the stretch, where it was measured."""
    if stretch is None or not isinstance(stretch.gas, GasInput):
        return None
    return efficiency(stretch.means.output_w, stretch.combined, stretch.gas)


def _airflow_from(flow: AirflowParams, stretch: SteadyStretch | None) -> str:
    """One word for how the airflow is had, or the stage that it is of."""
    if flow.stage_volume_m3_s and stretch is not None:
        return f"stage {stretch.stage}"
    if flow.source is AirflowSource.PROBE:
        return "probe"
    return "traverse" if flow.lines or flow.origin else "typed"


def _pause(core: Pipeline) -> str:
    """What a heat pump's heat is off for: only air that is cooled shows a defrost."""
    if not core.pauses or core.cycles.phase is not Phase.COOL_DOWN:
        return ""
    return "defrost" if core.cycles.reversed else "pause"


def _on_already(core: Pipeline) -> bool:
    """Whether the unit was on before the log; in a fan phase, whether it seems so."""
    firing = core.book.open
    return (
        core.cycles.beyond_fan if core.cycles.phase is Phase.FAN else firing is not None and firing.on_already
    )


def _held_s(detector: SteadyDetector, tick_s: int) -> float:
    if detector.steady:
        return detector.params.hold_s
    if detector.passing_since_s is None:
        return 0.0
    return float(tick_s - detector.passing_since_s)


def _probe(core: Pipeline, probe: ProbeParams, t_ns: int) -> ProbeState:
    main = MAIN_QUANTITY[probe.role]

    def newest(quantity: Quantity) -> float | None:
        found = core.watch.newest.get((probe.name, quantity))
        if found is None:
            return None
        scale, shift = probe.correction(quantity)
        return scale * found[0] - shift

    last = core.watch.newest.get((probe.name, main))
    age_s = None if last is None else max((t_ns - last[1]) / NS_PER_S, 0.0)
    state = Freshness.FRESH
    if age_s is None:
        state = Freshness.NEVER
    elif age_s > probe.max_age_s:
        state = Freshness.STALE
    elif probe.name in core.watch.frozen_probes():
        state = Freshness.FROZEN
    return ProbeState(
        name=probe.name,
        role=probe.role.value,
        temperature_c=newest(Quantity.TEMPERATURE),
        humidity_pct=newest(Quantity.HUMIDITY),
        velocity_m_s=newest(Quantity.VELOCITY),
        pressure_pa=newest(Quantity.PRESSURE),
        gas_volume_m3=newest(Quantity.GAS_VOLUME),
        battery_pct=newest(Quantity.BATTERY),
        signal_dbm=newest(Quantity.SIGNAL),
        age_s=age_s,
        state=state,
    )
