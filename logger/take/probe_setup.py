"""Which probes a take reads, what they are known for, and what is known of the air."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace

from logger.config.load import LoadedConfig, ProbeSetup, SimSettings
from logger.core.airflow import GUESSED_PRESSURE_U_PA, HEATED_PLANE_C, PRESSURE_U_PA
from logger.core.carry import HEATED_PLANES
from logger.core.errors import ConfigError, UsageError
from logger.core.params import AirflowParams, AirflowSource, FanPosition, JobParams, Plane, ProbeParams, Role
from logger.core.readings import Quantity
from logger.core.texts import temperature_text
from logger.core.traverse import Assumed, PressureFrom, Traverse, TraverseQuantity
from logger.registry import load_driver
from logger.take.air import PERCENT, Given
from logger.take.notebook import SEPARATOR
from logger.take.options import TakeOptions, number, pressure_pa

DEFAULT_VELOCITY_U95 = 0.05  # fraction of the value; assumed
DEFAULT_TEMPERATURE_U95_K = 0.5  # K; assumed
SIMULATED = "SIMULATED PROBES"
PLANE_ROLES = {
    None: (Role.RETURN, Role.MIXED),
    Plane.RETURN: (Role.RETURN, Role.MIXED),
    Plane.SUPPLY: (Role.SUPPLY,),
}
"""Probes that say how the air in the plane is."""


def watched_probes(
    options: TakeOptions, config: LoadedConfig | None, quantity: TraverseQuantity
) -> tuple[LoadedConfig | None, tuple[ProbeSetup, ...]]:
    """The probes that are captured, main one first: none where every value is typed."""
    role = Role.SUPPLY if quantity is TraverseQuantity.TEMPERATURE else Role.VELOCITY
    if config is None:
        if options.probe is None:
            return None, ()
        config = _probe_alone(options.probe, role)
        return config, config.probes
    mine = [p for p in config.probes if p.role is role]
    if options.probe is not None:
        mine = [p for p in mine if p.name == options.probe]
        if not mine:
            names = ", ".join(p.name for p in config.probes if p.role is role) or "none"
            raise UsageError(
                f"--probe '{options.probe}': {config.name} has no probe of role {role} "
                f"with that name; there is {names}"
            )
    if len(mine) > 1:
        raise UsageError(
            f"{config.name} has several probes of role {role}: "
            f"name one with --probe ({', '.join(p.name for p in mine)})"
        )
    also = [p for p in config.probes if p.role is Role.VELOCITY]
    if role is Role.SUPPLY and mine and len(also) == 1 and options.velocity is None:
        mine += also
    return config, tuple(mine)


def _probe_alone(text: str, role: Role) -> LoadedConfig:
    """A probe without a config: ``driver:address``, or ``sim``."""
    driver, _, address = text.partition(":")
    try:
        kind = load_driver(driver)
        keys = {"address": address} if address else {}
        options = kind.Options.model_validate(keys).model_dump()
    except ConfigError as error:
        raise UsageError(
            f"--probe '{text}': {error}; write driver:address, such as ess:00:00:00:00:00:02"
        ) from error
    except ValueError as error:  # pydantic's
        raise UsageError(
            f"--probe '{text}': the driver '{driver}' cannot be used so; "
            "write driver:address, or name a config"
        ) from error
    u95 = DEFAULT_VELOCITY_U95 if role is Role.VELOCITY else DEFAULT_TEMPERATURE_U95_K
    probe = ProbeParams(name="probe", role=role, u95=u95, u95_assumed=True)
    return LoadedConfig(
        name=f"--probe {text}",
        job=JobParams(name="traverse", airflow=AirflowParams(source=AirflowSource.FIXED), probes=(probe,)),
        units="us",
        probes=(ProbeSetup(name="probe", role=role, driver=driver, options=options),),
        sim=SimSettings(scenario="standard", speed=None, seed=1) if kind.simulated else None,
        store_path=None,
        mqtt=None,
        effective_text="",
        files={},
        notes=(),
    )


def find_air_probes(
    config: LoadedConfig | None, at: Plane | None, quantity: TraverseQuantity
) -> tuple[ProbeSetup, ...]:
    """Probes that say how the air in the plane is, and its pressure."""
    if config is None:
        return ()
    roles = (*PLANE_ROLES[at], Role.PRESSURE) if quantity is TraverseQuantity.VELOCITY else (Role.PRESSURE,)
    return tuple(p for p in config.probes if p.role in roles)


def find_inlet_probes(config: LoadedConfig | None, at: Plane | None) -> tuple[ProbeSetup, ...]:
    """Probes that say how the air at the fan's inlet is, the best first, where it is not that of the plane.

    Behind a fan that blows through, and with no probe of the mixed air, that of the return alone: with
    an outdoor share it is not what the fan gets, and nobody says it.
    """
    if config is None or (config.job.unit.fan, at or Plane.RETURN) not in HEATED_PLANES:
        return ()
    if config.job.unit.fan is FanPosition.DRAW_THROUGH:
        return tuple(p for p in config.probes if p.role is Role.SUPPLY)
    mixed = tuple(p for p in config.probes if p.role is Role.MIXED)
    if mixed or config.job.unit.outdoor_fraction > 0.0:
        return mixed
    return tuple(p for p in config.probes if p.role is Role.RETURN)


def find_air_sources(
    config: LoadedConfig | None, watched: Sequence[ProbeSetup], air_probes: Sequence[ProbeSetup]
) -> dict[Quantity, list[str]]:
    """Which probes say each quantity of the air, the best first."""
    if config is None:
        return {}
    air = [p.name for p in air_probes if p.role is not Role.PRESSURE]
    own = [p.name for p in watched]
    return {
        Quantity.TEMPERATURE: [*own, *air],
        Quantity.HUMIDITY: [*own, *air],
        Quantity.PRESSURE: [p.name for p in air_probes if p.role is Role.PRESSURE],
    }


def given_air(
    options: TakeOptions, before: Traverse | None, velocities: Traverse | None, config: LoadedConfig | None
) -> Given:
    """The air as options, the files, or the config have it. Raises UsageError."""
    humidity = number(options, "humidity")
    told = {
        Assumed.TEMPERATURE: number(options, "temperature"),
        Assumed.HUMIDITY: None if humidity is None else humidity * PERCENT,
        Assumed.PRESSURE: pressure_pa(options),
    }
    known: dict[Assumed, float] = {}
    stands: PressureFrom | None = None
    if config is not None and options.config is not None and config.job.pressure_u_pa < GUESSED_PRESSURE_U_PA:
        known[Assumed.PRESSURE] = config.job.pressure_pa
        typed = config.job.pressure_u_pa == PRESSURE_U_PA[PressureFrom.TYPED]
        stands = PressureFrom.TYPED if typed else PressureFrom.ALTITUDE
    for file, parts in ((velocities, (Assumed.PRESSURE,)), (before, tuple(Assumed))):
        if file is not None:
            state = {
                Assumed.TEMPERATURE: file.temperature_c,
                Assumed.HUMIDITY: file.humidity * PERCENT,
                Assumed.PRESSURE: file.pressure_pa,
            }
            known |= {part: state[part] for part in parts if part not in file.assumed}
            stands = stands if Assumed.PRESSURE in file.assumed else file.pressure_from
    return Given(
        said={part: value for part, value in told.items() if value is not None},
        before=known,
        points=0 if before is None else len(before.points),
        pressure_from=_pressure_told(options) or stands,
        inlet_c=None if before is None else before.inlet_temperature_c,
    )


def _pressure_told(options: TakeOptions) -> PressureFrom | None:
    """How the pressure of the options was had."""
    if options.altitude is not None:
        return PressureFrom.ALTITUDE
    return None if options.pressure is None else PressureFrom.TYPED


def check_air(
    given: Given,
    at: Plane | None,
    sources: Mapping[Quantity, Sequence[str]],
    watched: Sequence[ProbeSetup],
) -> None:
    """A velocity traverse needs the air's temperature from somewhere; warm air, its plane.

    Raises UsageError.
    """
    temp_c = given.value(Assumed.TEMPERATURE)
    others = set(sources.get(Quantity.TEMPERATURE, ())) - {p.name for p in watched}
    if temp_c is None and at is Plane.SUPPLY and not others:
        raise UsageError(
            "--temperature is missing: no supply probe of a config says how warm the air at --at supply is, "
            "and a velocity probe may not; give it, such as '118 F': its density hangs on it"
        )
    if temp_c is None and not sources.get(Quantity.TEMPERATURE):
        raise UsageError(
            "--temperature is missing: give that of the air in the duct, such as '70 F'; "
            "its density hangs on it"
        )
    if temp_c is not None and temp_c >= HEATED_PLANE_C and at is None:
        raise UsageError(
            f"--at is missing: the air has {temperature_text(temp_c)}, warmer than a return mostly is; "
            "say --at supply or --at return"
        )


def with_probes(
    base: Traverse, config: LoadedConfig | None, watched: Sequence[ProbeSetup], *, resumed: bool
) -> Traverse:
    """What the config knows of the probes' calibration and basis.

    A file gone on with keeps its basis, and the poorer calibration of both. Raises UsageError.
    """
    if config is None or not watched:
        return base
    params = {p.name: p for p in config.job.probes}
    for probe in watched:
        u95 = params[probe.name].u95
        if probe.role is Role.VELOCITY:
            base = replace(base, velocity_u95=max(u95, base.velocity_u95 if resumed else 0.0))
        else:
            base = replace(base, temperature_u95_k=max(u95, base.temperature_u95_k if resumed else 0.0))
    airflow = config.job.airflow
    if airflow.probe in {p.name for p in watched} and _says_basis(config):
        if resumed and airflow.basis is not base.basis:
            raise UsageError(
                f'{config.name}: key airflow.basis is "{airflow.basis}" and the file\'s points are '
                f'"{base.basis}" velocities: correct the one that is wrong'
            )
        base = replace(base, basis=airflow.basis, reference_density_kg_m3=airflow.reference_density_kg_m3)
    names = [f"{p.name} ({p.driver})" for p in watched]
    return replace(
        base,
        probe=_with(base.probe, ", ", names),
        notes=_with(base.notes, SEPARATOR, [SIMULATED] if config.simulated else []),
    )


def _with(text: str | None, separator: str, more: Sequence[str]) -> str | None:
    """A list in a text with more in it, each once."""
    return separator.join(dict.fromkeys([*(text.split(separator) if text else []), *more])) or None


def _says_basis(config: LoadedConfig) -> bool:
    """Whether the config says the basis itself, or has it from its traverse."""
    said = tomllib.loads(config.effective_text).get("airflow", {})
    return "basis" in said or config.job.airflow.reference is not None
