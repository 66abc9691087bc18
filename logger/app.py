"""Composition root of the live commands: config, store, caution, then the run."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from logger.clock import SystemClock, utc_date
from logger.config.load import LoadedConfig, load_config, loads_config
from logger.config.quantities import Dimension, QuantityError, parse
from logger.core.errors import UsageError
from logger.core.readings import NS_PER_S
from logger.documents import print_json, print_lines
from logger.faults import complain
from logger.live import Manner, dashboard_wanted, run_live
from logger.publish.settings import Broker
from logger.recompute import recover
from logger.registry import DriverOptions, load_scenarios
from logger.report.command import leave_report
from logger.safety import SHORT_CAUTION
from logger.session import Limits
from logger.store import StoreWriter, remember
from logger.stored import job_store
from logger.text import closest
from logger.visit_record import with_record

MOST_SPEED = 100_000.0  # times real time; beyond, 'max' is meant; assumed


def run_command(
    config_path: Path, *, headless: bool, for_text: str | None, until: str | None, json: bool
) -> int:
    """Body of ``riselog run``; the exit code."""
    for_ns = None if for_text is None else duration_ns("--for", for_text)
    if until not in (None, "result"):
        raise UsageError(f"--until '{until}': the one thing to wait for is 'result'")
    config = load_config(config_path, DriverOptions())
    if dashboard_wanted(headless=headless, json=json):
        config = with_record(config_path, config, utc_date(SystemClock().utc_us()))
    limits = Limits(for_ns=for_ns, until_result=until is not None, remaining=config.job.steady.remaining)
    return _run(config, limits, headless=headless, json=json, command=f"riselog run {config_path}")


def demo_command(*, scenario: str, speed: str, seed: int | None, headless: bool, json: bool) -> int:
    """Body of ``riselog demo``; the exit code."""
    found = _scenario(scenario)
    extra = f"[sim]\nspeed = {_speed_toml(speed)}\n"
    if seed is not None:
        extra += f"seed = {seed}\n"
    config = loads_config(found.config_text, f"scenario {scenario}", DriverOptions(), extra)
    return _run(config, Limits(), headless=headless, json=json, command="riselog demo", farewell=leave_report)


def list_scenarios(*, json: bool) -> int:
    """Body of ``riselog demo --list``; the exit code."""
    scenarios, troubles = load_scenarios()
    for trouble in troubles:
        complain(trouble)
    if json:
        print_json([{"name": name, "text": str(s.text)} for name, s in scenarios.items()])
    else:
        width = max((len(name) for name in scenarios), default=0) + 2
        print_lines(f"{name:<{width}}{s.text}" for name, s in scenarios.items())
    return 0


def duration_ns(option: str, text: str) -> int:
    """A duration such as ``45min``, ns.

    Raises
    ------
    UsageError
        Not a duration, or not above 0; the option is named.

    >>> duration_ns("--for", "45min")
    2700000000000
    """
    try:
        seconds = parse(text, Dimension.TIME)
    except QuantityError as error:
        raise UsageError(f"{option}: {error}") from error
    if not seconds > 0.0:
        raise UsageError(f"{option} '{text}': give a duration above 0, such as 45min")
    return round(seconds * NS_PER_S)


def _speed_toml(text: str) -> str:
    """Value of ``[sim] speed`` for ``--speed``."""
    if text == "max":
        return '"max"'
    try:
        speed = float(text)
    except ValueError:
        speed = math.nan
    if not 0.0 < speed <= MOST_SPEED:
        raise UsageError(f"--speed '{text}': give a number above 0 (20 is twenty times real time), or 'max'")
    return repr(speed)


def _scenario(name: str) -> Any:  # noqa: ANN401 - a plug-in's own class
    scenarios, troubles = load_scenarios()
    if name in scenarios:
        return scenarios[name]
    known = tuple(sorted(scenarios))
    also = "".join(f"; {trouble}" for trouble in troubles)
    raise UsageError(
        f"--scenario '{name}': there is none of that name; there are {', '.join(known)}"
        f"{closest(name, known)}{also}"
    )


def _name_report(_: Path, run: str) -> None:
    """Say how the run's report is had."""
    complain(f"`riselog report {run}` writes the report of this run")


def _run(
    config: LoadedConfig,
    limits: Limits,
    *,
    headless: bool,
    json: bool,
    command: str,
    farewell: Callable[[Path, str], None] = _name_report,
) -> int:
    """Open the store, settle what a crash left, show the caution, run; ``farewell`` has the last word,
    with the store and the id of a run that is kept."""
    path = job_store(config)
    for line in SHORT_CAUTION.splitlines():
        complain(line)
    for note in config.notes:
        complain(note)
    if config.mqtt is not None:
        complain(f"publishing to the broker {Broker(table=config.mqtt, job=config.job.name).name}")
    with StoreWriter(path, command, now_utc_us=SystemClock().utc_us()) as writer:
        remember(path)
        for sentence in recover(writer):
            complain(sentence)
        manner = Manner(dashboard=dashboard_wanted(headless=headless, json=json), json=json)
        runs: list[str] = []
        code = asyncio.run(run_live(config, writer, limits, manner, runs.append))
    for run in runs:
        farewell(path, run)
    return code
