"""The fan-curve file ``riselog.fan-curve/1``: speed, density, and points of volume and pressure."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from logger.core.airflow_sources import FanCurve
from logger.core.errors import TableError
from logger.core.params import STANDARD_DENSITY_KG_M3
from logger.traverse.file import parse_json, read_small
from logger.traverse.model import StrictModel, fault_sentences

SCHEMA = "riselog.fan-curve/1"
EXAMPLE = (
    '{"schema": "riselog.fan-curve/1", "speed_rpm": 900, "points": '
    '[{"volume_m3_s": 0.8, "static_pa": 300}, {"volume_m3_s": 1.1, "static_pa": 220}]}'
)
RPM_RANGE = (10.0, 20_000.0)  # turns a minute: fans of air handlers (assumed)
MOST_STATIC_PA = 10_000.0  # Pa, same
_LEAST_POINTS = 2


class CurvePoint(StrictModel):
    """One point of the curve."""

    volume_m3_s: Annotated[float, Field(ge=0.0, le=500.0)]
    static_pa: Annotated[float, Field(ge=-500.0, le=MOST_STATIC_PA)]


class CurveFile(StrictModel):
    """The whole file."""

    schema_: Literal["riselog.fan-curve/1"] = Field(alias="schema")
    speed_rpm: Annotated[float, Field(ge=RPM_RANGE[0], le=RPM_RANGE[1])]
    density_kg_m3: Annotated[float, Field(ge=0.5, le=2.0)] = STANDARD_DENSITY_KG_M3
    points: Annotated[list[CurvePoint], Field(max_length=1000)]
    notes: Annotated[str, Field(max_length=1000)] | None = None


def load_curve(path: Path) -> FanCurve:
    """Read a fan curve.

    Raises
    ------
    TableError
        It cannot be read or used; the sentence names file and key.
    """
    document = parse_json(read_small(path), str(path))
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise TableError(f'{path}: key schema: must be "{SCHEMA}"; a curve looks like {EXAMPLE}')
    try:
        file = CurveFile.model_validate(document)
    except ValidationError as error:
        raise TableError("\n".join(fault_sentences(error, str(path)))) from error
    points = tuple((p.volume_m3_s, p.static_pa) for p in file.points)
    if len(points) < _LEAST_POINTS:
        raise TableError(
            f"{path}: key points: a curve needs at least {_LEAST_POINTS} points; read more off it"
        )
    for n in range(1, len(points)):
        if points[n][0] <= points[n - 1][0]:
            raise TableError(
                f"{path}: key points[{n}].volume_m3_s: must be above the point before; sort them"
            )
    return FanCurve(speed_rpm=file.speed_rpm, density_kg_m3=file.density_kg_m3, points=points)
