"""The options of ``traverse take`` as text, and the values they stand for; faults name the option."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TypeVar

from logger.config.quantities import Dimension, QuantityError, parse
from logger.core import air
from logger.core.errors import UsageError
from logger.core.traverse import Duct, DuctShape, MeasuredPlane, Method
from logger.core.traverse_plan import Plan, free_duct, make_plan

Word = TypeVar("Word", bound=StrEnum)
_BY = re.compile(r"\s*[x×]\s*")
_GRID = re.compile(r"\s*(\d{1,2})\s*[x×]\s*(\d{1,2})\s*")


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


GEOMETRY = ("duct", "round_", "liner", "method", "points", "plane", "plan")
"""Options that say where the points are: a file that is gone on with has them."""


def option_name(field: str) -> str:
    """The option as it is typed.

    >>> option_name("round_"), option_name("holes_on")
    ('--round', '--holes-on')
    """
    return "--" + field.strip("_").replace("_", "-")


def amount(option: str, text: str | None, dimension: Dimension) -> float | None:
    """SI value of an option, or None where it was left out. Raises UsageError."""
    if text is None:
        return None
    try:
        return parse(text, dimension)
    except QuantityError as error:
        raise UsageError(f"{option}: {error}") from error


def word(option: str, text: str | None, kind: type[Word]) -> Word | None:
    """One of some words, or None where it was left out. Raises UsageError."""
    if text is None:
        return None
    try:
        return kind(text)
    except ValueError as error:
        raise UsageError(f"{option} '{text}': write {' or '.join(kind)}") from error


def outside_duct(options: TakeOptions) -> Duct:
    """The duct as measured on its outside. Raises UsageError."""
    if options.duct is not None and options.round_ is not None:
        raise UsageError("--duct and --round were both given: leave one out")
    if options.round_ is not None:
        diameter_m = amount("--round", options.round_, Dimension.LENGTH) or 0.0
        return _checked(Duct(shape=DuctShape.ROUND, diameter_m=diameter_m), "--round", diameter_m)
    if options.duct is None:
        raise UsageError('no duct: give --duct "20 in x 14 in" or --round "16 in", or a file with --plan')
    sides = _BY.split(options.duct)
    if len(sides) != 2:  # noqa: PLR2004 - width and height
        raise UsageError(f"--duct '{options.duct}': write width x height, each with its unit: 20 in x 14 in")
    width_m, height_m = (amount("--duct", side, Dimension.LENGTH) or 0.0 for side in sides)
    duct = Duct(shape=DuctShape.RECTANGULAR, width_m=width_m, height_m=height_m)
    return _checked(duct, "--duct", width_m, height_m)


def _checked(duct: Duct, option: str, *sides_m: float) -> Duct:
    low_m, high_m = 0.02, 20.0  # m, bounds of the traverse file
    for side_m in sides_m:
        if not low_m <= side_m <= high_m:
            raise UsageError(f"{option}: {side_m:g} m is no side of a duct; check number and unit")
    return duct


def plan_of(options: TakeOptions) -> Plan:
    """The plan that the options ask for. Raises UsageError."""
    liner_m = amount("--liner", options.liner, Dimension.LENGTH) or 0.0
    return make_plan(
        free_duct(outside_duct(options), liner_m),
        method=word("--method", options.method, Method),
        grid=grid(options.points),
        plane=word("--plane", options.plane, MeasuredPlane) or MeasuredPlane.DUCT,
        holes_on_long=holes_on_long(options),
        liner_m=liner_m,
        tip_offset_m=amount("--tip-offset", options.tip_offset, Dimension.LENGTH) or 0.0,
    )


def grid(text: str | None) -> tuple[int, int] | None:
    """Points across x down, or points a diameter x diameters. Raises UsageError."""
    if text is None:
        return None
    found = _GRID.fullmatch(text)
    if found is None:
        raise UsageError(
            f"--points '{text}': write two numbers, such as 5x5 (round: 10x2, a diameter x diameters)"
        )
    return int(found[1]), int(found[2])


def holes_on_long(options: TakeOptions) -> bool:
    """Which side has the holes. Raises UsageError."""
    if options.holes_on not in (None, "long", "short"):
        raise UsageError(f"--holes-on '{options.holes_on}': write long or short")
    return options.holes_on != "short"


def pressure_pa(options: TakeOptions) -> float | None:
    """Pressure at the site, where it is given. Raises UsageError."""
    if options.altitude is not None and options.pressure is not None:
        raise UsageError("--altitude and --pressure were both given: leave one out")
    given = amount("--pressure", options.pressure, Dimension.PRESSURE)
    if given is not None:
        return given
    altitude_m = amount("--altitude", options.altitude, Dimension.LENGTH)
    if altitude_m is None:
        return None
    low_m, high_m = -500.0, 6000.0  # m, assumed: no building stands beyond
    if not low_m <= altitude_m <= high_m:
        raise UsageError(f"--altitude is {altitude_m:g} m: give one from {low_m:g} m to {high_m:g} m")
    return air.standard_pressure_pa(altitude_m)
