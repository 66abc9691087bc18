"""Plug-ins found by entry points: drivers, scenarios and commands. Nothing is named here.

A driver is imported only when a config asks for it, so a broken plug-in harms nobody else.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from logger.core.errors import ConfigError, UsageError
from logger.driver_api import Driver
from logger.text import closest

DRIVERS = "riselog.drivers"
SCENARIOS = "riselog.scenarios"
COMMANDS = "riselog.commands"

_DRIVER_PARTS = ("name", "Options", "simulated", "run", "reach")


def _points(group: str) -> dict[str, EntryPoint]:
    """Entry points by name; of two with one name the first by distribution counts."""
    found: dict[str, EntryPoint] = {}
    for point in sorted(entry_points(group=group), key=lambda p: (p.name, p.value)):
        found.setdefault(point.name, point)
    return found


def known_drivers() -> tuple[str, ...]:
    """Names of all installed drivers, in order; imports none of them."""
    return tuple(sorted(_points(DRIVERS)))


def load_driver(name: str) -> type[Driver]:
    """The driver class of that name.

    Raises
    ------
    ConfigError
        Where none is installed, or where it cannot be loaded; the text says why.
    """
    point = _points(DRIVERS).get(name)
    if point is None:
        known = known_drivers()
        raise ConfigError(
            f"driver '{name}' is not installed; installed drivers: {', '.join(known) or 'none'}"
            f"{closest(name, known)}"
        )
    try:
        driver = point.load()
    except Exception as error:
        raise ConfigError(_broken("driver", point, f"{type(error).__name__}: {error}")) from error
    missing = [part for part in _DRIVER_PARTS if not hasattr(driver, part)]
    if missing or not isinstance(driver, type):
        what = f"it is no driver class: {', '.join(missing) or 'not a class'} missing"
        raise ConfigError(_broken("driver", point, what))
    return driver


def _broken(kind: str, point: EntryPoint, reason: str) -> str:
    owner = point.dist.name if point.dist else "an unknown package"
    return f"{kind} '{point.name}' of {owner} cannot be loaded ({reason}); repair or remove that package"


class DriverOptions(Mapping[str, type[Any]]):
    """The ``Options`` model of each installed driver, by name, loaded when it is asked for.

    A name that is not installed is a plain ``KeyError``; a driver that is broken raises
    ``ConfigError`` with the reason.
    """

    def __getitem__(self, name: str) -> type[Any]:
        if name not in _points(DRIVERS):
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
    for point in _points(SCENARIOS).values():
        try:
            found = point.load()
            for name, scenario in dict(found).items():
                scenarios.setdefault(str(name), scenario)
        except Exception as error:  # noqa: BLE001 - a plug-in may fail in any way
            troubles.append(_broken("scenario group", point, f"{type(error).__name__}: {error}"))
    return scenarios, tuple(troubles)


def find_command(name: str) -> object | None:
    """A command that a plug-in brings (a typer app), or None where no plug-in has the name.

    Raises
    ------
    UsageError
        Where the plug-in is broken.
    """
    point = _points(COMMANDS).get(name)
    if point is None:
        return None
    try:
        command: object = point.load()
    except Exception as error:
        raise UsageError(_broken("command", point, f"{type(error).__name__}: {error}")) from error
    return command
