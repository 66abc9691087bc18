"""Where a run's readings come from: the config's drivers, on the clock that suits them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from logger.clock import Clock, SteppedClock, SystemClock
from logger.collect import Collector
from logger.config.load import LoadedConfig, ProbeSetup
from logger.core.errors import ConfigError, DriverError
from logger.core.params import Role
from logger.core.readings import Quantity
from logger.driver_api import DriverContext, LinkState, ProbeRequest, Source
from logger.faults import log_fault
from logger.guarded import Guarded, Note, Unusable
from logger.plugins import PLUGIN_FAULTS, author, fault, plugin_at_work
from logger.registry import known_drivers, load_driver

MAIN_THEN_WELCOME: dict[str, tuple[Quantity, ...]] = {
    "return": (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    "mixed": (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    "supply": (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    "outdoor": (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    "velocity": (Quantity.VELOCITY, Quantity.TEMPERATURE),
    "pressure": (Quantity.PRESSURE,),
    "gas": (Quantity.GAS_VOLUME,),
}
"""What the job would like from a probe of each role, main quantity first."""


class HopelessError(DriverError):
    """A job that can measure nothing; ``what`` and ``next_step`` are its sentence in two parts."""

    def __init__(self, why: str, next_step: str, missing: str) -> None:
        lacking = f"without {missing} there is no change of the air to measure"
        super().__init__(f"{why}; {next_step}; {lacking}")
        self.what, self.next_step = f"{why}; {lacking}", next_step


SUPPLY, ENTERING = frozenset({Role.SUPPLY}), frozenset({Role.RETURN, Role.MIXED})
"""Roles of which a rise needs one each."""


def clock_for(config: LoadedConfig) -> Clock:
    """The host's clock, or the stepped one of a simulation."""
    if config.sim is None:
        return SystemClock()
    return SteppedClock(speed=config.sim.speed, utc_start_us=SystemClock().utc_us())


def request_of(probe: ProbeSetup) -> ProbeRequest:
    """What a driver is given of a probe."""
    return ProbeRequest(
        name=probe.name,
        role=probe.role.value,
        quantities=MAIN_THEN_WELCOME[probe.role],
        options=probe.options,
    )


def build_drivers(config: LoadedConfig, collector: Collector, clock: Clock) -> dict[str, Source]:
    """One source for each driver's name in the config. A driver that cannot be made does not keep the
    others from work: its probes give nothing, and say so.

    Raises
    ------
    ConfigError
        A driver is not installed, or cannot take what the config says.
    DriverError
        Without the drivers that cannot be made the job has no supply air, or no entering air.
    """
    settings: Mapping[str, Any] = {}
    if config.sim is not None:
        settings = {"scenario": config.sim.scenario, "seed": config.sim.seed}
    sources: dict[str, Source] = {}
    for name in dict.fromkeys(p.driver for p in config.probes):
        requests = [request_of(p) for p in config.probes if p.driver == name]
        context = DriverContext(
            emit=collector.emit,
            link=collector.link,
            now_ns=clock.now_ns,
            utc_us=clock.utc_us,
            wait_until=clock.wait_until,
            about=collector.about,
        )
        sources[name] = _source(name, requests, context, settings, collector.note)
    _refuse_hopeless(config, sources)
    return sources


def _source(
    name: str, requests: list[ProbeRequest], context: DriverContext, settings: Mapping[str, Any], note: Note
) -> Source:
    try:
        kind = load_driver(name)
    except ConfigError as error:
        if name not in known_drivers():
            raise
        what, _, step = str(error).rpartition("; ")
        return Unusable(requests, context, what, step)
    if kind.simulated:  # a scenario that breaks cannot go on in its middle: it is not made anew
        context = replace(context, link=_no_link, settings=settings)
    try:
        with plugin_at_work():
            if kind.simulated:
                return kind(requests, context)
            return Guarded(name, lambda: kind(requests, context), requests, context, note)
    except ConfigError:
        raise
    except DriverError as error:
        what, _, step = str(error).rpartition("; ")
        return Unusable(requests, context, f"driver '{name}' cannot be started ({what or step})", step)
    except PLUGIN_FAULTS as error:
        where = log_fault(error, f"driver {name}")
        why = f"driver '{name}' cannot be started ({fault(error)})"
        return Unusable(requests, context, why, f"report it to {author(name)}; details: {where}")


def _refuse_hopeless(config: LoadedConfig, sources: Mapping[str, Source]) -> None:
    """A job whose supply air or entering air has no driver measures nothing: refused before it begins."""
    sides = [[p for p in config.probes if p.role in roles] for roles in (SUPPLY, ENTERING)]
    for side in sides:
        unusable = [source for p in side if isinstance(source := sources[p.driver], Unusable)]
        if all(sides) and len(unusable) == len(side):
            names = " and ".join(p.name for p in side)
            raise HopelessError(unusable[0].why, unusable[0].next_step, names)


def _no_link(probe: str, state: LinkState, text: str) -> None:
    """A simulated probe has no way to it that could be lost: nothing to tell."""
