"""The scenarios by name, and those that installed plug-ins add."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from importlib.metadata import EntryPoint, entry_points

from logger.core.errors import ConfigError
from simulators import duct_scenarios, gas_scenarios, kind_scenarios
from simulators.scenario import PERFECT_SUFFIX, Scenario
from simulators.standard import PROBES, UNIT

__all__ = ["ENTRY_POINTS", "PROBES", "SCENARIOS", "UNIT", "find", "names"]

ENTRY_POINTS = "riselog.scenarios"
SHOWN = 40  # characters of a name that is none; assumed: no scenario's is longer
FAR_FETCHED = 0.4  # of 1: likeness of names that are offered where none is nearer (assumed)
_ALL = (*gas_scenarios.SCENARIOS, *duct_scenarios.SCENARIOS, *kind_scenarios.SCENARIOS)
SCENARIOS: dict[str, Scenario] = {scenario.name: scenario for scenario in _ALL}


def names() -> dict[str, str]:
    """Every scenario that can be run, by name, with its one line; broken plug-ins are left out."""
    known, _ = _installed()
    return {name: scenario.text for name, scenario in known.items()}


def find(name: str) -> Scenario:
    """Scenario of that name; with ``-perfect`` behind a name, the same seen by perfect probes.

    Raises
    ------
    ConfigError
        If there is none; the text names the closest, and plug-ins that could not be loaded.
    """
    if name in SCENARIOS:
        return SCENARIOS[name]
    known, broken = _installed()
    if name in known:
        return known[name]
    base = name.removesuffix(PERFECT_SUFFIX)
    if base in known and base != name:
        return known[base].with_perfect_probes()
    meant = name[:SHOWN].casefold()
    closest = difflib.get_close_matches(meant, known, n=3) or difflib.get_close_matches(
        meant, known, n=3, cutoff=FAR_FETCHED
    )
    near = f"; closest: {', '.join(closest)}" if closest else ""
    raise ConfigError(
        " ".join(
            [
                f"[sim] scenario: there is no scenario {name[:SHOWN]!r}{near}.",
                *broken,
                "`riselog demo --list` shows all.",
            ]
        )
    )


def _installed() -> tuple[dict[str, Scenario], list[str]]:
    """Own scenarios, then those of plug-ins (own names win); a sentence for each broken plug-in."""
    known, broken = dict(SCENARIOS), []
    for plugin in entry_points(group=ENTRY_POINTS):
        try:
            known = _loaded(plugin) | known
        except ConfigError as error:
            broken.append(str(error))
    return known, broken


def _loaded(plugin: EntryPoint) -> dict[str, Scenario]:
    try:
        found = plugin.load()
    except Exception as error:  # a plug-in may fail in any way
        raise ConfigError(f"The scenario plug-in {plugin.name!r} cannot be loaded: {error}.") from error
    if not isinstance(found, Mapping) or not all(isinstance(s, Scenario) for s in found.values()):
        raise ConfigError(f"The scenario plug-in {plugin.name!r} is not a mapping of names to scenarios.")
    return dict(found)
