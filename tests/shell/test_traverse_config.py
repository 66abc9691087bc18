"""``airflow.traverse``: from the file to what the core computes with."""

import json
import math
from dataclasses import replace
from pathlib import Path

import psychrolib
import pytest

from logger.config.load import LoadedConfig, load_config, loads_config
from logger.core.errors import ConfigError
from logger.core.params import AirflowSource, Plane, VelocityBasis
from logger.core.pipeline import Pipeline
from logger.core.result import result_document
from logger.core.traverse import TraverseQuantity
from logger.traverse.file import dumps_traverse, save_traverse
from tests.core.ducts import walk
from tests.core.jobs import FACTS, firing_readings, make_reading

CONFIG = """
[job]
name = "bench"
pressure = "98.8 kPa"
[unit]
output = "30 kW"
input = "37.5 kW"
casing_loss = "0 W"
outdoor_air = "closed"
[airflow]
source = "fixed"
traverse = "duct.json"
at = "return"
[probes.ret]
role = "return"
driver = "x"
[probes.sup]
role = "supply"
driver = "x"
"""
PROBE = CONFIG.replace(
    'source = "fixed"', 'source = "probe"\nprobe = "duct"\narea = "0.1806 m2"\nfactor = 1.0'
)
PROBE = PROBE.replace('at = "return"', 'at = "return"\nbasis = "actual"\nu95 = "5 %"')
PROBE += '[probes.duct]\nrole = "velocity"\ndriver = "x"\n'


def load(folder: Path, text: str = CONFIG, **changes: object) -> LoadedConfig:
    save_traverse(folder / "duct.json", replace(walk(), **changes))  # type: ignore[arg-type]
    path = folder / "job.toml"
    path.write_text(text)
    return load_config(path, None)


def test_the_core_gets_the_traverse(tmp_path: Path) -> None:
    config = load(tmp_path)
    flow = config.job.airflow
    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(21.5, 0.4, 98_800.0)
    rho = psychrolib.GetMoistAirDensity(21.5, w, 98_800.0)  # oracle: psychrolib, ASHRAE Fundamentals ch. 1
    assert flow.source is AirflowSource.FIXED
    assert flow.at is Plane.RETURN
    assert flow.volume_m3_s == pytest.approx(4.0 * 1.2014 / rho * 0.508 * 0.3556, rel=1e-9)
    assert (flow.temperature_c, flow.humidity, flow.pressure_pa) == (21.5, 0.4, 98_800.0)
    assert flow.basis is VelocityBasis.STANDARD
    assert {"probe calibration", "sampling", "area", "method bias"} <= {line.source for line in flow.lines}
    assert 0.04 < flow.u95 < 0.07  # with a plane that nobody described
    assert list(config.files) == ["duct.json"]
    assert config.files["duct.json"] == (tmp_path / "duct.json").read_text()


def test_a_stored_config_is_loaded_with_the_stored_file(tmp_path: Path) -> None:
    config = load(tmp_path)
    (tmp_path / "duct.json").unlink()
    again = loads_config(config.effective_text, "stored", None, stored=config.files)
    assert again.job == config.job


def test_the_dry_mass_of_a_standard_velocity_does_not_hang_on_the_pressure(tmp_path: Path) -> None:
    """rho_std v_std A / (1 + W), by hand; the job's pressure is 2 kPa off the file's."""
    config = load(tmp_path, CONFIG.replace("98.8 kPa", "96.8 kPa"))
    from logger.core.flow import AirflowLaw

    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(21.5, 0.4, 98_800.0)
    expected = 1.2014 * 4.0 * 0.508 * 0.3556 / (1 + w)
    mass = AirflowLaw(config.job).dry_air(21.5, 40.0, w, 98_800.0, None, 21.5)
    assert mass == pytest.approx(expected, rel=1e-6)


def test_the_run_says_how_the_airflow_was_had_and_keeps_its_shares(tmp_path: Path) -> None:
    job = load(tmp_path).job
    core = Pipeline(job)
    wave = [0.05 * math.sin(1.7 * t) for t in range(1600)]  # no duct repeats one value
    supply = [(21.0 if t < 400 else 48.0) + wave[t] for t in range(1600)]
    for reading in firing_readings(lambda t: supply[int(t)], lambda t: 21.0 - wave[int(t)], 1600):
        core.update(reading)
    document = json.loads(json.dumps(result_document(core.finish(), FACTS)))
    (first,) = [e for e in document["events"] if e["code"] == "airflow-source"]
    assert first["t_s"] == 0.0
    assert "duct.json (25 points, log-tchebycheff)" in first["text"]
    assert "out of this tool's sight" in first["text"]
    assert "velocity probe" in first["text"]
    sources = {line["source"] for line in document["budget"]}
    assert {"airflow: probe calibration", "airflow: sampling", "flow carry-over"} <= sources
    assert "pressure" not in sources  # a standard velocity's mass does not hang on it
    snapshot = core.snapshot(1600 * 10**9)
    assert (snapshot.airflow_from, snapshot.airflow_u95) == ("traverse", job.airflow.u95)


def test_a_stated_u95_wins_and_is_said(tmp_path: Path) -> None:
    config = load(tmp_path, CONFIG.replace('at = "return"', 'at = "return"\nu95 = "7 %"'))
    assert (config.job.airflow.u95, config.job.airflow.lines) == (0.07, ())
    assert any("stands in place of" in note for note in config.notes)


def test_what_the_checks_complain_about_is_told(tmp_path: Path) -> None:
    config = load(tmp_path, points=walk().points[:20], complete=False)
    assert any("airflow.traverse (duct.json), complete: 5 of 25" in note for note in config.notes)


@pytest.mark.parametrize(
    ("text", "changes", "part"),
    [
        (
            CONFIG.replace('at = "return"', 'volume = "1 m3/s"'),
            {},
            "'airflow.volume': airflow.traverse is given too",
        ),
        (
            CONFIG.replace('at = "return"', 'humidity = "40 %"'),
            {},
            "'airflow.humidity': airflow.traverse is given",
        ),
        (CONFIG.replace("98.8 kPa", "84 kPa"), {}, "was taken at 98.80 kPa and the job's site has 84.00 kPa"),
        (CONFIG, {"points": ()}, "duct.json: the traverse has no point yet"),
        (
            CONFIG,
            {"quantity": TraverseQuantity.TEMPERATURE},
            "duct.json: key points[0].temperature_c: missing",
        ),
    ],
)
def test_what_cannot_be(tmp_path: Path, text: str, changes: dict[str, object], part: str) -> None:
    text = text.replace('name = "bench"', 'name = "bench"\nunits = "si"')
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text, **changes)
    assert part in str(caught.value)
    assert str(tmp_path / "job.toml") in str(caught.value)


@pytest.mark.parametrize(("speed", "codes"), [(1.0, []), (1.2, ["airflow-off-traverse"])])
def test_a_live_probe_is_held_against_the_traverse(tmp_path: Path, speed: float, codes: list[str]) -> None:
    """The probe reads the actual velocity of the traverse, or 20 % more than it."""
    job = load(tmp_path, PROBE).job
    assert job.airflow.reference is not None
    actual_m_s = job.airflow.reference.volume_m3_s / 0.1806
    core = Pipeline(job)
    for t in range(400):
        now = speed if t > 150 else 1.0
        readings = [
            make_reading(3 * t, t + 0.1, "ret", 21.5),
            make_reading(3 * t + 1, t + 0.2, "sup", 21.5),
            make_reading(3 * t + 2, t + 0.3, "duct", now * actual_m_s)._replace(quantity="velocity"),
        ]
        for reading in readings:
            core.update(reading)
    events = [e for e in core.finish().events if e.code.startswith("airflow-off") or e.code == "airflow-back"]
    assert [e.code for e in events] == codes
    for event in events:
        assert event.probe == "duct"
        assert "+" in event.text
        assert 150 * 10**9 < event.t_ns < 300 * 10**9
    assert core.snapshot(400 * 10**9).airflow_from == "probe"


def test_the_file_text_comes_back(tmp_path: Path) -> None:
    load(tmp_path)
    assert (tmp_path / "duct.json").read_text() == dumps_traverse(walk())
