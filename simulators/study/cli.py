"""The options of ``riselog study`` as the command line has them; the body is imported late."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(rich_markup_mode=None, add_completion=False, pretty_exceptions_enable=False)


@app.command(short_help="The method tested on simulated probes.")
def study(
    *,
    scenario: Annotated[
        list[str] | None,
        typer.Option(
            metavar="<str>",
            help="A scenario (`riselog demo --list`); repeat it. Twenty kinds where left out.",
        ),
    ] = None,
    trials: Annotated[int, typer.Option(help="Trials of each cell.")] = 500,
    seed: Annotated[int, typer.Option(help="The same seed gives the same study.")] = 1,
    jobs: Annotated[int | None, typer.Option(help="Processes; one a core where left out.")] = None,
    scheduler: Annotated[str | None, typer.Option(help="A Dask scheduler, as tcp://host:8786.")] = None,
    probe_u95: Annotated[
        str | None, typer.Option(help='Temperature probes to compare, as "0.1 K,0.3 K".')
    ] = None,
    noise: Annotated[str | None, typer.Option(help='Their noise, as "0.03 K,0.2 K".')] = None,
    lag: Annotated[str | None, typer.Option(help='Their time constant, as "8 s,30 s".')] = None,
    humidity_u95: Annotated[
        str | None, typer.Option(help='Probes matched in humidity, how well: "0.5 %,1 %". Else not matched.')
    ] = None,
    airflow_u95: Annotated[str | None, typer.Option(help='How well the airflow is known: "2 %,6 %".')] = None,
    traverse: Annotated[str | None, typer.Option(help="Or simulated traverses to compare.")] = None,
    window: Annotated[str | None, typer.Option(help='[steady] window, as "60 s,120 s".')] = None,
    hold: Annotated[str | None, typer.Option(help='[steady] hold, as "30 s,60 s".')] = None,
    window_max: Annotated[str | None, typer.Option(help='[steady] window_max, as "300 s,600 s".')] = None,
    remaining: Annotated[str | None, typer.Option(help='[steady] remaining, as "1 %,2 %".')] = None,
    time_constant: Annotated[
        str | None, typer.Option(help='[steady] time_constant, as "60 s,240 s".')
    ] = None,
    spread: Annotated[str | None, typer.Option(help='[steady] spread, as "1 %,3 %".')] = None,
    output: Annotated[Path | None, typer.Option(help="Write a page with plots (.html).")] = None,
    csv: Annotated[Path | None, typer.Option("--csv", help="Write the rows as CSV.")] = None,
    json: Annotated[
        bool, typer.Option("--json", help="One JSON document on stdout, messages on stderr.")
    ] = False,
) -> None:
    """The method tested on simulated probes: bias, coverage of u95, waiting time, wrong verdicts.

    It answers in plain sentences: which probe is needed for ± 5 %, how long to wait, what a smaller traverse
    costs; and how often output ± u95 held the truth. All of it is a simulation.

    Every combination of what is varied is a cell, of so many trials each; 100 trials take 7 to 25 s of a
    processor. Ctrl-C keeps what is done.

    \b
    Which probe, and how well the airflow has to be known:
      riselog study --scenario standard \\
        --probe-u95 "0.1 K,0.3 K" --airflow-u95 "2 %,4 %"
    How long to wait, of each kind of unit:
      riselog study --trials 40
    What a 3x3 traverse costs against 25 points:
      riselog study --scenario standard \\
        --traverse "log-tchebycheff 5x5,equal-area 3x3"
    A page with plots, and the rows for other programs:
      riselog study --output study.html --csv study.csv --json
    """  # noqa: D301 - \b keeps the examples' lines in --help
    from simulators.study.command import study_command  # noqa: PLC0415 - costs start-up time
    from simulators.study.options import StudyOptions  # noqa: PLC0415

    grid = {
        "probe_u95_k": probe_u95,
        "noise_k": noise,
        "lag_s": lag,
        "humidity_u95": humidity_u95,
        "airflow_u95": airflow_u95,
        "traverse": traverse,
        "window_s": window,
        "hold_s": hold,
        "remaining": remaining,
        "window_max_s": window_max,
        "time_constant_s": time_constant,
        "spread": spread,
    }
    options = StudyOptions(
        scenarios=tuple(scenario or ()),
        trials=trials,
        seed=seed,
        jobs=jobs,
        scheduler=scheduler,
        grid={name: text for name, text in grid.items() if text is not None},
        output=output,
        csv=csv,
        json=json,
    )
    raise typer.Exit(study_command(options))
