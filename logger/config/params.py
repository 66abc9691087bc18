"""From a checked config to the core's parameters; every value assumed is told in a note."""

from __future__ import annotations

from logger.config.airflow import flow_params
from logger.config.derate import DERATE_ABOVE_M, derate_factor
from logger.config.gas import gas_params
from logger.config.quantities import Dimension, show
from logger.config.schema import (
    ConfigFile,
    Probes,
    ProbeTable,
    UnitTable,
)
from logger.config.stages import MOST_STAGES, stage_notes, stage_output_w
from logger.config.traverse import TraverseSetup
from logger.config.visit import visit_notes, visit_params
from logger.core.air import standard_pressure_pa
from logger.core.airflow import GUESSED_PRESSURE_U_PA, PRESSURE_U_PA
from logger.core.assess import CASING_EFFICIENCY
from logger.core.gas import GasParams
from logger.core.kind_words import TODAY
from logger.core.params import (
    GAIN_U95,
    PLACEMENT_U95,
    CycleParams,
    FanHeatMode,
    JobParams,
    OutdoorAir,
    OutputAt,
    ProbeParams,
    Role,
    SteadyParams,
    UnitKind,
    UnitParams,
)
from logger.core.texts import difference_text
from logger.core.traverse import PressureFrom

OUTDOOR_U95 = 0.05  # fraction of the supply air: assumed
LEAST_EFFICIENCY = 0.5  # output over input; below it a unit was mistyped (assumed)

S_PER_DAY = 86_400.0

MOST_OFFSET_K = 1.5  # K: further apart `riselog match` calls no two probes sound (assumed)
DEFAULT_U95: dict[Role, tuple[float, str]] = {  # all assumed, until probes are matched
    Role.RETURN: (0.5, "0.5 K"),
    Role.MIXED: (0.5, "0.5 K"),
    Role.SUPPLY: (0.5, "0.5 K"),
    Role.OUTDOOR: (0.5, "0.5 K"),
    Role.VELOCITY: (0.05, "5 %"),
    Role.PRESSURE: (300.0, "300 Pa"),
    Role.GAS: (0.02, "2 %"),
}
_PLACED = (Role.RETURN, Role.MIXED, Role.SUPPLY)


def job_params(
    config: ConfigFile, probes: Probes, traverse: TraverseSetup | None = None
) -> tuple[JobParams, tuple[str, ...]]:
    """The core's parameters and the notes; config and traverse file have passed their checks."""
    notes: list[str] = []
    has_barometer = any(p.role is Role.PRESSURE for p in probes.values())
    pressure_pa, pressure_u_pa, assumed = _pressure(
        config, traverse, has_barometer=has_barometer, notes=notes
    )
    unit = _unit(config, probes, notes)
    job = JobParams(
        name=config.job.name,
        pressure_pa=pressure_pa,
        pressure_u_pa=pressure_u_pa,
        pressure_assumed=assumed,
        unit=unit,
        airflow=flow_params(config.airflow, traverse, unit, pressure_pa, notes),
        probes=_probes(probes, notes),
        gas=_gas(config, probes, notes),
        match_max_age_days=config.job.match_max_age / S_PER_DAY,
        visit=visit_params(config.visit, _spared(unit, probes)),
        steady=_steady(config, notes),
        cycles=CycleParams(
            fire_k=config.cycles.fire,
            end_k=config.cycles.end,
            min_fan_phase_s=config.cycles.min_fan_phase,
        ),
    )
    notes += stage_notes(config, job)
    if config.sim is None:
        notes += visit_notes(config.visit)
    return job, tuple(notes)


def _pressure(
    config: ConfigFile, traverse: TraverseSetup | None, *, has_barometer: bool, notes: list[str]
) -> tuple[float, float, bool]:
    """Pressure of the site, its standard uncertainty, and whether it is assumed."""
    job = config.job
    if job.pressure is not None:
        return job.pressure, PRESSURE_U_PA[PressureFrom.TYPED], False
    if job.altitude is not None:
        return standard_pressure_pa(job.altitude), PRESSURE_U_PA[PressureFrom.ALTITUDE], True
    if traverse is not None and (plane_pa := traverse.stated_pressure_pa()) is not None:
        shown = show(plane_pa, Dimension.PRESSURE, job.units)
        notes.append(
            f"job.altitude and job.pressure are left out: the {shown} of the traverse's file is taken for"
            " the site's pressure; give one of them if that is another."
        )
        return plane_pa, PRESSURE_U_PA[PressureFrom.ALTITUDE], True  # another day, another weather
    if not has_barometer:
        notes.append(
            "job.altitude and job.pressure are left out: sea level is assumed, with a wide uncertainty;"
            " the output comes out about 1 % too high for each 280 ft (85 m) above it, so give one of them."
        )
    return standard_pressure_pa(0.0), GUESSED_PRESSURE_U_PA, True


def _unit(config: ConfigFile, probes: Probes, notes: list[str]) -> UnitParams:
    unit = config.unit
    output_w = _plate_output_w(unit, notes)
    factor = derate_factor(unit.derate, config.job.altitude) if unit.derate else 1.0
    fan_word, fan_heat_w = unit.fan_heat
    outdoor_word, share = unit.outdoor_air or (OutdoorAir.CLOSED, None)
    share_u95 = OUTDOOR_U95 if unit.outdoor_air_u95 is None else unit.outdoor_air_u95
    _unit_notes(unit, output_w, probes, notes)
    _derate_notes(config, factor, notes)
    return UnitParams(
        kind=unit.kind,
        plate_input_w=unit.input,
        plate_output_w=output_w,
        output_at=unit.output_at or OutputAt.RATING,
        derate_factor=factor,
        derated=unit.derate is not None and unit.derate.done and factor < 1.0,
        rise_window_k=unit.rise,
        tolerance=unit.tolerance,
        fan=unit.fan,
        fan_heat=FanHeatMode(fan_word),
        fan_heat_w=fan_heat_w,
        fan_drive=unit.fan_drive,
        outdoor_air=OutdoorAir(outdoor_word),
        outdoor_fraction=share or 0.0,
        outdoor_fraction_u95=0.0 if share is None else share_u95,
        casing_loss_w=unit.casing_loss,
        max_supply_c=unit.max_supply,
        min_entering_c=unit.min_entering,
        stages=MOST_STAGES if unit.modulating else unit.stages,
        modulating=unit.modulating,
        stage_output_w=stage_output_w(unit),
    )


def _plate_output_w(unit: UnitTable, notes: list[str]) -> float | None:
    if unit.input is None or unit.output is not None:
        return unit.output
    if unit.efficiency is not None:
        return unit.input * unit.efficiency
    if unit.kind is UnitKind.ELECTRIC:
        notes.append("unit.output is left out: electric heat gives all of its input, which is taken for it.")
        return unit.input
    return None


def _unit_notes(unit: UnitTable, output_w: float | None, probes: Probes, notes: list[str]) -> None:
    mixed = any(p.role is Role.MIXED for p in probes.values())
    if output_w is None:
        notes.append(
            "unit.output (or input with efficiency) is left out: the output is measured, there is no verdict."
        )
    if output_w is not None and unit.input is not None and output_w < LEAST_EFFICIENCY * unit.input:
        notes.append(
            f"unit.output is only {output_w / unit.input:.0%} of unit.input: no gas or electric unit is so"
            " poor; look at the units of both."
        )
    if output_w is not None and not unit.kind.fan_apart and unit.output_at is not OutputAt.VISIT:
        notes.append(f"unit.output is taken as of the rating: there is no verdict. {TODAY}.")
    if not unit.kind.fan_apart and unit.fan_heat[1] is not None:
        notes.append(f"unit.fan_heat is not taken off: the plate of kind {unit.kind} has the fan in it.")
    if unit.casing_loss is None and unit.kind.fan_apart:
        poorest = CASING_EFFICIENCY[unit.kind]
        base = "" if unit.input is not None else f", taken as output / {poorest:g},"
        notes.append(f"unit.casing_loss is left out: 0 to 2 % of the input{base} is assumed.")
    if unit.outdoor_air is None and not mixed:
        notes.append(
            "unit.outdoor_air is left out: the outdoor-air damper is assumed closed; make sure it is."
        )
    word, share = unit.outdoor_air or (OutdoorAir.CLOSED, None)
    if share is not None and unit.outdoor_air_u95 is None and not mixed:
        notes.append("unit.outdoor_air_u95 is left out: 5 % of the supply air is assumed.")
    if word == OutdoorAir.OPEN and not mixed:
        notes.append(
            "unit.outdoor_air is open and no probe stands in the mixed air: there will be no verdict; close"
            ' the damper for the test or add a probe with role = "mixed".'
        )


def _derate_notes(config: ConfigFile, factor: float, notes: list[str]) -> None:
    unit, altitude_m = config.unit, config.job.altitude
    derate = unit.derate
    if derate is not None and derate.done:
        if derate.factor is None and derate.above is None:
            notes.append("unit.derate.above is left out: 2000 ft is assumed; the maker's plate rules.")
        if derate.factor is None and derate.counted_from is None:
            notes.append(
                "unit.derate.counted_from is left out: sea level is assumed; the maker's plate rules."
            )
        if factor >= 1.0:
            notes.append("unit.derate changes nothing here: the site is not above the height it starts at.")
    elif unit.kind is UnitKind.GAS and altitude_m is not None and altitude_m > DERATE_ABOVE_M:
        notes.append(
            "The site is above 2000 ft and the unit is not said to be derated: over-firing is possible; have"
            " the licensed person check the maker's altitude instructions."
        )


def _spared(unit: UnitParams, probes: Probes) -> frozenset[str]:
    """Questions of the visit record whose "no" is made up for: mixed air that is measured or told, a
    unit that has no lower stage.
    """
    spared = set()
    mixed = any(probe.role is Role.MIXED for probe in probes.values())
    if mixed or unit.outdoor_air is OutdoorAir.FRACTION:
        spared.add("outdoor_air_shut")
    if unit.stages == 1:
        spared.add("stage_forced")
    return frozenset(spared)


def _gas(config: ConfigFile, probes: Probes, notes: list[str]) -> GasParams | None:
    meter = next((name for name, probe in probes.items() if probe.role is Role.GAS), None)
    if config.gas is None:
        if meter is not None:
            notes.append(
                f"probes.{meter} is a gas meter and there is no [gas] table: its readings are stored, the"
                " input is not measured; add [gas] with heating_value."
            )
        return None
    params, assumed = gas_params(config.gas, config.gas.volume_m3, lambda key: f"gas.{key}")
    notes.append("gas: the input is this unit's only while all other appliances on its meter are off.")
    notes += assumed
    if meter is None and config.gas.times is not None and config.gas.timed is None:
        notes.append(
            "gas.timed is left out: nobody said on which day the dial was timed; give the date, such as"
            " timed = 2026-01-31."
        )
    if meter is not None and config.gas.times is not None:
        notes.append(f"gas.times are not used: probes.{meter} counts the gas over the steady stretch itself.")
    return params


def _probes(probes: Probes, notes: list[str]) -> tuple[ProbeParams, ...]:
    for name, probe in probes.items():
        if probe.u95 is None:
            notes.append(f"probes.{name}.u95 is left out: {DEFAULT_U95[probe.role][1]} is assumed.")
        elif probe.u95 == 0.0:
            notes.append(f"probes.{name}.u95 is 0: no probe is perfect, and its budget line is missing.")
        if probe.role in _PLACED and abs(probe.offset) > MOST_OFFSET_K:
            notes.append(
                f"probes.{name}.offset is {difference_text(probe.offset)}: no sound probe is so far off;"
                " look at the number, or at the probe."
            )
    for role in _PLACED:
        _placement_note([name for name, p in probes.items() if p.role is role], role, probes, notes)
    return tuple(_probe(name, probe) for name, probe in probes.items())


def _placement_note(names: list[str], role: Role, probes: Probes, notes: list[str]) -> None:
    """What stands in for the place of a role's probes, where the config does not say."""
    if any(probes[name].placement_u95 is not None for name in names):
        return
    if len(names) > 1:
        notes.append(
            f"placement_u95 is left out for {', '.join(names)}: how far they lie apart while steady stands"
            " for it, 1 % of the rise at the least."
        )
    elif names:
        why = ", which its duct or fan has mixed" if role is Role.RETURN else ""
        notes.append(
            f"placement_u95 is left out for {names[0]}: {100 * PLACEMENT_U95[role]:.0f} % of the rise is"
            f" assumed, for one spot that stands for the whole stream{why}."
        )


def _placement_u95(probe: ProbeTable) -> float:
    if probe.placement_u95 is not None:
        return probe.placement_u95
    return PLACEMENT_U95.get(probe.role, PLACEMENT_U95[Role.SUPPLY])


def _probe(name: str, probe: ProbeTable) -> ProbeParams:
    return ProbeParams(
        name=name,
        role=probe.role,
        offset=probe.offset,
        u95=DEFAULT_U95[probe.role][0] if probe.u95 is None else probe.u95,
        u95_assumed=probe.u95 is None,
        placement_u95=_placement_u95(probe),
        placement_assumed=probe.placement_u95 is None,
        max_age_s=probe.max_age,
        weight=probe.weight,
        rise_factor=1.0 if probe.rise_factor is None else probe.rise_factor,
        gain=probe.gain or 0.0,
        gain_u95=GAIN_U95 if probe.gain_u95 is None else probe.gain_u95,
        gain_assumed=probe.gain_u95 is None,
        matched_at_c=probe.matched_at,
        matched_day=None if probe.matched is None else probe.matched.toordinal(),
        humidity_offset=100.0 * (probe.humidity_offset or 0.0),
        humidity_u95=None if probe.humidity_u95 is None else 100.0 * probe.humidity_u95,
    )


SPREADS = {  # of the output, where the usual 1.5 % of a rise of 25 K is too little, and why
    # as many K of 12 K; of 60 simulated visits 1.5 % missed four, 2 to 5 % none (simulators/study/README.md)
    UnitKind.HEAT_PUMP: (0.03, "the rise of such a unit is small"),
    # and of 60 to a wet coil 3 % missed five, 5 % none (same)
    UnitKind.COOLING: (0.05, "the noise of two temperatures and two humidities is in the total"),
}


def _steady(config: ConfigFile, notes: list[str]) -> SteadyParams:
    steady, spread = config.steady, config.steady.spread
    if "spread" not in steady.model_fields_set and config.unit.kind in SPREADS:
        spread, why = SPREADS[config.unit.kind]
        notes.append(f"steady.spread is left out: {spread:.1%} is used, {why}.")
    return SteadyParams(
        window_s=steady.window,
        window_max_s=steady.window_max,
        hold_s=steady.hold,
        remaining=steady.remaining,
        time_constant_s=steady.time_constant,
        spread=spread,
    )
