"""The options of ``riselog traverse take`` as the command line has them; the body is imported late."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

_Text = str | None
_File = Path | None


def take(
    config: Annotated[
        _File, typer.Argument(help="Config whose velocity probe is read; else values are typed.")
    ] = None,
    *,
    probe: Annotated[
        _Text, typer.Option(help="Which probe of the config; without a config: driver:address, or sim.")
    ] = None,
    duct: Annotated[_Text, typer.Option(help="Width x height of the duct, outside.")] = None,
    round_: Annotated[_Text, typer.Option("--round", help="Diameter of a round duct, outside.")] = None,
    liner: Annotated[_Text, typer.Option(help="Thickness of a liner on each side.")] = None,
    method: Annotated[_Text, typer.Option(help="log-tchebycheff, log-linear or equal-area.")] = None,
    points: Annotated[_Text, typer.Option(help="5x5: across x down; round: a diameter x diameters.")] = None,
    holes_on: Annotated[_Text, typer.Option(help="Side with the holes: long or short.")] = None,
    tip_offset: Annotated[_Text, typer.Option(help="From the probe's sensor to its tip.")] = None,
    plane: Annotated[_Text, typer.Option(help="duct or filter-face.")] = None,
    plan: Annotated[_File, typer.Option(help="File that has the duct and its points.")] = None,
    output: Annotated[_File, typer.Option(help="File for the points (traverse.json).")] = None,
    resume: Annotated[_File, typer.Option(help="Go on with this file where it stopped.")] = None,
    quantity: Annotated[_Text, typer.Option(help="velocity, or temperature of the mixed supply.")] = None,
    velocity: Annotated[
        _File, typer.Option(help="Earlier velocity traverse, for the weights of a temperature traverse.")
    ] = None,
    at: Annotated[_Text, typer.Option(help="Where the plane is: return or supply.")] = None,
    burner: Annotated[_Text, typer.Option(help="Whether the unit heats meanwhile: on or off.")] = None,
    straight: Annotated[_Text, typer.Option(help="Length of straight duct before the plane.")] = None,
    temperature: Annotated[_Text, typer.Option(help="Temperature of the air in the plane.")] = None,
    humidity: Annotated[_Text, typer.Option(help="Its relative humidity.")] = None,
    altitude: Annotated[_Text, typer.Option(help="Height of the site.")] = None,
    pressure: Annotated[_Text, typer.Option(help="Air pressure at the site.")] = None,
    basis: Annotated[_Text, typer.Option(help="What the velocities are: standard or actual.")] = None,
    reference_density: Annotated[_Text, typer.Option(help="Of standard velocities.")] = None,
    velocity_u95: Annotated[_Text, typer.Option("--velocity-u95", help="Of the velocity probe.")] = None,
    area_u95: Annotated[_Text, typer.Option("--area-u95", help="Of the free area.")] = None,
    units: Annotated[_Text, typer.Option(help="us or si: how values are shown.")] = None,
    json: Annotated[
        bool, typer.Option("--json", help="One JSON document on stdout, messages on stderr.")
    ] = False,
) -> None:
    """Walk a traverse point by point: hold still, take the average, go on; saved after every point.

    \b
    Examples:
      riselog traverse take hall-north.toml --duct "20 in x 14 in" --straight "11 ft"
      riselog traverse take --round "16 in" --temperature "70 °F" --altitude "700 ft"
      riselog traverse take --duct "20 in x 14 in" --at supply --burner on --temperature "118 °F"
      riselog traverse take hall-north.toml --resume traverse.json
      riselog traverse take hall-north.toml --quantity temperature --velocity duct.json --output mixed.json
      riselog traverse take --duct "20 in x 14 in" --temperature "70 °F" < values.txt   # one a line
    """  # noqa: D301 - \b keeps the examples' lines in --help
    from logger.take.commands import take_command  # noqa: PLC0415 - costs start-up time
    from logger.take.options import TakeOptions  # noqa: PLC0415

    options = TakeOptions(
        config=config,
        probe=probe,
        duct=duct,
        round_=round_,
        liner=liner,
        method=method,
        points=points,
        holes_on=holes_on,
        tip_offset=tip_offset,
        plane=plane,
        plan=plan,
        output=output,
        resume=resume,
        quantity=quantity,
        velocity=velocity,
        at=at,
        burner=burner,
        straight=straight,
        temperature=temperature,
        humidity=humidity,
        altitude=altitude,
        pressure=pressure,
        basis=basis,
        reference_density=reference_density,
        velocity_u95=velocity_u95,
        area_u95=area_u95,
        units=units,
        json=json,
    )
    raise typer.Exit(take_command(options))
