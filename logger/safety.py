"""The cautions, in one place: README, `run`, `traverse`, help and report all show these."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Around a rooftop unit there are gas, flue gas, hot surfaces, belts, mains voltage and roof edges: "
    "each of them can kill.",
    "Measuring is for trained people. Opening, adjusting and judging gas equipment is for those licensed to "
    "do it, under the local codes and the maker's instructions; these win over anything shown here.",
    "Smell gas, or hear a CO alarm: leave at once, call for help from outside.",
    "The rise is above the nameplate window, the output above the plate, there is soot, flame outside its "
    "box, or a limit that keeps tripping: shut the unit down and call the licensed person.",
    "Before you drill, know what is behind the metal: refrigerant, wiring, gas. Never drill into the flue "
    "side. Lock the power out before you open the fan. Seal every hole you made.",
    "This tool only reads: it controls nothing and does not guard your safety.",
)
"""One caution each, most general first; plain sentences without markup."""

SHORT_CAUTION = (
    "Reads only, controls nothing. Smell gas or hear a CO alarm: leave, call from outside.\n"
    "Licensed practice, local codes and the maker's instructions come before anything shown here."
)
"""Two lines for the top of a run."""

_ELSE: dict[str, tuple[str, ...]] = {
    "electric": (
        "Around a rooftop unit there are hot elements and surfaces, belts, mains voltage and roof edges, and "
        "gas where it is piped: each of them can kill.",
        "Measuring is for trained people. Opening, adjusting and judging electric heat is for those licensed "
        "to do it, under the local codes and the maker's instructions; these win over anything shown here.",
        "Smell something burning or gas: leave at once, call for help from outside.",
        "The rise is above the nameplate window, a breaker or a limit keeps tripping, or the airflow is "
        "gone: shut the unit down and call the licensed person.",
    ),
    "heat-pump": (
        "Around a rooftop unit there are refrigerant under pressure, hot and turning parts, belts, mains "
        "voltage and roof edges, and gas where it is piped: each of them can kill.",
        "Measuring is for trained people. Opening, adjusting and judging refrigerant circuits is for those "
        "licensed to do it, under the local codes and the maker's instructions; these win over anything "
        "shown here.",
        "Smell something burning or gas: leave at once, call for help from outside.",
        "A breaker or a pressure switch keeps tripping, or ice stays on a coil: shut the unit down and call "
        "the licensed person.",
    ),
}
_ELSE["cooling"] = _ELSE["heat-pump"]
_DRILL = (
    "Before you drill, know what is behind the metal: refrigerant, wiring, gas. Lock the power out before "
    "you open the fan. Seal every hole you made.",
)
_SHORT_ELSE = (
    "Reads only, controls nothing. Smell something burning or gas: leave, call from outside.\n"
    "Licensed practice, local codes and the maker's instructions come before anything shown here."
)


def cautions_of(kind: str) -> tuple[str, ...]:
    """The cautions for a unit of that kind; those of gas, the most, where it is not known."""
    own = _ELSE.get(kind)
    return CAUTIONS if own is None else (*own, *_DRILL, CAUTIONS[-1])


def short_caution_of(kind: str) -> str:
    """Two lines for the top of a run."""
    return _SHORT_ELSE if kind in _ELSE else SHORT_CAUTION
