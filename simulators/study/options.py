"""The options of a study as they are typed, and the cells they stand for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path

from logger.config.load import loads_config
from logger.config.quantities import Dimension, QuantityError, parse, show
from logger.core.errors import ConfigError, UsageError
from logger.core.params import SteadyParams
from logger.text import clean_text
from simulators.scenarios import find
from simulators.study.setting import Setting, cells
from simulators.study.traverses import method_of

STANDARD_LIST = (  # what the method is to master; faults that it cannot see are asked for by name
    "standard",
    "tau-60",
    "tau-200",
    "tau-300",
    "slow-tail",
    "climbing-room",
    "weak",
    "stratified",
    "outdoor-20",
    "two-stage",
    "electric-stages",
    "heat-pump",
    "heat-pump-defrost",
    "cooling-dry",
    "cooling-wet",
    "cooling-deep",
    "cooling-draw-through",
    "flat-supply",
    "limit-cycling",
    "short-firing",
)
MOST_CELLS = 1_000  # more would run for days: rather a slip of the pen (assumed)
MOST_TRIALS = 500_000  # in all: 10 to 35 h of a processor, and every trial is kept in memory (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyOptions:
    """As typed. ``grid``: texts by field of ``Setting``, several values apart by commas."""

    scenarios: tuple[str, ...] = ()
    trials: int = 500
    seed: int = 1
    jobs: int | None = None
    scheduler: str | None = None
    grid: dict[str, str] = field(default_factory=dict)
    output: Path | None = None
    csv: Path | None = None
    json: bool = False


def _quantity(
    dimension: Dimension, *, least: float = 0.0, most: float = float("inf")
) -> Callable[[str], float]:
    def value(text: str) -> float:
        number = parse(text, dimension)
        if not isfinite(number) or not least <= number <= most:
            low = "above 0" if least == _TINY else f"from {show(least, dimension, 'si')} on"
            high = f", up to {show(most, dimension, 'si')}" if isfinite(most) else ""
            raise QuantityError(f"'{text}' cannot be: write a value {low}{high}")
        return number

    return value


def _traverse(text: str) -> str:
    method_of(text)
    return " ".join(text.split())


_TINY = 1e-9
_GRID: dict[str, tuple[str, Callable[[str], object]]] = {
    "probe_u95_k": ("--probe-u95", _quantity(Dimension.DIFFERENCE, least=_TINY, most=20.0)),
    "noise_k": ("--noise", _quantity(Dimension.DIFFERENCE, most=20.0)),
    "lag_s": ("--lag", _quantity(Dimension.TIME, most=600.0)),
    "humidity_u95": ("--humidity-u95", _quantity(Dimension.FRACTION, least=_TINY, most=0.2)),
    "airflow_u95": ("--airflow-u95", _quantity(Dimension.FRACTION, least=_TINY, most=0.9)),
    "traverse": ("--traverse", _traverse),
    "window_s": ("--window", _quantity(Dimension.TIME, least=30.0, most=600.0)),
    "window_max_s": ("--window-max", _quantity(Dimension.TIME, least=30.0, most=3600.0)),
    "hold_s": ("--hold", _quantity(Dimension.TIME, least=1.0, most=3600.0)),
    "remaining": ("--remaining", _quantity(Dimension.FRACTION, least=0.0001, most=0.5)),
    "time_constant_s": ("--time-constant", _quantity(Dimension.TIME, least=1.0, most=3600.0)),
    "spread": ("--spread", _quantity(Dimension.FRACTION, least=0.0001, most=0.5)),
}


def cells_of(options: StudyOptions) -> tuple[Setting, ...]:
    """Every cell of the study.

    Raises
    ------
    UsageError
        A value that cannot be read or be used; the sentence names its option.
    """
    if options.output is not None and options.output.suffix.casefold() not in {".html", ".htm"}:
        raise UsageError(f"--output {options.output}: the page is HTML; name a file that ends in .html")
    if options.csv is not None and options.csv.is_dir():
        raise UsageError(f"--csv {options.csv} is a folder; name a file in it")
    if options.trials < 1:
        raise UsageError(f"--trials {options.trials}: at least one trial has to be made")
    if options.seed < 0:
        raise UsageError(f"--seed {options.seed}: write a whole number from 0 upwards")
    if "airflow_u95" in options.grid and "traverse" in options.grid:
        raise UsageError("--airflow-u95 and --traverse both say how well the airflow is known: leave one out")
    grid = {name: _values(name, text) for name, text in options.grid.items()}
    scenarios = tuple(dict.fromkeys(options.scenarios)) or STANDARD_LIST
    for scenario in scenarios:
        _known(scenario)
    found = tuple(cells(scenarios, grid))
    if len(found) > MOST_CELLS:
        raise UsageError(f"these options make {len(found)} cells; vary less at once, {MOST_CELLS} at most")
    if len(found) * options.trials > MOST_TRIALS:
        raise UsageError(
            f"--trials {options.trials}: {len(found)} cell(s) of so many trials would compute for days; "
            f"{MOST_TRIALS // len(found)} of each at most here, and 2000 tell a coverage to about 1 %"
        )
    _windows_fit(found)
    return found


def _windows_fit(found: tuple[Setting, ...]) -> None:
    """As the config has it: a window is no longer than the longest."""
    usual = SteadyParams()
    for cell in found:
        window_s = usual.window_s if cell.window_s is None else cell.window_s
        most_s = usual.window_max_s if cell.window_max_s is None else cell.window_max_s
        if window_s > most_s:
            raise UsageError(f"--window {window_s:g} s is longer than --window-max {most_s:g} s; change one")


def _values(name: str, text: str) -> list[object]:
    option, read = _GRID[name]
    try:
        return list(dict.fromkeys(read(part.strip()) for part in text.split(",")))
    except QuantityError as error:
        raise UsageError(f"{option}: {error}") from error


def _known(name: str) -> None:
    try:
        scenario = find(name)
    except ConfigError as error:
        text = str(error).removeprefix("[sim] scenario: ")
        raise UsageError(f"--scenario {clean_text(name)[:40]}: {text}") from error
    try:
        loads_config(scenario.config_text, name, None)
    except ConfigError as error:
        raise UsageError(f"--scenario {name} cannot be judged: {error}") from error
