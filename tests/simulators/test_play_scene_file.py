"""A scene as it is named: every fault with file, line, key and what to do."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.errors import ConfigError, RiselogError, TableError
from logger.core.readings import NS_PER_S, Flag, Quantity
from simulators.peripheral.formats import Kind
from simulators.peripheral.scene_file import load_scene
from simulators.peripheral.script import Does, script
from simulators.scenarios import SCENARIOS

GOOD = """\
scenario = "standard"
seed = 7
speed = 2
every = "0.5 s"

[probes.sup]
as = "ess"
source = "supply"
adapter = "hci1"
battery = [["0 s", 87], ["10 min", 20]]
silences = [["120 s", "150 s"]]
dropouts = [["300 s", "20 s"]]

[probes.ret]
as = "bthome"
source = "return"
name = "bench 2"
battery = 50
"""
CSV = """\
time,probe,quantity,value,unit,flag
0,a,temperature,20.5,degC,
0,b,dry-air-flow,1.0,kg/s,
1,a,temperature,-327.68,degC,not-known
1,a,signal,-60,dBm,
2,a,temperature,70,°F,ok
2,a,temperature,20.7,degC,duplicate
"""


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))


def write(text: str, name: str = "scene.toml") -> str:
    Path(name).write_text(text, encoding="utf-8")
    return name


def fault_of(text: str) -> str:
    with pytest.raises(ConfigError) as raised:
        load_scene(write(text), [])
    assert raised.value.exit_code == 2
    return str(raised.value)


def test_a_scene_file_says_all_there_is_to_say() -> None:
    scene = load_scene(write(GOOD), [])
    sup, ret = scene.parts
    assert (sup.kind, sup.source, sup.adapter, sup.advertised) == (Kind.ESS, "supply", "hci1", "sim-sup")
    assert sup.battery == ((0.0, 87), (600.0, 20))
    assert (sup.silences, sup.dropouts) == (((120.0, 150.0),), ((300.0, 320.0),))
    assert (ret.kind, ret.advertised, ret.battery) == (Kind.BTHOME, "bench 2", ((0.0, 50),))
    assert (scene.speed, scene.every_s) == (2.0, 0.5)
    assert scene.end_ns == SCENARIOS["standard"].timeline.duration_s * NS_PER_S


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('as = "ess"', 'as = "es"', ":7: key 'probes.sup.as': 'es' is not known; accepted: ess, bthome"),
        ("seed = 7", "seeds = 7", ":2: key 'seeds': unknown key; accepted here: every, "),
        (
            'name = "bench 2"',
            'colour = "red"',
            ":17: key 'probes.ret.colour': unknown key; accepted here: adapter, as, battery, dropouts, name,",
        ),
        (
            '"standard"',
            '"standrad"',
            ":1: key 'scenario': there is no scenario 'standrad'; closest: standard",
        ),
        ("speed = 2", "speed = 0", ":3: key 'speed': must be a number above 0 and up to 100"),
        (
            "speed = 2",
            'speed = "20"',
            ":3: key 'speed': must be a number above 0 and up to 100, without quotes",
        ),
        ('every = "0.5 s"', "every = 1", ":4: key 'every': a bare number needs a unit"),
        ('"hci1"', '"first"', ":9: key 'probes.sup.adapter': must be the name of an adapter, such as"),
        ('"hci1"', "1", ":9: key 'probes.sup.adapter': must be the name of an adapter, such as"),
        ("battery = 50", "battery = 101", ":18: key 'probes.ret.battery': a battery level must be a whole"),
        ('"10 min", 20', '"0 s", 20', ":10: key 'probes.sup.battery': battery levels must stand in order"),
        ('"150 s"', '"110 s"', ":11: key 'probes.sup.silences': a silence must end after it begins"),
        ('["300 s", "20 s"]', '["300 s"]', ":12: key 'probes.sup.dropouts': must be an array of pairs, when"),
        ('["300 s", "20 s"]', '["140 s", "20 s"]', ":6: key 'probes.sup': silences and dropouts overlap"),
        ('as = "ess"', 'as = "bthome"', ":6: key 'probes.sup': dropouts are for ess"),
        (
            'source = "return"',
            'source = "attic"',
            ":16: key 'probes.ret.source': 'attic' is not there; there",
        ),
        ('"bench 2"', '"sim-sup"', ":17: key 'probes.ret.name': 'sim-sup' is that of sup too"),
        ('"bench 2"', f'"{30 * "x"}"', ":17: key 'probes.ret.name': is longer than the 29 bytes"),
        ('scenario = "standard"', 'run = "last"\nreadings = "a.csv"', ":1: key 'scenario': give one of"),
        ("seed = 7", "seed = ", ":2: is not valid TOML: Invalid value"),
    ],
)
def test_a_fault_is_told_with_its_place(old: str, new: str, said: str) -> None:
    assert old in GOOD
    told = fault_of(GOOD.replace(old, new, 1))
    assert said in told
    assert told.startswith("scene.toml:")


def test_what_has_no_code_is_told_with_its_place() -> None:
    told = fault_of('scenario = "standard"\n[probes.meter]\nas = "ess"\nsource = "gas"\n')
    assert told == "scene.toml:3: key 'probes.meter.as': ess has no code for gas-volume; play another source"


def test_a_recording_is_played_from_its_first_reading_on() -> None:
    write(CSV, "log.csv")
    scene = load_scene(write('readings = "log.csv"\n[probes.x]\nas = "ess"\nsource = "a"\n'), [])
    temperature = Quantity.TEMPERATURE
    said = scene.said["x"]
    assert [(each.t_ns, each.quantity, each.flag) for each in said] == [
        (0, temperature, Flag.OK),
        (NS_PER_S, temperature, Flag.NOT_KNOWN),
        (2 * NS_PER_S, temperature, Flag.OK),
    ]
    # 70 degF = 21.11 degC; 0x8000: not known (GATT Specification Supplement)
    assert [step.raws for step in script(scene) if step.does is Does.SAY] == [
        {temperature: 2050},
        {temperature: -0x8000},
        {temperature: 2111},
    ]


def test_a_csv_by_itself_is_every_probe_by_broadcasts() -> None:
    name = write("\n".join(line for line in CSV.splitlines() if ",b," not in line) + "\n", "log.csv")
    scene = load_scene(name, ["hci2", "hci3"])
    assert [(p.probe, p.kind, p.adapter, p.advertised) for p in scene.parts] == [
        ("a", Kind.BTHOME, "hci2", "sim-a")
    ]


def test_what_has_no_code_is_refused_even_without_a_scene_file() -> None:
    with pytest.raises(ConfigError, match="dry-air-flow"):
        load_scene(write(CSV, "log.csv"), [])


def test_a_scenario_by_itself_is_dealt_to_the_adapters() -> None:
    scene = load_scene("standard", ["hci1", "hci2"])
    assert [(p.probe, p.adapter) for p in scene.parts] == [
        ("return", "hci1"),
        ("supply", "hci2"),
        ("velocity", "hci1"),
        ("pressure", "hci2"),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("nothing.toml", "nothing.toml: cannot be read"),
        ("nothing.csv", "nothing.csv"),
        ("log.parquet", "play reads CSV; make one with riselog export"),
        ("standrd", "did you mean the scenario 'standard'?"),
    ],
)
def test_a_scene_that_is_none_is_told(text: str, said: str) -> None:
    with pytest.raises(RiselogError) as raised:
        load_scene(text, [])
    assert said in str(raised.value)
    assert raised.value.exit_code == 2


@settings(deadline=None)  # it writes a file
@given(st.text(max_size=200))
def test_any_text_is_a_scene_or_a_clear_fault(text: str) -> None:
    Path("any.toml").write_bytes(text.encode("utf-8", "surrogatepass"))
    with pytest.raises((ConfigError, TableError)) as raised:
        load_scene("any.toml", [])
    assert str(raised.value).startswith("any.toml")


def test_a_directory_is_no_scene() -> None:
    Path("folder").mkdir()
    with pytest.raises(ConfigError, match=r"^folder: is a directory; name the scene file"):
        load_scene("folder", [])


@pytest.mark.parametrize("name", ["pipe.toml", "pipe.csv"])
def test_a_pipe_is_refused_and_not_waited_for(name: str) -> None:
    Path(name).unlink(missing_ok=True)
    os.mkfifo(name)
    with pytest.raises(RiselogError, match=f"{name}: is no regular file; name a ") as raised:
        load_scene(name, [])
    assert raised.value.exit_code == 2
