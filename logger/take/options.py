"""The options of ``traverse take`` as text, and the values they stand for; faults name the option."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TypeVar

from logger.airflow import options as texts
from logger.config.quantities import Dimension
from logger.core.errors import UsageError
from logger.core.traverse import MeasuredPlane
from logger.core.traverse_plan import Plan

Word = TypeVar("Word", bound=StrEnum)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeOptions:
    """As typed; None where an option was left out."""

    config: Path | None = None
    probe: str | None = None
    duct: str | None = None
    round_: str | None = None
    liner: str | None = None
    method: str | None = None
    points: str | None = None
    holes_on: str | None = None
    tip_offset: str | None = None
    plane: str | None = None
    plan: Path | None = None
    output: Path | None = None
    resume: Path | None = None
    quantity: str | None = None
    velocity: Path | None = None
    at: str | None = None
    temperature: str | None = None
    humidity: str | None = None
    altitude: str | None = None
    pressure: str | None = None
    basis: str | None = None
    reference_density: str | None = None
    velocity_u95: str | None = None
    area_u95: str | None = None
    units: str | None = None
    json: bool = False


GEOMETRY = ("duct", "round_", "liner", "tip_offset", "method", "points", "plane", "plan")
"""Options that say where the points are: a file that is gone on with has them."""


def option_name(field: str) -> str:
    """The option as it is typed.

    >>> option_name("round_"), option_name("holes_on")
    ('--round', '--holes-on')
    """
    return "--" + field.strip("_").replace("_", "-")


def amount(option: str, text: str | None, dimension: Dimension) -> float | None:
    """SI value of an option, or None where it was left out. Raises UsageError."""
    return None if text is None else texts.amount(option, text, dimension)


def word(option: str, text: str | None, kind: type[Word]) -> Word | None:
    """One of some words, or None where it was left out. Raises UsageError."""
    return None if text is None else texts.word(option, text, kind)


def plan_of(options: TakeOptions) -> Plan:
    """The plan that the options ask for, read as ``traverse plan`` reads them. Raises UsageError."""
    return texts.plan_of(
        texts.PlanOptions(
            duct=options.duct,
            round_=options.round_,
            liner=options.liner,
            method=options.method,
            points=options.points,
            holes_on=options.holes_on or "long",
            tip_offset=options.tip_offset,
            plane=options.plane or MeasuredPlane.DUCT.value,
            units=options.units,
        )
    )


def holes_on_long(options: TakeOptions) -> bool | None:
    """Which side has the holes, or None where it was left out. Raises UsageError."""
    if options.holes_on not in (None, "long", "short"):
        raise UsageError(f"--holes-on '{options.holes_on}': write long or short")
    return None if options.holes_on is None else options.holes_on == "long"


def pressure_pa(options: TakeOptions) -> float | None:
    """Pressure at the site, where it is given. Raises UsageError."""
    if options.altitude is None and options.pressure is None:
        return None
    return texts.pressure_pa(options.altitude, options.pressure)
