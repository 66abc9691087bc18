"""Which probes a take reads, what they are known for, and what is known of the air."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from logger.config.load import LoadedConfig, ProbeSetup, SimSettings
from logger.config.quantities import Dimension
from logger.core.errors import ConfigError, UsageError
from logger.core.params import MAIN_QUANTITY, AirflowParams, AirflowSource, JobParams, ProbeParams, Role
from logger.core.readings import QUANTITIES, Quantity, in_range
from logger.core.traverse import Traverse, TraverseQuantity
from logger.registry import load_driver
from logger.take.air import Given
from logger.take.options import TakeOptions, amount, pressure_pa

SUPPLY_HUMIDITY = 0.10  # fraction, of heated air where nothing says it; assumed
DEFAULT_VELOCITY_U95 = 0.05  # fraction of the value; assumed
DEFAULT_TEMPERATURE_U95_K = 0.5  # K; assumed
SIMULATED = "SIMULATED PROBES"
PLANE_ROLES = {"return": (Role.RETURN, Role.MIXED), "supply": (Role.SUPPLY,)}
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
        sim=SimSettings(scenario="standard", speed=1.0, seed=1) if kind.simulated else None,
        store_path=None,
        mqtt=None,
        effective_text="",
        files={},
        notes=(),
    )


def find_air_probes(
    config: LoadedConfig | None, at: str, quantity: TraverseQuantity
) -> tuple[ProbeSetup, ...]:
    """Probes that say how the air in the plane is, and its pressure."""
    if config is None:
        return ()
    roles = (*PLANE_ROLES[at], Role.PRESSURE) if quantity is TraverseQuantity.VELOCITY else (Role.PRESSURE,)
    return tuple(p for p in config.probes if p.role in roles)


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
    options: TakeOptions, before: Traverse | None, config: LoadedConfig | None, quantity: TraverseQuantity
) -> Given:
    """The air as options, the file gone on with, or the config have it. Raises UsageError."""
    temperature_c = amount("--temperature", options.temperature, Dimension.TEMPERATURE)
    humidity = amount("--humidity", options.humidity, Dimension.FRACTION)
    pressure = pressure_pa(options)
    if humidity is not None and not 0.0 <= humidity <= 1.0:
        raise UsageError(f"--humidity '{options.humidity}': give one from 0 % to 100 %")
    if temperature_c is not None and not in_range(Quantity.TEMPERATURE, temperature_c):
        raise UsageError(f"--temperature '{options.temperature}': is no temperature of air in a duct")
    if pressure is not None and not in_range(Quantity.PRESSURE, pressure):
        info = QUANTITIES[Quantity.PRESSURE]
        raise UsageError(
            f"--pressure is {pressure / 1000:g} kPa: give the site's own, "
            f"from {info.low / 1000:g} to {info.high / 1000:g} kPa"
        )
    given = Given(temperature_c=temperature_c, humidity=humidity, pressure_pa=pressure)
    if quantity is TraverseQuantity.TEMPERATURE:
        given = replace(given, fallback_humidity=SUPPLY_HUMIDITY)
    if config is not None and options.config is not None:
        given = replace(
            given, fallback_pa=config.job.pressure_pa, pressure_known=not config.job.pressure_assumed
        )
    if before is not None:
        given = replace(
            given, fallback_c=before.temperature_c, fallback_pa=before.pressure_pa, pressure_known=True
        )
        if before.quantity is quantity:
            given = replace(given, fallback_humidity=before.humidity, air_known=True)
    return given


def check_air(given: Given, sources: Mapping[Quantity, Sequence[str]], quantity: TraverseQuantity) -> None:
    """A velocity traverse needs the air's temperature from somewhere."""
    known = (
        given.temperature_c is not None or given.fallback_c is not None or sources.get(Quantity.TEMPERATURE)
    )
    if quantity is TraverseQuantity.VELOCITY and not known:
        raise UsageError(
            "--temperature is missing: give that of the air in the duct, such as '70 F'; "
            "its density hangs on it"
        )


def with_probes(base: Traverse, config: LoadedConfig | None, watched: Sequence[ProbeSetup]) -> Traverse:
    """What the config knows of the probes' calibration and basis."""
    if config is None or not watched:
        return base
    params = {p.name: p for p in config.job.probes}
    for probe in watched:
        quantity = MAIN_QUANTITY[probe.role]
        if quantity is Quantity.VELOCITY:
            base = replace(base, velocity_u95=params[probe.name].u95)
        else:
            base = replace(base, temperature_u95_k=params[probe.name].u95)
    airflow = config.job.airflow
    if airflow.source is AirflowSource.PROBE and airflow.probe in {p.name for p in watched}:
        base = replace(base, basis=airflow.basis, reference_density_kg_m3=airflow.reference_density_kg_m3)
    names = ", ".join(f"{p.name} ({p.driver})" for p in watched)
    notes = "; ".join(dict.fromkeys(n for n in (base.notes, SIMULATED if config.simulated else "") if n))
    return replace(base, probe=names, notes=notes or None)
