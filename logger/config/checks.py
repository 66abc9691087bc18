"""What the keys of a config mean together: one function a subject, each yields its problems."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable, Iterator

from logger.config.derate import derate_factor
from logger.config.gas import GasTable, gas_faults
from logger.config.plane import plane_problem
from logger.config.problems import Problem
from logger.config.quantities import Dimension, Units, show
from logger.config.schema import (
    AirflowTable,
    ConfigFile,
    JobTable,
    MqttTable,
    Probes,
    TemperatureProbe,
    UnitTable,
)
from logger.config.stages import stage_problems
from logger.config.visit import visit_problems
from logger.core.air import standard_pressure_pa
from logger.core.params import PRESSURE_GAP, AirflowSource, FanDrive, OutdoorAir, Role, UnitKind

SIM_DRIVER = "sim"
LOWEST_DERATE = 0.4  # fraction of the plate, assumed: no maker derates so far

AIRFLOW_KEYS: dict[AirflowSource, tuple[frozenset[str], frozenset[str]]] = {  # (needed, allowed)
    AirflowSource.FIXED: (
        frozenset({"volume"}),
        frozenset({"volume", "stage_volume", "at", "temperature", "humidity", "burner", "inlet_temperature"})
        | {"traverse"},
    ),
    AirflowSource.PROBE: (
        frozenset({"probe", "area"}),
        frozenset({"probe", "area", "factor", "basis", "reference_density", "at", "traverse"})
        | {"burner", "inlet_temperature"},
    ),
    AirflowSource.MASS: (frozenset({"mass"}), frozenset({"mass"})),
}
_AIRFLOW_EXAMPLES = {"volume": "1850 cfm", "probe": "duct", "area": "0.18 m2", "mass": "1.02 kg/s"}


def find_problems(config: ConfigFile, probes: Probes) -> list[Problem]:
    """All that does not go together, subject by subject."""
    return [problem for check in CHECKS for problem in check(config, probes)]


def _roles(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    roles = {probe.role for probe in probes.values()}
    if Role.SUPPLY not in roles:
        yield Problem(
            ("probes",),
            'no probe has role = "supply"; add a probe in the air that leaves the heating section',
        )
    if not roles & {Role.RETURN, Role.MIXED}:
        yield Problem(
            ("probes",),
            'no probe has role = "return" or "mixed"; add a probe in the air that enters the heating section',
        )


def _site(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    job = config.job
    if job.altitude is None or job.pressure is None:
        return
    standard = standard_pressure_pa(job.altitude)
    if abs(job.pressure - standard) > PRESSURE_GAP * standard:
        yield Problem(
            ("job", "pressure"),
            f"{_pressure(job, job.pressure)} is more than 4 % off the {_pressure(job, standard)} of"
            " job.altitude (a weather report is reduced to sea level); give the pressure at the site, or only"
            " the altitude",
        )


def _pressure(job: JobTable, value_pa: float) -> str:
    return show(value_pa, Dimension.PRESSURE, job.units)


def _plate(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    unit, units = config.unit, config.job.units
    yield from _other_kinds(unit, config.airflow)
    rated = unit.efficiency is not None and "efficiency" not in NOT_OF_KIND[unit.kind]
    if rated and unit.output is not None:
        yield Problem(
            ("unit", "efficiency"),
            "unit.output is given too; keep the one that the plate shows, remove the other",
        )
    if rated and unit.input is None:
        yield Problem(
            ("unit", "efficiency"), 'needs the plate\'s input; add input = "135000 Btu/h" or the like'
        )
    yield from _output_above_input(unit, units)
    if unit.min_entering is not None and unit.max_supply is not None and unit.min_entering >= unit.max_supply:
        yield Problem(("unit", "min_entering"), "is not below unit.max_supply; check both against the plate")


_SAME_EVERYWHERE = {"output_at": "its output is the same in any weather"}
NOT_OF_KIND: dict[UnitKind, dict[str, str]] = {
    UnitKind.GAS: _SAME_EVERYWHERE,
    UnitKind.ELECTRIC: _SAME_EVERYWHERE,
    UnitKind.HEAT_PUMP: {
        "efficiency": "give unit.output as the plate has it",
        "casing_loss": "the plate's output is what the air gets",
    },
    UnitKind.COOLING: {
        "efficiency": "give unit.output as the plate has it",
        "casing_loss": "the plate's output is what the air gives",
        "rise": "it is a limit of heating",
        "max_supply": "it is a limit of heating",
        "min_entering": "it is a limit of heating",
    },
}
"""Keys of [unit] that say nothing of a kind, and why or what to give instead."""


def _other_kinds(unit: UnitTable, air: AirflowTable) -> Iterator[Problem]:
    if air.stage_volume is not None and not unit.kind.fan_apart:
        yield Problem(
            ("airflow", "stage_volume"),
            f'does not go with kind = "{unit.kind}"; give the airflow of the stage that is judged, or a live '
            "velocity probe",
        )
    for key, why in NOT_OF_KIND.get(unit.kind, {}).items():
        if getattr(unit, key) is not None:
            yield Problem(("unit", key), f'does not go with kind = "{unit.kind}": {why}; remove the key')


def _output_above_input(unit: UnitTable, units: Units) -> Iterator[Problem]:
    if unit.input is None or unit.output is None or unit.output <= unit.input:
        return
    if unit.kind in {UnitKind.GAS, UnitKind.ELECTRIC}:
        output, power = (show(w, Dimension.POWER, units) for w in (unit.output, unit.input))
        yield Problem(
            ("unit", "output"), f"{output} is more than the input of {power}; check that they are not swapped"
        )


def _outdoor_air(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    word = config.unit.outdoor_air[0] if config.unit.outdoor_air else OutdoorAir.CLOSED
    roles = {probe.role for probe in probes.values()}
    if config.unit.kind is UnitKind.COOLING and word == OutdoorAir.FRACTION and Role.MIXED not in roles:
        yield Problem(
            ("unit", "outdoor_air"),
            'a stated share goes with heating alone; put a probe with role = "mixed" before the coil, or '
            'close the damper for the test and say outdoor_air = "closed"',
        )
    elif word == OutdoorAir.FRACTION and not roles & {Role.OUTDOOR, Role.MIXED}:
        yield Problem(
            ("unit", "outdoor_air"),
            'a stated share needs a probe with role = "outdoor" (or "mixed", which beats it); add one, or'
            ' close the damper for the test and say outdoor_air = "closed"',
        )
    if config.unit.outdoor_air_u95 is not None and word != OutdoorAir.FRACTION:
        yield Problem(
            ("unit", "outdoor_air_u95"),
            'goes with a stated share only, such as outdoor_air = "20 %"; remove it',
        )


def _derate(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    derate = config.unit.derate
    if derate is None:
        return
    base = ("unit", "derate")
    by_altitude = {"per_1000ft", "above", "counted_from"} & derate.model_fields_set
    if derate.factor is not None and by_altitude:
        yield Problem(
            (*base, "factor"), f"stands beside {', '.join(sorted(by_altitude))}; keep one way to derate"
        )
    elif derate.factor is None and derate.per_1000ft is None and derate.done:
        yield Problem(
            base, 'needs per_1000ft, such as "4 %", or factor, such as "0.90", as the maker\'s plate rules'
        )
    elif derate.factor is None and derate.done and config.job.altitude is None:
        yield Problem(
            (*base, "per_1000ft"),
            'needs the altitude; add altitude = "700 ft" or the like to [job], or give factor',
        )
    elif not LOWEST_DERATE <= derate_factor(derate, config.job.altitude) <= 1.0:
        factor = derate_factor(derate, config.job.altitude)
        yield Problem(
            base, f"multiplies the plate by {factor:.2f}, and {LOWEST_DERATE:g} to 1 can be; check its values"
        )


def _airflow(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    air = config.airflow
    needed, allowed = AIRFLOW_KEYS[air.source]
    given = {key for key in air.model_fields_set if getattr(air, key) is not None}
    for key in sorted(given - allowed - {"source", "u95"}):
        fitting = " or ".join(f'"{s}"' for s, (_, keys) in AIRFLOW_KEYS.items() if key in keys)
        yield Problem(
            ("airflow", key),
            f'goes with source = {fitting} only, and source is "{air.source}"; remove one of them',
        )
    for key in sorted(needed - given):
        if not (key == "volume" and (air.traverse or air.stage_volume)):
            example = _AIRFLOW_EXAMPLES[key]
            yield Problem(
                ("airflow", key), f'missing; source = "{air.source}" needs {key} = "{example}" or the like'
            )
    if air.source is AirflowSource.PROBE and air.traverse is None:
        for key in sorted(given & {"burner", "inlet_temperature"}):
            yield Problem(("airflow", key), "goes with a volume or a traverse; a live probe needs none")
    yield from _velocity_probe(air, probes)
    if config.unit.fan_drive is FanDrive.VARIABLE and air.source is not AirflowSource.PROBE:
        yield Problem(
            ("unit", "fan_drive"),
            '"variable" needs a live velocity probe; add one and set airflow.source = "probe", or hold the'
            ' fan at its heating speed and say "constant-speed"',
        )


def _velocity_probe(air: AirflowTable, probes: Probes) -> Iterator[Problem]:
    if air.source is not AirflowSource.PROBE or air.probe is None:
        return
    velocity = sorted(name for name, probe in probes.items() if probe.role is Role.VELOCITY)
    if air.probe not in velocity:
        have = f"probes with that role: {', '.join(velocity)}" if velocity else "there is none yet; add one"
        yield Problem(("airflow", "probe"), f"'{air.probe}' is no probe with role = \"velocity\"; {have}")


def _plane(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    if config.airflow.source is AirflowSource.FIXED and config.airflow.traverse is None:
        text = plane_problem(config.airflow)
        if text is not None:
            yield Problem(("airflow", "at"), text)


def _gas(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    meters = [name for name, probe in probes.items() if probe.role is Role.GAS]
    for name in meters[1:]:
        yield Problem(
            ("probes", name, "role"),
            f"is a second gas meter beside '{meters[0]}'; keep the one that this unit's gas flows through",
        )
    if config.gas is None:
        return
    if config.unit.kind is not UnitKind.GAS:
        yield Problem(
            ("gas",), f'does not go with kind = "{config.unit.kind}", which burns no gas; remove the table'
        )
        return
    yield from _timed_turns(config.gas, counted=bool(meters))
    for key, text in gas_faults(config.gas, config.gas.volume_m3):
        yield Problem(("gas", key), text)


def _timed_turns(gas: GasTable, *, counted: bool) -> Iterator[Problem]:
    if gas.times is not None:
        if gas.dial is None:
            yield Problem(("gas", "times"), 'needs the gas of one turn; add dial = "2 ft3" or the like')
        return
    for key in ("dial", "turns", "timing_u95", "dial_u95", "timed"):
        if getattr(gas, key) is not None:
            yield Problem(("gas", key), 'goes with timed turns only; add times = ["43.1 s"], or remove it')
    if not counted:
        yield Problem(
            ("gas",),
            'has nothing that counts the gas; add dial = "2 ft3" and times = ["43.1 s"], or a probe with'
            ' role = "gas"',
        )


def _simulation(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    for name, probe in probes.items():
        if config.sim is not None and probe.driver != SIM_DRIVER:
            yield Problem(
                ("probes", name, "driver"),
                f"'{probe.driver}' reads a real probe and the file has a [sim] table; remove [sim], or set"
                ' driver = "sim" for every probe',
            )
    simulated = [name for name, probe in probes.items() if probe.driver == SIM_DRIVER]
    if config.sim is None and simulated:
        yield Problem(
            ("probes", simulated[0], "driver"),
            '"sim" needs the table [sim]; add [sim] with scenario = "standard", or name the driver of a real'
            " probe",
        )


def _broker(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    mqtt = config.mqtt
    if mqtt is None:
        return
    if mqtt.password_file is not None and mqtt.password_env is not None:
        yield Problem(("mqtt", "password_env"), "password_file is given too; keep one of them")
    if (mqtt.cert_file is None) != (mqtt.key_file is None):
        key = "cert_file" if mqtt.key_file is None else "key_file"
        yield Problem(("mqtt", key), "cert_file and key_file go together; give both or neither")
    with_password = mqtt.password_file is not None or mqtt.password_env is not None
    if with_password and mqtt.username is None:
        yield Problem(("mqtt", "username"), "missing; a password needs a username")
    if mqtt.tls:
        return
    for key in ("ca_file", "cert_file", "key_file"):
        if getattr(mqtt, key) is not None:
            yield Problem(("mqtt", key), "goes with tls = true only; remove it or switch TLS on")
    if with_password and not mqtt.allow_plain and not _is_loopback(mqtt):
        yield Problem(
            ("mqtt", "tls"),
            "a password would cross the network in the clear; set tls = true, or allow_plain = true if you"
            " accept that",
        )


def _is_loopback(mqtt: MqttTable) -> bool:
    if mqtt.host == "localhost":
        return True
    try:
        return ipaddress.ip_address(mqtt.host).is_loopback
    except ValueError:
        return False


MATCH_KEYS = ("matched", "matched_at", "gain", "gain_u95", "humidity_offset", "humidity_u95")


def _matches(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    for name, probe in probes.items():
        if probe.rise_factor is not None and probe.role is not Role.SUPPLY:
            yield Problem(
                ("probes", name, "rise_factor"),
                f'goes with a probe in the supply air only, and role is "{probe.role}"; remove it',
            )
        elif probe.rise_factor is not None and config.unit.kind is UnitKind.COOLING:
            yield Problem(
                ("probes", name, "rise_factor"),
                'does not go with kind = "cooling": it is of the temperature alone, and the moisture is as '
                "uneven; remove it, and spread several probes over the stream",
            )
        given = [key for key in MATCH_KEYS if getattr(probe, key) is not None]
        if given and not isinstance(probe, TemperatureProbe):
            yield Problem(
                ("probes", name, given[0]),
                f'goes with a temperature probe only, and role is "{probe.role}"; remove it',
            )
        elif probe.gain is not None and probe.matched_at is None:
            yield Problem(
                ("probes", name, "gain"),
                'needs the temperature it counts from; add matched_at = "70 °F" or the like',
            )


def _stages(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    return stage_problems(config)


def _visit(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    return visit_problems(
        config.visit,
        said_closed=config.unit.outdoor_air is not None and config.unit.outdoor_air[0] == OutdoorAir.CLOSED,
        heating_value_j_m3=None if config.gas is None else config.gas.heating_value,
    )


def _limits(config: ConfigFile, probes: Probes) -> Iterator[Problem]:
    steady, cycles = config.steady, config.cycles
    if steady.window > steady.window_max:
        yield Problem(
            ("steady", "window"),
            f"{steady.window:g} s is longer than steady.window_max, {steady.window_max:g} s; lower one or"
            " raise the other",
        )
    if cycles.end > cycles.fire:
        yield Problem(
            ("cycles", "end"),
            f"{cycles.end:g} K is more than cycles.fire, {cycles.fire:g} K: a firing would end before it"
            " starts; lower end or raise fire",
        )


CHECKS: tuple[Callable[[ConfigFile, Probes], Iterator[Problem]], ...] = (
    _roles,
    _site,
    _plate,
    _outdoor_air,
    _derate,
    _stages,
    _airflow,
    _plane,
    _gas,
    _simulation,
    _matches,
    _broker,
    _visit,
    _limits,
)
