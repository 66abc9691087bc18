"""The options of ``traverse take`` as text, and the values they stand for; faults name the option."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TypeVar

from logger.airflow import options as texts
from logger.airflow.lengths import mark
from logger.config.quantities import Dimension
from logger.core.errors import UsageError
from logger.core.traverse import DuctShape, MeasuredPlane
from logger.core.traverse_plan import Plan
from logger.traverse.model import key_fault

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
    burner: str | None = None
    straight: str | None = None
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


NUMBERS: dict[str, tuple[Dimension, str, float]] = {
    "temperature": (Dimension.TEMPERATURE, "temperature_c", 1.0),
    "humidity": (Dimension.FRACTION, "humidity_pct", 100.0),
    "reference_density": (Dimension.DENSITY, "reference_density_kg_m3", 1.0),
    "velocity_u95": (Dimension.FRACTION, "velocity_u95_percent", 100.0),
    "area_u95": (Dimension.FRACTION, "area_u95_percent", 100.0),
}
"""Options that are numbers -> what they measure, their key of the file, and times SI there."""


def number(options: TakeOptions, field: str) -> float | None:
    """SI value of an option, one that the file can have; None where it was left out. Raises UsageError."""
    text: str | None = getattr(options, field)
    if text is None:
        return None
    dimension, key, times = NUMBERS[field]
    value = texts.amount(option_name(field), text, dimension)
    _check_key(f"{option_name(field)} '{text}'", key, value * times)
    return value


def _check_key(option: str, key: str, value: float) -> None:
    if (fault := key_fault(key, value)) is not None:
        raise UsageError(f"{option}: {key} {fault}")


def show_length(length_m: float) -> str:
    """A length in both units.

    >>> show_length(0.3556)
    '356 mm (14 in)'
    """
    return f"{mark(length_m, 'si')} mm ({mark(length_m, 'us')} in)"


def word(option: str, text: str | None, kind: type[Word]) -> Word | None:
    """One of some words, or None where it was left out. Raises UsageError."""
    return None if text is None else texts.word(option, text, kind)


def asked_plan(options: TakeOptions) -> Plan:
    """The plan that the options ask for, read as ``traverse plan`` reads them. Raises UsageError."""
    return texts.plan_of(
        texts.PlanOptions(
            duct=options.duct,
            round_=options.round_,
            liner=options.liner,
            method=options.method,
            points=options.points,
            holes_on=options.holes_on,
            tip_offset=options.tip_offset,
            plane=options.plane or MeasuredPlane.DUCT.value,
            units=options.units,
        )
    )


def pressure_pa(options: TakeOptions) -> float | None:
    """Pressure at the site, where it is given. Raises UsageError."""
    if options.altitude is None and options.pressure is None:
        return None
    value_pa = texts.pressure_pa(options.altitude, options.pressure)
    option = "altitude" if options.pressure is None else "pressure"
    _check_key(f"--{option} '{getattr(options, option)}'", "pressure_pa", value_pa)
    return value_pa


def straight_diameters(options: TakeOptions, plan: Plan) -> float | None:
    """Straight duct before the plane in hydraulic diameters, where it is given. Raises UsageError."""
    if options.straight is None:
        return None
    if plan.plane is MeasuredPlane.FILTER_FACE:
        raise UsageError("--straight goes with a plane in a duct; leave it out at a filter face")
    length_m = texts.amount("--straight", options.straight, Dimension.LENGTH)
    diameters = length_m / plan.duct.hydraulic_diameter_m
    _check_key(f"--straight '{options.straight}'", "upstream_diameters", diameters)
    return diameters


def check_reach(options: TakeOptions, plan: Plan) -> None:
    """Options that cannot go with this duct. Raises UsageError."""
    texts.check_holes(plan.duct, texts.holes_on_long(options.holes_on))
    if plan.duct.shape is DuctShape.ROUND:
        inside_m, way = plan.duct.diameter_m, "wide"
    else:
        inside_m, way = (plan.duct.height_m if plan.along_height else plan.duct.width_m), "deep"
    if plan.tip_offset_m >= inside_m:
        tip, inside = (show_length(value_m) for value_m in (plan.tip_offset_m, inside_m))
        raise UsageError(
            f"--tip-offset is {tip} and the duct is only {inside} {way} where the probe goes in: check it"
        )
