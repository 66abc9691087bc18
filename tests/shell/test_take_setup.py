"""Options, files and config of a take: what can begin, and one sentence for what cannot."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.airflow.plan_text import plan_document
from logger.core.errors import RiselogError, TableError, UsageError
from logger.core.params import Plane, ProbeParams, Role
from logger.core.readings import NS_PER_S, Flag, Quantity, Reading
from logger.core.traverse import Assumed, DuctShape, Method, PressureFrom, Traverse, TraverseQuantity
from logger.take.air import AirWatch, Given
from logger.take.notebook import Air, Notebook
from logger.take.options import TakeOptions
from logger.take.setup import prepare
from logger.take.walk import Entry, Taken
from logger.traverse.file import load_traverse, save_traverse
from simulators.scenarios import SCENARIOS

TYPED = {"duct": "20 in x 14 in", "temperature": "70 °F"}
AIR = Air(temperature_c=21.0, humidity=0.4, pressure_pa=98_800.0)


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "job.toml"
    path.write_text(SCENARIOS["standard"].config_text, encoding="utf-8")
    return path


def options(**more: Any) -> TakeOptions:
    return TakeOptions(**(TYPED | more))


def saved(taken: dict[int, Taken], **more: Any) -> Path:
    """A file with some points captured, by their number from 0."""
    setup = prepare(options(**more))
    count = len(setup.plan.points)
    state = replace(setup.state, taken=tuple(taken.get(i) for i in range(count)))
    assert Notebook(setup.path, setup.base, setup.plan).save(state, AIR)
    return setup.path


def point(velocity_m_s: float, **more: Any) -> Taken:
    return Taken(entry=Entry(velocity_m_s=velocity_m_s), t_s=3.0, **more)


def test_typed_values_need_a_duct_and_a_temperature() -> None:
    setup = prepare(options(altitude="700 ft", units="si"))
    assert (setup.base.duct.width_m, setup.base.duct.height_m) == pytest.approx((0.508, 0.3556))
    assert (setup.base.points_across, setup.base.points_down) == (5, 5)
    assert (setup.watched, setup.path, setup.units) == ((), Path("traverse.json"), "si")
    air = AirWatch(setup.given, setup.air_sources).get()
    assert air.temperature_c == pytest.approx(21.11, abs=0.01)
    assert air.pressure_pa == pytest.approx(98_800.0, rel=2e-3)  # US Standard Atmosphere: 98.8 kPa at 700 ft
    assert air.assumed == ("humidity",)


def test_a_round_duct_with_a_liner() -> None:
    setup = prepare(options(duct=None, round_="16 in", liner="1 in", points="6x2"))
    assert setup.base.duct.shape is DuctShape.ROUND
    assert setup.base.duct.diameter_m == pytest.approx(14 * 0.0254)
    assert (setup.base.points_per_diameter, setup.base.diameters) == (6, 2)
    assert setup.base.method is Method.LOG_LINEAR


FAULTS: list[tuple[dict[str, Any], str]] = [
    ({"duct": None}, "no duct"),
    ({"round_": "16 in"}, "--duct and --round"),
    ({"duct": "20 in x 14"}, "--duct: '14' needs a unit"),
    ({"duct": "20 in"}, "width x height"),
    ({"duct": "20 in x 0 in"}, "no side of a duct"),
    ({"liner": "7 in"}, "no free area"),
    ({"method": "guess"}, "--method 'guess'"),
    ({"method": "log-linear"}, "log-linear"),
    ({"points": "5"}, "--points '5'"),
    ({"holes_on": "top"}, "--holes-on"),
    ({"plane": "roof"}, "--plane"),
    ({"temperature": None}, "--temperature is missing"),
    ({"temperature": "70"}, "--temperature: '70' needs a unit"),
    ({"temperature": "900 °F"}, "temperature_c is 482.222 and must be at most 150"),
    ({"velocity_u95": "60 %"}, "--velocity-u95 '60 %': velocity_u95_percent is 60 and must be at most 50"),
    ({"velocity_u95": "-1 %"}, "must be at least 0"),
    ({"area_u95": "51 %"}, "--area-u95 '51 %': area_u95_percent is 51"),
    ({"reference_density": "12 kg/m3"}, "--reference-density '12 kg/m3': reference_density_kg_m3 is 12"),
    ({"straight": "-1 m"}, "--straight '-1 m': upstream_diameters is -2.39"),
    ({"straight": "1 m", "plane": "filter-face"}, "--straight goes with a plane in a duct"),
    ({"burner": "low"}, "--burner 'low': write on or off"),
    ({"duct": None, "round_": "16 in", "holes_on": "long"}, "--holes-on goes with a rectangular duct"),
    ({"tip_offset": "14 in"}, "--tip-offset is 356 mm (14 in) and the duct is only 356 mm (14 in) deep"),
    ({"humidity": "130 %"}, "--humidity"),
    ({"altitude": "700 ft", "pressure": "98 kPa"}, "--altitude and --pressure"),
    ({"altitude": "70000 ft"}, "--altitude"),
    ({"pressure": "98 Pa"}, "--pressure"),
    ({"basis": "both"}, "--basis"),
    ({"units": "metric"}, "--units"),
    ({"quantity": "noise"}, "--quantity"),
    ({"velocity": Path("v.json")}, "--velocity goes with"),
    ({"plan": Path("p.json")}, "--plan"),
    ({"resume": Path("none.json"), "duct": None}, "none.json: cannot be read"),
    ({"resume": Path("none.json")}, "--duct: none.json says it already"),
    ({"config": Path("none.toml")}, "none.toml: cannot be read"),
    ({"probe": "nodriver:1"}, "--probe 'nodriver:1'"),
    ({"probe": "ess"}, "--probe 'ess'"),
    ({"at": "roof"}, "--at"),
    ({"temperature": "118 °F"}, "--at is missing: the air has 47.8 °C"),
    ({"temperature": None, "probe": "sim", "at": "supply"}, "--temperature is missing: no supply probe"),
]


@pytest.mark.parametrize(("more", "part"), FAULTS, ids=[part for _, part in FAULTS])
def test_each_fault_is_one_sentence(more: dict[str, Any], part: str, tmp_path: Path) -> None:
    with pytest.raises(RiselogError) as caught:
        prepare(options(**more))
    assert part in str(caught.value)
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 2
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "traverse.json").write_text("dear", encoding="utf-8")
    with pytest.raises(RiselogError, match="is there already"):
        prepare(options())
    assert (tmp_path / "traverse.json").read_text(encoding="utf-8") == "dear"


def test_a_config_gives_probe_calibration_and_the_air(config: Path) -> None:
    setup = prepare(options(config=config, temperature=None))
    assert [p.name for p in setup.watched] == ["duct"]
    assert [p.name for p in setup.probes] == ["duct", "ret", "baro"]
    assert setup.base.velocity_u95 == 0.05
    assert setup.base.probe == "duct (sim)"
    assert "SIMULATED" in (setup.base.notes or "")
    assert setup.units == "us"


def test_a_config_without_a_velocity_probe_says_so(config: Path) -> None:
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace('role = "velocity"', 'role = "outdoor"'), encoding="utf-8")
    with pytest.raises(RiselogError, match="no probe of role velocity"):
        prepare(options(config=config))


def test_a_simulated_probe_needs_no_config() -> None:
    setup = prepare(options(probe="sim"))
    assert setup.config is not None
    assert setup.config.simulated


def test_resume_keeps_every_point_and_its_place() -> None:
    path = saved({0: point(4.0, scatter_m_s=0.1), 2: point(3.5), 1: point(-0.2)})
    setup = prepare(TakeOptions(resume=path))
    assert setup.state.at == 3
    assert [t.entry.velocity_m_s if t else None for t in setup.state.taken[:4]] == [4.0, -0.2, 3.5, None]
    assert setup.state.taken[0] is not None
    assert setup.state.taken[0].scatter_m_s == 0.1
    assert setup.manner.t0_s >= 3.0
    air = AirWatch(setup.given, {}).get()
    assert (air.temperature_c, air.humidity, air.pressure_pa, air.assumed) == (21.0, 0.4, 98_800.0, ())


@pytest.mark.parametrize("side", ["long", "short"])
def test_resume_finds_the_side_of_the_holes_by_the_order_of_the_points(side: str) -> None:
    path = saved({0: point(4.0), 1: point(4.0), 2: point(4.0)}, holes_on=side)
    setup = prepare(TakeOptions(resume=path))
    assert setup.plan.along_height is (side == "long")
    assert setup.state.at == 3


@pytest.mark.parametrize("side", ["long", "short"])
def test_resume_keeps_the_marks_on_the_probe(side: str) -> None:
    """Liner and tip offset move every mark: they must not be lost with the battery."""
    more = {"liner": "1 in", "tip_offset": "0.375 in", "holes_on": side}
    before = prepare(options(**more)).plan
    path = saved({0: point(4.0), 1: point(4.0)}, **more)
    after = prepare(TakeOptions(resume=path)).plan
    assert [p.depth_m for p in after.points] == pytest.approx([p.depth_m for p in before.points], abs=1e-5)
    assert [p.hole_m for p in after.points] == pytest.approx([p.hole_m for p in before.points], abs=1e-5)
    # 0.0736 of the free side (check value 3.1), the liner's inch and the tip's 3/8 in
    free_in = 12.0 if side == "long" else 18.0
    assert after.points[0].depth_m == pytest.approx((0.0736 * free_in + 1.375) * 0.0254, abs=1e-4)


@pytest.mark.parametrize("more", [{"holes_on": "short", "liner": "1 in"}, {"duct": None, "round_": "16 in"}])
def test_a_plan_file_gives_duct_and_points(more: dict[str, Any], tmp_path: Path) -> None:
    wanted = prepare(options(**more)).plan
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(plan_document(wanted, "us")), encoding="utf-8")
    assert prepare(TakeOptions(plan=path, temperature="70 °F")).plan == wanted


def test_a_plan_file_with_a_fault_names_file_and_key(tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    document = plan_document(prepare(options()).plan, "us")
    path.write_text(json.dumps(document | {"method": "guess"}), encoding="utf-8")
    with pytest.raises(TableError, match=r"plan\.json: key method"):
        prepare(TakeOptions(plan=path, temperature="70 °F"))


def test_resume_refuses_a_point_that_its_rule_does_not_have() -> None:
    path = saved({0: point(4.0)})
    document = json.loads(path.read_text(encoding="utf-8"))
    document["points"][0]["x"] = 0.2
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(TableError, match=r"points\[0\].*none of the 25"):
        prepare(TakeOptions(resume=path))


def test_resume_refuses_a_repeat_elsewhere() -> None:
    path = saved({0: point(4.0)})
    document = json.loads(path.read_text(encoding="utf-8"))
    document["repeat_first"] = document["points"][0] | {"x": 0.5, "y": 0.5}
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(TableError, match="repeat_first"):
        prepare(TakeOptions(resume=path))


def test_a_temperature_traverse_takes_its_velocities_from_a_file() -> None:
    path = saved({i: point(3.0 + 0.1 * i) for i in range(25)})
    setup = prepare(TakeOptions(quantity="temperature", velocity=path, output=Path("mixed.json")))
    assert setup.base.quantity is TraverseQuantity.TEMPERATURE
    assert [e.velocity_m_s for e in setup.manner.known if e] == [3.0 + 0.1 * i for i in range(25)]
    assert setup.base.at is Plane.SUPPLY


def test_an_incomplete_velocity_file_is_refused() -> None:
    path = saved({0: point(3.0)})
    with pytest.raises(RiselogError, match="no velocity at point 2"):
        prepare(TakeOptions(quantity="temperature", velocity=path, output=Path("mixed.json")))


def test_the_notebook_writes_what_the_file_model_reads() -> None:
    path = saved(
        {
            0: point(4.0, scatter_m_s=0.1, settled=False),
            1: Taken(entry=Entry(velocity_pressure_pa=9.5), t_s=4.0),
        }
    )
    traverse = load_traverse(path)
    assert [(p.velocity_m_s, p.velocity_pressure_pa) for p in traverse.points] == [(4.0, None), (None, 9.5)]
    assert traverse.complete is False
    assert [p.settled for p in traverse.points] == [False, True]
    assert traverse.notes == "point 1: did not settle, average of unsteady air"
    assert (traverse.temperature_c, traverse.humidity) == (21.0, 0.4)


def test_a_save_that_fails_keeps_the_old_file(tmp_path: Path) -> None:
    setup = prepare(options(output=tmp_path / "gone" / "t.json"))
    notebook = Notebook(setup.path, setup.base, setup.plan)
    assert not notebook.save(setup.state, AIR)
    assert "cannot be written" in notebook.trouble


def say(watch: AirWatch, t_s: float, probe: str, quantity: Quantity, value: float, **more: Any) -> None:
    watch.update(Reading(0, round(t_s * NS_PER_S), probe, quantity, value, more.get("flag", Flag.OK), 0, 0))


def test_the_first_probe_that_says_it_counts_and_an_option_wins() -> None:
    sources = {Quantity.TEMPERATURE: ["duct", "ret"], Quantity.HUMIDITY: ["ret"]}
    watch = AirWatch(Given(said={Assumed.HUMIDITY: 30.0}, before={}), sources)
    assert watch.get().assumed == ("temperature", "pressure")
    for t_s, value in enumerate((20.0, 22.0)):
        say(watch, t_s, "ret", Quantity.TEMPERATURE, value)
    say(watch, 2, "ret", Quantity.TEMPERATURE, 99.0, flag=Flag.OUT_OF_RANGE)
    say(watch, 2, "ret", Quantity.HUMIDITY, 44.0)
    assert (watch.get().temperature_c, watch.get().humidity) == (21.0, 0.3)
    watch.captured(5.0, 2 * NS_PER_S)
    say(watch, 3, "duct", Quantity.TEMPERATURE, 23.0)
    watch.captured(5.0, 3 * NS_PER_S)
    assert watch.get().temperature_c == 22.0  # point 1 by what spoke there, 21.0, and point 2 by the first


def test_air_counts_only_while_the_probe_stands_at_a_point() -> None:
    """A probe that comes from a cold roof, warms, stands at two points, and is carried in between."""
    watch = AirWatch(Given(said={}, before={}), {Quantity.TEMPERATURE: ["ret"]})
    on_the_way = [-5.0, 5.0, 15.0, 19.0, 20.9]
    t_s = 0
    for values in (on_the_way, [21.0] * 8, on_the_way, [23.0] * 6):
        for value in values:
            say(watch, t_s := t_s + 1, "ret", Quantity.TEMPERATURE, value)
        if values is not on_the_way:
            watch.captured(float(len(values) - 1), t_s * NS_PER_S)
    assert watch.get().temperature_c == pytest.approx(22.0)  # mean of two points, by hand


def test_a_slow_probe_counts_by_its_last_reading() -> None:
    watch = AirWatch(Given(said={}, before={}), {Quantity.PRESSURE: ["baro"]})
    say(watch, 1, "baro", Quantity.PRESSURE, 98_000.0)
    say(watch, 20, "duct", Quantity.VELOCITY, 4.0)
    watch.captured(8.0, 20 * NS_PER_S)
    assert watch.get().pressure_pa == 98_000.0


def test_a_probe_that_died_says_nothing_of_later_points() -> None:
    """A supply probe speaks once, at 20 degC; the walk begins ten minutes later in air of 48 degC."""
    sources = {q: ["sup"] for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE)}
    watch = AirWatch(Given(said={}, before={}), sources)
    say(watch, 0, "sup", Quantity.TEMPERATURE, 20.0)
    say(watch, 0, "sup", Quantity.HUMIDITY, 40.0)
    say(watch, 0, "sup", Quantity.PRESSURE, 98_000.0)
    watch.captured(5.0, 200 * NS_PER_S)  # too old for a temperature, not for what changes slowly
    assert watch.get().assumed == ("temperature",)
    assert watch.get().pressure_pa == 98_000.0
    late = AirWatch(Given(said={}, before={}), sources)
    say(late, 0, "sup", Quantity.PRESSURE, 98_000.0)
    late.captured(5.0, 600 * NS_PER_S)
    assert late.get().assumed == ("temperature", "humidity", "pressure")
    assert late.get().pressure_pa == 101_325.0  # standard atmosphere, ISO 2533


def test_a_probe_is_heard_for_as_long_as_its_config_says() -> None:
    params = {"ret": ProbeParams(name="ret", role=Role.RETURN, u95=0.5, max_age_s=30.0)}
    for now_s, assumed in ((29, False), (31, True)):
        watch = AirWatch(Given(said={}, before={}), {Quantity.TEMPERATURE: ["ret"]}, params)
        say(watch, 0, "ret", Quantity.TEMPERATURE, 22.0)
        watch.captured(5.0, now_s * NS_PER_S)
        assert (Assumed.TEMPERATURE in watch.get().assumed) is assumed


def test_readings_count_with_their_probes_own_correction() -> None:
    params = {
        "ret": ProbeParams(name="ret", role=Role.RETURN, u95=0.5, offset=0.4, humidity_offset=2.0),
        "duct": ProbeParams(name="duct", role=Role.VELOCITY, u95=0.05, offset=0.2),
    }
    sources = {Quantity.TEMPERATURE: ["ret"], Quantity.HUMIDITY: ["ret"]}
    watch = AirWatch(Given(said={}, before={}), sources, params)
    say(watch, 1, "ret", Quantity.TEMPERATURE, 21.4)
    say(watch, 1, "ret", Quantity.HUMIDITY, 42.0)
    assert (watch.get().temperature_c, watch.get().humidity) == pytest.approx((21.0, 0.40))
    other = AirWatch(Given(said={}, before={}), {Quantity.TEMPERATURE: ["duct"]}, params)
    say(other, 1, "duct", Quantity.TEMPERATURE, 21.4)
    assert other.get().temperature_c == 21.4  # its offset is one of velocity


def test_new_points_do_not_overrule_the_air_of_old_ones() -> None:
    given = Given(said={}, before={Assumed.TEMPERATURE: 20.0}, points=3)
    watch = AirWatch(given, {Quantity.TEMPERATURE: ["ret"]})
    say(watch, 1, "ret", Quantity.TEMPERATURE, 24.0)
    assert watch.get().temperature_c == 20.0
    watch.captured(5.0, NS_PER_S)
    assert watch.get().temperature_c == 21.0  # (3 x 20 + 24) / 4


def test_what_nobody_gave_is_named_in_the_file_and_heated_air_is_room_air() -> None:
    """RH at 50 degC of air of 20 degC and 50 %: pws(20) = 2.339 kPa, pws(50) = 12.350 kPa (ASHRAE
    Handbook Fundamentals ch. 1 table 3), so 0.5 x 2.339 / 12.350 = 9.47 %."""
    traverse = written(options(temperature="50 °C", at="supply", burner="on"))
    assert traverse.assumed == ("humidity", "pressure")
    assert traverse.humidity == pytest.approx(0.0947, rel=2e-3)
    assert traverse.burner == "on"
    assert written(options(output=Path("b.json"))).humidity == 0.5
    known = written(options(output=Path("c.json"), humidity="20 %", altitude="700 ft"))
    assert (known.humidity, known.assumed) == (pytest.approx(0.2), ())


def written(asked: TakeOptions) -> Traverse:
    """The file as it stands before the first point."""
    setup = prepare(asked)
    notebook = Notebook(setup.path, setup.base, setup.plan)
    assert notebook.save(setup.state, AirWatch(setup.given, setup.air_sources).get())
    return load_traverse(setup.path)


def test_straight_duct_is_kept_in_hydraulic_diameters() -> None:
    # 2 x 20 x 14 / (20 + 14) = 16.47 in; 120 in / 16.47 in = 7.286
    assert written(options(straight="10 ft")).upstream_diameters == pytest.approx(7.286, abs=1e-3)


FILE_SAYS = [
    {"temperature": "80 °F"},
    {"altitude": "700 ft"},
    {"pressure": "98 kPa"},
    {"humidity": "30 %"},
    {"basis": "actual"},
    {"reference_density": "1.2 kg/m3"},
    {"burner": "off"},
    {"straight": "3 m"},
]


@pytest.mark.parametrize("more", FILE_SAYS, ids=[next(iter(more)) for more in FILE_SAYS])
def test_resume_changes_nothing_under_old_points(more: dict[str, Any]) -> None:
    full = {"humidity": "40 %", "altitude": "0 m", "burner": "on", "straight": "2 m"}
    path = saved({0: point(4.0)}, **full)
    before = path.read_bytes()
    with pytest.raises(UsageError, match="its points were taken with that"):
        prepare(TakeOptions(resume=path, **more))
    assert path.read_bytes() == before


def test_resume_adds_what_was_assumed() -> None:
    setup = prepare(options())
    state = replace(setup.state, taken=(point(4.0), *setup.state.taken[1:]))
    air = AirWatch(setup.given, {}).get()
    assert Notebook(setup.path, setup.base, setup.plan).save(state, air)
    again = prepare(TakeOptions(resume=setup.path, humidity="30 %", altitude="700 ft", straight="3 m"))
    air = AirWatch(again.given, {}).get()
    assert (air.humidity, air.assumed) == (pytest.approx(0.3), ())
    assert again.base.upstream_diameters is not None


def test_resume_takes_places_as_people_type_them() -> None:
    """Log-Tchebycheff to three digits, as handbooks print it (check value 3.1 in tests/core)."""
    path = saved({i: point(4.0 + i) for i in range(7)})
    document = json.loads(path.read_text(encoding="utf-8"))
    places = [0.074, 0.288, 0.5, 0.712, 0.926]
    for n, one in enumerate(document["points"]):
        one |= {"x": places[n // 5], "y": places[n % 5]}
        one.pop("t_s")
    document["repeat_first"] = document["points"][0]
    path.write_text(json.dumps(document), encoding="utf-8")
    setup = prepare(TakeOptions(resume=path))
    assert [t.entry.velocity_m_s if t else None for t in setup.state.taken[:8]] == [
        *map(float, range(4, 11)),
        None,
    ]
    assert setup.state.taken[0] is not None
    assert setup.state.taken[0].t_s is None  # a time that nobody wrote is not made up


def test_typed_places_give_the_weights_of_a_temperature_traverse() -> None:
    path = saved({i: point(3.0 + 0.1 * i) for i in range(25)})
    document = json.loads(path.read_text(encoding="utf-8"))
    for one in document["points"]:
        one |= {"x": round(one["x"], 3), "y": round(one["y"], 3)}
    path.write_text(json.dumps(document), encoding="utf-8")
    setup = prepare(TakeOptions(quantity="temperature", velocity=path, output=Path("mixed.json")))
    assert [e.velocity_m_s for e in setup.manner.known if e] == [3.0 + 0.1 * i for i in range(25)]


def test_resume_refuses_one_place_twice() -> None:
    path = saved({0: point(4.0)})
    document = json.loads(path.read_text(encoding="utf-8"))
    document["points"].append(document["points"][0] | {"x": 0.074})
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(TableError, match="point 1 a second time"):
        prepare(TakeOptions(resume=path))


def test_resume_keeps_the_scatter_of_a_pressure_and_the_notes_of_points() -> None:
    first = Taken(entry=Entry(velocity_pressure_pa=9.5), scatter_pa=0.7, t_s=4.0, settled=False)
    path = saved({0: first, 1: point(4.0, settled=False), 2: point(-0.5)}, liner="1 in")
    notes = "points 1 to 2: did not settle, average of unsteady air"
    more = "point 3: no flow or reverse flow, taken as it was"
    assert load_traverse(path).notes == f"liner 25.40 mm; {notes}; {more}"
    setup = prepare(TakeOptions(resume=path))
    assert setup.state.taken[0] == first
    assert setup.base.notes == "liner 25.40 mm"
    state = replace(setup.state, taken=(first, point(5.0), None, *setup.state.taken[3:]))
    assert Notebook(setup.path, setup.base, setup.plan).save(state, AIR)
    assert load_traverse(path).notes == "liner 25.40 mm; point 1: did not settle, average of unsteady air"


def test_a_first_point_taken_again_late_gives_its_place_as_the_first_to_the_next() -> None:
    setup = prepare(options())
    late, again = replace(point(4.0), t_s=90.0), replace(point(4.2), t_s=99.0)
    state = replace(setup.state, taken=(late, point(4.1), *setup.state.taken[2:]), repeat=again)
    assert Notebook(setup.path, setup.base, setup.plan).save(state, AIR)
    written = load_traverse(setup.path)
    assert written.repeat_first is not None
    assert written.repeat_first.place == written.points[1].place
    assert prepare(TakeOptions(resume=setup.path)).state.repeat == again
    wrong = replace(written, repeat_first=written.points[0])
    save_traverse(setup.path, wrong)
    with pytest.raises(TableError, match=r"the first captured point stands \(point 2, by t_s or place\)"):
        prepare(TakeOptions(resume=setup.path))


def test_a_simulation_is_noted_once(config: Path) -> None:
    path = written_with(config)
    setup = prepare(TakeOptions(config=config, resume=path))
    assert setup.base.notes == "SIMULATED PROBES"
    assert setup.base.probe == "duct (sim)"


def written_with(config: Path) -> Path:
    return saved({0: point(4.0)}, config=config, temperature=None)


def test_the_config_says_the_basis_where_it_does(config: Path) -> None:
    text = config.read_text(encoding="utf-8")
    assert "[airflow]" in text
    head, _, tail = text.partition("[airflow]")
    rest = tail[tail.index("\n[") :]
    live = '[airflow]\nsource = "probe"\nprobe = "duct"\narea = "0.18 m2"\n'
    config.write_text(f"{head}{live}{rest}", encoding="utf-8")
    assert prepare(options(config=config)).base.basis == "standard"
    path = written_with(config)
    config.write_text(f'{head}{live}basis = "actual"\n{rest}', encoding="utf-8")
    assert prepare(options(config=config, output=Path("b.json"))).base.basis == "actual"
    with pytest.raises(UsageError, match=r'airflow\.basis is "actual" and the file.s points are "standard"'):
        prepare(TakeOptions(config=config, resume=path))


def test_a_resume_keeps_the_poorer_calibration(config: Path) -> None:
    path = saved({0: point(4.0)}, velocity_u95="8 %")
    setup = prepare(TakeOptions(config=config, resume=path))
    assert setup.base.velocity_u95 == pytest.approx(0.08)


def test_notes_that_leave_no_room_are_told_before_the_first_point(config: Path) -> None:
    path = saved({0: point(4.0)})
    save_traverse(path, replace(load_traverse(path), notes="x" * 995))
    assert prepare(TakeOptions(resume=path)).base.notes == "x" * 995
    with pytest.raises(UsageError, match=r"key notes: .* 13 characters too long; shorten it"):
        prepare(TakeOptions(config=config, resume=path))  # adds "; SIMULATED PROBES", 18 characters


@pytest.mark.parametrize(
    ("told", "how"),
    [
        ({"altitude": "700 ft"}, PressureFrom.ALTITUDE),
        ({"pressure": "29.1 inHg"}, PressureFrom.TYPED),
        ({}, None),
    ],
)
def test_the_file_keeps_how_the_pressure_was_had(told: dict[str, str], how: PressureFrom | None) -> None:
    traverse = written(options(**told))
    assert traverse.pressure_from is how
    setup = prepare(TakeOptions(resume=Path("traverse.json")))
    assert AirWatch(setup.given, {}).get().pressure_from is how


def test_a_barometer_says_so_and_an_earlier_file_keeps_its_own_word() -> None:
    sources = {Quantity.PRESSURE: ["baro"]}
    typed = {Assumed.PRESSURE: 98_500.0}
    for given, how in (
        (Given(said={}, before={}), PressureFrom.PROBE),
        (Given(said={}, before=typed, pressure_from=PressureFrom.ALTITUDE), PressureFrom.PROBE),
        (Given(said={}, before=typed, points=3, pressure_from=PressureFrom.TYPED), PressureFrom.TYPED),
        (Given(said=typed, before={}, pressure_from=PressureFrom.TYPED), PressureFrom.TYPED),
    ):
        watch = AirWatch(given, sources)
        say(watch, 1, "baro", Quantity.PRESSURE, 98_000.0)
        watch.captured(5.0, NS_PER_S)
        assert watch.get().pressure_from is how


def test_the_config_says_how_it_has_the_pressure(config: Path) -> None:
    known = prepare(options(config=config, temperature=None)).given
    assert known.pressure_from is PressureFrom.ALTITUDE  # the scenario's config has an altitude


def test_the_air_at_the_fans_inlet_is_kept_as_the_mean_over_the_points() -> None:
    """Entering air of 10 and 12 degC at two points, nothing at a third; a file of 2 points had 20 degC."""
    for given, mean_c in (
        (Given(said={}, before={}), 11.0),
        (Given(said={}, before={}, points=2, inlet_c=20.0), 15.5),  # (2 x 20 + 10 + 12) / 4, by hand
    ):
        watch = AirWatch(given, {Quantity.TEMPERATURE: ["sup"]}, None, ["ret"])
        for t_s, value in ((1, 10.0), (30, 12.0)):
            say(watch, t_s, "sup", Quantity.TEMPERATURE, 48.0)
            say(watch, t_s, "ret", Quantity.TEMPERATURE, value)
            watch.captured(5.0, t_s * NS_PER_S)
        watch.captured(5.0, 90 * NS_PER_S)
        assert watch.get().inlet_c == pytest.approx(mean_c)
        assert watch.get().temperature_c == pytest.approx(48.0)
    assert AirWatch(Given(said={}, before={}), {}).get().inlet_c is None


def test_the_inlet_is_read_where_the_heat_stands_between_fan_and_plane(config: Path) -> None:
    """Blow-through and supply, by the return; draw-through and return, by the supply; else not asked for."""
    supply = {"config": config, "at": "supply", "temperature": "118 °F"}
    setup = prepare(options(**supply))
    assert setup.inlet == ("ret",)
    assert "ret" in [p.name for p in setup.probes]
    assert prepare(options(config=config, temperature=None)).inlet == ()
    text = config.read_text(encoding="utf-8")
    assert '"blow-through"' in text
    config.write_text(text.replace('"blow-through"', '"draw-through"'), encoding="utf-8")
    assert prepare(options(**supply)).inlet == ()
    assert prepare(options(config=config, temperature=None)).inlet == ("sup",)


def test_the_plane_is_kept_and_no_option_changes_it_later() -> None:
    traverse = written(options(temperature="118 °F", at="supply", burner="on"))
    assert traverse.at is Plane.SUPPLY
    again = prepare(TakeOptions(resume=Path("traverse.json")))
    assert again.base.at is Plane.SUPPLY
    assert again.manner.in_supply
    with pytest.raises(UsageError, match=r"--at: traverse\.json has it"):
        prepare(TakeOptions(resume=Path("traverse.json"), at="return"))


def test_a_plane_that_was_not_said_can_be_added() -> None:
    written(options())
    assert load_traverse(Path("traverse.json")).at is None
    assert prepare(TakeOptions(resume=Path("traverse.json"), at="return")).base.at is Plane.RETURN


def test_supply_air_has_its_temperature_from_a_supply_probe_or_an_option(config: Path) -> None:
    assert prepare(options(config=config, temperature=None, at="supply")).air_sources[
        Quantity.TEMPERATURE
    ] == [
        "duct",
        "sup",
    ]
    assert prepare(options(temperature="118 °F", probe="sim", at="supply")).base.at is Plane.SUPPLY
