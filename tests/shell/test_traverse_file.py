"""The traverse file: what comes back, what is refused and how, and that it is never half written."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.errors import TableError
from logger.core.params import Burner, Plane, VelocityBasis
from logger.core.traverse import (
    Assumed,
    MeasuredPlane,
    Method,
    PressureFrom,
    Traverse,
    TraversePoint,
    TraverseQuantity,
)
from logger.core.traverse_flow import measure
from logger.traverse import file as traverse_file
from logger.traverse.file import dumps_traverse, load_traverse, loads_traverse, save_traverse
from tests.core.ducts import ROUND, walk

EXAMPLE = """{"schema": "riselog.traverse/1",
 "duct": {"shape": "rectangular", "width_m": 0.508, "height_m": 0.3556},
 "method": "log-tchebycheff", "points_across": 5, "points_down": 5,
 "basis": "standard", "reference_density_kg_m3": 1.2014, "temperature_c": 21.5, "humidity_pct": 40.0,
 "pressure_pa": 98800.0, "velocity_u95_percent": 4.0, "area_u95_percent": 1.0,
 "points": [{"x": 0.0736, "y": 0.0736, "velocity_m_s": 4.1, "scatter_m_s": 0.1, "t_s": 12.0}]}"""


def test_the_documented_example_is_read() -> None:
    traverse = loads_traverse(EXAMPLE, "t.json")
    assert traverse == replace(
        walk(),
        points=(TraversePoint(x=0.0736, y=0.0736, velocity_m_s=4.1, scatter_m_s=0.1, t_s=12.0),),
    )


values = st.floats(-50, 50)
texts = st.text(max_size=40)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(values, st.floats(0, 5), st.none() | st.floats(0, 1e5)), min_size=25, max_size=25),
    st.booleans(),
    st.sampled_from(VelocityBasis),
    st.tuples(st.none() | texts, st.none() | texts, st.none() | texts),
    st.floats(0, 0.5),
)
def test_what_is_written_comes_back(
    readings: list[tuple[float, float, float | None]],
    by_pressure: bool,  # noqa: FBT001
    basis: VelocityBasis,
    said: tuple[str | None, str | None, str | None],
    u95: float,
) -> None:
    base = walk()
    points = tuple(
        replace(
            p,
            velocity_m_s=None if by_pressure else v,
            velocity_pressure_pa=v if by_pressure else None,
            scatter_m_s=None if by_pressure else s,
            scatter_pa=s if by_pressure else None,
            t_s=t,
        )
        for p, (v, s, t) in zip(base.points, readings, strict=True)
    )
    traverse = replace(
        base,
        points=points,
        basis=basis,
        started_utc=said[0],
        probe=said[1],
        notes=said[2],
        complete=by_pressure,
        repeat_first=points[0] if by_pressure else None,
        velocity_u95=u95,
    )
    again = loads_traverse(dumps_traverse(traverse), "t.json")
    assert replace(again, velocity_u95=u95) == traverse
    assert again.velocity_u95 == pytest.approx(u95, rel=1e-12, abs=1e-300)


@pytest.mark.parametrize(
    "traverse",
    [
        walk(ROUND, Method.LOG_LINEAR, (6, 2)),
        replace(walk(method=Method.EQUAL_AREA, grid=(4, 3)), plane=MeasuredPlane.FILTER_FACE),
        replace(
            walk(),
            quantity=TraverseQuantity.TEMPERATURE,
            points=tuple(replace(p, temperature_c=48.0, scatter_k=0.1) for p in walk().points),
        ),
        replace(walk(), points=(), complete=False),
        replace(walk(), upstream_diameters=6.5),
        replace(walk(), points=tuple(replace(p, settled=p.x < 0.5) for p in walk().points)),
        replace(walk(), at=Plane.SUPPLY, burner=Burner.ON, assumed=(Assumed.HUMIDITY, Assumed.PRESSURE)),
        replace(walk(), pressure_from=PressureFrom.PROBE, burner=Burner.ON, inlet_temperature_c=20.5),
    ],
)
def test_every_kind_comes_back(tmp_path: Path, traverse: Traverse) -> None:
    save_traverse(tmp_path / "t.json", traverse)
    assert load_traverse(tmp_path / "t.json") == traverse
    assert [p.name for p in tmp_path.iterdir()] == ["t.json"]


def changed(change: Callable[[dict[str, Any]], object]) -> str:
    document = json.loads(EXAMPLE)
    change(document)
    return json.dumps(document)


POINT = {"x": 0.5, "y": 0.5, "velocity_m_s": 4.0}
BAD: list[tuple[Callable[[dict[str, Any]], object], str]] = [
    (lambda d: d.pop("method"), "key method: missing"),
    (lambda d: d.update(methode="x"), "key methode: unknown key"),
    (lambda d: d["duct"].update(shape="oval"), 'key duct: unknown shape; write "rectangular" or "round"'),
    (lambda d: d["duct"].update(width_m=20), None),  # an integer is a number
    (lambda d: d["duct"].update(width_m=508), "key duct.width_m: must be at most 20"),
    (lambda d: d["duct"].update(width_m="508 mm"), "key duct.width_m: must be a number"),
    (lambda d: d.update(basis="normal"), "key basis: must be 'standard' or 'actual'"),
    (lambda d: d.update(pressure_pa=988.0), "key pressure_pa: must be at least 30000"),
    (lambda d: d.update(humidity_pct=0.4), None),
    (
        lambda d: d.update(points_per_diameter=6),
        "key points_per_diameter: does not go with a rectangular duct",
    ),
    (lambda d: d.pop("points_down"), "key points_down: missing; a rectangular duct needs it"),
    (lambda d: d["points"].append(dict(POINT, x=0.0)), "key points[1].x: must be at least 0.001"),
    (lambda d: d["points"].append(dict(POINT, x=50)), "key points[1].x: must be at most 0.999"),
    (lambda d: d["points"].append(dict(POINT, x=1e-200)), "key points[1].x: must be at least 0.001"),
    (lambda d: d["points"].append(dict(POINT, y=1.0 - 1e-16)), "key points[1].y: must be at most 0.999"),
    (lambda d: d.update(pressure_from="map"), "key pressure_from: must be 'altitude', 'typed' or 'probe'"),
    (lambda d: d.update(inlet_temperature_c=900), "key inlet_temperature_c: must be at most"),
    (lambda d: d["points"].append({"x": 0.5, "y": 0.5}), "key points[1].velocity_m_s: missing"),
    (lambda d: d["points"].append(dict(POINT, velocity_pressure_pa=9.0)), "velocity_m_s is given too"),
    (lambda d: d["points"].append({"x": 0.5, "velocity_m_s": 4.0}), "key points[1].y: missing"),
    (lambda d: d["points"].append(dict(POINT, diameter=0)), "key points[1].diameter: does not go"),
    (lambda d: d["points"].append(dict(d["points"][0])), "key points[1]: stands where points[0] stands"),
    (lambda d: d.update(method="log-linear"), "key method: log-linear is for round ducts here"),
    (lambda d: d.update(quantity="temperature"), "key points[0].temperature_c: missing"),
    (lambda d: d.update(points={}), "key points: must be an array"),
    (lambda d: d.update(upstream_diameters=101), "key upstream_diameters: must be at most 100"),
    (
        lambda d: d.update(plane="filter-face", upstream_diameters=8),
        "key upstream_diameters: goes with a plane in a duct",
    ),
    (lambda d: d.update(burner="hot"), "key burner: must be 'on' or 'off'"),
    (
        lambda d: d.update(assumed=["basis"]),
        "key assumed[0]: must be 'temperature', 'humidity'",
    ),
    (lambda d: d.update(assumed=["pressure"] * 2), "key assumed: names one thing twice"),
    (lambda d: d.update(complete="yes"), "key complete: must be true or false"),
    (
        lambda d: d.update(repeat_first=dict(POINT, velocity_m_s=99)),
        "key repeat_first.velocity_m_s: must be at most",
    ),
    (lambda d: d.update(schema="riselog.traverse/2"), 'key schema: must be "riselog.traverse/1"'),
    (lambda d: d.update(points=[dict(POINT)] * 901), "key points: has more than 900 entries"),
]


@pytest.mark.parametrize(("change", "part"), BAD)
def test_a_fault_names_file_and_key(change: Callable[[dict[str, Any]], object], part: str | None) -> None:
    if part is None:
        loads_traverse(changed(change), "t.json")
        return
    with pytest.raises(TableError) as caught:
        loads_traverse(changed(change), "t.json")
    assert all(line.startswith("t.json: key ") for line in str(caught.value).splitlines())
    assert part in str(caught.value)


@pytest.mark.parametrize(("x", "y"), [(0.001, 0.5), (0.999, 0.001), (0.5, 0.999)])
def test_every_place_that_is_read_can_be_computed_with(x: float, y: float) -> None:
    """The nearest to a wall that the file takes: no division by nothing, a u95 of its own."""
    traverse = loads_traverse(changed(lambda d: d["points"].append(dict(POINT, x=x, y=y))), "t.json")
    assert 0.0 < measure(traverse).u95 < 10.0


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "t.json:1: is not valid JSON"),
        ("[1, 2]", "key schema: must be"),
        ('{"schema": "riselog.traverse/1",\n "duct": }', "t.json:2: is not valid JSON"),
        ("[" * 100_000, "is not usable JSON"),
        (EXAMPLE.replace("4.1", "NaN"), "points[0].velocity_m_s: must be a finite number"),
        (EXAMPLE.replace("4.1", "1e999"), "points[0].velocity_m_s: must be a finite number"),
        (EXAMPLE.replace('"y": 0.0736', '"y": 0.0736, "y": 0.1'), "key 'y' stands twice"),
    ],
)
def test_what_is_no_traverse_file(text: str, part: str) -> None:
    with pytest.raises(TableError) as caught:
        loads_traverse(text, "t.json")
    assert part in str(caught.value)
    assert len(str(caught.value)) < 400


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=200) | st.binary(max_size=200).map(lambda b: b.decode("latin-1")))
def test_any_text_is_read_or_refused_in_a_sentence(text: str) -> None:
    with pytest.raises(TableError, match=r"t\.json"):
        loads_traverse(text, "t.json")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="No such file"):
        load_traverse(tmp_path / "none.json")
    with pytest.raises(TableError, match="Is a directory"):
        load_traverse(tmp_path)
    (tmp_path / "latin.json").write_bytes(b'{"schema": "\xe9"}')
    with pytest.raises(TableError, match="not UTF-8"):
        load_traverse(tmp_path / "latin.json")
    (tmp_path / "big.json").write_bytes(b" " * 1_000_001)
    with pytest.raises(TableError, match="larger than"):
        load_traverse(tmp_path / "big.json")
    (tmp_path / "bom.json").write_bytes(b"\xef\xbb\xbf" + EXAMPLE.encode())
    assert load_traverse(tmp_path / "bom.json").points


def test_the_old_file_stands_where_the_new_one_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "t.json"
    save_traverse(path, walk())
    before = path.read_bytes()

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(traverse_file.os, "fsync", full)
    with pytest.raises(TableError, match=r"t\.json: cannot be written \(No space left on device\)"):
        save_traverse(path, replace(walk(), notes="new"))
    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["t.json"]  # noqa: PTH208
    with pytest.raises(TableError, match="cannot be written"):
        save_traverse(tmp_path / "no" / "t.json", walk())


def test_the_new_file_is_on_the_disk_before_the_old_one_goes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Order: write, fsync of the new file, then the rename."""
    done: list[str] = []
    sync, move = os.fsync, Path.replace

    def synced(handle: int) -> None:
        done.append("fsync")
        sync(handle)

    def moved(self: Path, target: Path) -> Path:
        done.append("replace")
        assert self.read_text() == dumps_traverse(walk())
        return move(self, target)

    monkeypatch.setattr(traverse_file.os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", moved)
    save_traverse(tmp_path / "t.json", walk())
    assert done == ["fsync", "replace", "fsync"]
