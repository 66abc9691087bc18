"""``riselog traverse plan, compute, factor, fan-curve, electric`` as they are typed."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.airflow.drawing import ASCII, UNICODE, draw
from logger.airflow.lengths import mark
from logger.cli import main
from logger.config.load import load_config
from logger.core.traverse import Duct, DuctShape, Method, TraverseQuantity
from logger.core.traverse_plan import make_plan
from logger.safety import CAUTIONS
from logger.traverse.file import save_traverse
from tests.core.ducts import ROUND, walk

Run = Callable[..., tuple[int, str, str]]
CURVE = {
    "schema": "riselog.fan-curve/1",
    "speed_rpm": 900,
    "points": [{"volume_m3_s": 0.8, "static_pa": 300}, {"volume_m3_s": 1.1, "static_pa": 220}],
}


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Run:
    def typed(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as end:
            main(["traverse", *arguments])
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err
        return int(end.value.code or 0), out, err

    return typed


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "duct.json"
    base = walk(speed=lambda p: 4.0 + p.x)
    save_traverse(path, replace(base, repeat_first=base.points[0], upstream_diameters=8.0))
    return path


def document(run: Run, *arguments: str) -> dict[str, Any]:
    code, out, err = run(*arguments, "--json")
    assert (code, err) == (0, "")
    found: dict[str, Any] = json.loads(out)
    return found


# -- plan ----------------------------------------------------------------------------------------


def test_marks_in_sixteenths_and_millimetres() -> None:
    """1.03 4.03 7.00 9.97 12.97 in and their sixteenths: by hand."""
    marks = [mark(x * 14 * 0.0254, "us") for x in (0.07358, 0.28787, 0.5, 0.71213, 0.92642)]
    assert marks == ["1", "4", "7", "10", "13"]  # 12.97 in is 207.5 sixteenths
    assert [mark(v * 0.0254, "us") for v in (3.3125, 0.5, 0.02, 11.99, 2.75)] == [
        "3 5/16",
        "1/2",
        "0",
        "12",
        "2 3/4",
    ]
    assert mark(0.08412, "si") == "84"


def test_the_plan_for_people(run: Run) -> None:
    code, out, _ = run("plan", "--duct", "20 in x 14 in", "--liner", "1 in")
    assert code == 0
    lines = out.splitlines()
    assert max(map(len, lines)) <= 80
    flat = " ".join(out.split())
    assert "18 in wide x 12 in high inside a liner of 1 in: free area 1.500 ft²" in flat
    assert "1: 2 5/16" in flat  # 1 + 0.07358 x 18 = 2.324 in
    assert "1 7/8 4 7/16 7 9 9/16 12 1/8" in flat  # 1 + 12 x (0.07358 0.28787 ...)
    assert CAUTIONS[4] in flat
    assert "7.5 diameters" in flat


def test_the_plan_as_a_document(run: Run) -> None:
    found = document(run, "plan", "--duct", "20 in x 14 in", "--points", "5x5")
    assert found["schema"] == "riselog.plan/1"
    assert [p["n"] for p in found["points"]] == list(range(1, 26))
    assert {"n", "x", "y", "depth_m", "hole_m"} <= set(found["points"][0])
    assert found["points"][0]["depth_m"] == pytest.approx(1.03 * 0.0254, abs=1.5e-4)
    assert found["points"][0]["hole_m"] == pytest.approx(1.47 * 0.0254, abs=1.5e-4)
    assert all({"code", "ok", "text"} == set(c) for c in found["checks"])
    assert all(c["ok"] for c in found["checks"])


def test_the_quick_grid_says_its_bias_and_what_it_costs(run: Run) -> None:
    """+6.54 % on the product power law, exact integral."""
    found = document(run, "plan", "--duct", "20 in x 14 in", "--points", "3x3", "--method", "equal-area")
    checks = {c["code"]: c for c in found["checks"]}
    assert not checks["points"]["ok"]
    assert "the standard asks for 25" in checks["points"]["text"]
    assert "+6.5%" in checks["method-bias"]["text"]
    assert found["expected_bias_percent"] == pytest.approx(6.54, abs=0.01)
    assert found["expected_u95_percent"] > 10


def test_a_tip_that_strikes_the_far_wall_is_told(run: Run) -> None:
    found = document(run, "plan", "--round", "400 mm", "--tip-offset", "10 mm")
    (reach,) = [c for c in found["checks"] if c["code"] == "reach"]
    assert "point 10, 20" in reach["text"]


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        ((), "no duct"),
        (("--duct", "20 x 14"), "needs a unit"),
        (("--duct", "20 in"), "write width x height"),
        (("--duct", "20 in x 14 in", "--round", "16 in"), "both given"),
        (("--round", "16 ft", "--liner", "9 ft"), "--liner"),
        (("--round", "4 in", "--liner", "2 in"), "leaves no free area"),
        (("--round", "16 in", "--points", "5x2"), "even"),
        (("--round", "16 in", "--plane", "filter-face"), "filter face is rectangular"),
        (("--duct", "20 in x 14 in", "--method", "log-linear"), "round ducts"),
        (("--duct", "20 in x 14 in", "--method", "best"), "log-tchebycheff or log-linear or equal-area"),
        (("--duct", "20 in x 14 in", "--points", "10x10"), "no rule"),
        (("--duct", "20 in x 14 in", "--points", "lots"), "such as 5x5"),
        (("--duct", "20 in x 14 in", "--holes-on", "top"), "long or short"),
        (("--duct", "20 in x 14 in", "--units", "metric"), "us or si"),
        (("--duct", "900 ft x 14 in"), "no side of a duct"),
    ],
)
def test_a_plan_that_cannot_be(run: Run, arguments: tuple[str, ...], part: str) -> None:
    code, out, err = run("plan", *arguments)
    assert (code, out) == (2, "")
    assert part in err
    assert err.startswith("riselog: ")
    assert len(err.splitlines()) == 1


def box(width_m: float, height_m: float) -> Duct:
    return Duct(shape=DuctShape.RECTANGULAR, width_m=width_m, height_m=height_m)


@pytest.mark.parametrize("pen", [UNICODE, ASCII])
@pytest.mark.parametrize("holes_on_long", [True, False])
@pytest.mark.parametrize(
    ("duct", "method", "grid"),
    [
        (box(0.5, 0.35), Method.LOG_TCHEBYCHEFF, (5, 5)),
        (box(0.35, 0.5), Method.LOG_TCHEBYCHEFF, (7, 7)),
        (box(2.0, 0.2), Method.EQUAL_AREA, (9, 3)),
        (box(0.2, 2.0), Method.EQUAL_AREA, (3, 9)),
        (box(1.0, 1.0), Method.EQUAL_AREA, (15, 12)),
        (ROUND, Method.LOG_LINEAR, (6, 2)),
        (ROUND, Method.LOG_LINEAR, (10, 2)),
        (ROUND, Method.LOG_TCHEBYCHEFF, (10, 3)),
    ],
)
def test_every_number_can_be_read_in_the_drawing(
    pen: Any,
    holes_on_long: bool,  # noqa: FBT001
    duct: Duct,
    method: Method,
    grid: tuple[int, int],
) -> None:
    plan = make_plan(duct, method=method, grid=grid, holes_on_long=holes_on_long)
    lines = draw(plan, pen)
    assert max(map(len, lines)) <= 80
    words = "".join(c if c.isdigit() else " " for line in lines for c in f"{line}\n").split()
    for point in plan.points:
        assert str(point.n) in words
    if pen is ASCII:
        assert all(line.isascii() for line in lines)


def test_points_are_drawn_where_they_stand() -> None:
    """In a rectangle, left to right and top to bottom as x and y."""
    plan = make_plan(box(0.5, 0.35), grid=(5, 5))
    lines = draw(plan)
    at = {}
    for row, line in enumerate(lines[2:]):
        for p in plan.points:
            column = f" {line} ".find(f" {p.n} ")
            if column >= 0:
                at[p.n] = (column + len(str(p.n)), row)  # the last digit
    assert len(at) == 25
    for p in plan.points:
        for q in plan.points:
            if p.point.x < q.point.x:
                assert at[p.n][0] < at[q.n][0]
            if p.point.y == q.point.y:
                assert at[p.n][1] == at[q.n][1]


# -- compute -------------------------------------------------------------------------------------


def test_compute(run: Run, file: Path) -> None:
    """4.5 m/s standard over 0.508 x 0.3556 m: by hand."""
    found = document(run, "compute", str(file))
    assert found["schema"] == "riselog.airflow/1"
    assert found["standard_volume_m3_s"] == pytest.approx(4.5 * 0.508 * 0.3556)
    assert 4.0 < found["u95_percent"] < 6.0
    assert [c["code"] for c in found["checks"] if not c["ok"]] == []
    code, out, _ = run("compute", str(file), "--units", "si")
    assert code == 0
    assert max(map(len, out.splitlines())) <= 80
    assert f'traverse = "{file}"' in out
    assert "m³/s" in out


def test_compute_goes_into_a_config(run: Run, file: Path) -> None:
    """What the command prints for the config is a config."""
    _, out, _ = run("compute", str(file))
    table = out[out.index("[airflow]") :]
    text = '[job]\nname = "bench"\npressure = "98.8 kPa"\n' + "\n".join(x.strip() for x in table.splitlines())
    text += '\n[probes.r]\nrole = "return"\ndriver = "x"\n[probes.s]\nrole = "supply"\ndriver = "x"\n'
    (file.parent / "job.toml").write_text(text)
    flow = load_config(file.parent / "job.toml", None).job.airflow
    assert flow.volume_m3_s == pytest.approx(document(run, "compute", str(file))["volume_m3_s"])


def test_compute_of_a_temperature_traverse(run: Run, tmp_path: Path) -> None:
    base = walk(speed=lambda p: 4.0 + p.x)
    warm = tuple(replace(p, temperature_c=45.0 + 4 * p.y, scatter_k=0.1) for p in base.points)
    path = tmp_path / "mixed.json"
    save_traverse(path, replace(base, points=warm, quantity=TraverseQuantity.TEMPERATURE))
    found = document(run, "compute", str(path), "--return", "20 °C")
    assert found["schema"] == "riselog.mixed-temperature/1"
    assert found["mixed_c"] == pytest.approx(47.0)  # y and x do not hang together: the plain mean
    assert found["placement_u95_percent"] == pytest.approx(100 * found["placement_u95_k"] / 27.0)
    code, out, _ = run("compute", str(path), "--return", "70 °F")
    assert code == 0
    assert "placement_u95 = " in out
    assert run("compute", str(path), "--return", "60 °C")[0] == 2
    assert run("factor", str(path))[0] == 2


@pytest.mark.parametrize("command", ["compute", "factor"])
def test_a_file_that_cannot_be_used(run: Run, tmp_path: Path, command: str) -> None:
    for name, text in (("none.json", None), ("bad.json", "{"), ("other.json", "{}")):
        if text is not None:
            (tmp_path / name).write_text(text)
        code, out, err = run(command, str(tmp_path / name))
        assert (code, out) == (2, "")
        assert name in err
    save_traverse(tmp_path / "empty.json", replace(walk(), points=(), complete=False))
    code, _, err = run("compute", str(tmp_path / "empty.json"))
    assert code == 2
    assert "empty.json: the traverse has no point yet" in err


def test_factor(run: Run, file: Path) -> None:
    found = document(run, "factor", str(file), "--fixed", "5 m/s", "--fixed", "984.252 fpm")
    assert found["factor"] == pytest.approx(0.9, rel=1e-5)
    assert (found["readings"], found["basis"]) == (2, "standard")
    code, out, _ = run("factor", str(file), "--fixed", "5 m/s")
    assert code == 0
    assert "factor = 0.9000" in out
    assert run("factor", str(file), "--fixed", "0 m/s")[0] == 2
    assert run("factor", str(file), "--fixed", "5")[0] == 2


# -- other sources -------------------------------------------------------------------------------


def test_fan_curve(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "fan.json"
    path.write_text(json.dumps(CURVE))
    found = document(
        run,
        "fan-curve",
        "--curve",
        str(path),
        "--rpm",
        "900",
        "--static",
        "260 Pa",
        "--density",
        "1.2014 kg/m3",
    )
    assert found["schema"] == "riselog.airflow/1"
    assert found["volume_m3_s"] == pytest.approx(0.95)
    assert (found["area_m2"], found["mean_velocity_m_s"]) == (None, None)
    code, _, err = run("fan-curve", "--curve", str(path), "--rpm", "900", "--static", "900 Pa")
    assert code == 2
    assert "fan.json: at its own speed" in err
    path.write_text(json.dumps(CURVE | {"points": CURVE["points"][::-1]}))  # type: ignore[index]
    code, _, err = run("fan-curve", "--curve", str(path), "--rpm", "900", "--static", "260 Pa")
    assert code == 2
    assert "key points[1].volume_m3_s: must be above the point before" in err


def test_electric(run: Run) -> None:
    """54.587 kW warms 1.5 m3/s of 20 C, 40 % from 20 to 50 C (psychrolib)."""
    found = document(
        run,
        "electric",
        *("--power", "54.587 kW", "--return", "20 °C", "--supply", "50 °C", "--humidity", "40 %"),
    )
    assert found["volume_m3_s"] == pytest.approx(1.5, rel=1e-4)
    code, _, err = run("electric", "--power", "5 kW", "--return", "50 °C", "--supply", "20 °C")
    assert code == 2
    assert "swapped" in err


@pytest.mark.parametrize("command", ["plan", "compute", "factor", "fan-curve", "electric"])
def test_help_has_examples(run: Run, command: str) -> None:
    code, out, _ = run(command, "--help")
    assert code == 0
    assert f"riselog traverse {command}" in out


def test_a_replay_has_the_traverse_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """The file's content is stored with the run: the replay needs no file, and its loss is told by run."""
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    template = (Path(__file__).parents[2] / "config" / "simulated.toml").read_text(encoding="utf-8")
    kept = [
        x
        for x in template.splitlines()
        if not x.startswith(("volume", "temperature", "humidity", 'u95 = "4'))
    ]
    text = "\n".join(kept).replace('source = "fixed"', 'source = "fixed"\ntraverse = "duct.json"')
    (tmp_path / "job.toml").write_text(text.replace("speed = 20", 'speed = "max"'), encoding="utf-8")
    save_traverse(tmp_path / "duct.json", walk(speed=lambda _p: 5.6))

    def answer(*arguments: str) -> tuple[int, dict[str, Any], str]:
        with pytest.raises(SystemExit) as end:
            main([*arguments, "--json"])
        out, err = capfd.readouterr()
        return int(end.value.code or 0), json.loads(out) if out else {}, err

    code, first, _ = answer("run", str(tmp_path / "job.toml"))
    assert code == 0
    assert any(line["source"] == "airflow: sampling" for line in first["budget"])
    (tmp_path / "duct.json").unlink()
    code, again, _ = answer("replay", "last")
    assert code == 0
    same = ("verdict", "firing", "budget", "events", "cycles")
    assert {key: again[key] for key in same} == {key: first[key] for key in same}
    code, _, err = answer("run", str(tmp_path / "job.toml"))
    assert code == 2
    assert "airflow.traverse" in err
    assert "duct.json: cannot be read" in err
