"""From options, config and files to a take that can begin; every fault is one sentence."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from logger.airflow import options as texts
from logger.clock import SystemClock
from logger.config.load import LoadedConfig, ProbeSetup, load_config
from logger.core.errors import TableError, UsageError
from logger.core.params import Plane, Role
from logger.core.readings import Quantity
from logger.core.traverse import Traverse, TraverseQuantity
from logger.core.traverse_plan import Plan
from logger.registry import DriverOptions
from logger.take.air import Given
from logger.take.capture import begin, resume
from logger.take.head import Origin, head, load_before
from logger.take.notebook import known_velocities, taken_before
from logger.take.options import (
    GEOMETRY,
    TakeOptions,
    asked_plan,
    check_reach,
    word,
)
from logger.take.plan_file import load_plan, plan_like
from logger.take.probe_setup import (
    check_air,
    find_air_probes,
    find_air_sources,
    find_inlet_probes,
    given_air,
    watched_probes,
)
from logger.take.taking import Manner
from logger.take.walk import Entry, State
from logger.traverse.file import load_traverse

DEFAULT_OUTPUT = Path("traverse.json")
US_PER_S = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """Everything a take begins with. ``watched``: probes to capture, main one first; ``probes``: all that
    are read; ``inlet``: those at the fan's inlet."""

    plan: Plan
    base: Traverse
    state: State
    manner: Manner
    path: Path
    new: bool
    config: LoadedConfig | None
    watched: tuple[ProbeSetup, ...]
    probes: tuple[ProbeSetup, ...]
    given: Given
    air_sources: Mapping[Quantity, Sequence[str]]
    inlet: tuple[str, ...]
    units: str
    notes: tuple[str, ...]


def prepare(options: TakeOptions) -> Setup:
    """Read and check everything before the first point.

    Raises
    ------
    RiselogError
        Something cannot be used; the sentence names option or file, and what to do.
    """
    config = None if options.config is None else load_config(options.config, DriverOptions())
    before = None if options.resume is None else load_before(options, options.resume)
    quantity = _quantity(options, before)
    velocities = _velocities(options, quantity)
    plan = _plan(options, before or velocities)
    config, watched = watched_probes(options, config, quantity)
    at = _at(options, quantity, before or velocities)
    air_probes = find_air_probes(config, at, quantity)
    origin = Origin(before=before, velocities=velocities, config=config, watched=watched)
    base = replace(head(options, plan, quantity, origin), at=at)
    known = _known(options, velocities, plan)
    _check_velocity_source(options, quantity, watched)
    state = begin(len(plan.points))
    if before is not None:
        try:
            state = resume(*taken_before(before, plan))
        except TableError as error:
            raise TableError(f"{options.resume}: {error}") from error
    given = given_air(options, before, velocities, config)
    sources = find_air_sources(config, watched, air_probes)
    inlet = find_inlet_probes(config, at) if watched else ()
    if quantity is TraverseQuantity.VELOCITY:
        check_air(given, at, sources, watched)
    return Setup(
        plan=plan,
        base=base,
        state=state,
        manner=Manner(quantity=quantity, known=known, t0_s=_passed_s(before), in_supply=at is Plane.SUPPLY),
        path=_output_path(options),
        new=options.resume is None or options.output is not None,
        config=config,
        watched=watched,
        probes=tuple({p.name: p for p in (*watched, *air_probes, *inlet)}.values()) if watched else (),
        given=given,
        air_sources=sources if watched else {},
        inlet=tuple(p.name for p in inlet),
        units=_units(options, config),
        notes=_notes(config, watched),
    )


def _quantity(options: TakeOptions, before: Traverse | None) -> TraverseQuantity:
    if before is not None:
        return before.quantity
    return word("--quantity", options.quantity, TraverseQuantity) or TraverseQuantity.VELOCITY


def _velocities(options: TakeOptions, quantity: TraverseQuantity) -> Traverse | None:
    """The earlier velocity traverse that a temperature traverse takes its weights from."""
    if options.velocity is None:
        return None
    if quantity is not TraverseQuantity.TEMPERATURE:
        raise UsageError("--velocity goes with --quantity temperature; leave it out")
    return load_traverse(options.velocity)


def _plan(options: TakeOptions, like: Traverse | None) -> Plan:
    """The points: as the options say, or those of a file that is gone on with or built upon."""
    asked = [name for name in GEOMETRY if getattr(options, name) is not None]
    if options.plan is not None:
        if asked != ["plan"]:
            raise UsageError("--plan names the duct and its points already; leave the other options out")
        plan = load_plan(options.plan, texts.holes_on_long(options.holes_on))
    elif like is None or asked:
        plan = asked_plan(options)
    else:
        plan = plan_like(like, texts.holes_on_long(options.holes_on))
    check_reach(options, plan)
    return plan


def _known(options: TakeOptions, velocities: Traverse | None, plan: Plan) -> tuple[Entry | None, ...]:
    """The velocity at each point, where an earlier traverse has them. Raises UsageError, TableError."""
    if velocities is None:
        return ()
    try:
        known = known_velocities(velocities, plan)
    except TableError as error:
        raise TableError(f"{options.velocity}: {error}") from error
    if None in known:
        n = known.index(None) + 1
        raise UsageError(f"--velocity {options.velocity}: has no velocity at point {n}; complete it first")
    return known


def _check_velocity_source(
    options: TakeOptions, quantity: TraverseQuantity, watched: Sequence[ProbeSetup]
) -> None:
    if options.probe is None and options.config is not None and not watched:
        role = Role.SUPPLY if quantity is TraverseQuantity.TEMPERATURE else Role.VELOCITY
        raise UsageError(
            f"{options.config} has no probe of role {role}: add one, "
            "or leave the config out and type the values"
        )


def _at(options: TakeOptions, quantity: TraverseQuantity, earlier: Traverse | None) -> Plane | None:
    """The plane, as it is said, as a file has it, or as a mixed supply says by itself. Raises UsageError."""
    said = word("--at", options.at, Plane)
    if said is None and earlier is not None:
        said = earlier.at
    return Plane.SUPPLY if said is None and quantity is TraverseQuantity.TEMPERATURE else said


def _passed_s(before: Traverse | None) -> float:
    """Time of the take so far: a resume goes on where the last point ended, or later by the clock."""
    if before is None:
        return 0.0
    again = () if before.repeat_first is None else (before.repeat_first,)
    last_s = max((p.t_s or 0.0 for p in (*before.points, *again)), default=0.0)
    started_us = _utc_us(before.started_utc)
    return last_s if started_us is None else max(last_s, (SystemClock().utc_us() - started_us) / US_PER_S)


def asked_path(options: TakeOptions) -> Path:
    """Where the points go."""
    return options.output or options.resume or DEFAULT_OUTPUT


def _output_path(options: TakeOptions) -> Path:
    """The same; a file that is there is not written over. Raises UsageError."""
    path = asked_path(options)
    if path.exists() and (options.resume is None or path.resolve() != options.resume.resolve()):
        raise UsageError(
            f"{path} is there already: go on with --resume {path}, or name another file with --output"
        )
    return path


def _units(options: TakeOptions, config: LoadedConfig | None) -> str:
    """As asked, else as the config shows values, else as the lengths were typed."""
    if options.units is None and options.config is not None and config is not None:
        return config.units
    return texts.units_of(options.units, options.duct, options.round_)


def _utc_us(text: str | None) -> int | None:
    try:
        return None if text is None else round(datetime.datetime.fromisoformat(text).timestamp() * US_PER_S)
    except ValueError:
        return None


def _notes(config: LoadedConfig | None, watched: Sequence[ProbeSetup]) -> tuple[str, ...]:
    """What the config assumes of the probes that are captured."""
    if config is None:
        return ()
    starts = tuple(f"probes.{probe.name}." for probe in watched)
    return tuple(note for note in config.notes if note.startswith(starts))
