"""What is said of a unit by its kind: one table a subject, by the word of ``unit.kind``."""

from __future__ import annotations

_AIRFLOW_FIRST = "Suspect the airflow first and take the traverse again, then the supply probe's place"
TODAY = (
    "Give unit.output as the maker's table has it for today's outdoor and entering air, and say "
    'unit.output_at = "visit"'
)
"""What a verdict on a heat pump or a coil needs."""
_RATED = "Make sure that the maker's table was read for the outdoor and entering air of this visit"

ABOVE: dict[str, str] = {
    "gas": "Over-firing and carbon monoxide are possible: stop and call the licensed person.",
    "electric": f"An element gives more than its plate only at more than its voltage. {_AIRFLOW_FIRST}.",
    "heat-pump": f"{_RATED}, and that no auxiliary heat was on. {_AIRFLOW_FIRST}.",
    "cooling": f"{_RATED}. {_AIRFLOW_FIRST}, then both humidity probes.",
}
"""What an output above the plate asks for."""

BELOW: dict[str, str] = {
    "gas": "",
    "electric": "",
    "heat-pump": f" {_RATED}.",
    "cooling": f" {_RATED}.",
}
"""What to bear in mind of an output below the plate; it follows a sentence."""

ABOVE_SHORT: dict[str, str] = {
    "gas": "stop and call the licensed person, over-firing can make CO",
    "electric": "look at the airflow first",
    "heat-pump": "compare at the conditions of the visit, look at the airflow first",
    "cooling": "compare at the conditions of the visit, look at the airflow first",
}

STEADILY: dict[str, str] = {
    "gas": "firing steadily",
    "electric": "heating steadily",
    "heat-pump": "heating steadily",
    "cooling": "cooling steadily",
}
ENERGY: dict[str, str] = {
    "gas": "Heat of the firing",
    "electric": "Heat given",
    "heat-pump": "Heat given, defrosts taken off",
    "cooling": "Heat taken out",
}
CHANGE: dict[str, str] = {"gas": "rise", "electric": "rise", "heat-pump": "rise", "cooling": "drop"}
"""What the air's temperature does on its way through; a drop is told without its sign."""

STARTER: dict[str, str] = {"gas": "burner", "electric": "heat", "heat-pump": "heat", "cooling": "cooling"}
"""What comes on when a firing begins."""

BEYOND_FAN: dict[str, str] = {
    kind: f"Air moves, and its {CHANGE[kind]} is more than a fan makes: the {starter} is on, or was just now."
    for kind, starter in STARTER.items()
}
"""What is said in place of a fan phase."""

HEATER: dict[str, str] = {
    "gas": "heat exchanger",
    "electric": "elements",
    "heat-pump": "coil",
    "cooling": "coil",
}
"""What a badly placed supply probe sees."""

INLET: dict[str, str] = {
    "gas": "heating section",
    "electric": "heating section",
    "heat-pump": "coil",
    "cooling": "coil",
}
"""What entering air enters."""

_NO_INPUT = "the electric input was not measured"
NO_INPUT: dict[str, str] = {
    "gas": "the gas input was not measured",
    "electric": _NO_INPUT,
    "heat-pump": _NO_INPUT,
    "cooling": _NO_INPUT,
}
"""Why there is no efficiency by a measured input, where nothing was said of one."""

NO_TOTAL = (
    "the humidity of the entering and of the supply air was not known throughout, so there is sensible heat "
    "alone and no total; use probes with humidity on both sides"
)
_NEVER_UP = "No {} was seen: the rise never climbed off the fan phase."
NO_FIRING: dict[str, str] = {
    "gas": _NEVER_UP.format("firing"),
    "electric": _NEVER_UP.format("heating"),
    "heat-pump": _NEVER_UP.format("heating"),
    "cooling": "No cooling was seen: the supply air never fell off the fan phase.",
}
EVENT_WORDS: dict[str, dict[str, str]] = {
    "gas": {},
    "electric": {"firing": "heating", "firing-too-short": "heating-too-short"},
    "heat-pump": {
        "firing": "heating",
        "firing-too-short": "heating-too-short",
        "cool-down": "heat-falling",  # it may be a defrost
    },
    "cooling": {
        "firing": "cooling",
        "firing-too-short": "cooling-too-short",
        "warm-up": "settling",
        "cool-down": "ending",
    },
}
"""Where people read an event's or a phase's name: the documents keep the code, which is that of gas."""


def told_code(code: str, kind: object) -> str:
    """An event's or a phase's name as people read it.

    >>> told_code("firing", "cooling"), told_code("firing", "gas"), told_code("steady", "cooling")
    ('cooling', 'firing', 'steady')
    """
    return EVENT_WORDS[kind_of(kind)].get(code, code)


_HEATING = "Heat seen in the air, on since {at}."
SEEN: dict[str, str] = {
    "gas": "Firing seen in the air, begun at {at}.",
    "electric": _HEATING,
    "heat-pump": _HEATING,
    "cooling": "Cooling seen in the air, on since {at}.",
}
SEEN_ON = "Begun before it was seen; counted from {at}."
"""The same of one that was on already."""
SPELL: dict[str, str] = {"gas": "firing", "electric": "heating", "heat-pump": "heating", "cooling": "cooling"}
"""What one time of being on is called."""

PAUSES: dict[str, str] = {
    "defrost": "Defrost from {start} to {end}: the air got colder than the fan alone makes it, and the heat "
    "came back. It is no part of a steady stretch; the heating goes on.",
    "pause": "Pause from {start} to {end}: the heat broke down with the fan on and came back, and the air "
    "never got colder than the fan alone makes it: a thermostat, or a defrost under auxiliary heat, and the "
    "air does not show which. It is no part of a steady stretch; the heating goes on.",
    "part-heat": "Pause from {start} to {end}: the heat fell to a part of it and came back: a defrost under "
    "auxiliary heat, or a lower stage, auxiliary heat or the compressor off for a while, and the air does "
    "not show which. It is no part of a steady stretch; the heating goes on.",
}
"""A heat pump without its heat for a while, by the event's code; ``part-heat``: a pause not without any."""
PAUSES_MEAN = "a defrost under auxiliary heat, or heat off: left out of the steady stretch"

AUXILIARY = (
    "Auxiliary (strip) heat that is on counts as output of the unit, and nothing in the air tells it from "
    "the heat pump's: lock it out for the test, or write in visit.note what it gives."
)
"""What no probe in the air can know of a heat pump."""

AUXILIARY_TOO = {"heat-pump": ", or auxiliary (strip) heat came on or went off"}
_MAYBE_STAGES = "the unit may have stages"
OTHER_CAUSE: dict[str, str] = {
    "gas": _MAYBE_STAGES,
    "electric": _MAYBE_STAGES,
    "heat-pump": "auxiliary (strip) heat may have come on or gone off, in a defrost too (lock it out), or "
    + _MAYBE_STAGES,
    "cooling": _MAYBE_STAGES,
}
"""What two levels may be, besides a change of the airflow, where by its config there is one stage."""
FULL: dict[str, str] = {
    "gas": "full fire",
    "electric": "the full load",
    "heat-pump": "the full load",
    "cooling": "the full load",
}
"""What of the unit is held against its plate."""
_FULL = {kind: f"only {full} is compared with the plate" for kind, full in FULL.items()}
_HOLD = {kind: f"{text}, hold it for longer" for kind, text in _FULL.items()}
HIGHER: dict[str, str] = {
    "gas": _HOLD["gas"],
    "electric": _HOLD["electric"],
    "heat-pump": "auxiliary (strip) heat may have been on: lock it out; else hold the full load for longer",
    "cooling": _HOLD["cooling"],
}
"""What a higher level means that was there for a while and never steady."""
ANOTHER_HIGHER: dict[str, str] = {
    "gas": _FULL["gas"],
    "electric": _FULL["electric"],
    "heat-pump": "auxiliary (strip) heat may have been on then: lock it out",
    "cooling": _FULL["cooling"],
}
"""What one means that was steady at another time of the run."""

CYCLING: dict[str, str] = {
    "gas": "a limit may be tripping",
    "electric": "a limit may be tripping",
    "heat-pump": "a limit or a pressure switch may be tripping",
    "cooling": "a pressure switch or a frost control may be tripping",
}
"""What a unit may do whose heat breaks down again and again with the fan on."""
GO_ON: dict[str, str] = {"gas": "fire", "electric": "heat", "heat-pump": "heat", "cooling": "cool"}
BROKEN_DOWN: dict[str, str] = {
    "gas": "The rise breaks down: the burner seems to be off.",
    "electric": "The rise breaks down: the heat seems to be off.",
    "heat-pump": "The rise breaks down: the unit defrosts, or heat is off, in whole or in part.",
    "cooling": "The supply air warms up: the cooling seems to be off.",
}
TOO_MUCH: dict[str, str] = {
    "gas": "too much gas",
    "electric": "too many elements",
    "heat-pump": "too much heat",
}
TOO_LITTLE: dict[str, str] = {
    "gas": "too little gas",
    "electric": "an element out",
    "heat-pump": "too little heat",
}
"""What besides the airflow puts the rise out of its window."""

COLD_ENTERING: dict[str, str] = {
    "gas": "flue gas may condense in the heat exchanger; follow the maker's instructions, look at the "
    "outdoor-air damper.",
}
"""What too cold an entering air means; ``COLD_ELSE`` for the other kinds."""
COLD_ELSE = "follow the maker's instructions, look at the outdoor-air damper."


def kind_of(word: object) -> str:
    """The kind that a result names; one of an older version names none and was of gas.

    >>> kind_of(None), kind_of("cooling")
    ('gas', 'cooling')
    """
    return word if isinstance(word, str) and word in ABOVE else "gas"
