"""The options of ``riselog scan`` as the command line has them; the body is imported late."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def scan(
    config: Annotated[
        Path | None, typer.Argument(help="A config: its probes are marked, and read by their maps.")
    ] = None,
    *,
    for_: Annotated[str, typer.Option("--for", help="How long to listen.")] = "10s",
    readable: Annotated[
        bool, typer.Option("--readable", help="Only devices that a driver can read.")
    ] = False,
    adapter: Annotated[
        str | None, typer.Option(help="Which Bluetooth adapter, on Linux (hci1); else the first that is on.")
    ] = None,
    connect: Annotated[
        bool, typer.Option("--connect/--no-connect", help="Connect to probes that are read that way.")
    ] = True,
    drivers: Annotated[bool, typer.Option("--drivers", help="List the installed drivers instead.")] = False,
    write: Annotated[
        Path | None, typer.Option("--write", help="Add a device as a probe to this config.")
    ] = None,
    probe: Annotated[str | None, typer.Option(help="With --write: the probe's name.")] = None,
    role: Annotated[str | None, typer.Option(help="With --write: return, supply, ...")] = None,
    address: Annotated[str | None, typer.Option(help="With --write: which device.")] = None,
    driver: Annotated[
        str | None, typer.Option(help="With --write: which driver, where none has read the device.")
    ] = None,
    force: Annotated[
        bool,
        typer.Option(
            "--force",
            help="With --write: a device not heard or not read too, and a config that is read-only.",
        ),
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="With --write: do not ask.")] = False,
    units: Annotated[str, typer.Option(help="us or si: how values are shown.")] = "us",
    json: Annotated[
        bool, typer.Option("--json", help="One JSON document on stdout, messages on stderr.")
    ] = False,
) -> None:
    """Bluetooth devices in reach: signal, which driver can read them, what they say now.

    \b
    Examples:
      riselog scan
      riselog scan --for 30s --readable --json
      riselog scan hall-north.toml --no-connect
      riselog scan --drivers
      riselog scan --write hall-north.toml --probe sup --role supply
    """  # noqa: D301 - \b keeps the examples' lines in --help
    from logger.scan.command import ScanOptions, drivers_command, scan_command  # noqa: PLC0415 - start-up time

    if drivers:
        raise typer.Exit(drivers_command(json=json))
    options = ScanOptions(
        for_text=for_,
        readable_only=readable,
        adapter=adapter,
        connect=connect,
        known=config,
        config=write,
        probe=probe,
        role=role,
        address=address,
        driver=driver,
        force=force,
        yes=yes,
        units=units,
        json=json,
    )
    raise typer.Exit(scan_command(options))
