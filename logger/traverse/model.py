"""What a traverse file may say: the models of ``riselog.traverse/1``, and faults as sentences."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from logger.core.params import STANDARD_DENSITY_KG_M3
from logger.core.readings import QUANTITIES, Quantity, QuantityInfo

SCHEMA = "riselog.traverse/1"
TEXT_LIMIT = 1000  # characters, assumed
VELOCITY_PRESSURE_MOST_PA = 2500.0  # either way; 60 m/s is 2200 Pa
_MOST_POINTS = 900  # assumed: 30 x 30


def _within(info: QuantityInfo) -> Any:  # noqa: ANN401 - pydantic's own type
    return Field(ge=info.low, le=info.high)


_Fraction = Annotated[float, Field(ge=0.001, le=0.999)]  # assumed: nearer to a wall nobody measures
SIDE_M = (0.02, 20.0)  # m, assumed: beyond it a unit was confused
_Side = Annotated[float, Field(ge=SIDE_M[0], le=SIDE_M[1])]
_Percent = Annotated[float, Field(ge=0.0, le=50.0)]
_Velocity = Annotated[float, _within(QUANTITIES[Quantity.VELOCITY])]
_VelocityPressure = Annotated[float, Field(ge=-VELOCITY_PRESSURE_MOST_PA, le=VELOCITY_PRESSURE_MOST_PA)]
_Temperature = Annotated[float, _within(QUANTITIES[Quantity.TEMPERATURE])]
_SCATTER_MOST_K = 100.0  # assumed: the scatter of a value is below the value itself
_Seconds = Annotated[float, Field(ge=0.0)]
_Count = Annotated[int, Field(ge=1, le=30)]


class StrictModel(BaseModel):
    """Any object of a file: unknown keys are errors, nothing is coerced, nan and inf refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class RectangularDuct(StrictModel):
    """Free sides of a rectangular duct."""

    shape: Literal["rectangular"]
    width_m: _Side
    height_m: _Side


class RoundDuct(StrictModel):
    """Free diameter of a round duct."""

    shape: Literal["round"]
    diameter_m: _Side


class PointModel(StrictModel):
    """One point: its place, and what was read there."""

    x: _Fraction
    y: _Fraction | None = None
    diameter: Annotated[int, Field(ge=0, le=29)] | None = None
    velocity_m_s: _Velocity | None = None
    velocity_pressure_pa: _VelocityPressure | None = None
    temperature_c: _Temperature | None = None
    scatter_m_s: Annotated[float, Field(ge=0.0, le=QUANTITIES[Quantity.VELOCITY].high)] | None = None
    scatter_pa: Annotated[float, Field(ge=0.0, le=VELOCITY_PRESSURE_MOST_PA)] | None = None
    scatter_k: Annotated[float, Field(ge=0.0, le=_SCATTER_MOST_K)] | None = None
    t_s: _Seconds | None = None
    settled: bool = True


class TraverseFile(StrictModel):
    """The whole file. Keys with a default may be left out."""

    schema_: Literal["riselog.traverse/1"] = Field(alias="schema")
    duct: RectangularDuct | RoundDuct = Field(discriminator="shape")
    method: Literal["log-tchebycheff", "log-linear", "equal-area"]
    points_across: _Count | None = None
    points_down: _Count | None = None
    points_per_diameter: _Count | None = None
    diameters: _Count | None = None
    basis: Literal["standard", "actual"]
    reference_density_kg_m3: Annotated[float, Field(ge=0.5, le=2.0)] = STANDARD_DENSITY_KG_M3
    temperature_c: _Temperature
    humidity_pct: Annotated[float, Field(ge=0.0, le=100.0)]
    pressure_pa: Annotated[float, _within(QUANTITIES[Quantity.PRESSURE])]
    velocity_u95_percent: _Percent
    area_u95_percent: _Percent = 1.0
    temperature_u95_k: Annotated[float, Field(ge=0.0, le=20.0)] = 0.5
    points: Annotated[list[PointModel], Field(max_length=_MOST_POINTS)]
    repeat_first: PointModel | None = None
    quantity: Literal["velocity", "temperature"] = "velocity"
    plane: Literal["duct", "filter-face"] = "duct"
    upstream_diameters: Annotated[float, Field(ge=0.0, le=100.0)] | None = None
    at: Literal["return", "supply"] | None = None
    burner: Literal["on", "off"] | None = None
    inlet_temperature_c: _Temperature | None = None
    assumed: list[Literal["temperature", "humidity", "pressure"]] = []
    pressure_from: Literal["altitude", "typed", "probe"] | None = None
    complete: bool = True
    started_utc: Annotated[str, Field(max_length=TEXT_LIMIT)] | None = None
    probe: Annotated[str, Field(max_length=TEXT_LIMIT)] | None = None
    notes: Annotated[str, Field(max_length=TEXT_LIMIT)] | None = None


_PHRASES = {
    "missing": "missing; add it",
    "extra_forbidden": "unknown key; remove it or correct its spelling",
    "union_tag_not_found": 'missing shape; write "rectangular" or "round"',
    "union_tag_invalid": 'unknown shape; write "rectangular" or "round"',
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "bool_type": "must be true or false",
    "string_type": "must be text in quotes",
    "list_type": "must be an array",
    "model_type": "must be an object in braces",
    "model_attributes_type": "must be an object in braces",
    "finite_number": "must be a finite number",
    "greater_than_equal": "must be at least {ge:g}; check number and unit",
    "less_than_equal": "must be at most {le:g}; check number and unit",
    "literal_error": "must be {expected}",
    "too_long": "has more than {max_length} entries; check the file",
    "string_too_long": "is longer than {max_length} characters; shorten it",
}
"""Sentences for pydantic's error types; what is not here keeps pydantic's own."""


def key_fault(key: str, value: float) -> str | None:
    """Why a number cannot stand at a key of the file; None where it can.

    >>> key_fault("velocity_u95_percent", 60.0), key_fault("velocity_u95_percent", 5.0)
    ('is 60 and must be at most 50; check number and unit', None)
    """
    try:
        TraverseFile.model_validate({key: value})
    except ValidationError as error:
        own = [entry for entry in error.errors(include_url=False) if entry["loc"] == (key,)]
        return f"is {value:g} and {_phrase(own[0])}" if own else None
    return None


def fault_sentences(error: ValidationError, name: str) -> list[str]:
    """One sentence a fault, at most ten: file, JSON path of the key, what to do."""
    sentences = []
    for entry in error.errors(include_url=False)[:10]:
        where = [part for part in entry["loc"] if part not in ("rectangular", "round")]
        sentences.append(f"{name}: key {_path(where)}: {_phrase(entry)}")
    return sentences


def _phrase(entry: ErrorDetails) -> str:
    phrase = _PHRASES.get(entry["type"], " ".join(entry["msg"].split()))
    return phrase.format(**entry.get("ctx", {}))


def _path(where: Iterable[int | str]) -> str:
    path = ""
    for part in where:
        clean = "".join(c if c.isprintable() else "?" for c in str(part)[:40])
        path += f"[{part}]" if isinstance(part, int) else f".{clean}" if path else clean
    return path or "(the whole file)"


def find_problems(file: TraverseFile) -> Iterable[tuple[str, str]]:
    """What the keys mean together: one (key, sentence) a fault."""
    yield from _head_problems(file)
    is_round = isinstance(file.duct, RoundDuct)
    seen: dict[tuple[int, float, float], int] = {}
    for number, point in enumerate(file.points):
        key = f"points[{number}]"
        yield from _point_problems(file, point, key, is_round=is_round)
        place = (point.diameter or 0, round(point.x, 6), round(point.y or 0.0, 6))
        if place in seen:
            yield key, f"stands where points[{seen[place]}] stands; keep one (a repeat goes to repeat_first)"
        seen[place] = number
    if file.repeat_first is not None:
        yield from _point_problems(file, file.repeat_first, "repeat_first", is_round=is_round)


def _head_problems(file: TraverseFile) -> Iterable[tuple[str, str]]:
    is_round = isinstance(file.duct, RoundDuct)
    mine = ("points_per_diameter", "diameters") if is_round else ("points_across", "points_down")
    other = ("points_across", "points_down") if is_round else ("points_per_diameter", "diameters")
    for key in mine:
        if getattr(file, key) is None:
            yield key, f"missing; a {file.duct.shape} duct needs it"
    for key in other:
        if getattr(file, key) is not None:
            yield key, f"does not go with a {file.duct.shape} duct; remove it"
    if file.method == "log-linear" and not is_round:
        yield "method", "log-linear is for round ducts here; write log-tchebycheff or equal-area"
    if file.plane == "filter-face":
        yield from _face_problems(file)
    if len(set(file.assumed)) < len(file.assumed):
        yield "assumed", "names one thing twice; keep each once"


def _face_problems(file: TraverseFile) -> Iterable[tuple[str, str]]:
    if isinstance(file.duct, RoundDuct):
        yield "plane", "a filter face is rectangular; correct plane or duct"
    if file.upstream_diameters is not None:
        yield "upstream_diameters", "goes with a plane in a duct; remove it"


def _point_problems(
    file: TraverseFile, point: PointModel, key: str, *, is_round: bool
) -> Iterable[tuple[str, str]]:
    if is_round and point.y is not None:
        yield f"{key}.y", "does not go with a round duct; give diameter and x along it"
    if is_round and point.diameter is None:
        yield f"{key}.diameter", "missing; a point of a round duct needs the number of its diameter, from 0"
    if is_round and point.diameter is not None and point.diameter >= (file.diameters or 30):
        yield f"{key}.diameter", f"must be below diameters, {file.diameters}"
    if not is_round and point.diameter is not None:
        yield f"{key}.diameter", "does not go with a rectangular duct; give x and y"
    if not is_round and point.y is None:
        yield f"{key}.y", "missing; a point of a rectangular duct needs x and y"
    given = [point.velocity_m_s is not None, point.velocity_pressure_pa is not None]
    if all(given):
        yield f"{key}.velocity_pressure_pa", "velocity_m_s is given too; keep what was read, remove the other"
    if not any(given):
        yield f"{key}.velocity_m_s", "missing; give velocity_m_s or velocity_pressure_pa"
    if file.quantity == "temperature" and point.temperature_c is None:
        yield f"{key}.temperature_c", "missing; a temperature traverse needs it at every point"
