"""Options with units as text -> values in SI; a fault names the option."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from logger.airflow.lengths import FT_M
from logger.config.fields import ALTITUDE
from logger.config.quantities import Dimension, QuantityError, Units, parse, show
from logger.core.air import standard_pressure_pa
from logger.core.airflow import INDOOR_C, AirState, FlowCheck, plane_humidity
from logger.core.errors import UsageError
from logger.core.texts import temperature_text
from logger.core.traverse import Assumed, Duct, DuctShape, MeasuredPlane, Method, PressureFrom
from logger.core.traverse_plan import Plan, free_duct, make_plan
from logger.traverse.model import SIDE_M

Word = TypeVar("Word", bound=StrEnum)

_BY = re.compile(r"\s*[x×]\s*")
_BARE, _UNIT = re.compile(r"[0-9]+(?:\.[0-9]+)?"), re.compile(r"\s*[^0-9.\s].*$")
_GRID = re.compile(r"\s*(\d{1,2})\s*[x×]\s*(\d{1,2})\s*")
SITE_PA = (45_000.0, 115_000.0)  # Pa, assumed: no site lies outside
_SITE_PA = " to ".join(
    f"{show(pa, Dimension.PRESSURE, 'si')} ({show(pa, Dimension.PRESSURE, 'us')})" for pa in SITE_PA
)
LINER_MOST_M, TIP_MOST_M = 0.3, 2.0  # m, assumed: beyond it a unit was confused


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOptions:
    """The options of ``riselog traverse plan``, as typed."""

    duct: str | None
    round_: str | None
    liner: str | None
    method: str | None
    points: str | None
    holes_on: str | None  # long where it is left out
    tip_offset: str | None
    plane: str
    units: str | None


def amount(option: str, text: str, dimension: Dimension) -> float:
    """SI value of an option. Raises UsageError."""
    try:
        return parse(text, dimension)
    except QuantityError as error:
        raise UsageError(f"{option}: {error}") from error


def positive(option: str, text: str, dimension: Dimension) -> float:
    """The same, above zero. Raises UsageError."""
    value = amount(option, text, dimension)
    if value <= 0.0:
        raise UsageError(f"{option} '{text}': give a value above 0")
    return value


def word(option: str, text: str, kind: type[Word]) -> Word:
    """One of some words. Raises UsageError."""
    try:
        return kind(text)
    except ValueError as error:
        raise UsageError(f"{option} '{text}': write {' or '.join(kind)}") from error


def units_of(units: str | None, *texts: str | None) -> Units:
    """How values are shown: as asked, else as the lengths were typed. Raises UsageError."""
    if units is not None:
        if units not in ("us", "si"):
            raise UsageError(f"--units '{units}': write us or si")
        return "si" if units == "si" else "us"
    return "si" if any(re.search(r"\dm|\d\s*(c?m|mm)\b", text) for text in texts if text) else "us"


def outside_duct(options: PlanOptions) -> Duct:
    """The duct as measured on its outside. Raises UsageError."""
    if options.duct is not None and options.round_ is not None:
        raise UsageError("--duct and --round were both given: leave one out")
    if options.round_ is not None:
        return Duct(shape=DuctShape.ROUND, diameter_m=_side("--round", options.round_))
    if options.duct is None:
        raise UsageError('no duct: give --duct "20 in x 14 in" (width x height) or --round "16 in"')
    sides = _BY.split(options.duct.strip())
    if len(sides) != 2:  # noqa: PLR2004 - width and height
        raise UsageError(f"--duct '{options.duct}': write width x height, each with its unit: 20 in x 14 in")
    if _BARE.fullmatch(sides[0]) and (unit := _UNIT.search(sides[1])):
        sides[0] += unit[0]  # "14 x 20 in": the unit is said once
    width_m, height_m = (_side("--duct", side) for side in sides)
    return Duct(shape=DuctShape.RECTANGULAR, width_m=width_m, height_m=height_m)


def _side(option: str, text: str) -> float:
    side_m = amount(option, text, Dimension.LENGTH)
    low_m, high_m = SIDE_M
    if not low_m <= side_m <= high_m:
        raise UsageError(f"{option} '{text}': no side of a duct is that long or short; check number and unit")
    return side_m


def plan_of(options: PlanOptions) -> Plan:
    """The plan asked for. Raises UsageError."""
    on_long = holes_on_long(options.holes_on)
    duct = outside_duct(options)
    check_holes(duct, on_long)
    liner_m = _small("--liner", options.liner, LINER_MOST_M)
    return make_plan(
        free_duct(duct, liner_m),
        method=None if options.method is None else word("--method", options.method, Method),
        grid=grid(options.points),
        plane=word("--plane", options.plane, MeasuredPlane),
        holes_on_long=on_long is not False,
        liner_m=liner_m,
        tip_offset_m=_small("--tip-offset", options.tip_offset, TIP_MOST_M),
    )


def holes_on_long(text: str | None) -> bool | None:
    """Which side has the holes, or None where it was left out. Raises UsageError."""
    if text not in (None, "long", "short"):
        raise UsageError(f"--holes-on '{text}': write long or short")
    return None if text is None else text == "long"


def check_holes(duct: Duct, on_long: bool | None) -> None:  # noqa: FBT001 - None is a third state
    """A round duct has no long and no short side. Raises UsageError."""
    if duct.shape is DuctShape.ROUND and on_long is not None:
        raise UsageError(
            "--holes-on goes with a rectangular duct; leave it out: a round one has a hole a diameter"
        )


def _small(option: str, text: str | None, most_m: float) -> float:
    if text is None:
        return 0.0
    value_m = amount(option, text, Dimension.LENGTH)
    if not 0.0 <= value_m <= most_m:
        raise UsageError(
            f"{option} '{text}': give 0 to {most_m:g} m ({most_m / FT_M:.1f} ft); check number and unit"
        )
    return value_m


def grid(text: str | None) -> tuple[int, int] | None:
    """Points across x down, or points a diameter x diameters. Raises UsageError."""
    if text is None:
        return None
    found = _GRID.fullmatch(text)
    if found is None:
        raise UsageError(
            f"--points '{text}': write two numbers, such as 5x5 (round: 10x2, points a diameter x diameters)"
        )
    return int(found[1]), int(found[2])


def pressure_pa(altitude: str | None, pressure: str | None) -> float:
    """Pressure at the site; the standard atmosphere at sea level where nothing is given."""
    if altitude is not None and pressure is not None:
        raise UsageError("--altitude and --pressure were both given: leave one out")
    if pressure is not None:
        value_pa = amount("--pressure", pressure, Dimension.PRESSURE)
        low_pa, high_pa = SITE_PA
        if not low_pa <= value_pa <= high_pa:
            raise UsageError(f"--pressure '{pressure}': give the site's own, from {_SITE_PA}")
        return value_pa
    if altitude is None:
        return standard_pressure_pa(0.0)
    try:
        return standard_pressure_pa(ALTITUDE(altitude))
    except QuantityError as error:
        raise UsageError(f"--altitude: {error}") from error


@dataclass(frozen=True, slots=True, kw_only=True)
class AirOptions:
    """The air of a place, as typed; None: not given."""

    temperature: str | None
    humidity: str | None
    altitude: str | None
    pressure: str | None

    @property
    def pressure_from(self) -> PressureFrom:
        """How its pressure was had, where anything was given."""
        return PressureFrom.ALTITUDE if self.pressure is None else PressureFrom.TYPED

    @property
    def assumed(self) -> tuple[Assumed, ...]:
        """What of it nobody gave."""
        given = {
            Assumed.TEMPERATURE: self.temperature,
            Assumed.HUMIDITY: self.humidity,
            Assumed.PRESSURE: self.altitude or self.pressure,
        }
        return tuple(what for what, text in given.items() if text is None)


def state_of(option: str, air: AirOptions) -> AirState:
    """The air at a place; ``option`` is the temperature's. Raises UsageError."""
    site_pa = pressure_pa(air.altitude, air.pressure)
    temp_c = INDOOR_C
    if air.temperature is not None:
        temp_c = amount(option, air.temperature, Dimension.TEMPERATURE)
    low_c, high_c = -60.0, 90.0  # degC, assumed: the air of a duct
    if not low_c <= temp_c <= high_c:
        raise UsageError(
            f"{option} '{air.temperature}': give a temperature from {temperature_text(low_c)} to "
            f"{temperature_text(high_c)}"
        )
    if air.humidity is None:
        return AirState.of(temp_c, plane_humidity(temp_c, site_pa), site_pa, air.pressure_from)
    share = amount("--humidity", air.humidity, Dimension.FRACTION)
    if not 0.0 <= share <= 1.0:
        raise UsageError(f"--humidity '{air.humidity}': give one from 0 % to 100 %")
    return AirState.of(temp_c, share, site_pa, air.pressure_from)


def check_air(assumed: Collection[Assumed], state: AirState) -> FlowCheck:
    """Whether somebody gave the state of the air."""
    if not assumed:
        return FlowCheck(code="air", ok=True, text="The state of the air was given.")
    values = {
        Assumed.TEMPERATURE: temperature_text(state.temperature_c),
        Assumed.HUMIDITY: f"{state.humidity:.0%}",
        Assumed.PRESSURE: "sea level; --altitude or --pressure says it",
    }
    said = ", ".join(f"{what} ({values[what]})" for what in assumed)
    text = f"Of the air nobody gave this, and it is assumed, at a wider uncertainty: {said}."
    return FlowCheck(code="air", ok=False, text=text)
