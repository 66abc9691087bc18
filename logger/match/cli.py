"""The options of ``riselog match`` as the command line has them; the body is imported late."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def match(
    config: Annotated[Path, typer.Argument(help="The job's config file (TOML).", show_default=False)],
    *,
    for_: Annotated[str, typer.Option("--for", help="How long to collect once all have settled.")] = "3min",
    at: Annotated[
        str, typer.Option(help="return: offsets; supply: the gain, by a second match in warm supply air.")
    ] = "return",
    write: Annotated[bool, typer.Option("--write", help="Write into the config without asking.")] = False,
    json: Annotated[
        bool, typer.Option("--json", help="One JSON document on stdout, messages on stderr.")
    ] = False,
) -> None:
    """All probes in the same moving air: what each must be corrected by, and how well that is known.

    \b
    Examples:
      riselog match hall-north.toml
      riselog match hall-north.toml --for 5min --write
      riselog match hall-north.toml --at supply
      riselog match hall-north.toml --json > match.json
    """  # noqa: D301 - \b keeps the examples' lines in --help
    from logger.match.commands import match_command  # noqa: PLC0415 - costs start-up time

    raise typer.Exit(match_command(config, for_text=for_, at=at, write=write, json=json))
