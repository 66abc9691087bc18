"""Where a run's readings come from: the config's drivers, on the clock that suits them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from logger.clock import Clock, SteppedClock, SystemClock
from logger.collect import Collector
from logger.config.load import LoadedConfig
from logger.core.errors import DriverError, RiselogError
from logger.core.readings import Quantity
from logger.driver_api import Driver, DriverContext, LinkState, ProbeRequest
from logger.faults import log_fault
from logger.registry import load_driver
from logger.text import one_line

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


def clock_for(config: LoadedConfig) -> Clock:
    """The host's clock, or the stepped one of a simulation."""
    if config.sim is None:
        return SystemClock()
    return SteppedClock(speed=config.sim.speed, utc_start_us=SystemClock().utc_us())


def build_drivers(config: LoadedConfig, collector: Collector, clock: Clock) -> dict[str, Driver]:
    """One driver object for each name in the config."""
    settings: Mapping[str, Any] = {}
    if config.sim is not None:
        settings = {"scenario": config.sim.scenario, "seed": config.sim.seed}
    drivers: dict[str, Driver] = {}
    for name in dict.fromkeys(p.driver for p in config.probes):
        requests = [
            ProbeRequest(
                name=p.name, role=p.role.value, quantities=MAIN_THEN_WELCOME[p.role], options=p.options
            )
            for p in config.probes
            if p.driver == name
        ]
        kind = load_driver(name)
        context = DriverContext(
            emit=collector.emit,
            link=_no_link if kind.simulated else collector.link,
            now_ns=clock.now_ns,
            utc_us=clock.utc_us,
            wait_until=clock.wait_until,
            settings=settings if kind.simulated else {},
        )
        drivers[name] = _made(name, kind, requests, context)
    return drivers


def _made(name: str, kind: type[Driver], requests: list[ProbeRequest], context: DriverContext) -> Driver:
    try:
        return kind(requests, context)
    except RiselogError:
        raise
    except Exception as error:
        where = log_fault(error, f"driver {name}")
        raise DriverError(
            f"driver '{name}' cannot be started ({type(error).__name__}: {one_line(str(error))}); report it "
            f"to its author; details: {where}"
        ) from error


def _no_link(probe: str, state: LinkState, text: str) -> None:
    """A simulated probe has no way to it that could be lost: nothing to tell."""
