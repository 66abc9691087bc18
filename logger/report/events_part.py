"""The run's events: those that warn, those to look at, and the course of the run."""

from __future__ import annotations

from dataclasses import dataclass

from logger.core.kind_words import kind_of, told_code
from logger.core.reasons import ALARMS
from logger.report.values import Numbers, as_number, items, words
from logger.screen.format import clock

WARNINGS = ALARMS | {"limit-cycling"}
"""Events that are told beside the answer: the unit is not to be fired on before their cause is known."""

COURSE = frozenset(
    {"off", "fan", "firing", "warm-up", "steady", "steady-end", "cool-down", "fan-heat-measured"}
)
"""Events that tell the course of a sound run; every other one is something to look at."""

ELSEWHERE = frozenset({"airflow-source", "probe-device"})
"""Events told in a section of their own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One event, or several that say the same; ``times`` are those of all."""

    times: str
    code: str
    probe: str
    text: str


def told(numbers: Numbers, *, course: bool) -> tuple[Told, ...]:
    """The events that tell the course of the run, in order, or those to look at, the same text once."""
    times: dict[tuple[str, str, str, int], list[str]] = {}
    for place, event in enumerate(items(numbers.raw("events"))):
        code, probe, text = (words(event.get(key)) for key in ("code", "probe", "text"))
        if code not in ELSEWHERE and (code in COURSE) is course:
            one = (code, probe, text, place if course else 0)
            times.setdefault(one, []).append(clock(as_number(event.get("t_s"))))
    kind = kind_of(numbers.raw("nameplate.kind"))
    return tuple(
        Told(times=", ".join(when), code=told_code(code, kind), probe=probe, text=text)
        for (code, probe, text, _), when in times.items()
    )


def warnings(numbers: Numbers) -> tuple[str, ...]:
    """The first text of every warning."""
    first: dict[str, str] = {}
    for event in items(numbers.raw("events")):
        code = words(event.get("code"))
        if code in WARNINGS:
            first.setdefault(code, words(event.get("text")))
    return tuple(first.values())
