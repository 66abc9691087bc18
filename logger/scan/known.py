"""The probes that a config has already: given to their drivers, and found again among what is heard."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from logger.config.load import load_config
from logger.driver_api import ProbeRequest
from logger.registry import DriverOptions
from logger.scan.roster import Device
from logger.sources import request_of

Known = dict[str, tuple[ProbeRequest, ...]]


def known_probes(path: Path) -> Known:
    """The probes of a config by their driver. Raises ConfigError."""
    known: Known = {}
    for p in load_config(path, DriverOptions()).probes:
        known[p.driver] = (*known.get(p.driver, ()), request_of(p))
    return known


def mark(devices: Iterable[Device], known: Known) -> None:
    """Write at each device which probe of the config it is, by its address or its name."""
    for device in devices:
        device.probe = next(
            (request.name for requests in known.values() for request in requests if _is(request, device)),
            "",
        )


def _is(request: ProbeRequest, device: Device) -> bool:
    address, name = request.options.get("address"), request.options.get("name")
    if isinstance(address, str):
        return address.casefold() == device.address.casefold()
    return isinstance(name, str) and name == device.name
