"""Drivers and scenarios, found by entry points. Nothing is named here.

A driver is imported only when a config asks for it, so a broken plug-in harms nobody else.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from logger.core.errors import ConfigError
from logger.driver_api import Driver
from logger.plugins import broken, points
from logger.text import closest

DRIVERS = "riselog.drivers"
SCENARIOS = "riselog.scenarios"

_DRIVER_PARTS = ("name", "Options", "simulated", "run", "reach")


def known_drivers() -> tuple[str, ...]:
    """Names of all installed drivers, in order; imports none of them."""
    return tuple(sorted(points(DRIVERS)))


def load_driver(name: str) -> type[Driver]:
    """The driver class of that name.

    Raises
    ------
    ConfigError
        Where none is installed, or where it cannot be loaded; the text says why.
    """
    point = points(DRIVERS).get(name)
    if point is None:
        known = known_drivers()
        raise ConfigError(
            f"driver '{name}' is not installed; installed drivers: {', '.join(known) or 'none'}"
            f"{closest(name, known)}"
        )
    try:
        driver = point.load()
    except Exception as error:
        raise ConfigError(broken("driver", point, f"{type(error).__name__}: {error}")) from error
    missing = [part for part in _DRIVER_PARTS if not hasattr(driver, part)]
    if missing or not isinstance(driver, type):
        what = f"it is no driver class: {', '.join(missing) or 'not a class'} missing"
        raise ConfigError(broken("driver", point, what))
    return driver


class DriverOptions(Mapping[str, type[Any]]):
    """The ``Options`` model of each installed driver, by name, loaded when it is asked for.

    A name that is not installed is a plain ``KeyError``; a driver that is broken raises
    ``ConfigError`` with the reason.
    """

    def __getitem__(self, name: str) -> type[Any]:
        if name not in points(DRIVERS):
            raise KeyError(name)
        return load_driver(name).Options

    def __iter__(self) -> Iterator[str]:
        return iter(known_drivers())

    def __len__(self) -> int:
        return len(known_drivers())

    def __contains__(self, name: object) -> bool:
        return name in known_drivers()


def load_scenarios() -> tuple[dict[str, Any], tuple[str, ...]]:
    """All scenarios by name, and one sentence for each plug-in that could not be loaded."""
    scenarios: dict[str, Any] = {}
    troubles = []
    for point in points(SCENARIOS).values():
        try:
            found = point.load()
            for name, scenario in dict(found).items():
                scenarios.setdefault(str(name), scenario)
        except Exception as error:  # noqa: BLE001 - a plug-in may fail in any way
            troubles.append(broken("scenario group", point, f"{type(error).__name__}: {error}"))
    return scenarios, tuple(troubles)
