"""``riselog output``: texts with units in, one answer out."""

from __future__ import annotations

from dataclasses import dataclass

from logger.config.fields import ALTITUDE
from logger.config.quantities import SHORTCUT, Dimension, QuantityError, Units, parse_any, show
from logger.core import air
from logger.core.errors import UsageError
from logger.core.params import Plane
from logger.documents import print_json, print_lines
from logger.quick import QuickOutput, quick_output


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedValues:
    """The options of ``riselog output``, as typed."""

    airflow: str
    at: str
    return_: str
    supply: str
    humidity: str
    altitude: str | None
    pressure: str | None
    fan_heat: str
    casing_loss: str


def compute(values: TypedValues) -> QuickOutput:
    """The document ``riselog.output/1``.

    Raises
    ------
    UsageError
        A text that cannot be read, or values that cannot be; the option is named.
    """
    kind, flow = _any("--airflow", values.airflow, Dimension.VOLUME_FLOW, Dimension.MASS_FLOW)
    volume = kind is Dimension.VOLUME_FLOW
    if values.at not in tuple(Plane):
        raise UsageError(f"--at '{values.at}': write return or supply")
    return quick_output(
        airflow_m3_s=flow if volume else None,
        dry_air_kg_s=None if volume else flow,
        at=Plane(values.at),
        return_c=_si("--return", values.return_, Dimension.TEMPERATURE),
        supply_c=_si("--supply", values.supply, Dimension.TEMPERATURE),
        humidity=_si("--humidity", values.humidity, Dimension.FRACTION),
        pressure_pa=_pressure_pa(values),
        fan_heat_w=_si("--fan-heat", values.fan_heat, Dimension.POWER),
        casing_loss_w=_si("--casing-loss", values.casing_loss, Dimension.POWER),
    )


def _any(option: str, text: str, *dimensions: Dimension) -> tuple[Dimension, float]:
    try:
        return parse_any(text, *dimensions)
    except QuantityError as error:
        raise UsageError(f"{option}: {error}") from error


def _si(option: str, text: str, dimension: Dimension) -> float:
    return _any(option, text, dimension)[1]


def _pressure_pa(values: TypedValues) -> float:
    if values.altitude is not None and values.pressure is not None:
        raise UsageError("--altitude and --pressure were both given: leave one out")
    if values.pressure is not None:
        return _si("--pressure", values.pressure, Dimension.PRESSURE)
    if values.altitude is None:
        return air.standard_pressure_pa(0.0)
    try:
        return air.standard_pressure_pa(ALTITUDE(values.altitude))
    except QuantityError as error:
        raise UsageError(f"--altitude: {error}") from error


def lines(document: QuickOutput, units: Units) -> list[str]:
    """The answer for people, output first."""
    power, flow = Dimension.POWER, Dimension.VOLUME_FLOW
    error = document["shortcut_w"] / document["air_heat_w"] - 1.0 if document["air_heat_w"] else 0.0
    return [
        f"output       {show(document['output_w'], power, units)}",
        f"air heat     {show(document['air_heat_w'], power, units)}",
        f"rise         {show(document['rise_k'], Dimension.DIFFERENCE, units)}",
        f"airflow      {show(document['airflow_m3_s'], flow, units)} at the return, "
        f"{show(document['dry_air_kg_s'], Dimension.MASS_FLOW, units)} of dry air",
        f"pressure     {show(document['pressure_pa'], Dimension.PRESSURE, units)}",
        f"shortcut     {show(document['shortcut_w'], power, units)} by {SHORTCUT[units]} x rise: "
        f"{error:+.1%} against the air heat here",
    ]


def output_command(values: TypedValues, *, units: str, json: bool) -> int:
    """Body of ``riselog output``; the exit code."""
    if units not in ("us", "si"):
        raise UsageError(f"--units '{units}': write us or si")
    document = compute(values)
    if json:
        print_json(document)
    else:
        print_lines(lines(document, "si" if units == "si" else "us"))
    return 0
