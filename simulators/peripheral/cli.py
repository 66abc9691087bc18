"""The options of ``riselog play`` as the command line has them; the body is imported late."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(rich_markup_mode=None, add_completion=False, pretty_exceptions_enable=False)


@app.command(short_help="Simulated probes, sent over Bluetooth.")
def play(
    scene: Annotated[
        str,
        typer.Argument(
            help="A scene file (.toml), a scenario, a CSV of readings, or a stored run.", show_default=False
        ),
    ],
    *,
    adapter: Annotated[
        list[str] | None, typer.Option(help="Bluetooth adapter, such as hci1; repeat it to deal probes out.")
    ] = None,
    for_: Annotated[str | None, typer.Option("--for", help="End after so long, in radio time.")] = None,
    output: Annotated[
        Path | None, typer.Option("--output", help="Write what was sent as a CSV of readings.")
    ] = None,
    units: Annotated[str, typer.Option(help="us or si: how values are shown.")] = "us",
    json: Annotated[
        bool, typer.Option("--json", help="One JSON document on stdout, messages on stderr.")
    ] = False,
) -> None:
    """Simulated or recorded probes as real Bluetooth LE peripherals, by BlueZ on Linux.

    To try a laptop, its radio and the way of working without a unit. All of it is a simulation.

    \b
    Examples:
      riselog play scene.toml
      riselog play standard --adapter hci1
      riselog play last --adapter hci1 --for 10min
      riselog play readings.csv --adapter hci1 --output sent.csv --json
    """  # noqa: D301 - \b keeps the examples' lines in --help
    from simulators.peripheral.command import PlayOptions, play_command  # noqa: PLC0415 - costs start-up time

    options = PlayOptions(adapters=tuple(adapter or ()), for_text=for_, output=output, units=units, json=json)
    raise typer.Exit(play_command(scene, options))
