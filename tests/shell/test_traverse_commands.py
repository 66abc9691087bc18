"""``riselog traverse plan, compute, factor, fan-curve, electric`` as they are typed."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from math import hypot
from pathlib import Path
from typing import Any

import pytest

from logger.airflow.drawing import ASCII, UNICODE, draw
from logger.airflow.lengths import mark
from logger.cli import main
from logger.config.load import loads_config
from logger.core.airflow import AirState
from logger.core.flow import AirflowLaw
from logger.core.params import AirflowSource, Burner, JobParams, Plane
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
        (("--round", "16 in", "--holes-on", "short"), "--holes-on goes with a rectangular duct"),
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


JOB = """[job]
name = "bench"
pressure = "{pressure}"
{block}
[probes.r]
role = "return"
driver = "x"
[probes.s]
role = "supply"
driver = "x"
[probes.duct]
role = "velocity"
driver = "x"
"""


def loaded(out: str, folder: Path, pressure: str = "98.8 kPa") -> JobParams:
    """The job of a minimal config with the printed block in it, exactly as it was printed."""
    text = JOB.format(pressure=pressure, block=out[out.index("  [airflow]") :])
    return loads_config(text, "job.toml", None, folder=folder).job


def test_compute_goes_into_a_config(run: Run, file: Path) -> None:
    """What the command prints for the config is a config."""
    flow = loaded(run("compute", str(file))[1], file.parent).airflow
    assert flow.volume_m3_s == pytest.approx(document(run, "compute", str(file))["volume_m3_s"])
    assert flow.at is Plane.RETURN


@pytest.mark.parametrize(
    ("temperature_c", "said", "at", "burner"),
    [
        (21.0, None, Plane.RETURN, Burner.OFF),
        (30.0, None, Plane.RETURN, Burner.OFF),
        (48.0, None, Plane.SUPPLY, Burner.ON),
        (48.0, Burner.ON, Plane.SUPPLY, Burner.ON),
        (24.0, Burner.ON, Plane.RETURN, Burner.ON),
    ],
)
def test_a_hot_plane_asks_for_the_burner(
    run: Run, tmp_path: Path, temperature_c: float, said: Burner | None, at: Plane, burner: Burner
) -> None:
    path = tmp_path / "duct.json"
    save_traverse(path, replace(walk(), temperature_c=temperature_c, humidity=0.1, burner=said))
    out = run("compute", str(path))[1]
    flow = loaded(out, tmp_path).airflow
    assert (flow.at, flow.burner) == (at, burner)
    assert ("burner" in out[out.index("[airflow]") :]) is (said is None and temperature_c >= 26.0)


def test_a_relative_file_counts_from_the_configs_folder(
    run: Run, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(file.parent)
    out = run("compute", "duct.json")[1]
    assert 'traverse = "duct.json"  # from the config\'s folder' in out
    assert loaded(out, file.parent).airflow.lines


def test_factor_of_a_hot_plane_is_one_of_the_supply(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "hot.json"
    save_traverse(path, replace(walk(), temperature_c=48.0, humidity=0.1))
    _, out, _ = run("factor", str(path), "--fixed", "5 m/s")
    assert '  at = "supply"' in out
    save_traverse(path, walk())
    _, out, _ = run("factor", str(path), "--fixed", "5 m/s")
    assert '  at = "return"  # or "supply"' in out


def test_factor_goes_into_a_config(run: Run, file: Path) -> None:
    """The fixed probe reads again what it read: the job has the traverse's dry mass, and its u95."""
    fixed = [part for text in ("4.1 m/s", "4.12 m/s", "4.08 m/s") for part in ("--fixed", text)]
    found = document(run, "factor", str(file), *fixed)
    job = loaded(run("factor", str(file), *fixed)[1], file.parent)
    flow = job.airflow
    assert flow.reference is not None
    assert flow.area_m2 == pytest.approx(0.508 * 0.3556, rel=1e-5)
    assert flow.u95 == pytest.approx(found["config_u95_percent"] / 100.0, abs=6e-4)
    assert flow.reference_density_kg_m3 == found["reference_density_kg_m3"] == 1.2014
    state = AirState.of(21.5, 0.4, 98_800.0)
    w = state.humidity_ratio
    live_kg_s = AirflowLaw(job).dry_air(21.5, 45.0, w, 98_800.0, 4.1, 21.5)
    assert live_kg_s == pytest.approx(document(run, "compute", str(file))["dry_air_kg_s"], rel=1e-4)


def test_fan_curve_goes_into_a_config(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "fan.json"
    path.write_text(json.dumps(CURVE))
    air = ("--temperature", "12 °C", "--humidity", "40 %", "--pressure", "90 kPa")
    typed = ("fan-curve", "--curve", str(path), "--rpm", "900", "--static", "210 Pa", *air)
    job = loaded(run(*typed)[1], tmp_path, "90 kPa")
    found = document(run, *typed)
    state = AirState.of(12.0, 0.4, 90_000.0)
    now_kg_s = AirflowLaw(job).dry_air(12.0, 45.0, state.humidity_ratio, 90_000.0, None, 12.0)
    assert now_kg_s == pytest.approx(found["dry_air_kg_s"], rel=1e-3)
    assert job.airflow.u95 == pytest.approx(found["u95_percent"] / 100.0, abs=6e-4)
    assert job.airflow.at is Plane.RETURN
    out = run(*typed, "--temperature", "40 °C", "--humidity", "15 %")[1]
    assert loaded(out, tmp_path, "90 kPa").airflow.at is Plane.SUPPLY
    assert (
        "# [job]: needs this air's pressure, 90.00 kPa (26.58 inHg)" in out
    )  # 1 inHg = 3386.39 Pa, NIST SP 811


def test_electric_goes_into_a_config(run: Run, tmp_path: Path) -> None:
    """A mass of dry air, that hangs on no pressure of the job."""
    typed = ("electric", "--power", "54.587 kW", "--return", "20 °C", "--supply", "50 °C")
    for pressure in ("101.325 kPa", "80 kPa"):
        job = loaded(run(*typed)[1], tmp_path, pressure)
        assert job.airflow.source is AirflowSource.MASS
        assert job.airflow.mass_kg_s == pytest.approx(document(run, *typed)["dry_air_kg_s"], rel=1e-5)


def test_what_no_job_could_use_is_a_sentence(run: Run, file: Path, tmp_path: Path) -> None:
    (tmp_path / "fan.json").write_text(
        json.dumps(
            CURVE
            | {"points": [{"volume_m3_s": 0.8, "static_pa": 300}, {"volume_m3_s": 1.6, "static_pa": 290}]}
        )
    )
    code, out, _ = run(
        *("fan-curve", "--curve", str(tmp_path / "fan.json"), "--rpm", "900", "--static", "295 Pa"),
        *("--density", "1.2014 kg/m3"),
    )
    assert code == 0
    assert "is more than any output can be judged by" in out
    assert "[airflow]" not in out
    code, out, _ = run("factor", str(file), "--fixed", "1 m/s")  # a factor of 4.5: the config takes 2
    assert code == 0
    assert "SEE fixed-place" in out
    assert "Nothing for the job's config: factor: must be a pure number above 0 and up to 2" in out


def test_compute_of_a_temperature_traverse(run: Run, tmp_path: Path) -> None:
    base = walk(speed=lambda p: 4.0 + p.x)
    warm = tuple(replace(p, temperature_c=45.0 + 4 * p.y, scatter_k=0.1) for p in base.points)
    path = tmp_path / "mixed.json"
    save_traverse(path, replace(base, points=warm, quantity=TraverseQuantity.TEMPERATURE))
    spot = ("--return", "20 °C", "--reading", "48.35 °C")
    found = document(run, "compute", str(path), *spot, "--same-probe")
    assert found["schema"] == "riselog.mixed-temperature/1"
    assert found["mixed_c"] == pytest.approx(47.0)  # y and x do not hang together: the plain mean
    assert found["placement_u95_percent"] == pytest.approx(100 * found["placement_u95_k"] / 27.0)
    assert found["rise_factor"] == pytest.approx(27.0 / 28.35)
    # another probe: the calibrations of both are in it, 0.5 K each
    other = document(run, "compute", str(path), *spot)
    assert other["placement_u95_percent"] == pytest.approx(100 * hypot(other["u95_k"], 0.5) / 27.0)
    code, out, _ = run("compute", str(path), *spot)
    assert code == 0
    assert "rise_factor = 0.9524" in out
    assert "placement_u95 = " in out
    code, out, _ = run("compute", str(path))
    assert "--reading" in out
    assert "placement_u95 =" not in out  # by itself it would narrow the doubt of an error that stays
    for wrong in (("--return", "60 °C"), ("--reading", "48 °C"), ("--return", "20 °C", "--reading", "90 °C")):
        assert run("compute", str(path), *wrong)[0] == 2
    assert run("compute", str(path), "--return", "60 °C", "--reading", "48 °C")[0] == 2
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
    assert "factor = 0.9\n" in out
    assert "SEE fixed-point" in out
    for line in out.splitlines():
        assert len(line) <= 80 or str(file) in line
    checks = {c["code"]: c["ok"] for c in found["checks"]}
    assert {"fixed-point", "fixed-place", "calibration", "drift", "basis"} <= set(checks)
    same = document(run, "factor", str(file), "--fixed", "5 m/s", "--same-probe")
    other = document(run, "factor", str(file), "--fixed", "5 m/s")
    assert same["config_u95_percent"] < other["config_u95_percent"]
    for wrong in (("--same-probe",), ("--fixed", "5 m/s", "--basis", "true"), ("--fixed", "500 m/s")):
        code, out, err = run("factor", str(file), *wrong)
        assert (code, out, len(err.splitlines())) == (2, "", 1)
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
    shut = {"points": [{"volume_m3_s": 0, "static_pa": 300}, {"volume_m3_s": 1.1, "static_pa": 220}]}
    path.write_text(json.dumps(CURVE | shut))
    for wrong, part in (
        (("--static", "300 Pa", "--density", "1.2014 kg/m3"), "moves no air by its curve"),
        (("--static", "260 Pa", "--density", "1.9 kg/m3"), "no site's pressure gives that"),
        (("--static", "1 bar"), "unknown unit"),
        (("--static", "900 inHg"), "no such fan makes more"),
    ):
        code, out, err = run("fan-curve", "--curve", str(path), "--rpm", "900", *wrong)
        assert (code, out) == (2, "")
        assert part in err
    both = document(
        run,
        *("fan-curve", "--curve", str(path), "--rpm", "900", "--static", "260 Pa"),
        *("--density", "1.15 kg/m3", "--temperature", "20 °C", "--altitude", "0 m"),
    )
    assert not {c["code"]: c["ok"] for c in both["checks"]}["density"]
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
    checks = {c["code"]: c for c in found["checks"]}
    assert not checks["air"]["ok"]  # nobody gave the pressure
    assert "sea level" in checks["air"]["text"]
    for wrong in (("--supply", "400 °F"), ("--supply", "50 °C", "--power-u95", "0 %")):
        code, out, err = run("electric", "--power", "5 kW", "--return", "20 °C", *wrong)
        assert (code, out, len(err.splitlines())) == (2, "", 1)


def test_a_scatter_that_cannot_be_is_a_fault_of_the_file(run: Run, file: Path) -> None:
    text = json.loads(file.read_text())
    text["points"][3]["scatter_m_s"] = 1e200
    file.write_text(json.dumps(text))
    code, out, err = run("compute", str(file))
    assert (code, out) == (2, "")
    assert "key points[3].scatter_m_s: must be at most" in err


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


@pytest.mark.parametrize(
    ("at", "warm_c", "line"),
    [
        (Plane.RETURN, 36.0, 'at = "return"\n'),  # said, so it is not guessed from how warm the air is
        (Plane.SUPPLY, 25.0, 'at = "supply"\n'),
        (None, 36.0, 'at = "supply"\n'),
        (None, 25.0, 'at = "return"  # or "supply"\n'),
    ],
)
def test_the_plane_is_that_of_the_file(
    run: Run, tmp_path: Path, at: Plane | None, warm_c: float, line: str
) -> None:
    path = tmp_path / "t.json"
    save_traverse(path, replace(walk(), at=at, temperature_c=warm_c))
    code, out, _ = run("compute", str(path))
    assert code == 0
    assert line in out


@pytest.mark.parametrize(
    "typed", ["14 x 20 in", "14x20in", "14 in x 20 in", "14.0 × 20 in", "355.6 x 508 mm"]
)
def test_the_unit_of_a_duct_may_be_said_once(run: Run, typed: str) -> None:
    """14 in = 0.3556 m and 20 in = 0.508 m, exact."""
    plan = document(run, "plan", "--duct", typed)
    assert (plan["duct"]["width_m"], plan["duct"]["height_m"]) == pytest.approx((0.3556, 0.508))


@pytest.mark.parametrize("typed", ["14 in x 20", "14 x 20", "in x 20 in"])
def test_a_side_without_any_unit_is_refused(run: Run, typed: str) -> None:
    code, _, err = run("plan", "--duct", typed)
    assert code == 2
    assert "--duct" in err


def test_a_quick_grid_is_offered_for_a_round_duct_too(run: Run) -> None:
    _, out, _ = run("plan", "--round", "16 in")
    assert "quick: --points 4x2 --method log-linear, 8 points" in out
    assert "quick:" not in run("plan", "--round", "16 in", "--points", "4x2")[1]


def test_one_point_is_one_point(run: Run) -> None:
    _, out, _ = run("plan", "--duct", "14 x 20 in", "--points", "1x1", "--method", "equal-area")
    assert "1 across x 1 down: 1 point\n" in out
