"""A config file read, checked and turned into what the rest of the logger needs.

Every fault is a ``ConfigError``: one sentence each, with file, line and key.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from logger.config.checks import find_problems
from logger.config.driver_files import FileTexts
from logger.config.fields import Name, unknown_word
from logger.config.params import job_params
from logger.config.problems import Problem, Source, fault, problems_of
from logger.config.quantities import Units
from logger.config.schema import PROBE_TABLES, ConfigFile, MqttTable, ProbeTable, SimTable
from logger.config.secrets import without_secrets
from logger.config.table import Table
from logger.config.toml_text import KeyPath, parse_toml, toml_text
from logger.config.traverse import located, read_traverse
from logger.config.visit import VisitTable
from logger.core.errors import ConfigError
from logger.core.params import MAIN_QUANTITY, JobParams, Role
from logger.core.readings import Quantity
from logger.plugins import PLUGIN_FAULTS, author, plugin_at_work
from logger.text import one_line

DriverOptions = Mapping[str, type[BaseModel]]
"""The ``Options`` model of each known driver, by the driver's name."""

BROKER_FILES = ("ca_file", "cert_file", "key_file", "password_file")
EXTRA = "command line"  # what the sentences call the text that options of a command add
_SIZE_LIMIT = 1_000_000  # bytes, assumed: no config is larger, a wrong file may be
_OWN_KEYS = frozenset(ProbeTable.model_fields)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeSetup:
    """One probe as its driver is asked for it; ``options`` have passed the driver's model."""

    name: str
    role: Role
    driver: str
    options: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class SimSettings:
    """The [sim] table; ``speed`` is times real time, None is as fast as it goes."""

    scenario: str
    speed: float | None
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Retention:
    """How long the readings of ended runs are kept, and how large a store may be; None: no limit."""

    age_s: float | None = None
    size_bytes: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedConfig:
    """A config that can be used.

    ``effective_text`` is TOML without secrets that can be loaded again; ``files`` is the content
    of every file that the config names; ``notes`` says what was assumed, a sentence each.
    """

    name: str
    job: JobParams
    units: Units
    probes: tuple[ProbeSetup, ...]
    sim: SimSettings | None
    store_path: Path | None
    retention: Retention = Retention()
    mqtt: MqttTable | None
    visit: VisitTable | None = None
    effective_text: str
    files: Mapping[str, str]
    notes: tuple[str, ...]

    @property
    def simulated(self) -> bool:
        """Whether the readings come from a simulation."""
        return self.sim is not None


def load_config(
    path: Path | str, driver_options: DriverOptions | None, extra_text: str | None = None
) -> LoadedConfig:
    """Read a config file; ``extra_text`` is TOML whose keys win over the file's.

    Raises
    ------
    ConfigError
        The file cannot be read or used.
    """
    path = Path(path)
    try:
        data = _read(path)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ConfigError(f"{path}: cannot be read ({reason}); check the path and its permissions") from error
    if len(data) > _SIZE_LIMIT:
        raise ConfigError(f"{path}: is larger than {_SIZE_LIMIT} bytes; name a config file")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise ConfigError(f"{path}:{line}: is not UTF-8 text; save the file as UTF-8") from error
    return loads_config(text, str(path), driver_options, extra_text, folder=path.parent)


def loads_config(
    text: str,
    name: str,
    driver_options: DriverOptions | None,
    extra_text: str | None = None,
    *,
    folder: Path | None = None,
    stored: Mapping[str, str] | None = None,
) -> LoadedConfig:
    """As ``load_config``, from text; ``name`` stands for the file, ``folder`` is where its
    relative paths start, ``stored`` texts stand in for the files it names. With ``driver_options``
    None the drivers' own keys are left unchecked (a replay opens no driver). Raises ConfigError.
    """
    data, sources = _all_texts(text, name, extra_text)
    problems: list[Problem] = []
    config = _tables(data, problems)
    folder = folder or Path()
    texts = FileTexts(folder, stored or {})
    probes, setups = _probes(data.get("probes"), driver_options, texts, problems)
    if problems or config is None:
        raise fault(problems, sources)
    traverse, problems = read_traverse(config, folder, stored or {})
    problems = [*find_problems(config, probes), *problems]
    if problems:
        raise fault(problems, sources)
    job, notes = job_params(config, probes, traverse)
    return LoadedConfig(
        name=name,
        job=job,
        units=config.job.units,
        probes=tuple(setups),
        sim=_sim(config.sim),
        store_path=located(config.store.path, folder) if config.store.path else None,
        retention=Retention(age_s=config.store.keep, size_bytes=config.store.keep_size),
        mqtt=_broker(config.mqtt, folder),
        visit=config.visit,
        effective_text=toml_text(_without_secrets(data, setups)),
        files=dict(stored or {}) | texts.read | ({} if traverse is None else {traverse.name: traverse.text}),
        notes=notes,
    )


def _broker(mqtt: MqttTable | None, folder: Path) -> MqttTable | None:
    """The table with its files named from where the program runs, not from the config's folder."""
    if mqtt is None:
        return None
    named = {key: getattr(mqtt, key) for key in BROKER_FILES}
    return mqtt.model_copy(
        update={key: str(located(name, folder)) for key, name in named.items() if name is not None}
    )


def _all_texts(text: str, name: str, extra_text: str | None) -> tuple[dict[str, Any], list[Source]]:
    """The tables of the file and of what is to win over it, with the strongest source first."""
    data = parse_toml(text, name)
    if not extra_text:
        return data, [Source.of(name, text)]
    merged = _merged(data, parse_toml(extra_text, EXTRA))
    return merged, [Source.of(EXTRA, extra_text), Source.of(name, text)]


def _merged(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    result = dict(below)
    for key, value in above.items():
        old = result.get(key)
        result[key] = _merged(old, value) if isinstance(old, dict) and isinstance(value, dict) else value
    return result


def _tables(data: Mapping[str, Any], problems: list[Problem]) -> ConfigFile | None:
    try:
        return ConfigFile.model_validate(data)
    except ValidationError as error:
        problems += problems_of(error, ConfigFile)
        return None


def _probes(
    tables: object, driver_options: DriverOptions | None, texts: FileTexts, problems: list[Problem]
) -> tuple[dict[str, ProbeTable], list[ProbeSetup]]:
    probes: dict[str, ProbeTable] = {}
    setups: list[ProbeSetup] = []
    if not isinstance(tables, dict):
        return probes, setups  # the schema has already said so
    for name, table in tables.items():
        path: KeyPath = ("probes", name)
        if not isinstance(table, dict):
            problems.append(Problem(path, f"must be a table: write [probes.{name}] with role and driver"))
            continue
        problems += _name_problem(name, path)
        probe = _own_keys(table, path, problems)
        options = _driver_keys(table, path, driver_options, texts, problems)
        if probe is not None and options is not None:
            probes[name] = probe
            setups.append(ProbeSetup(name=name, role=probe.role, driver=probe.driver, options=options))
    problems += _twins(setups, driver_options)
    return probes, setups


def _twins(setups: Sequence[ProbeSetup], driver_options: DriverOptions | None) -> Iterator[Problem]:
    """Two probes that are one value of one device: a copied address, and a rise of 0 all day.

    One device may well give the velocity of one role and the temperature of another, or two temperatures.
    """
    first: dict[tuple[str, str, str, Quantity, Hashable], str] = {}
    for setup in setups:
        for key in ("address", "name"):
            value = setup.options.get(key)
            if not isinstance(value, str):
                continue
            quantity = MAIN_QUANTITY[setup.role]
            may_choose, chosen = _chosen(setup, quantity, driver_options)
            other = first.setdefault((setup.driver, key, value.casefold(), quantity, chosen), setup.name)
            if other != setup.name:
                text = f"{key} '{value}' is that of probe '{other}' too; every probe needs its own"
                text += f", or another {quantity} of that device" if may_choose else ""
                yield Problem(("probes", setup.name, key), text)


def _chosen(
    setup: ProbeSetup, quantity: Quantity, driver_options: DriverOptions | None
) -> tuple[bool, Hashable]:
    """Whether a probe can choose among its device's values of a quantity, and which one it has chosen.
    Without the drivers, as for a stored run, two tables that differ are believed to choose."""
    if driver_options is None:
        return True, repr(sorted(setup.options.items()))
    model = driver_options[setup.driver]
    if not hasattr(model, "chosen"):
        return False, None
    try:
        found = model.model_validate(setup.options).chosen(quantity)
        hash(found)
    except Exception:  # noqa: BLE001 - a plug-in may fail in any way; then nothing is chosen
        return False, None
    return True, found


class _Named(Table):
    name: Name


def _name_problem(name: str, path: KeyPath) -> list[Problem]:
    try:
        _Named(name=name)
    except ValidationError as error:
        return [Problem(path, problem.text) for problem in problems_of(error, _Named)]
    return []


def _own_keys(table: Mapping[str, Any], path: KeyPath, problems: list[Problem]) -> ProbeTable | None:
    role = table.get("role")
    model = PROBE_TABLES[Role(role)] if role in tuple(Role) else ProbeTable
    try:
        return model.model_validate({key: table[key] for key in table if key in _OWN_KEYS})
    except ValidationError as error:
        problems += problems_of(error, model, path)
        return None


def _driver_keys(
    table: Mapping[str, Any],
    path: KeyPath,
    driver_options: DriverOptions | None,
    texts: FileTexts,
    problems: list[Problem],
) -> dict[str, Any] | None:
    """The driver's own keys, through its model; None where that cannot be had."""
    rest = {key: table[key] for key in table if key not in _OWN_KEYS}
    driver = table.get("driver")
    if driver_options is None:
        return rest
    if not isinstance(driver, str):
        return None  # the logger's own keys have already said so
    try:
        model = driver_options[driver]
    except KeyError:
        problems.append(Problem((*path, "driver"), _unknown_driver(driver, driver_options)))
        return None
    except ConfigError as error:
        problems.append(Problem((*path, "driver"), str(error)))
        return None
    try:
        with plugin_at_work():
            options = model.model_validate(rest, context={"folder": texts.folder}).model_dump()
    except ValidationError as error:
        problems += problems_of(error, model, path, also_accepted=_OWN_KEYS)
        return None
    except PLUGIN_FAULTS as error:
        what = one_line(f"{type(error).__name__}: {error}")
        text = f"the driver cannot say whether its keys are right ({what}); report it to {author(driver)}"
        problems.append(Problem((*path, "driver"), text))
        return None
    return texts.contents(model, options, path, problems)


def _unknown_driver(driver: str, known: DriverOptions) -> str:
    return f"no such driver is installed: {unknown_word(driver, sorted(known))}"


def _read(path: Path) -> bytes:
    """Content of a small file, or one byte more than the limit."""
    with path.open("rb") as file:
        return file.read(_SIZE_LIMIT + 1)


def _sim(table: SimTable | None) -> SimSettings | None:
    if table is None:
        return None
    return SimSettings(scenario=table.scenario, speed=table.speed, seed=table.seed)


def _without_secrets(data: dict[str, Any], setups: list[ProbeSetup]) -> dict[str, Any]:
    probes = {}
    for setup in setups:
        table = data["probes"][setup.name]
        own = {key: value for key, value in table.items() if key in _OWN_KEYS}
        rest = {key: value for key, value in table.items() if key not in _OWN_KEYS}
        probes[setup.name] = own | without_secrets(rest, setup.options)
    return {**data, "probes": probes}
