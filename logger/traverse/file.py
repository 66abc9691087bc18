"""The traverse file ``riselog.traverse/1``: JSON text <-> ``Traverse``, and the file on disk.

Read strictly: an unknown key, a wrong unit of thought or a point twice is told with file and key.
Written whole: a power cut leaves the old file or the new one, never half of one.
"""

from __future__ import annotations

import contextlib
import json
import os
import stat
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from logger.core.errors import TableError
from logger.core.params import Burner, Plane, VelocityBasis
from logger.core.traverse import (
    Assumed,
    Duct,
    DuctShape,
    MeasuredPlane,
    Method,
    PressureFrom,
    Traverse,
    TraversePoint,
    TraverseQuantity,
)
from logger.traverse.model import SCHEMA, PointModel, RoundDuct, TraverseFile, fault_sentences, find_problems

SIZE_LIMIT = 1_000_000  # bytes, assumed: no traverse is larger, a wrong file may be


def load_traverse(path: Path | str) -> Traverse:
    """Read a traverse file.

    Raises
    ------
    TableError
        It cannot be read or used; the sentence names file and key.
    """
    return loads_traverse(read_small(Path(path)), str(path))


def read_small(path: Path) -> str:
    """Text of a small file. Raises TableError with the reason and the next step."""
    try:
        with path.open("rb") as file:
            data = file.read(SIZE_LIMIT + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise TableError(f"{path}: cannot be read ({reason}); check the path and its permissions") from error
    if len(data) > SIZE_LIMIT:
        raise TableError(f"{path}: is larger than {SIZE_LIMIT} bytes; name a smaller file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableError(f"{path}: is not UTF-8 text; save the file as UTF-8") from error


def loads_traverse(text: str, name: str) -> Traverse:
    """As ``load_traverse``, from text; ``name`` stands for the file in messages.

    Raises
    ------
    TableError
        The text cannot be used.
    """
    document = parse_json(text, name)
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise TableError(f'{name}: key schema: must be "{SCHEMA}"; name a traverse file')
    try:
        file = TraverseFile.model_validate(document)
    except ValidationError as error:
        raise TableError("\n".join(fault_sentences(error, name))) from error
    problems = list(find_problems(file))
    if problems:
        raise TableError("\n".join(f"{name}: key {key}: {text}" for key, text in problems[:10]))
    return _traverse(file)


def parse_json(text: str, name: str) -> Any:  # noqa: ANN401 - JSON is anything
    """JSON text parsed; a key twice and nan are refused. Raises TableError with the line."""

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) < len(pairs):
            keys = [key for key, _ in pairs]
            twice = next(key for key in keys if keys.count(key) > 1)
            raise TableError(f"{name}: key {twice[:40]!r} stands twice in one object; keep one")
        return found

    try:
        return json.loads(text, object_pairs_hook=unique)
    except json.JSONDecodeError as error:
        raise TableError(
            f"{name}:{error.lineno}: is not valid JSON ({error.msg}); repair this line"
        ) from error
    except (RecursionError, ValueError) as error:
        raise TableError(f"{name}: is not usable JSON ({type(error).__name__}); repair it") from error


def _point(model: PointModel) -> TraversePoint:
    return TraversePoint(
        x=model.x,
        y=0.5 if model.y is None else model.y,
        diameter=model.diameter or 0,
        velocity_m_s=model.velocity_m_s,
        velocity_pressure_pa=model.velocity_pressure_pa,
        temperature_c=model.temperature_c,
        scatter_m_s=model.scatter_m_s,
        scatter_pa=model.scatter_pa,
        scatter_k=model.scatter_k,
        t_s=model.t_s,
        settled=model.settled,
    )


def _traverse(file: TraverseFile) -> Traverse:
    if isinstance(file.duct, RoundDuct):
        duct = Duct(shape=DuctShape.ROUND, diameter_m=file.duct.diameter_m)
    else:
        duct = Duct(shape=DuctShape.RECTANGULAR, width_m=file.duct.width_m, height_m=file.duct.height_m)
    return Traverse(
        duct=duct,
        method=Method(file.method),
        points=tuple(_point(point) for point in file.points),
        points_across=file.points_across or 0,
        points_down=file.points_down or 0,
        points_per_diameter=file.points_per_diameter or 0,
        diameters=file.diameters or 0,
        basis=VelocityBasis(file.basis),
        reference_density_kg_m3=file.reference_density_kg_m3,
        temperature_c=file.temperature_c,
        humidity=file.humidity_pct / 100.0,
        pressure_pa=file.pressure_pa,
        velocity_u95=file.velocity_u95_percent / 100.0,
        area_u95=file.area_u95_percent / 100.0,
        temperature_u95_k=file.temperature_u95_k,
        repeat_first=None if file.repeat_first is None else _point(file.repeat_first),
        quantity=TraverseQuantity(file.quantity),
        plane=MeasuredPlane(file.plane),
        upstream_diameters=file.upstream_diameters,
        at=None if file.at is None else Plane(file.at),
        burner=None if file.burner is None else Burner(file.burner),
        inlet_temperature_c=file.inlet_temperature_c,
        assumed=tuple(Assumed(word) for word in file.assumed),
        pressure_from=None if file.pressure_from is None else PressureFrom(file.pressure_from),
        complete=file.complete,
        started_utc=file.started_utc,
        probe=file.probe,
        notes=file.notes,
    )


_WHERE_SAID = (
    *("pressure_from", "upstream_diameters", "at", "burner", "inlet_temperature_c"),
    *("started_utc", "probe", "notes"),
)


def traverse_document(traverse: Traverse) -> dict[str, Any]:
    """The JSON document; keys that say nothing are left out."""
    is_round = traverse.duct.shape is DuctShape.ROUND
    duct: dict[str, Any] = {"shape": traverse.duct.shape.value}
    if is_round:
        duct["diameter_m"] = traverse.duct.diameter_m
        grid = {"points_per_diameter": traverse.points_per_diameter, "diameters": traverse.diameters}
    else:
        duct |= {"width_m": traverse.duct.width_m, "height_m": traverse.duct.height_m}
        grid = {"points_across": traverse.points_across, "points_down": traverse.points_down}
    document: dict[str, Any] = {
        "schema": SCHEMA,
        "duct": duct,
        "method": traverse.method.value,
        **grid,
        "basis": traverse.basis.value,
        "reference_density_kg_m3": traverse.reference_density_kg_m3,
        "temperature_c": traverse.temperature_c,
        "humidity_pct": _percent(traverse.humidity),
        "pressure_pa": traverse.pressure_pa,
        "velocity_u95_percent": _percent(traverse.velocity_u95),
        "area_u95_percent": _percent(traverse.area_u95),
        "temperature_u95_k": traverse.temperature_u95_k,
        "quantity": traverse.quantity.value,
        "plane": traverse.plane.value,
        "complete": traverse.complete,
    }
    if traverse.assumed:
        document["assumed"] = [word.value for word in traverse.assumed]
    for key in _WHERE_SAID:
        if (value := getattr(traverse, key)) is not None:
            document[key] = value
    document["points"] = [_point_document(point, is_round=is_round) for point in traverse.points]
    if traverse.repeat_first is not None:
        document["repeat_first"] = _point_document(traverse.repeat_first, is_round=is_round)
    return document


def _percent(fraction: float) -> float:
    """Percent that comes back as the same fraction."""
    percent = round(fraction * 100.0, 10)
    return percent if percent / 100.0 == fraction else fraction * 100.0


def _point_document(point: TraversePoint, *, is_round: bool) -> dict[str, Any]:
    place = {"diameter": point.diameter, "x": point.x} if is_round else {"x": point.x, "y": point.y}
    values = {
        key: getattr(point, key)
        for key in (
            "velocity_m_s",
            "velocity_pressure_pa",
            "temperature_c",
            "scatter_m_s",
            "scatter_pa",
            "scatter_k",
            "t_s",
        )
    }
    if not point.settled:
        values["settled"] = False
    return place | {key: value for key, value in values.items() if value is not None}


def dumps_traverse(traverse: Traverse) -> str:
    """JSON text, one point a line so that people can read and mend it."""
    document = traverse_document(traverse)
    points = document.pop("points")
    head = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)
    rows = ",\n  ".join(json.dumps(point, ensure_ascii=False, allow_nan=False) for point in points)
    return (
        f'{head[:-2]},\n "points": [\n  {rows}\n ]\n}}\n' if points else f'{head[:-2]},\n "points": []\n}}\n'
    )


def save_traverse(path: Path | str, traverse: Traverse) -> None:
    """Write a traverse file whole: beside it first, flushed to the disk, then put in its place.

    Through a link, and with the rights that the file has. What a crash left beside it is written over.

    Raises
    ------
    TableError
        It cannot be written; what stood there before still does.
    """
    path = Path(path)
    try:
        target = path.resolve()
        beside = target.with_name(f".{target.name}.part")
        _write_beside(beside, target, dumps_traverse(traverse))
    except (OSError, RuntimeError) as error:  # RuntimeError: links in a circle
        reason = getattr(error, "strerror", None) or "its links lead in a circle"
        raise TableError(
            f"{path}: cannot be written ({reason}); choose another place, or free some space"
        ) from error


def _write_beside(beside: Path, target: Path, text: str) -> None:
    try:
        beside.unlink(missing_ok=True)
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(FileNotFoundError):
            beside.chmod(stat.S_IMODE(target.stat().st_mode))
        beside.replace(target)
        _sync_folder(target.parent)
    except OSError:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise


def _sync_folder(folder: Path) -> None:
    """Make the new name last too, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
