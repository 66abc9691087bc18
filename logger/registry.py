"""Drivers and scenarios, found by entry points. Nothing is named here.

A driver is imported only when a config asks for it, so a broken plug-in harms nobody else.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import EntryPoint
from typing import Any

from pydantic import BaseModel, ConfigDict

from logger.core.errors import ConfigError
from logger.driver_api import Driver, Look, Seen
from logger.plugins import (
    DRIVERS,
    PLUGIN_FAULTS,
    all_points,
    broken,
    fault,
    load,
    owner,
    plugin_at_work,
    points,
)
from logger.text import closest

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
    kind = _loaded(point)
    if isinstance(kind, str):
        raise ConfigError(broken("driver", point, kind))
    return kind


def _loaded(point: EntryPoint) -> type[Driver] | str:
    """The class, or why there is none."""
    try:
        kind = load(point)
    except PLUGIN_FAULTS as error:
        return fault(error)
    if not isinstance(kind, type):
        return "it is no class"
    try:
        with plugin_at_work():
            trouble = _lacks(kind)
    except PLUGIN_FAULTS as error:
        return fault(error)
    return trouble or kind


def _lacks(kind: type[Any]) -> str:
    """What keeps a class from being a driver's; every part is asked for here, as any may break."""
    missing = [part for part in _DRIVER_PARTS if not hasattr(kind, part)]
    if missing:
        return f"it is no driver class: {', '.join(missing)} missing"
    options = getattr(kind, "Options", None)
    if options is BaseModel or not hasattr(options, "model_validate"):
        return "it is no driver class: its Options is no pydantic model of its own"
    bool(kind.simulated)
    getattr(kind, "survey", None)
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedDriver:
    """One installed driver: what it is, and of which package. ``trouble`` is empty where it can be used;
    ``simulated`` is None where that cannot be told."""

    name: str
    package: str
    version: str
    simulated: bool | None
    trouble: str


def listed_drivers() -> Sequence[ListedDriver]:
    """All installed drivers in order of their names, the broken ones too; imports each of them."""
    used = points(DRIVERS)
    return tuple(_listed(point, used[point.name]) for point in all_points(DRIVERS))


def _listed(point: EntryPoint, first: EntryPoint) -> ListedDriver:
    kind = _loaded(point) if point == first else f"the driver of that name of {owner(first)} is used"
    simulated, trouble = (None, kind) if isinstance(kind, str) else (bool(kind.simulated), "")
    return ListedDriver(
        name=point.name,
        package=owner(point),
        version=point.dist.version if point.dist else "",
        simulated=simulated,
        trouble=trouble,
    )


Surveyor = Callable[[Look, Callable[[Seen], None]], Coroutine[Any, Any, None]]


def surveys() -> tuple[dict[str, Surveyor], tuple[str, ...]]:
    """The ``survey`` of every driver that has one, and a sentence for each driver that is broken."""
    found: dict[str, Surveyor] = {}
    troubles = []
    for name, point in sorted(points(DRIVERS).items()):
        kind = _loaded(point)
        if isinstance(kind, str):
            troubles.append(broken("driver", point, kind))
        elif callable(survey := getattr(kind, "survey", None)):
            found[name] = survey
    return found, tuple(troubles)


class Unchecked(BaseModel):
    """Takes any key: that a driver is broken is told where its probes are asked for, and not by every
    command that reads the config."""

    model_config = ConfigDict(extra="allow", frozen=True)


class DriverOptions(Mapping[str, type[Any]]):
    """The ``Options`` model of each installed driver, by name, loaded when it is asked for.

    A name that is not installed is a plain ``KeyError``; of a driver that is broken no key is checked.
    """

    def __getitem__(self, name: str) -> type[Any]:
        kind = _loaded(points(DRIVERS)[name])
        return Unchecked if isinstance(kind, str) else kind.Options

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
            found: Any = load(point)
            for name, scenario in dict(found).items():
                scenarios.setdefault(str(name), scenario)
        except PLUGIN_FAULTS as error:
            troubles.append(broken("scenario group", point, fault(error)))
    return scenarios, tuple(troubles)
