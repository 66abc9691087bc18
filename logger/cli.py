"""The command line. Nothing heavy is imported before a command runs: ``--help`` is instant."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from logger.airflow import cli as airflow
from logger.core.errors import UsageError
from logger.faults import CutOffError, ReaderGoneError, guarded
from logger.match.cli import match
from logger.scan.cli import scan
from logger.take.cli import take
from logger.text import clean_text


class PluginGroup(TyperGroup):
    """Commands of ours first, then those that plug-ins bring."""

    def invoke(self, ctx: Any) -> Any:  # noqa: ANN401 - the library's types are private
        """Run the command; the library would make a fault of a reader that has had enough, and end a
        Ctrl-C without a word."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError as error:
            raise ReaderGoneError from error
        except KeyboardInterrupt as error:
            raise CutOffError from error
        except typer.BadParameter as error:
            if (text := _no_number(error)) is None:
                raise
            raise UsageError(text) from error

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ANN401 - the library's types are private
        """Look a command up; a plug-in is looked for only where we have none of that name."""
        if (command := super().get_command(ctx, cmd_name)) is not None:
            return command
        from logger.plugins import find_command  # noqa: PLC0415 - costs start-up time

        try:
            found = find_command(cmd_name)
        except UsageError as error:
            return _broken(cmd_name, error)
        if isinstance(found, typer.Typer):
            return typer.main.get_command(found)
        return found

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ANN401 - the library's types are private
        """Names for the help: ours in their order, then those of the plug-ins."""
        from logger.plugins import known_commands  # noqa: PLC0415 - costs start-up time

        ours = super().list_commands(ctx)
        return [*ours, *(name for name in known_commands() if name not in ours)]


def _no_number(error: typer.BadParameter) -> str | None:
    """What is typed where a number belongs and is none, in a sentence; None of any other slip."""
    slips: list[Any] = getattr(error.__cause__, "errors", list)()
    wanted = _NUMBERS.get(str(slips[0]["type"]).partition("_")[0]) if slips else None
    if wanted is None or error.param is None or error.ctx is None:
        return None
    typed = clean_text(str(slips[0]["input"]), 20)
    return f"{error.param.opts[0]} {typed}: {wanted}; see `{error.ctx.command_path} --help`"


_NUMBERS = {"int": "write a whole number in digits, as 200", "float": "write a number, as 2.5"}


def _broken(name: str, error: UsageError) -> TyperCommand:
    """A command that says why it is none; so it harms the help of the others as little as their work."""

    def refuse() -> None:
        raise error

    loose = {"ignore_unknown_options": True, "allow_extra_args": True}
    return TyperCommand(
        name, callback=refuse, help=f"{error}.", context_settings=loose, add_help_option=False
    )


cli = typer.Typer(
    cls=PluginGroup,
    name="riselog",
    help="What a rooftop unit really delivers: log its probes, read its output.\n\nStart with: riselog demo",
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
)

traverse = typer.Typer(
    help="The airflow by a traverse of the duct: where to measure, measuring, what comes of it.",
    short_help="The airflow, by a traverse of the duct.",
    rich_markup_mode=None,
    no_args_is_help=True,
)
cli.add_typer(traverse, name="traverse")
traverse.command("plan", short_help="Where to measure in a duct.")(airflow.plan)
traverse.command("take", short_help="Measure point by point, guided.")(take)
traverse.command("compute", short_help="The airflow from a traverse file.")(airflow.compute)
traverse.command("factor", short_help="The factor of a probe left in the duct.")(airflow.factor)
traverse.command("fan-curve", short_help="A fan's airflow from its maker's curve.")(airflow.fan_curve)
traverse.command("electric", short_help="The airflow from a known electric power.")(airflow.electric)

Config = Annotated[Path, typer.Argument(help="The job's config file (TOML).", show_default=False)]
Json = Annotated[bool, typer.Option("--json", help="One JSON document on stdout, messages on stderr.")]
Headless = Annotated[bool, typer.Option("--headless", help="No dashboard: plain lines.")]
RunName = Annotated[str, typer.Argument(help="Run id, the start of one, or 'last'.", show_default=False)]
ConfigOption = Annotated[Path | None, typer.Option("--config", help="The job's config file.")]


def _version(asked: bool) -> None:  # noqa: FBT001 - the library's callback
    if asked:
        from importlib.metadata import version  # noqa: PLC0415 - costs start-up time

        typer.echo(f"riselog {version('riselog')}")
        raise typer.Exit


@cli.callback()
def _root(
    *,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and end.")
    ] = False,
) -> None:
    pass


@cli.command(short_help="Log the job's probes, read the unit's output.")
def run(
    config: Config,
    *,
    headless: Headless = False,
    for_: Annotated[str | None, typer.Option("--for", help="End after so long, in reading time.")] = None,
    until: Annotated[
        str | None, typer.Option("--until", help="'result': end at the first settled result.")
    ] = None,
    log: Annotated[
        str | None, typer.Option(help="Lines of a run without dashboard: plain, or json, one object each.")
    ] = None,
    json: Json = False,
) -> None:
    """Log the job's probes and read the unit's output.

    \b
    Examples:
      riselog run hall-north.toml
      riselog run hall-north.toml --until result
      riselog run hall-north.toml --headless --for 45min
      riselog run hall-north.toml --headless --log json
      riselog run hall-north.toml --json > result.json
    """
    from logger.app import RunOptions, run_command  # noqa: PLC0415 - costs start-up time

    options = RunOptions(headless=headless, for_text=for_, until=until, json=json, log=log)
    raise typer.Exit(run_command(config, options))


@cli.command(short_help="The main job on simulated probes.")
def demo(
    *,
    speed: Annotated[str, typer.Option(help="Times faster than the wall clock, or 'max'.")] = "20",
    headless: Headless = False,
    list_: Annotated[bool, typer.Option("--list", help="Name the scenarios and end.")] = False,
    scenario: Annotated[str, typer.Option(help="Which simulated job.")] = "standard",
    seed: Annotated[int | None, typer.Option(help="Seed of the simulated noise.")] = None,
    json: Json = False,
) -> None:
    """The main job on simulated probes: off, fan, fire, steady, cool-down, result.

    \b
    Examples:
      riselog demo
      riselog demo --list
      riselog demo --scenario weak --speed 60
      riselog demo --headless --speed max --json
    """
    from logger.app import demo_command, list_scenarios  # noqa: PLC0415 - costs start-up time

    if list_:
        raise typer.Exit(list_scenarios(json=json))
    raise typer.Exit(demo_command(scenario=scenario, speed=speed, seed=seed, headless=headless, json=json))


@cli.command(short_help="Compute a stored run or a file again.")
def replay(
    sources: Annotated[
        list[str],
        typer.Argument(metavar="RUN_OR_FILE", help="A stored run, 'last', or a CSV or Parquet of readings."),
    ],
    *,
    config: ConfigOption = None,
    no_store: Annotated[bool, typer.Option("--no-store", help="Do not store what is computed.")] = False,
    many: Annotated[
        bool, typer.Option("--many", help="Several, stores (.db) too: each by itself, nothing stored.")
    ] = False,
    jobs: Annotated[int | None, typer.Option(help="Of --many: processes; else one for each core.")] = None,
    scheduler: Annotated[
        str | None, typer.Option(help="Of --many: a Dask cluster that you trust, tcp://host:8786.")
    ] = None,
    json: Json = False,
) -> None:
    """Compute a stored run or a file of readings again, with other settings if wanted.

    \b
    Examples:
      riselog replay last
      riselog replay 3f9c --config hall-north.toml --no-store
      riselog replay readings.csv --config hall-north.toml --json
      riselog replay --many north.db south.db roof.parquet
      riselog replay --many *.parquet --scheduler tcp://host:8786 --json
    """
    if many:
        from logger.many.command import many_command  # noqa: PLC0415 - costs start-up time

        raise typer.Exit(many_command(sources, config, scheduler=scheduler, jobs=jobs, json=json))
    if len(sources) > 1:
        raise UsageError(f"{len(sources)} inputs: say --many to compute each of them by itself")
    if jobs is not None or scheduler is not None:
        raise UsageError("--jobs and --scheduler are for several inputs; say --many")
    from logger.replay import replay_command  # noqa: PLC0415 - costs start-up time

    raise typer.Exit(replay_command(sources[0], config, store=not no_store, json=json))


@cli.command(short_help="Dashboard of a logger that runs elsewhere.")
def watch(
    config: Annotated[Path | None, typer.Argument(help="The job's config; else the one that runs.")] = None,
) -> None:
    """Show the dashboard of a logger that runs elsewhere; to leave does not disturb it.

    \b
    Examples:
      riselog watch
      riselog watch hall-north.toml
      riselog watch | tee lines.txt
    """
    from logger.watching import watch_command  # noqa: PLC0415 - costs start-up time

    raise typer.Exit(watch_command(config))


@cli.command(short_help="List the stored runs.")
def runs(
    config: Annotated[Path | None, typer.Argument(help="Only this job's runs.")] = None, *, json: Json = False
) -> None:
    """List the stored runs.

    \b
    Examples:
      riselog runs
      riselog runs hall-north.toml --json
    """
    from logger.stored import runs_command  # noqa: PLC0415 - costs start-up time

    raise typer.Exit(runs_command(config, json=json))


@cli.command(short_help="Try everything that a run needs.")
def check(
    config: Config,
    *,
    offline: Annotated[bool, typer.Option("--offline", help="Do not look for the probes.")] = False,
    json: Json = False,
) -> None:
    """Try everything a run needs: config, probes, store, clock; one line each and what to do next.

    \b
    Examples:
      riselog check hall-north.toml
      riselog check hall-north.toml --offline --json
    """
    from logger.check import check_command  # noqa: PLC0415 - costs start-up time

    raise typer.Exit(check_command(config, offline=offline, json=json))


cli.command(short_help="Bluetooth devices in reach, and their values.")(scan)
cli.command(short_help="Probes in the same air: what to correct.")(match)


@cli.command(short_help="The same formulas for values you type.")
def output(
    *,
    airflow: Annotated[str, typer.Option(help="Volume flow, or kg/s or lb/h of dry air.")],
    return_: Annotated[str, typer.Option("--return", help="Air temperature entering.")],
    supply: Annotated[str, typer.Option(help="Air temperature leaving.")],
    at: Annotated[str, typer.Option(help="Where the volume was measured: return or supply.")] = "return",
    humidity: Annotated[str, typer.Option(help="Relative humidity of the entering air.")] = "50 %",
    altitude: Annotated[str | None, typer.Option(help="Height of the site.")] = None,
    pressure: Annotated[str | None, typer.Option(help="Air pressure at the site.")] = None,
    fan_heat: Annotated[str, typer.Option(help="Heat of the fan in the air stream.")] = "0 W",
    casing_loss: Annotated[str, typer.Option(help="Heat lost through the casing.")] = "0 W",
    units: Annotated[str, typer.Option(help="us or si: how the answer is shown.")] = "us",
    json: Json = False,
) -> None:
    """The same formulas for values you type.

    \b
    Examples:
      riselog output --airflow "1850 cfm" --return "70 °F" --supply "118 °F" --altitude "700 ft"
      riselog output --airflow "0.87 m3/s" --return "21 °C" --supply "48 °C" --units si
      riselog output --airflow "1.02 kg/s" --return 70F --supply 118F --fan-heat "450 W" --json
    """
    from logger.typed import TypedValues, output_command  # noqa: PLC0415 - costs start-up time

    values = TypedValues(
        airflow=airflow,
        at=at,
        return_=return_,
        supply=supply,
        humidity=humidity,
        altitude=altitude,
        pressure=pressure,
        fan_heat=fan_heat,
        casing_loss=casing_loss,
    )
    raise typer.Exit(output_command(values, units=units, json=json))


@cli.command(short_help="Gas input, by the dial of the meter.")
def clock(
    *,
    heating_value: Annotated[str, typer.Option(help="Of the gas, as its supplier states it.")],
    time: Annotated[list[str], typer.Option(help="How long the volume took; repeat it for each run.")],
    volume: Annotated[str | None, typer.Option(help="Gas that each time took.")] = None,
    dial: Annotated[str | None, typer.Option(help="Or: what one turn of the dial counts.")] = None,
    turns: Annotated[int | None, typer.Option(help="Turns of the dial in each time; 1.")] = None,
    meter_pressure: Annotated[str | None, typer.Option(help="Gauge pressure of the gas there.")] = None,
    meter_temperature: Annotated[str | None, typer.Option(help="Of the gas in the meter.")] = None,
    compensated: Annotated[
        bool, typer.Option("--compensated", help="The meter compensates for the temperature.")
    ] = False,
    altitude: Annotated[str | None, typer.Option(help="Height of the site.")] = None,
    pressure: Annotated[str | None, typer.Option(help="Air pressure at the site.")] = None,
    base_pressure: Annotated[str | None, typer.Option(help="Of the heating value; 14.73 psi.")] = None,
    base_temperature: Annotated[str | None, typer.Option(help="Of the heating value; 60 °F.")] = None,
    net: Annotated[bool, typer.Option("--net", help="The heating value is net, not gross.")] = False,
    already_derated: Annotated[
        bool, typer.Option("--already-derated", help="The supplier has lowered the value for altitude.")
    ] = False,
    heating_value_u95: Annotated[str | None, typer.Option(help="Its uncertainty (95 %); 2 %.")] = None,
    timing_u95: Annotated[str | None, typer.Option(help="Uncertainty of a time (95 %); 0.5 s.")] = None,
    dial_u95: Annotated[str | None, typer.Option(help="Uncertainty of the meter (95 %); 2 %.")] = None,
    plate_input: Annotated[str | None, typer.Option(help="Input on the plate, to compare.")] = None,
    units: Annotated[str, typer.Option(help="us or si: how the answer is shown.")] = "us",
    json: Json = False,
) -> None:
    """Gas input from the meter: time its dial with everything else on it off.

    \b
    Examples:
      riselog clock --volume "2 ft3" --time "43 s" --heating-value "1036 Btu/ft3"
      riselog clock --dial "2 ft3" --turns 3 --time "163 s" --time "161.5 s" \\
        --heating-value "1036 Btu/ft3" --altitude "700 ft" --meter-pressure "7 in.wg" \\
        --meter-temperature "55 °F" --plate-input "135000 Btu/h"
      riselog clock --volume "0.1 m3" --time "99 s" --heating-value "38.6 MJ/m3" --units si --json
    """
    from logger.gas_clock import clock_command  # noqa: PLC0415 - costs start-up time

    given = {
        "heating_value": heating_value,
        "heating_value_u95": heating_value_u95,
        "heat": "net" if net else "gross",
        "already_derated": already_derated,
        "base_pressure": base_pressure,
        "base_temperature": base_temperature,
        "meter_pressure": meter_pressure,
        "meter_temperature": meter_temperature,
        "compensated": compensated,
        "volume": volume,
        "dial": dial,
        "dial_u95": dial_u95,
        "turns": turns,
        "times": time,
        "timing_u95": timing_u95,
        "altitude": altitude,
        "pressure": pressure,
        "plate_input": plate_input,
    }
    raise typer.Exit(clock_command(given, units=units, json=json))


@cli.command(short_help="Write a stored run as CSV or Parquet.")
def export(
    run: RunName,
    *,
    config: ConfigOption = None,
    output: Annotated[Path | None, typer.Option("--output", help="File to write; else stdout.")] = None,
    format_: Annotated[
        str | None, typer.Option("--format", help="csv or parquet; else by the file's ending, else csv.")
    ] = None,
    what: Annotated[
        str, typer.Option(help="readings, or trace: what was computed of them, one row a second.")
    ] = "readings",
) -> None:
    """Write a stored run as tidy data: its readings, or the trace (a snapshot of the air each second).

    In CSV the readings have a column unit and the trace has its units in the columns' names; Parquet
    has types besides, and in its metadata units, run, config, versions and the readings' SHA-256.

    \b
    Examples:
      riselog export last --output readings.csv
      riselog export 3f9c --what trace > trace.csv
      riselog export last --output readings.parquet
      riselog export last --what trace --format parquet > trace.parquet
    """
    from logger.export import export_command  # noqa: PLC0415 - costs start-up time

    raise typer.Exit(export_command(run, config, output=output, form=format_, what=what))


@cli.command(short_help="Write a stored run as one HTML page.")
def report(
    run: RunName,
    *,
    config: ConfigOption = None,
    output: Annotated[
        Path | None, typer.Option("--output", help="File to write; else JOB-RUN.html in this folder.")
    ] = None,
    open_: Annotated[bool, typer.Option("--open", help="Show it in the browser.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
    template: Annotated[
        Path | None, typer.Option("--template", help="Folder with a report.html of your own.")
    ] = None,
) -> None:
    """Write a stored run as one HTML page to hand over: answer, pictures, uncertainty, how it was had.

    \b
    Examples:
      riselog report last --open
      riselog report 3f9c --output hall-north.html
      riselog report last --template letterhead
    """
    from logger.report.command import report_command  # noqa: PLC0415 - costs start-up time

    code = report_command(run, config, output=output, template=template, force=force, show=open_)
    raise typer.Exit(code)


def _invoke(arguments: list[str]) -> int:
    try:
        cli(args=arguments, prog_name="riselog")
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else int(bool(end.code))
    return 0


def main(arguments: list[str] | None = None) -> None:
    """Entry point of ``riselog``."""
    given = sys.argv[1:] if arguments is None else arguments
    what = next((a for a in given if not a.startswith("-")), "riselog")
    sys.exit(guarded(lambda: _invoke(given), what))
