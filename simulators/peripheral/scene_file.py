"""A scene as the user names it: a TOML file, a scenario, a CSV of readings or a stored run -> ``Scene``.

Every fault of a file is a ``ConfigError``: one sentence, with file, line and key.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, NamedTuple, Self

from pydantic import BeforeValidator, Field, ValidationError, model_validator

from logger.config.fields import Amount, Choice, Name
from logger.config.problems import Problem, Source, fault, problems_of
from logger.config.quantities import Dimension
from logger.config.table import Table
from logger.core.errors import ConfigError, UnknownRunError
from simulators.peripheral import sources
from simulators.peripheral.formats import Kind, unplayable
from simulators.peripheral.script import Part, Said, Scene, quantities
from simulators.scenarios import find, names

SIM = "sim-"  # how every name begins that is not given: no real probe's
NAME_BYTES = 29  # UTF-8: 31 octets of legacy advertising data, Core Specification, less length and type
_SIZE_LIMIT = 1_000_000  # bytes; assumed: no scene is larger
_DEFAULT_SIGNALS = ("return", "supply", "velocity", "pressure")  # what a scenario's own config asks for

_ONE_SOURCE = "give one of scenario, readings and run: what is to be played"
_TIME = Amount(Dimension.TIME, "0 s", "30 d")
_SPAN = 2  # values
FULL = 100  # %, a full battery
MOST_SPEED = 100.0  # times; assumed: no radio sends more often


def _pairs(value: object, what: str) -> list[tuple[Any, Any]]:
    if not isinstance(value, list) or any(not isinstance(p, list) or len(p) != _SPAN for p in value):
        raise ValueError(f"must be an array of pairs, {what}")
    return [(first, second) for first, second in value]


def _silences(value: object) -> tuple[tuple[float, float], ...]:
    pairs = _pairs(value, 'from and to, such as [["120 s", "150 s"]]')
    spans = tuple((_TIME(start), _TIME(end)) for start, end in pairs)
    if any(start >= end for start, end in spans):
        raise ValueError("a silence must end after it begins: write from and to")
    return spans


def _dropouts(value: object) -> tuple[tuple[float, float], ...]:
    pairs = _pairs(value, 'when and for how long, such as [["300 s", "20 s"]]')
    spans = tuple((_TIME(start), _TIME(start) + _TIME(lasts)) for start, lasts in pairs)
    if any(start >= end for start, end in spans):
        raise ValueError("a drop-out must last more than 0 s: write when and for how long")
    return spans


def _battery(value: object) -> tuple[tuple[float, int], ...]:
    if isinstance(value, int) and not isinstance(value, bool):
        value = [["0 s", value]]
    pairs = _pairs(value, 'time and level in %, such as [["0 s", 87], ["10 min", 20]]; or one level')
    levels = tuple((_TIME(start), level) for start, level in pairs)
    if any(type(level) is not int or not 0 <= level <= FULL for _, level in levels):
        raise ValueError("a battery level must be a whole number from 0 to 100")
    if not levels or any(one[0] >= other[0] for one, other in pairwise(levels)):
        raise ValueError("battery levels must stand in order of their times")
    return levels


def _advertised(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ValueError("must be text in quotes, without control characters")
    if len(value.encode()) > NAME_BYTES:
        raise ValueError(f"is longer than the {NAME_BYTES} bytes that an advertisement holds; shorten it")
    return value


def _adapter(value: object) -> object:
    if not isinstance(value, str) or not re.fullmatch(r"hci[0-9]{1,3}", value):
        raise ValueError('must be the name of an adapter, such as "hci0"; `bluetoothctl list` has them')
    return value


def _speed(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 < value <= MOST_SPEED:
        raise ValueError(f"must be a number above 0 and up to {MOST_SPEED:g}, without quotes, such as 20")
    return float(value)


class ProbeTable(Table):
    """[probes.NAME]: one played probe. ``source`` is a signal of the scenario, or a recorded probe."""

    as_: Annotated[Kind, BeforeValidator(lambda value: Kind(Choice(tuple(Kind))(value)))] = Field(
        alias="as", examples=["bthome"]
    )
    source: str | None = None
    adapter: Annotated[str, BeforeValidator(_adapter)] | None = None
    name: Annotated[str, BeforeValidator(_advertised)] | None = None
    battery: Annotated[tuple[tuple[float, int], ...], BeforeValidator(_battery)] = ()
    silences: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_silences)] = ()
    dropouts: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_dropouts)] = ()

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.dropouts and self.as_ is not Kind.ESS:
            raise ValueError("dropouts are for ess: a broadcast has no connection to lose; use silences")
        spans = sorted((*self.silences, *self.dropouts))
        if any(one[1] > other[0] for one, other in pairwise(spans)):
            raise ValueError("silences and dropouts overlap; write them apart")
        return self


class SceneTable(Table):
    """A scene file."""

    scenario: str | None = None
    readings: str | None = None
    run: str | None = None
    seed: Annotated[int, Field(ge=0)] = 1
    speed: Annotated[float, BeforeValidator(_speed)] = 1.0
    every: Annotated[float, BeforeValidator(Amount(Dimension.TIME, "0.2 s", "1 h"))] = 1.0
    probes: dict[Name, ProbeTable] = Field(min_length=1, examples=['[probes.sup] with as = "ess"'])


def load_scene(text: str, adapters: Sequence[str]) -> Scene:
    """The scene that the argument names; ``adapters`` are given in turn to the probes without one.

    Raises
    ------
    ConfigError, TableError, UnknownRunError
        It is none, or cannot be played.
    """
    path = Path(text)
    if path.suffix.lower() == ".toml":
        return _file(path, adapters)
    if path.suffix.lower() in {".csv", ".parquet"}:
        return _default(str(path), {"readings": str(path)}, adapters)
    if text in names() or text.removesuffix("-perfect") in names():
        return _default(f"scenario {text}", {"scenario": text}, adapters)
    try:
        return _default(f"run {text}", {"run": text}, adapters)
    except UnknownRunError as error:
        if path.is_dir():
            raise ConfigError(f"{path}: is a directory; name the scene file (.toml) in it") from error
        near = difflib.get_close_matches(text, names(), n=1)
        hint = f"; did you mean the scenario '{near[0]}'?" if near else ""
        raise UnknownRunError(
            f"'{text}' is no scene file (.toml), no scenario (riselog demo --list) and no CSV of readings, "
            f"and as a run: {error}{hint}"
        ) from error


def _default(title: str, table: dict[str, Any], adapters: Sequence[str]) -> Scene:
    """A scene without a file: every probe there is, by broadcasts."""
    unread = SceneTable.model_construct(**table)
    found = _found(unread, title, Path())
    probes = [s for s in _DEFAULT_SIGNALS if s in found.known] if "scenario" in table else found.known
    made = SceneTable.model_validate(table | {"probes": {probe: {"as": "bthome"} for probe in probes}})
    scene = _scene(made, found, adapters)
    for problem in _faults(scene, found.known):
        key = ".".join(map(str, problem.path))
        raise ConfigError(f"{found.title}: {key}: {problem.text}, by a scene file (.toml)")
    return scene


def _file(path: Path, adapters: Sequence[str]) -> Scene:
    text = _text(path)
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        place = re.search(r" \(at line (\d+), column \d+\)$", str(error))
        line, what = (place[1], str(error)[: place.start()]) if place else ("1", str(error))
        raise ConfigError(f"{path}:{line}: is not valid TOML: {what}; repair this line") from error
    try:
        table = SceneTable.model_validate(data)
        problems = [] if _one_source(table) else [Problem(("scenario",), _ONE_SOURCE)]
    except ValidationError as error:
        problems = problems_of(error, SceneTable)
    if not problems and table.scenario is not None:
        problems = list(_scenario_fault(table.scenario))
    if not problems:
        found = _found(table, str(path), path.parent)
        scene = _scene(table, found, adapters)
        problems = list(_faults(scene, found.known))
    if problems:
        raise fault(problems, [Source.of(str(path), text)])
    return scene


def _scenario_fault(name: str) -> Iterator[Problem]:
    """That there is none of that name, at the key of the scene."""
    try:
        find(name)
    except ConfigError as error:
        yield Problem(("scenario",), str(error).removeprefix("[sim] scenario: "))


def _one_source(table: SceneTable) -> bool:
    return sum(each is not None for each in (table.scenario, table.readings, table.run)) == 1


def _text(path: Path) -> str:
    if path.exists() and not path.is_file():  # a pipe may never begin
        raise ConfigError(f"{path}: is no regular file; name a scene file")
    try:
        with path.open("rb") as file:
            data = file.read(_SIZE_LIMIT + 1)
        if len(data) > _SIZE_LIMIT:
            raise ConfigError(f"{path}: is larger than {_SIZE_LIMIT} bytes; name a scene file")
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: is not UTF-8 text; save the file as UTF-8") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ConfigError(f"{path}: cannot be read ({reason}); check the path and its permissions") from error


class _Found(NamedTuple):
    """What there is to be played: sources, when it ends, and what a probe of a name says of a source."""

    title: str
    known: Sequence[str]
    end_ns: int
    said: Callable[[str, str], Sequence[Said]]


def _found(table: SceneTable, title: str, folder: Path) -> _Found:
    if table.scenario is not None:
        scenario = find(table.scenario)
        return _Found(
            title,
            sources.signals_of(scenario),
            sources.end_of_scenario_ns(scenario),
            lambda probe, source: sources.of_scenario(scenario, source, probe, table.seed),
        )
    if table.readings is not None:
        recording = sources.of_file(folder / table.readings)
    else:
        run, recording = sources.of_run(table.run or "last")
        title = f"run {run}" if title == f"run {table.run}" else f"{title}, run {run}"
    end_ns = max(said[-1].t_ns for said in recording.values())
    return _Found(title, list(recording), end_ns, lambda _, source: recording[source])


def _scene(table: SceneTable, found: _Found, adapters: Sequence[str]) -> Scene:
    """The scene of a table; whether it can be played is not asked here."""
    parts = [_part(probe, own, n, adapters) for n, (probe, own) in enumerate(table.probes.items())]
    sound = [part for part in parts if part.source in found.known]
    return Scene(
        title=found.title,
        parts=tuple(parts),
        said={part.probe: found.said(part.probe, part.source) for part in sound},
        end_ns=found.end_ns,
        speed=table.speed,
        every_s=table.every,
    )


def _part(probe: str, table: ProbeTable, n: int, adapters: Sequence[str]) -> Part:
    return Part(
        probe=probe,
        kind=table.as_,
        source=table.source or probe,
        advertised=table.name or (probe if probe.startswith(SIM) else f"{SIM}{probe}")[:NAME_BYTES],
        adapter=table.adapter or (adapters[n % len(adapters)] if adapters else None),
        battery=table.battery,
        silences=table.silences,
        dropouts=table.dropouts,
    )


def _faults(scene: Scene, known: Sequence[str]) -> Iterator[Problem]:
    """What cannot be played of a scene."""
    first: dict[str, str] = {}
    for part in scene.parts:
        path = ("probes", part.probe)
        other = first.setdefault(part.advertised, part.probe)
        if other != part.probe:
            yield Problem((*path, "name"), f"'{part.advertised}' is that of {other} too; give it another")
        if part.source not in known:
            yield Problem((*path, "source"), f"'{part.source}' is not there; there is {', '.join(known)}")
        elif not quantities(scene, part):
            spoken = sorted({each.quantity for each in scene.said[part.probe]})
            lost = ", ".join(unplayable(part.kind, spoken))
            yield Problem((*path, "as"), f"{part.kind} has no code for {lost}; play another source")
