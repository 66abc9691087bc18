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
