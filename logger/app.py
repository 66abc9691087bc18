"""Composition root of the live commands: config, store, caution, then the run."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from logger.clock import SystemClock, local_date
from logger.config.load import LoadedConfig, load_config, loads_config
from logger.config.quantities import Dimension, QuantityError, parse
from logger.core.errors import UsageError
from logger.core.readings import NS_PER_S
from logger.documents import print_json, print_lines
from logger.faults import complain, complaints_as, guarded
from logger.live import dashboard_wanted, run_live
from logger.live_run import Manner
from logger.logs import FORMS, complaint_line
from logger.notify import Notifier
from logger.publish.settings import Broker
from logger.recompute import recover
from logger.registry import DriverOptions, load_scenarios
from logger.report.command import leave_report
from logger.safety import short_caution_of
from logger.session import Limits
from logger.signals import outlive_hangup
from logger.store import StoreWriter, remember
from logger.store.lock import refuse_held
from logger.stored import job_store
from logger.text import clean_text, nearest
from logger.visit_record import with_record

MOST_SPEED = 100_000.0  # times real time; beyond, 'max' is meant; assumed
SETTLING_US = 3_600_000_000  # that a start may take to compute a run cut off; assumed: months of it


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOptions:
    """Options of ``riselog run`` as they were typed."""

    headless: bool
    for_text: str | None
    until: str | None
    json: bool
    log: str | None


def run_command(config_path: Path, options: RunOptions) -> int:
    """Body of ``riselog run``; the exit code."""
    if options.log not in (None, *FORMS):
        raise UsageError(f"--log '{options.log}': write {' or '.join(FORMS)}")
    if options.log is not None and not (options.headless or options.json):
        raise UsageError("--log is for a run without a dashboard: add --headless")
    if options.log == "json":
        with complaints_as(complaint_line):
            return guarded(lambda: _run_job(config_path, options), "run")
    return _run_job(config_path, options)


def _run_job(config_path: Path, options: RunOptions) -> int:
    for_text, until, headless, json = options.for_text, options.until, options.headless, options.json
    for_ns = None if for_text is None else duration_ns("--for", for_text)
    if until not in (None, "result"):
        raise UsageError(f"--until '{until}': the one thing to wait for is 'result'")
    config = load_config(config_path, DriverOptions())
    if dashboard_wanted(headless=headless, json=json):
        refuse_held(job_store(config))  # before questions whose answers would go nowhere
        config = with_record(config_path, config, local_date(SystemClock().utc_us()))
    limits = Limits(for_ns=for_ns, until_result=until is not None, remaining=config.job.steady.remaining)
    manner = _manner(headless=headless, json=json, log=options.log or "plain")
    return _run(config, limits, manner, command=f"riselog run {config_path}")


def _manner(*, headless: bool, json: bool, log: str = "plain") -> Manner:
    return Manner(dashboard=dashboard_wanted(headless=headless, json=json), json=json, log=log)


def demo_command(*, scenario: str, speed: str, seed: int | None, headless: bool, json: bool) -> int:
    """Body of ``riselog demo``; the exit code."""
    found = _scenario(scenario)
    extra = f"[sim]\nspeed = {_speed_toml(speed)}\n"
    if seed is not None:
        extra += f"seed = {seed}\n"
    config = loads_config(found.config_text, f"scenario {scenario}", DriverOptions(), extra)
    manner = _manner(headless=headless, json=json)
    return _run(config, Limits(), manner, command="riselog demo", farewell=leave_report)


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
    near = nearest(name, scenarios)
    also = "".join(f"; {trouble}" for trouble in troubles)
    raise UsageError(
        f"--scenario '{clean_text(name, 40)}': there is none of that name"
        f"{f'; closest: {near}' if near else ''}{also}. `riselog demo --list` shows all."
    )


def _name_report(_: Path, run: str) -> str:
    """How the run's report is had."""
    return f"`riselog report {run}` writes the report of this run"


def _opening(config: LoadedConfig) -> Iterator[str]:
    """What is to be known before the first reading: the caution, what the config leaves out, the broker."""
    yield from short_caution_of(config.job.unit.kind.value).splitlines()
    yield from config.notes
    if config.mqtt is not None:
        yield f"publishing to the broker {Broker(table=config.mqtt, job=config.job.name).name}"


def _run(
    config: LoadedConfig,
    limits: Limits,
    manner: Manner,
    *,
    command: str,
    farewell: Callable[[Path, str], str] = _name_report,
) -> int:
    """Open the store, settle what a crash left, show the caution, run; ``farewell`` has the last word,
    on the store and the id of a run that is kept."""
    if not manner.dashboard:
        outlive_hangup()
    path = job_store(config)
    with StoreWriter(path, command, now_utc_us=SystemClock().utc_us()) as writer:
        remember(path)
        for line in _opening(config):
            complain(line)
        if writer.unended_runs():
            Notifier().send("STATUS=computing what was cut off", f"EXTEND_TIMEOUT_USEC={SETTLING_US}")
        for sentence in recover(writer):
            complain(sentence)
        return asyncio.run(run_live(config, writer, limits, manner, partial(farewell, path)))
