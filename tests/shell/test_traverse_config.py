"""``airflow.traverse``: from the file to what the core computes with."""

import json
import math
from dataclasses import replace
from pathlib import Path

import psychrolib
import pytest

from logger.config.load import LoadedConfig, load_config, loads_config
from logger.core.assess import budget
from logger.core.errors import ConfigError
from logger.core.flow import AirflowLaw
from logger.core.params import AirflowSource, Burner, Plane, VelocityBasis
from logger.core.pipeline import Pipeline
from logger.core.result import result_document
from logger.core.stretch import Means, Seen, Stretch
from logger.core.traverse import Assumed, TraverseQuantity
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


def test_the_dry_mass_of_a_standard_velocity_does_not_hang_on_an_assumed_pressure(tmp_path: Path) -> None:
    """rho_std v_std A / (1 + W), by hand; nobody knew the pressure of 98.8 kPa in the file."""
    config = load(tmp_path, CONFIG.replace("98.8 kPa", "84 kPa"), assumed=(Assumed.PRESSURE,))
    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(21.5, 0.4, 98_800.0)
    expected = 1.2014 * 4.0 * 0.508 * 0.3556 / (1 + w)
    mass = AirflowLaw(config.job).dry_air(21.5, 40.0, w, 84_000.0, None, 21.5)
    assert mass == pytest.approx(expected, rel=2e-3)  # W of 40 % hangs on the pressure a little
    assert any("(duct.json): its pressure was assumed; the job's stands in" in note for note in config.notes)


def test_two_pressures_are_told_and_charged(tmp_path: Path) -> None:
    """98.8 kPa in the file, 96.8 kPa in the job: 2 %, and the mass goes with both."""
    config = load(tmp_path, CONFIG.replace("98.8 kPa", "96.8 kPa").replace("[unit]", 'units = "si"\n[unit]'))
    (note,) = [note for note in config.notes if "carried with both" in note]
    assert "duct.json was taken at 98.80 kPa and the job's site has 96.80 kPa" in note
    assert "correct pressure_pa in the file, or the job's altitude or pressure" in note
    assert config.job.airflow.own_pressure
    for near in ("98.2 kPa", "98.68 kPa"):  # two altitudes of one site, say: 0.6 % and 0.12 %
        config = load(tmp_path, CONFIG.replace("98.8 kPa", near))
        assert any("carried with both" in note for note in config.notes)
        assert config.job.airflow.own_pressure
    for same in ("98.8 kPa", "98.75 kPa"):  # the same number, rounded
        config = load(tmp_path, CONFIG.replace("98.8 kPa", same))
        assert not any("carried with both" in note for note in config.notes)
        assert not config.job.airflow.own_pressure


def test_a_site_that_is_not_said_has_the_pressure_of_its_traverse(tmp_path: Path) -> None:
    bare = CONFIG.replace('pressure = "98.8 kPa"', "")
    config = load(tmp_path, bare)
    assert (config.job.pressure_pa, config.job.pressure_u_pa) == (98_800.0, 1_000.0)
    assert any("of the traverse's file is taken for the site's pressure" in note for note in config.notes)
    for changes in ({"assumed": (Assumed.PRESSURE,)}, {"pressure_pa": 101_325.0}):
        config = load(tmp_path, bare, **changes)
        assert (config.job.pressure_pa, config.job.pressure_u_pa) == (101_325.0, 3_000.0)


SUPPLY = CONFIG.replace('at = "return"', 'at = "supply"')
DRAW = CONFIG.replace("[unit]", '[unit]\nfan = "draw-through"')


@pytest.mark.parametrize(
    ("text", "temperature_c", "burner", "part"),
    [
        (SUPPLY, 48.0, Burner.ON, '"on" is assumed, as the flow was measured in the supply at 48.0 °C'),
        (SUPPLY, 30.0, Burner.OFF, "the temperature leaves it open, so the output gets the doubt of both"),
        (SUPPLY, 22.0, Burner.OFF, 'say "on" if it was not so'),
        (DRAW, 21.0, Burner.OFF, "the temperature leaves it open, so the output gets the doubt of both"),
        (SUPPLY + '#', 48.0, Burner.ON, None),
        (CONFIG, 21.0, Burner.OFF, None),
    ],
)  # fmt: skip
def test_a_burner_that_is_not_said_is_decided_once_and_told(
    tmp_path: Path, text: str, temperature_c: float, burner: Burner, part: str | None
) -> None:
    said = burner if text.endswith("#") else None
    config = load(tmp_path, text, temperature_c=temperature_c, humidity=0.1, burner=said)
    assert config.job.airflow.burner is burner
    notes = [n for n in config.notes if "airflow.burner" in n]
    assert any(part in note for note in notes) if part else not notes


def test_air_too_warm_for_a_return_is_supply_air_or_a_fault(tmp_path: Path) -> None:
    bare = CONFIG.replace('at = "return"\n', "")
    config = load(tmp_path, bare, temperature_c=48.0, humidity=0.1)
    assert config.job.airflow.at is Plane.SUPPLY
    assert any("taken to be supply air" in note for note in config.notes)
    assert load(tmp_path, bare, temperature_c=21.0).job.airflow.at is Plane.RETURN
    assert load(tmp_path, bare, temperature_c=21.0, at=Plane.SUPPLY).job.airflow.at is Plane.SUPPLY
    with pytest.raises(ConfigError, match=r"'airflow\.at': is the return, .* no return air is so warm"):
        load(tmp_path, CONFIG, temperature_c=48.0, humidity=0.1)
    with pytest.raises(ConfigError, match=r'is "return" and the traverse file says "supply"'):
        load(tmp_path, CONFIG, temperature_c=21.0, at=Plane.SUPPLY)


def shares(config: LoadedConfig, inlet_c: float, entering_c: float = 21.0) -> dict[str, float]:
    """The budget of a firing with a rise of 27 K, as fractions of the air heat."""
    means = Means(
        entering_c=entering_c,
        supply_c=entering_c + 27.0,
        rise_k=27.0,
        humidity_ratio=0.006,
        pressure_pa=98_800.0,
        dry_air_kg_s=1.0,
        air_heat_w=1.0,
        fan_heat_w=0.0,
        output_w=1.0,
        return_c=entering_c,
        inlet_c=inlet_c,
    )
    nothing = Stretch(line=None, grid_s=1, tau_s=None)
    lines = budget(config.job, means, None, nothing, None, Seen(humidity=False, pressure=False))
    return {line.source: line.u_w for line in lines}


def with_burner(text: str, word: str) -> str:
    return text.replace("\nat = ", f'\nburner = "{word}"\nat = ')


@pytest.mark.parametrize(
    ("text", "temperature_c", "inlet_c", "open_"),
    [
        (DRAW, 21.0, 48.0, True),  # by hand: ln(321.15 K / 294.15 K) = 8.8 %
        (SUPPLY, 30.0, 21.0, True),  # ln(303.15 K / 294.15 K) = 3.0 %
        (SUPPLY, 48.0, 21.0, False),
        (SUPPLY, 22.0, 21.0, False),
        (CONFIG, 21.0, 21.0, False),
    ],
)
def test_a_burner_that_is_open_is_charged(
    tmp_path: Path, text: str, temperature_c: float, inlet_c: float, *, open_: bool
) -> None:
    """The doubt is what saying it the other way would do to the mass, on one side (GUM 4.3.7)."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    humidity = psychrolib.GetRelHumFromHumRatio(temperature_c, 0.006, 98_800.0)
    changes = {"temperature_c": temperature_c, "humidity": humidity}
    found = shares(load(tmp_path, text, **changes), inlet_c).get("burner not said", 0.0)
    said = [load(tmp_path, with_burner(text, word), **changes) for word in ("on", "off")]
    on, off = (AirflowLaw(c.job).dry_air(21.0, 48.0, 0.006, 98_800.0, None, inlet_c) for c in said)
    assert on is not None
    assert off is not None
    by_hand = abs(math.log((inlet_c + 273.15) / (temperature_c + 273.15)))
    assert found == pytest.approx(by_hand / math.sqrt(3.0) if open_ else 0.0, rel=1e-9)
    if open_:
        assert found == pytest.approx(abs(math.log(on / off)) / math.sqrt(3.0), rel=0.02)
    assert all("burner not said" not in shares(config, inlet_c) for config in said)


def test_the_fan_inlet_from_the_file_or_the_config(tmp_path: Path) -> None:
    """Ideal gas: the mass goes with 1/T at the inlet of a blow-through fan, 10 degC then and 21 degC now."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    state = {"temperature_c": 37.0, "humidity": 0.1, "burner": Burner.ON}
    key = SUPPLY.replace("\nat = ", '\ninlet_temperature = "10 °C"\nat = ')
    bare, by_file = load(tmp_path, SUPPLY, **state), load(tmp_path, SUPPLY, inlet_temperature_c=10.0, **state)
    by_key = load(tmp_path, key, **state)
    assert by_key.job.airflow.inlet_c == by_file.job.airflow.inlet_c == 10.0
    w = psychrolib.GetHumRatioFromRelHum(37.0, 0.1, 98_800.0)
    masses = [AirflowLaw(c.job).dry_air(21.0, 48.0, w, 98_800.0, None, 21.0) for c in (bare, by_file)]
    assert masses[1] == pytest.approx((masses[0] or 0.0) * 283.15 / 294.15, rel=2e-3)
    assert any("airflow.inlet_temperature is left out" in note for note in bare.notes)
    assert not any("inlet" in note for note in (*by_key.notes, *by_file.notes))
    hot = load(tmp_path, SUPPLY, **(state | {"inlet_temperature_c": 48.0}))
    assert any("a blow-through fan takes in the cooler air; look at both" in note for note in hot.notes)
    with pytest.raises(ConfigError, match="has inlet_temperature_c too; keep the one that is right"):
        load(tmp_path, key, inlet_temperature_c=10.0, **state)
    with pytest.raises(ConfigError, match=r"airflow.inlet_temperature.*: goes with a volume or a traverse"):
        loads_config(PROBE.replace('traverse = "duct.json"', 'inlet_temperature = "10 °C"'), "job.toml", None)


TYPED = CONFIG.replace('traverse = "duct.json"', 'volume = "0.9 m3/s"\nu95 = "4 %"')


@pytest.mark.parametrize("drive", ["constant-speed", "programmed-flow"])
def test_the_temperature_of_a_typed_volume_counts_where_its_mass_is_carried(drive: str) -> None:
    """20 degC assumed, 3 K off: moved numerically, nothing of the output, or 1 % of it and a line."""
    text = TYPED.replace("[unit]", f'[unit]\nfan_drive = "{drive}"')
    config = loads_config(text, "job.toml", None)
    (note,) = [note for note in config.notes if "airflow.temperature is left out" in note]
    job, state = config.job, (21.0, 48.0, 0.006, 98_800.0, None, 21.0)
    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(20.0, 0.5, 98_800.0)
    warmer = {"temperature_c": 23.0, "humidity": psychrolib.GetRelHumFromHumRatio(23.0, w, 98_800.0)}
    moved = replace(job, airflow=replace(job.airflow, **warmer))
    masses = [AirflowLaw(j).dry_air(*state) or 0.0 for j in (job, moved)]
    off = abs(masses[1] / masses[0] - 1.0)
    found = shares(config, 21.0)
    if drive == "constant-speed":
        assert off < 1e-5
        assert "1 %" not in note
        assert found["airflow"] == pytest.approx(0.02, rel=1e-9)
    else:
        assert off == pytest.approx(0.01, abs=0.001)
        assert note.endswith("each 3 K off is 1 % of the output.")
        damp = 0.378 * 0.15 * 2339.0 / 98_800.0  # 15 % of saturation at 20 degC, by hand
        assert found["airflow: density"] == pytest.approx(math.hypot(3.0 / 293.15, damp), rel=1e-3)
        assert found["airflow: volume"] == pytest.approx(0.02, rel=1e-9)


def test_the_checks_see_the_air_at_the_jobs_pressure(tmp_path: Path) -> None:
    """File at an assumed sea level, job at 84 kPa; density by psychrolib, ASHRAE Fundamentals ch. 1."""
    guess = {"basis": VelocityBasis.ACTUAL, "probe": "hot wire", "assumed": (Assumed.PRESSURE,)}
    config = load(tmp_path, CONFIG.replace("98.8 kPa", "84 kPa"), pressure_pa=101_325.0, **guess)
    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(21.5, 0.4, 84_000.0)
    off = 1.2014 / psychrolib.GetMoistAirDensity(21.5, w, 84_000.0) - 1.0
    assert any(f"standard gives {off:+.1%} volume" in note for note in config.notes)
    sea = load(tmp_path, CONFIG.replace("98.8 kPa", "101.325 kPa"), pressure_pa=101_325.0, **guess)
    assert not any("say it with basis" in note for note in sea.notes)


def test_what_the_config_says_of_the_burner(tmp_path: Path) -> None:
    off = SUPPLY.replace('at = "supply"', 'at = "supply"\nburner = "off"')
    config = load(tmp_path, off, temperature_c=48.0, humidity=0.1)
    assert config.job.airflow.burner is Burner.OFF
    assert any("that is no unheated air" in note for note in config.notes)
    with pytest.raises(ConfigError, match=r'airflow.burner.*: is "off" and duct.json says "on"'):
        load(tmp_path, off, temperature_c=48.0, humidity=0.1, burner=Burner.ON)
    with pytest.raises(ConfigError, match="a live probe needs none"):
        loads_config(PROBE.replace('traverse = "duct.json"', 'burner = "on"'), "job.toml", None)


def test_typed_supply_air_has_the_moisture_of_a_room(tmp_path: Path) -> None:
    """RH at 50 degC of the humidity ratio of 20 degC, 50 %: psychrolib, ASHRAE Fundamentals ch. 1."""
    typed = SUPPLY.replace('traverse = "duct.json"', 'volume = "1 m3/s"\ntemperature = "50 °C"')
    config = loads_config(typed, "job.toml", None)
    psychrolib.SetUnitSystem(psychrolib.SI)
    w = psychrolib.GetHumRatioFromRelHum(20.0, 0.5, 98_800.0)
    expected = psychrolib.GetRelHumFromHumRatio(50.0, w, 98_800.0)
    assert config.job.airflow.humidity == pytest.approx(expected, rel=1e-6)
    assert any("9 %, the moisture of room air (heating adds none)" in note for note in config.notes)
    damp = typed.replace('"50 °C"', '"50 °C"\nhumidity = "50 %"')
    assert any("heating adds no water" in note for note in loads_config(damp, "job.toml", None).notes)


def test_a_live_probe_takes_the_basis_of_the_traverse(tmp_path: Path) -> None:
    left_out = PROBE.replace('basis = "actual"\n', "")
    config = load(tmp_path, left_out, reference_density_kg_m3=1.2)
    assert config.job.airflow.basis is VelocityBasis.STANDARD
    assert config.job.airflow.reference_density_kg_m3 == 1.2
    assert any('basis is left out: "standard" is taken' in note for note in config.notes)
    pressures = [
        replace(p, velocity_m_s=None, velocity_pressure_pa=9.0, scatter_m_s=None) for p in walk().points
    ]
    config = load(tmp_path, left_out, points=tuple(pressures))
    assert config.job.airflow.basis is VelocityBasis.ACTUAL
    config = load(tmp_path, PROBE)
    assert config.job.airflow.basis is VelocityBasis.ACTUAL
    assert any("the traverse gives standard velocities" in note for note in config.notes)
    other = left_out.replace("factor = 1.0", 'factor = 1.0\nreference_density = "1.204 kg/m3"')
    config = load(tmp_path, other)
    assert config.job.airflow.reference_density_kg_m3 == 1.204
    assert any("right only where the two probes are different ones" in note for note in config.notes)
    assert not any("different ones" in note for note in load(tmp_path, left_out).notes)


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
        (CONFIG, {"points": walk().points[:1]}, "duct.json gives the airflow to ± "),
        (
            CONFIG,
            {"points": (replace(walk().points[0], velocity_m_s=59.0),), "reference_density_kg_m3": 1.5},
            "no duct has more than 60.00 m/s",
        ),
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
