"""The options of ``riselog traverse``'s commands as the command line has them; bodies come late."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

_Units = Annotated[
    str | None,
    typer.Option(help="us or si: how values are shown; left out: as the lengths were typed, else us."),
]
_Json = Annotated[bool, typer.Option("--json", help="One JSON document on stdout, messages on stderr.")]
_File = Annotated[Path, typer.Argument(metavar="FILE", help="The traverse file (JSON).", show_default=False)]
_Humidity = Annotated[
    str | None, typer.Option(help="Its relative humidity; left out: 50 %, heated air the moisture of a room.")
]
_Altitude = Annotated[str | None, typer.Option(help="Height of the site; left out: sea level, and told.")]
_Pressure = Annotated[str | None, typer.Option(help="Air pressure at the site, in place of its height.")]


def plan(
    *,
    duct: Annotated[str | None, typer.Option(help="Width x height of the duct, outside.")] = None,
    round_: Annotated[str | None, typer.Option("--round", help="Diameter of a round duct, outside.")] = None,
    liner: Annotated[str | None, typer.Option(help="Thickness of a liner on each side.")] = None,
    method: Annotated[
        str | None,
        typer.Option(help="log-tchebycheff (rectangular), log-linear (round) or equal-area (filter face)."),
    ] = None,
    points: Annotated[
        str | None, typer.Option(help="5x5: across x down; round: points a diameter x diameters.")
    ] = None,
    holes_on: Annotated[
        str | None, typer.Option(help="Side with the holes: long (where left out) or short.")
    ] = None,
    tip_offset: Annotated[str | None, typer.Option(help="From the probe's sensor to its tip.")] = None,
    plane: Annotated[str, typer.Option(help="duct or filter-face.")] = "duct",
    units: _Units = None,
    json: _Json = False,
) -> None:
    """Where to measure: holes, marks on the probe, a drawing with the points in walking order.

    \b
    Examples:
      riselog traverse plan --duct "20 in x 14 in"
      riselog traverse plan --duct "20 in x 14 in" --liner "1 in" --holes-on short
      riselog traverse plan --round "400 mm" --tip-offset "10 mm"
      riselog traverse plan --duct "20 in x 14 in" --points 3x3 --method equal-area
      riselog traverse plan --duct "60 in x 20 in" --plane filter-face --json
    """  # noqa: D301 - \b keeps the examples' lines in --help
    from logger.airflow.commands import plan_command  # noqa: PLC0415 - costs start-up time
    from logger.airflow.options import PlanOptions  # noqa: PLC0415

    options = PlanOptions(
        duct=duct,
        round_=round_,
        liner=liner,
        method=method,
        points=points,
        holes_on=holes_on,
        tip_offset=tip_offset,
        plane=plane,
        units=units,
    )
    raise typer.Exit(plan_command(options, json=json))


def compute(
    file: _File,
    *,
    return_: Annotated[
        str | None, typer.Option("--return", help="With a temperature traverse: the return air.")
    ] = None,
    reading: Annotated[
        str | None, typer.Option(help="With one too: what the probe that stays in the supply air read.")
    ] = None,
    same_probe: Annotated[
        bool, typer.Option("--same-probe", help="That reading is of the traverse's own probe.")
    ] = False,
    units: _Units = None,
    json: _Json = False,
) -> None:
    """The airflow of a traverse file with its uncertainty, or the mixed temperature of the stream.

    \b
    Examples:
      riselog traverse compute traverse.json
      riselog traverse compute traverse.json --units si --json
      riselog traverse compute mixed.json --return "70 °F" --reading "119.3 °F"
    """  # noqa: D301
    from logger.airflow.commands import SpotOptions, compute_command  # noqa: PLC0415 - costs start-up time

    options = SpotOptions(return_=return_, reading=reading, same_probe=same_probe)
    raise typer.Exit(compute_command(file, options, units=units, json=json))


def factor(
    file: _File,
    *,
    fixed: Annotated[
        list[str] | None,
        typer.Option(help="Reading of the probe that stays, during the traverse; may be given again."),
    ] = None,
    same_probe: Annotated[
        bool, typer.Option("--same-probe", help="The traverse's own probe gave the --fixed readings.")
    ] = False,
    basis: Annotated[
        str | None,
        typer.Option(help="Of the --fixed readings: standard or actual; left out: the traverse's."),
    ] = None,
    units: _Units = None,
    json: _Json = False,
) -> None:
    """The factor of a velocity probe that stays in the duct: mean velocity over its own.

    Without --fixed the first point and its repeat stand in: a corner, and a poor place.

    \b
    Examples:
      riselog traverse factor traverse.json --fixed "812 fpm" --fixed "806 fpm" --fixed "815 fpm"
      riselog traverse factor traverse.json --fixed "4.1 m/s" --same-probe --units si
      riselog traverse factor traverse.json --json
    """  # noqa: D301
    from logger.airflow.commands import FactorOptions, factor_command  # noqa: PLC0415 - costs start-up time

    options = FactorOptions(fixed=tuple(fixed or ()), same_probe=same_probe, basis=basis)
    raise typer.Exit(factor_command(file, options, units=units, json=json))


def fan_curve(
    *,
    curve: Annotated[Path, typer.Option(help="File of the fan's curve (riselog.fan-curve/1).")],
    rpm: Annotated[float, typer.Option(help="Speed of the fan, turns a minute.")],
    static: Annotated[str, typer.Option(help="Static pressure that the fan makes.")],
    density: Annotated[
        str | None, typer.Option(help="Density at the fan, in place of the site's height or pressure.")
    ] = None,
    temperature: Annotated[
        str | None, typer.Option(help="Temperature of the air at the fan; left out: 20 °C.")
    ] = None,
    humidity: _Humidity = None,
    altitude: _Altitude = None,
    pressure: _Pressure = None,
    units: _Units = None,
    json: _Json = False,
) -> None:
    """Airflow from the fan's curve, its speed and its static pressure, where no traverse can be had.

    \b
    Examples:
      riselog traverse fan-curve --curve fan.json --rpm 890 --static "0.9 in.wg" --temperature "70 °F"
      riselog traverse fan-curve --curve fan.json --rpm 890 --static "224 Pa" --density "1.15 kg/m3" --json
    """  # noqa: D301
    from logger.airflow.commands import fan_curve_command  # noqa: PLC0415 - costs start-up time
    from logger.airflow.options import AirOptions  # noqa: PLC0415

    air = AirOptions(temperature=temperature, humidity=humidity, altitude=altitude, pressure=pressure)
    code = fan_curve_command(curve, rpm=rpm, static=static, density=density, air=air, units=units, json=json)
    raise typer.Exit(code)


def electric(
    *,
    power: Annotated[str, typer.Option(help="All electric power that becomes heat between the probes.")],
    return_: Annotated[str, typer.Option("--return", help="Air temperature before the heater.")],
    supply: Annotated[str, typer.Option(help="Air temperature behind it.")],
    loss: Annotated[str, typer.Option(help="Heat lost through the casing.")] = "0 W",
    humidity: _Humidity = None,
    altitude: _Altitude = None,
    pressure: _Pressure = None,
    power_u95: Annotated[str, typer.Option("--power-u95", help="How well the power is known.")] = "2 %",
    rise_u95: Annotated[str, typer.Option("--rise-u95", help="How well the rise is known.")] = "0.7 K",
    units: _Units = None,
    json: _Json = False,
) -> None:
    """Airflow from electric heat of known power and the rise it makes, where no traverse can be had.

    \b
    Examples:
      riselog traverse electric --power "15 kW" --return "70 °F" --supply "96 °F" --altitude "700 ft"
      riselog traverse electric --power "15 kW" --loss "300 W" --return 21C --supply 36C --units si --json
    """  # noqa: D301
    from logger.airflow.commands import electric_command  # noqa: PLC0415 - costs start-up time
    from logger.airflow.options import AirOptions  # noqa: PLC0415

    air = AirOptions(temperature=return_, humidity=humidity, altitude=altitude, pressure=pressure)
    code = electric_command(
        power=power,
        loss=loss,
        air=air,
        supply=supply,
        power_u95=power_u95,
        rise_u95=rise_u95,
        units=units,
        json=json,
    )
    raise typer.Exit(code)
