"""``riselog check``: everything a run needs, one line each, and what to do next."""

from __future__ import annotations

import asyncio
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logger.clock import SystemClock, utc_text
from logger.collect import LOW_BATTERY_PCT, Collector
from logger.config.load import LoadedConfig, load_config
from logger.config.places import Places
from logger.config.quantities import Dimension, show
from logger.core.errors import ConfigError, RiselogError, StoreError
from logger.core.firing import expected
from logger.core.match_age import day_of, stale_matches
from logger.core.readings import Quantity
from logger.documents import print_json, print_lines
from logger.driver_api import Reach, Source
from logger.faults import complain, log_fault, said
from logger.guarded import beforehand
from logger.plugins import PLUGIN_FAULTS, author, fault, plugin_at_work
from logger.registry import DriverOptions
from logger.screen.quantity import value_text
from logger.sources import HopelessError, build_drivers, clock_for
from logger.store import StoreHeldError, StoreReader
from logger.store.faults import store_error
from logger.store.lock import refuse_held
from logger.store.network import refuse_network
from logger.stored import job_store
from logger.text import one_line

if TYPE_CHECKING:
    from logger.publish.settings import Broker

REACH_S = 10.0  # s; assumed: several advertising intervals of any probe
SLACK_S = 20.0  # s beyond that before a driver counts as hanging; assumed
LEAST_FREE_BYTES = 200_000_000  # bytes; assumed: weeks of five probes at 1 Hz
YEAR_FIRST, YEAR_LAST = 2025, 2100  # a clock outside these is not set; assumed
COULD_NOT = 4  # exit code: the command could not do its work


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One line; ``next_step`` is empty when all is well, ``code_if_bad`` is the exit code otherwise."""

    code: str
    ok: bool
    text: str
    next_step: str = ""
    code_if_bad: int = COULD_NOT


def check_command(path: Path, *, offline: bool, json: bool) -> int:
    """Body of ``riselog check``; the exit code is that of the worst line."""
    checks = []
    for check in _all_checks(path, offline=offline):  # each is shown as soon as it is known
        checks.append(check)
        if not json:
            print_lines(_lines(check))
    bad = [check for check in checks if not check.ok]
    if json:
        print_json(
            {
                "schema": "riselog.check/1",
                "ok": not bad,
                "checks": [{"code": c.code, "ok": c.ok, "text": c.text, "next": c.next_step} for c in checks],
            }
        )
    # wrong use first: what the config cannot say, no radio can mend
    return min((check.code_if_bad for check in bad), default=0)


def _lines(check: Check) -> Iterator[str]:
    yield f"{'ok  ' if check.ok else 'BAD '} {check.code:<10} {check.text}"
    if check.next_step:
        yield f"{'':<16}next: {check.next_step}"


def _all_checks(path: Path, *, offline: bool) -> Iterator[Check]:
    try:
        config = load_config(path, DriverOptions())
    except ConfigError as error:
        step = "repair the file and check again"
        yield Check(code="config", ok=False, text=said(error), next_step=step, code_if_bad=error.exit_code)
        return
    probes = ", ".join(f"{p.name} ({p.role}, {p.driver})" for p in config.probes)
    yield Check(code="config", ok=True, text=f"job {config.job.name}: {probes}")
    for note in config.notes:
        yield Check(code="assumed", ok=True, text=note)
    yield from _probe_checks(config, offline=offline)
    yield from _store_checks(job_store(config))
    yield _clock_check()
    yield from _match_checks(config)
    yield from _broker_checks(config, offline=offline)
    yield _decidable(config)


def _probe_checks(config: LoadedConfig, *, offline: bool) -> Iterator[Check]:
    clock = clock_for(config)
    collector = Collector(clock, [p.name for p in config.probes])
    try:
        drivers = build_drivers(config, collector, clock)
    except HopelessError as error:
        step = f"{one_line(error.next_step)}; then check again"
        yield Check(code="driver", ok=False, text=one_line(error.what), next_step=step)
        return
    except RiselogError as error:
        step = "repair the config and check again"
        yield Check(code="driver", ok=False, text=said(error), next_step=step, code_if_bad=error.exit_code)
        return
    known = [check for name, driver in drivers.items() for check in _known_beforehand(name, driver)]
    if offline:
        yield from known
        yield Check(code="probes", ok=True, text="not looked for (--offline)")
        return
    if not _idle_store(job_store(config))[1]:  # a look lets go at its end what the logger holds
        yield from known
        text = "not looked for: a logger is at work and has their connections"
        yield Check(code="probes", ok=True, text=text, next_step="`riselog watch` shows how they are")
        return
    if not config.simulated:
        complain(f"looking for the probes ({', '.join(drivers)}): {REACH_S:.0f} s or a little more")
    names = {name: [p.name for p in config.probes if p.driver == name] for name in drivers}
    where = Places(config)
    found = [
        check for each in asyncio.run(_reach_all(drivers, names)) for check in _found_of(each, config, where)
    ]
    yield from found
    yield from (check for check in known if not any(_says_too(other, check) for other in found))


def _says_too(found: Check, check: Check) -> bool:
    """Whether the look at a probe has told the same: "found, but ..."."""
    probe, _, text = check.text.partition(": ")
    return found.text.startswith(f"{probe}: ") and text in found.text


def _known_beforehand(name: str, driver: Source) -> list[Check]:
    """What a driver says without a look."""
    try:
        with plugin_at_work():
            return [_of_probe(reach) for reach in beforehand(driver)]
    except RiselogError as error:
        return [Check(code=f"driver {name}", ok=False, text=said(error), next_step="then check again")]
    except PLUGIN_FAULTS as error:
        return [_broke(name, error)]


async def _reach_all(
    drivers: Mapping[str, Source], names: Mapping[str, Sequence[str]]
) -> list[Reach | Check]:
    """All drivers look at once, as they do in a run."""
    found = await asyncio.gather(*(_reach(name, driver, names[name]) for name, driver in drivers.items()))
    return [check for checks in found for check in checks]


async def _reach(name: str, driver: Source, probes: Sequence[str]) -> Sequence[Reach | Check]:
    try:
        async with asyncio.timeout(REACH_S + SLACK_S):
            found = {reach.probe: reach for reach in await driver.reach(REACH_S)}
    except RiselogError as error:
        return [Check(code=f"driver {name}", ok=False, text=said(error), next_step="then check again")]
    except TimeoutError:
        text = f"driver '{name}' gave no answer within {REACH_S + SLACK_S:.0f} s"
        return [Check(code="driver", ok=False, text=text, next_step="switch the radio off and on")]
    except PLUGIN_FAULTS as error:
        return [_broke(name, error)]
    silent = f"driver '{name}' says nothing of it"
    step = f"report it to {author(name)}"
    unsaid = {p: Reach(probe=p, ok=False, text=silent, next_step=step) for p in probes if p not in found}
    return [*found.values(), *unsaid.values()]


def _found_of(found: Reach | Check, config: LoadedConfig, where: Places) -> Iterator[Check]:
    """What is said of a probe: its values in the units of the config, and the place of what is wrong."""
    if isinstance(found, Check):
        yield found
        return
    values = ", ".join(value_text(quantity, value, config.units) for quantity, value in found.values)
    text = "; ".join(each for each in (values if found.ok else "", one_line(found.text)) if each)
    place = where.of(found.probe, found.key)
    next_step = ": ".join(each for each in (place, one_line(found.next_step)) if each)
    yield Check(code="probe", ok=found.ok, text=f"{found.probe}: {text}", next_step=next_step)
    low = [value for quantity, value in found.values if quantity is Quantity.BATTERY]
    if low and low[0] <= LOW_BATTERY_PCT[0]:
        text = f"{found.probe}: its battery is at {low[0]:.0f} %"
        yield Check(code="battery", ok=True, text=text, next_step="change it before the next measurement")


def _of_probe(reach: Reach) -> Check:
    text = f"{reach.probe}: {one_line(reach.text)}"
    return Check(code="probe", ok=reach.ok, text=text, next_step=one_line(reach.next_step))


def _broke(name: str, error: BaseException) -> Check:
    """A driver has raised what it may not."""
    where = log_fault(error, f"check, driver {name}")
    text = f"driver '{name}' broke ({fault(error)}); details: {where}"
    return Check(code="driver", ok=False, text=text, next_step=f"report it to {author(name)}")


def _store_checks(path: Path) -> Iterator[Check]:
    folder = next((p for p in (path.parent, *path.parent.parents) if os.path.exists(p)), Path("/"))  # noqa: PTH110 - never raises
    try:
        refuse_network(path)
    except StoreError as error:
        yield Check(code="store", ok=False, text=said(error), next_step="set [store] path in the config")
        return
    if not folder.is_dir() or not os.access(folder, os.W_OK | os.X_OK):
        step = "give yourself the right, or set [store] path in the config"
        yield Check(code="store", ok=False, text=f"{folder} is no folder you can write to", next_step=step)
        return
    yield _existing_store(path)
    free = shutil.disk_usage(folder).free
    enough = free >= LEAST_FREE_BYTES
    step = "" if enough else "free some space: what does not fit cannot be stored"
    yield Check(code="disk", ok=enough, text=f"{free / 1e6:,.0f} MB free at {folder}", next_step=step)


def _broker_checks(config: LoadedConfig, *, offline: bool) -> Iterator[Check]:
    """Login and, where no logger of this job is at work, whether its topics may be written; what waits for
    the broker or was refused by it, and what waits for brokers that the config does not name."""
    from logger.publish.left import left_for_others, left_here  # noqa: PLC0415 - costs start-up time

    for text in left_for_others(job_store(config), None if config.mqtt is None else config.mqtt.name):
        what, _, step = text.rpartition("; ")
        yield Check(code="broker", ok=True, text=what, next_step=step)
    if config.mqtt is None:
        return
    from logger.publish.settings import Broker  # noqa: PLC0415

    broker = Broker(table=config.mqtt, job=config.job.name)
    yield _login(broker, job_store(config), offline=offline)
    for text in broker.open_secrets():
        yield Check(code="broker", ok=True, text=text)
    for left in left_here(job_store(config), broker.key):
        yield Check(code="broker", ok=left.ok, text=left.text, next_step=left.step)


def _login(broker: Broker, store: Path, *, offline: bool) -> Check:
    if offline:
        return Check(code="broker", ok=True, text=f"{broker.name} not contacted (--offline)")
    from logger.publish.login import try_broker  # noqa: PLC0415 - only with a broker

    store_id, free = _idle_store(store)
    try:
        return Check(code="broker", ok=True, text=try_broker(broker, store_id, publish=free))
    except RiselogError as error:
        what, _, step = said(error).rpartition("; ")
        step = f"{step}; without the broker a run goes on, and what it measures waits in the store"
        return Check(code="broker", ok=False, text=what, next_step=step)


def _idle_store(path: Path) -> tuple[str, bool]:
    """The store's id, and whether no logger is at work there."""
    try:
        with StoreReader(path) as reader:
            store_id = reader.store_id()
        refuse_held(path)
    except StoreHeldError:
        return "new", False
    except StoreError:
        return "new", True
    return store_id, True


def _existing_store(path: Path) -> Check:
    """A store that is there can be read. A logger that is at work in it is no fault: nothing is to be ended
    for a check."""
    try:
        if not path.exists():
            return Check(code="store", ok=True, text=f"{path} will be made by the first run")
        with StoreReader(path) as reader:
            runs = reader.run_count()
        refuse_held(path)
    except StoreHeldError as error:
        what, _, _ = said(error).partition("; ")
        step = "`riselog watch` shows what a run does; the next one can begin when it has ended"
        return Check(code="store", ok=True, text=what, next_step=step)
    except (StoreError, OSError) as error:
        if isinstance(error, OSError):
            error = store_error(error, path, "looking at the store")
        step = "set another [store] path in the config"
        return Check(code="store", ok=False, text=said(error), next_step=step)
    return Check(code="store", ok=True, text=f"{path} holds {runs} run(s)")


def _match_checks(config: LoadedConfig) -> Iterator[Check]:
    """Matches that are too old; how young the others are is no news."""
    for _, text in stale_matches(config.job, day_of(SystemClock().utc_us())):
        what, _, step = text.partition(": ")
        yield Check(code="match", ok=True, text=what, next_step=step)


def _clock_check() -> Check:
    now = utc_text(SystemClock().utc_us())
    sane = YEAR_FIRST <= int(now[:4]) <= YEAR_LAST
    step = "" if sane else "set the computer's clock: times of day would be wrong"
    return Check(code="clock", ok=sane, text=f"the computer says {now[:19]}Z", next_step=step)


def _decidable(config: LoadedConfig) -> Check:
    """What this set-up can say, before any firing."""
    found = expected(config.job)
    if found is None:
        text = "no plate output in the config: the output is measured, but no verdict can be given"
        return Check(
            code="verdict", ok=True, text=text, next_step="give [unit] output, or input and efficiency"
        )
    u95_w, tolerance = found
    text = (
        f"expected uncertainty ±{show(u95_w, Dimension.POWER, config.units)} (95 %): 'meets' has a fair "
        f"chance from a tolerance of {tolerance:.1%}; asked is {config.job.unit.tolerance:.1%}"
    )
    enough = tolerance <= config.job.unit.tolerance
    step = "" if enough else "narrow the largest doubts: airflow (u95), probe matching, placement"
    return Check(code="verdict", ok=True, text=text, next_step=step)
