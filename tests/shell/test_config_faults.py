"""What is wrong with a config is told in one sentence each, with file, line and key."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, model_validator

from logger.config import fields as f
from logger.config.load import load_config, loads_config
from logger.config.quantities import Dimension, QuantityError
from logger.core.errors import ConfigError
from logger.registry import DriverOptions


class RadioOptions(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    address: str | None = Field(default=None, min_length=1)
    name: str | None = None

    @model_validator(mode="after")
    def _one(self) -> RadioOptions:
        if self.address is None and self.name is None:
            raise ValueError('give address = "00:00:00:00:00:02" or name = "..."')
        return self


class SimOptions(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    noise_k: float | None = None


OPTIONS: dict[str, type[BaseModel]] = {"ess": RadioOptions, "bthome": RadioOptions, "sim": SimOptions}

GOOD = """\
[job]
name = "hall"
altitude = "700 ft"

[unit]
input = "39.6 kW"
output = "31.9 kW"
rise = ["35 °F", "65 °F"]

[airflow]
source = "fixed"
volume = "0.9 m3/s"

[probes.ret]
role = "return"
driver = "ess"
address = "00:00:00:00:00:02"

[probes.sup]
role = "supply"
driver = "ess"
address = "00:00:00:00:00:03"
"""


def refusal(text: str, extra_text: str | None = None) -> str:
    with pytest.raises(ConfigError) as caught:
        loads_config(text, "job.toml", OPTIONS, extra_text)
    assert caught.value.exit_code == 2
    return str(caught.value)


def test_the_text_that_the_cases_spoil_is_good() -> None:
    assert loads_config(GOOD, "job.toml", OPTIONS).job.name == "hall"


# (what is replaced, by what, the whole sentence)
EXACT = [
    (
        'rise = ["35 °F", "65 °F"]',
        'rise = ["65 °F", "35 °F"]',
        "job.toml:8: key 'unit.rise': the window is reversed or empty: '65 °F' is not below '35 °F';"
        " write the lower difference first",
    ),
    (
        "rise =",
        "rice =",
        "job.toml:8: key 'unit.rice': unknown key; accepted here: casing_loss, derate, efficiency, fan,"
        " fan_drive, fan_heat, input, kind, max_supply, min_entering, modulating, outdoor_air,"
        " outdoor_air_u95, output, output_at, rise, stage_input, stage_output, stages, tolerance;"
        " did you mean 'rise'?",
    ),
    (
        '"0.9 m3/s"',
        '"1850 CFM"',
        "job.toml:12: key 'airflow.volume': '1850 CFM' has an unknown unit 'CFM'; accepted units: cfm,"
        " ft3/min, ft³/min, m3/s, m³/s, m3/h, m³/h, L/s, l/s; did you mean 'cfm'?",
    ),
    (
        '"0.9 m3/s"',
        "0.9",
        "job.toml:12: key 'airflow.volume': a bare number needs a unit: write \"0.9 m3/s\" if that is meant;"
        " accepted units: cfm, ft3/min, ft³/min, m3/s, m³/s, m3/h, m³/h, L/s, l/s",
    ),
    (
        'role = "supply"\ndriver = "ess"',
        'role = "supply"\ndriver = "es"',
        "job.toml:21: key 'probes.sup.driver': no such driver is installed: 'es' is not known;"
        " accepted: bthome, ess, sim; did you mean 'ess'?",
    ),
    (
        'role = "supply"',
        'role = "return"',
        "job.toml:14: key 'probes': no probe has role = \"supply\"; add a probe in the air that leaves the"
        " heating section",
    ),
    (
        'role = "return"',
        'role = "outdoor"',
        'job.toml:14: key \'probes\': no probe has role = "return" or "mixed"; add a probe in the air that'
        " enters the heating section",
    ),
    (
        'altitude = "700 ft"',
        'altitude = "5000 ft"\npressure = "101.3 kPa"',
        # 24.90 inHg: ASHRAE Fundamentals ch. 1, standard atmosphere at 5000 ft
        "job.toml:4: key 'job.pressure': 29.91 inHg is more than 4 % off the 24.90 inHg of job.altitude (a"
        " weather report is reduced to sea level); give the pressure at the site, or only the altitude",
    ),
    (
        'volume = "0.9 m3/s"',
        "",
        "job.toml:10: key 'airflow.volume': missing;"
        ' source = "fixed" needs volume = "1850 cfm" or the like',
    ),
    (
        '[job]\nname = "hall"\n',
        "[job]\n",
        "job.toml:1: key 'job.name': missing; add for example name = \"hall-north\"",
    ),
]


@pytest.mark.parametrize(("old", "new", "sentence"), EXACT)
def test_whole_sentences(old: str, new: str, sentence: str) -> None:
    assert GOOD.count(old) == 1
    assert refusal(GOOD.replace(old, new)) == sentence


# (what is replaced, by what, line, key, parts of the sentence)
FAULTS = [
    # job
    ('"hall"', '"hall north"', 2, "job.name", ["'hall north' is not a name", "letters"]),
    ('"hall"', '"a/b"', 2, "job.name", ["is not a name"]),
    ('"hall"', "7", 2, "job.name", ["this value is not a name"]),
    ('"hall"', '"hall"\nunits = "US"', 3, "job.units", ["accepted: us, si", "did you mean 'us'?"]),
    ('"700 ft"', '"700"', 3, "job.altitude", ["'700' needs a unit", "ft"]),
    ('"700 ft"', "700", 3, "job.altitude", ["a bare number needs a unit"]),
    ('"700 ft"', "true", 3, "job.altitude", ["must be text with a number and a unit"]),
    ('"700 ft"', '"70000 ft"', 3, "job.altitude", ["is not between -450 m and 5500 m"]),
    ('"700 ft"', '"5000 ft"\npressure = "101 kPa"', 4, "job.pressure", ["more than 4 % off", "sea level"]),
    # unit
    ("[unit]", "[unit]\nkind = 'gaz'", 6, "unit.kind", ["accepted: gas, electric", "did you mean 'gas'?"]),
    ("[unit]", "[unit]\nkind = 'cooling'\nmax_supply = '70 °C'", 7, "unit.max_supply", ["limit of heating"]),
    (
        "[unit]",
        "[unit]\nkind = 'cooling'\noutdoor_air = '20 %'",
        7,
        "unit.outdoor_air",
        ["heating alone", "mixed"],
    ),
    ("[unit]", "[unit]\noutput_at = 'visit'", 6, "unit.output_at", ['kind = "gas"', "any weather"]),
    ("[unit]", "[unit]\nkind = 'cooling'\noutput_at = 'today'", 7, "unit.output_at", ["rating, visit"]),
    (
        "[unit]",
        "[unit]\nkind = 'heat-pump'\ncasing_loss = '300 W'",
        7,
        "unit.casing_loss",
        ["does not go with", "remove the key"],
    ),
    ("[unit]", "[unit]\nefficiency = '81 %'", 6, "unit.efficiency", ["unit.output is given too"]),
    ('input = "39.6 kW"\noutput = "31.9 kW"', "efficiency = '81 %'", 6, "unit.efficiency", ["plate's input"]),
    (
        "39.6 kW",
        "31 kW",
        7,
        "unit.output",
        ["108800 Btu/h is more than the input of 105800 Btu/h", "swapped"],
    ),
    ("39.6 kW", "39.6 kw", 6, "unit.input", ["unknown unit 'kw'", "did you mean 'kW'?"]),
    ("39.6 kW", "70 °F", 6, "unit.input", ["a unit of temperature, not of power"]),
    ("39.6 kW", "-1 kW", 6, "unit.input", ["is not between 1 W and 10000 kW"]),
    ('["35 °F", "65 °F"]', '["35 °F"]', 8, "unit.rise", ["two temperature differences"]),
    ('["35 °F", "65 °F"]', '["35 °F", "35 °F"]', 8, "unit.rise", ["reversed or empty"]),
    ('["35 °F", "65 °F"]', '["35", "65 °F"]', 8, "unit.rise", ["'35' needs a unit"]),
    ("[unit]", "[unit]\ntolerance = 5", 6, "unit.tolerance", ["a bare number needs a unit", '"5 %"']),
    ("[unit]", "[unit]\nfan = 'blow'", 6, "unit.fan", ["accepted: blow-through, draw-through"]),
    (
        "[unit]",
        "[unit]\nfan_heat = 'mesured'",
        6,
        "unit.fan_heat",
        ["or a value", "did you mean 'measured'?"],
    ),
    ("[unit]", "[unit]\nfan_heat = 450", 6, "unit.fan_heat", ["a bare number needs a unit"]),
    ("[unit]", "[unit]\nfan_drive = 'variable'", 6, "unit.fan_drive", ["velocity probe", "constant-speed"]),
    ("[unit]", "[unit]\noutdoor_air = 'shut'", 6, "unit.outdoor_air", ["accepted: closed, open, or a value"]),
    ("[unit]", "[unit]\noutdoor_air = '20 %'", 6, "unit.outdoor_air", ['role = "outdoor"']),
    ("[unit]", "[unit]\noutdoor_air_u95 = '5 %'", 6, "unit.outdoor_air_u95", ["stated share only"]),
    ("[unit]", "[unit]\ncasing_loss = 'none'", 6, "unit.casing_loss", ["'none' is no power"]),
    ("[unit]", "[unit]\nstages = 0", 6, "unit.stages", ["must be at least 1"]),
    ("[unit]", "[unit]\nstages = 99", 6, "unit.stages", ["must be at most 16"]),
    ("[unit]", "[unit]\nstages = '1'", 6, "unit.stages", ["must be a whole number, without quotes"]),
    (
        "[unit]",
        "[unit]\nmin_entering = '80 °C'\nmax_supply = '70 °C'",
        6,
        "unit.min_entering",
        ["is not below unit.max_supply"],
    ),
    ("[unit]", "[unit]\nderate = {}", 6, "unit.derate.done", ["missing; add for example done = true"]),
    ("[unit]", "[unit]\nderate = { done = true }", 6, "unit.derate", ["needs per_1000ft", "or factor"]),
    ("[unit]", "[unit]\nderate = { done = 'yes' }", 6, "unit.derate.done", ["must be true or false"]),
    ("[unit]", "[unit]\nderate = true", 6, "unit.derate", ["must be a table"]),
    (
        "[unit]",
        "[unit]\nderate = { done = true, fctor = 0.9 }",
        6,
        "unit.derate.fctor",
        ["accepted here: above, counted_from, done, factor, per_1000ft", "did you mean 'factor'?"],
    ),
    (
        "[unit]",
        "[unit]\nderate = { done = true, factor = '0.9', above = '2000 ft' }",
        6,
        "unit.derate.factor",
        ["stands beside above"],
    ),
    ("[unit]", "[unit]\nderate = { done = true, factor = 0 }", 6, "unit.derate.factor", ["above 0"]),
    ("[unit]", "[unit]\nderate = { done = true, factor = '90 %' }", 6, "unit.derate.factor", ["pure number"]),
    (
        "[unit]",
        "[unit]\nderate = { done = true, factor = 1.2 }",
        6,
        "unit.derate",
        ["multiplies the plate by 1.20"],
    ),
    (
        "[unit]",
        "[unit]\nderate = { done = true, per_1000ft = '4 %', counted_from = 'sea' }",
        6,
        "unit.derate.counted_from",
        ["accepted: sea-level, threshold"],
    ),
    (
        'altitude = "700 ft"\n\n[unit]',
        'pressure = "85 kPa"\n\n[unit]\nderate = { done = true, per_1000ft = "4 %" }',
        6,
        "unit.derate.per_1000ft",
        ["needs the altitude"],
    ),
    # airflow
    ('source = "fixed"', "", 10, "airflow.source", ['add for example source = "fixed"']),
    (
        'source = "fixed"',
        'source = "fix"',
        11,
        "airflow.source",
        ["accepted: fixed, probe, mass", "'fixed'?"],
    ),
    ('source = "fixed"', 'source = "mass"', 12, "airflow.volume", ['goes with source = "fixed" only']),
    (
        'source = "fixed"\nvolume = "0.9 m3/s"',
        'source = "mass"',
        10,
        "airflow.mass",
        ['source = "mass" needs mass = "1.02 kg/s"'],
    ),
    (
        'source = "fixed"',
        'source = "fixed"\narea = "1 m2"',
        12,
        "airflow.area",
        ['goes with source = "probe"'],
    ),
    (
        'source = "fixed"\nvolume = "0.9 m3/s"',
        'source = "probe"\nprobe = "duct"\narea = "0.2 m2"',
        12,
        "airflow.probe",
        ["'duct' is no probe with role = \"velocity\"", "there is none yet"],
    ),
    (
        'source = "fixed"\nvolume = "0.9 m3/s"',
        'source = "probe"\narea = "0.2 m2"',
        10,
        "airflow.probe",
        ["missing", 'probe = "duct"'],
    ),
    (
        'source = "fixed"\nvolume = "0.9 m3/s"',
        'source = "probe"\nprobe = "ret"\narea = "2 m2"\n'
        '[probes.duct]\nrole="velocity"\ndriver="ess"\nname="x"\n',
        12,
        "airflow.probe",
        ["probes with that role: duct"],
    ),
    ('"0.9 m3/s"', '"0.9 m3/s"\nat = "supplie"', 13, "airflow.at", ["did you mean 'supply'?"]),
    ('"0.9 m3/s"', '"0.9 m3/s"\nhumidity = "140 %"', 13, "airflow.humidity", ["not between 0 % and 100 %"]),
    ('"0.9 m3/s"', '"0.9 m3/s"\nu95 = "0.05"', 13, "airflow.u95", ["'0.05' needs a unit"]),
    ('"0.9 m3/s"', '"nan m3/s"', 12, "airflow.volume", ["is no volume flow"]),
    ('"0.9 m3/s"', "nan", 12, "airflow.volume", ["a bare number needs a unit"]),
    # probes
    ('role = "return"', "", 14, "probes.ret.role", ['add for example role = "return"']),
    ('role = "return"', 'role = "retrun"', 15, "probes.ret.role", ["did you mean 'return'?"]),
    ('role = "return"', 'role = ["return"]', 15, "probes.ret.role", ["this value is not known"]),
    ("[probes.ret]", '[probes."ret 1"]', 14, "probes.ret 1", ["'ret 1' is not a name"]),
    ("[probes.ret]", "[probes.-A1]", 14, "probes.-A1", ["'-A1' is not a name", "not - first"]),
    ("address =", "adress =", 17, "probes.ret.adress", ["did you mean 'address'?", "placement_u95"]),
    ('"00:00:00:00:00:02"', "2", 17, "probes.ret.address", ["must be text in quotes"]),
    ('"00:00:00:00:00:02"', '""', 17, "probes.ret.address", ["must not be empty"]),
    ('address = "00:00:00:00:00:02"', "", 14, "probes.ret", ["give address ="]),
    ('role = "return"', 'role = "return"\nu95 = "5 %"', 16, "probes.ret.u95", ["a unit of fraction"]),
    ('role = "return"', 'role = "return"\noffset = "90 K"', 16, "probes.ret.offset", ["-20 K and 20 K"]),
    ('role = "return"', 'role = "return"\nmax_age = "0 s"', 16, "probes.ret.max_age", ["0.5 s and 10 min"]),
    (
        'role = "return"',
        'role = "return"\nplacement_u95 = 3',
        16,
        "probes.ret.placement_u95",
        ["bare number"],
    ),
    # steady, cycles, store
    (
        "[job]",
        "[steady]\nwindow = '700 s'\n[job]",
        2,
        "steady.window",
        ["longer than steady.window_max, 600 s"],
    ),
    ("[job]", "[steady]\nwindow = '0 s'\n[job]", 2, "steady.window", ["not between 10 s and 2 h"]),
    ("[job]", "[steady]\nhold = '-1 s'\n[job]", 2, "steady.hold", ["not between 1 s and 2 h"]),
    ("[job]", "[steady]\nremaining = '0 %'\n[job]", 2, "steady.remaining", ["not between"]),
    ("[job]", "[steady]\nspread = 1.5\n[job]", 2, "steady.spread", ["bare number"]),
    ("[job]", "[steady]\ntime_constant = '2 h'\n[job]", 2, "steady.time_constant", ["not between"]),
    ("[job]", "[cycles]\nend = '4 K'\n[job]", 2, "cycles.end", ["4 K is more than cycles.fire, 3 K"]),
    ("[job]", "[cycles]\nfires = '4 K'\n[job]", 2, "cycles.fires", ["did you mean 'fire'?"]),
    ("[job]", "[cycles]\nmin_fan_phase = '1 s'\n[job]", 2, "cycles.min_fan_phase", ["not between"]),
    ("[job]", "[store]\npath = ''\n[job]", 2, "store.path", ["one line of printable text"]),
    ("[job]", "[store]\npath = 1\n[job]", 2, "store.path", ["in quotes"]),
    # broker
    ("[job]", "[mqtt]\nport = 1\n[job]", 1, "mqtt.host", ['host = "broker.example"']),
    ("[job]", "[mqtt]\nhost = 'a'\nport = 70000\n[job]", 3, "mqtt.port", ["at most 65535"]),
    ("[job]", "[mqtt]\nhost = 'mqtt://a:b@c'\n[job]", 2, "mqtt.host", ["host name or address alone"]),
    ("[job]", "[mqtt]\nhost = '10.0.0.2:1883'\n[job]", 2, "mqtt.host", ["a port has a key of its own"]),
    ("[job]", "[mqtt]\nhost = 'a'\nprefix = 'a/#'\n[job]", 3, "mqtt.prefix", ["is not a name"]),
    ("[job]", "[mqtt]\nhost = 'a'\ntls = 'yes'\n[job]", 3, "mqtt.tls", ["true or false"]),
    ("[job]", "[mqtt]\nhost = 'a'\nversion = '4'\n[job]", 3, "mqtt.version", ["accepted: 5, 3.1.1"]),
    ("[job]", "[mqtt]\nhost = 'a'\nkeep = '14'\n[job]", 3, "mqtt.keep", ["accepted units"]),
    ("[job]", "[mqtt]\nhost = 'a'\nkeep = '1 s'\n[job]", 3, "mqtt.keep", ["not between 1 h and 3650 d"]),
    (
        "[job]",
        "[mqtt]\nhost = 'a'\ntls = false\nca_file = 'c'\n[job]",
        4,
        "mqtt.ca_file",
        ["tls = true only"],
    ),
    ("[job]", "[mqtt]\nhost = 'a'\ncert_file = 'c'\n[job]", 3, "mqtt.cert_file", ["go together"]),
    ("[job]", "[mqtt]\nhost = 'a'\npassword_env = 'P'\n[job]", 1, "mqtt.username", ["needs a username"]),
    (
        "[job]",
        "[mqtt]\nhost = 'a'\nusername = 'u'\npassword_env = 'P'\npassword_file = 'p'\n[job]",
        4,
        "mqtt.password_env",
        ["keep one"],
    ),
    (
        "[job]",
        "[mqtt]\nhost = '10.0.0.2'\ntls = false\nusername = 'u'\npassword_env = 'P'\n[job]",
        3,
        "mqtt.tls",
        ["in the clear", "allow_plain = true"],
    ),
    # simulation
    (
        "[job]",
        "[sim]\nscenario = 'standard'\n[job]",
        18,
        "probes.ret.driver",
        ["reads a real probe", "[sim]"],
    ),
    ('"ess"\naddress = "00:00:00:00:00:02"', '"sim"', 16, "probes.ret.driver", ["needs the table [sim]"]),
    ("[job]", "[sim]\n[job]", 1, "sim.scenario", ['scenario = "standard"']),
    ("[job]", "[sim]\nscenario='a'\nspeed = 0\n[job]", 3, "sim.speed", ["above 0", '"max"']),
    ("[job]", "[sim]\nscenario='a'\nspeed = inf\n[job]", 3, "sim.speed", ["above 0"]),
    ("[job]", "[sim]\nscenario='a'\nspeed = true\n[job]", 3, "sim.speed", ["above 0"]),
    ("[job]", "[sim]\nscenario='a'\nseed = -1\n[job]", 3, "sim.seed", ["at least 0"]),
    ("[job]", "[sim]\nscenario='a'\nseed = 1.5\n[job]", 3, "sim.seed", ["whole number"]),
    # the whole
    ("[airflow]", "[airflows]", 10, "airflows", ["unknown key", "did you mean 'airflow'?"]),
    ("[job]", "job = 3\n[jobb]", 1, "job", ["must be a table"]),
    ("[job]", "probes.x = 3\n[job]", 1, "probes.x", ["must be a table: write [probes.x]"]),
    ("[job]", f"x = {'9' * 60}\n[job]", 1, "x", ["unknown key; accepted here: airflow, cycles, gas, job"]),
    ("[job]", '"a\\u001b\\n" = 1\n[job]', 1, "a??", ["unknown key"]),
]


@pytest.mark.parametrize(("old", "new", "line", "key", "parts"), FAULTS)
def test_faults(old: str, new: str, line: int, key: str, parts: list[str]) -> None:
    sentences = refusal(GOOD.replace(old, new, 1)).split("\n")
    start = f"job.toml:{line}: key '{key}': "
    mine = [s for s in sentences if s.startswith(start)]
    assert len(mine) == 1, sentences
    for part in parts:
        assert part in mine[0]


def test_a_password_in_the_file_is_refused_and_not_repeated() -> None:
    text = refusal("[mqtt]\nhost = 'a'\nusername = 'u'\npassword = 'sesame'\n" + GOOD)
    assert text.startswith(
        "job.toml:4: key 'mqtt.password': a password in the config file itself is refused;"
    )
    assert "password_file" in text
    assert "password_env" in text
    assert "sesame" not in text


def test_one_device_for_two_probes_is_refused() -> None:
    text = GOOD.replace('"00:00:00:00:00:03"', '"00:00:00:00:00:02"')
    sentence = refusal(text)
    assert sentence.startswith("job.toml:22: key 'probes.sup.address': ")
    assert "that of probe 'ret' too" in sentence


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ('input = "39.6 kW"', 'input = "135 kW"', "only 24% of unit.input"),
        ('volume = "0.9 m3/s"', 'volume = "0.9 m3/s"\ntemperature = "71 °C"', "few ducts are so hot"),
    ],
)
def test_a_mistyped_unit_is_noted(old: str, new: str, part: str) -> None:
    assert any(part in note for note in loads_config(GOOD.replace(old, new), "job.toml", OPTIONS).notes)
    assert not any(part in note for note in loads_config(GOOD, "job.toml", OPTIONS).notes)


def test_a_gas_meter_has_no_offset() -> None:
    text = refusal(GOOD + '[probes.m]\nrole = "gas"\ndriver = "ess"\nname = "m"\noffset = "1 ft3"\n')
    assert (
        text == "job.toml:27: key 'probes.m.offset': a gas meter counts and has no offset; leave the key out"
    )


def test_a_factor_of_the_rise_says_nothing_of_the_moisture_behind_a_coil() -> None:
    text = GOOD.replace('rise = ["35 °F", "65 °F"]', 'kind = "cooling"').replace('input = "39.6 kW"\n', "")
    supply = 'role = "supply"'
    assert loads_config(text, "job.toml", OPTIONS).job.unit.kind == "cooling"
    sentence = refusal(text.replace(supply, f"{supply}\nrise_factor = 0.97"))
    assert "rise_factor" in sentence
    assert 'does not go with kind = "cooling"' in sentence


def test_several_faults_are_listed_in_the_order_of_the_file() -> None:
    text = GOOD.replace("39.6 kW", "39.6").replace('"hall"', '"a b"').replace("address", "adress")
    lines = [int(s.split(":")[1]) for s in refusal(text).split("\n")]
    assert lines == [2, 6, 17, 22]


def test_at_most_ten_faults_are_listed() -> None:
    text = GOOD.replace("[job]", "[job]\n" + "\n".join(f"x{n} = 1" for n in range(15)))
    sentences = refusal(text).split("\n")
    assert len(sentences) == 11
    assert sentences[-1] == "job.toml: 5 more faults; repair these first"


def test_faults_of_the_command_line_are_named_so() -> None:
    text = GOOD.replace('"ess"', '"sim"').replace("address", "# address")
    text += "[sim]\nscenario = 'standard'\n"
    message = refusal(text, "[sim]\nspeed = -1")
    assert message.startswith("command line:2: key 'sim.speed': must be a number above 0")
    assert refusal(text, "[sim").startswith("command line:1: is not valid TOML")


class BrokenDrivers(dict[str, type[BaseModel]]):
    def __getitem__(self, name: str) -> type[BaseModel]:
        raise ConfigError("driver 'ess' cannot be loaded (ImportError: x); repair or remove that package")


def test_a_broken_driver_is_told_with_its_place() -> None:
    with pytest.raises(ConfigError) as caught:
        loads_config(GOOD, "job.toml", BrokenDrivers())
    assert str(caught.value).startswith("job.toml:16: key 'probes.ret.driver': driver 'ess' cannot be loaded")


class Raising(BaseModel):
    @model_validator(mode="before")
    @classmethod
    def _breaks(cls, table: object) -> object:
        raise KeyError("planted")


def test_options_that_break_are_the_drivers_fault_and_told_so() -> None:
    with pytest.raises(ConfigError) as caught:
        loads_config(GOOD, "job.toml", {"ess": Raising})
    assert str(caught.value).startswith(
        "job.toml:16: key 'probes.ret.driver': the driver cannot say whether its keys are right "
        "(KeyError: 'planted'); report it to the author of riselog "
    )


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("[job]\nname = \n", "job.toml:2: is not valid TOML: Invalid value"),
        ("[job\n", "job.toml:1: is not valid TOML"),
        ("a = 1\n\na = 2\n", "job.toml:3: is not valid TOML"),
        ('a = "x', "job.toml:1: is not valid TOML: Unterminated string"),
        ('[job]\n\nname = """x\n', "job.toml:3: is not valid TOML"),
        (
            f"[a]\nb = {'9' * 5000}\n\n[c]\nd = 1\n",  # Python's own limit names no line
            "job.toml:2: is not valid TOML: a number has 5000 digits, and more than 4300 are not read",
        ),
        (
            "a = {b = 1}\na.c = 2\n",
            "job.toml:2: is not valid TOML: a key of this line is in the file already",
        ),
        (
            "[job]\nname = 1\n\n[[job]]\n",
            "job.toml:4: is not valid TOML: [[job]] is in the file already; write it once, or",
        ),
        ("a = " + "[" * 5000, "job.toml:1: is nested too deep"),
    ],
)
def test_syntax_errors_carry_their_line(text: str, start: str) -> None:
    assert refusal(text).startswith(start)


def test_an_empty_file_says_what_is_needed() -> None:
    assert refusal("") == "\n".join(
        f"job.toml:1: key '{key}': missing; add the table [{table}]"
        for key, table in [("airflow", "airflow"), ("job", "job"), ("probes", "probes.ret")]
    )


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    missing = tmp_path / "none.toml"
    cases = {
        missing: "none.toml: cannot be read (No such file or directory)",
        tmp_path: "cannot be read (Is a directory)",
        Path("a\0b"): "cannot be read",
    }
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'[job]\nname = "\xe9"\n')
    cases[latin] = "latin.toml:2: is not UTF-8 text; save the file as UTF-8"
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 1_000_001)
    cases[large] = "large.toml: is larger than 1000000 bytes"
    for path, part in cases.items():
        with pytest.raises(ConfigError) as caught:
            load_config(path, OPTIONS)
        assert part in str(caught.value)


TRAVERSE = GOOD.replace('volume = "0.9 m3/s"', 'traverse = "t.json"')


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (None, "t.json: cannot be read (No such file or directory)"),
        ("{", "t.json:1: is not valid JSON"),
        ("[" * 100_000, "t.json: is not usable JSON"),
        ("[]", 't.json: key schema: must be "riselog.traverse/1"'),
        (json.dumps({"schema": "riselog.traverse/1"}), "t.json: key duct: missing; add it"),
    ],
)
def test_a_bad_traverse_file_is_refused(tmp_path: Path, content: str | None, part: str) -> None:
    if content is not None:
        (tmp_path / "t.json").write_text(content)
    path = tmp_path / "job.toml"
    path.write_text(TRAVERSE)
    with pytest.raises(ConfigError) as caught:
        load_config(path, OPTIONS)
    assert str(caught.value).startswith(f"{path}:12: key 'airflow.traverse': ")
    assert part in str(caught.value)


_SENTENCE = re.compile(r"job\.toml(:\d+: (key '|is )|: \d+ more faults)")


def check_only_config_errors(text: str) -> None:
    try:
        loads_config(text, "job.toml", OPTIONS)
    except ConfigError as error:
        for sentence in str(error).split("\n"):
            assert sentence.isprintable()
            assert _SENTENCE.match(sentence), sentence


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=60))
def test_any_text_loads_or_is_refused_in_sentences(text: str) -> None:
    check_only_config_errors(text)


_PIECES = st.sampled_from(
    ["1", "nan", "inf", "[]", "{}", "true", '""', '"x"', '"1 °F"', "1979-05-27", "[1, {a = 2}]", "9" * 400]
)


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_any_value_in_any_place_loads_or_is_refused_in_sentences(data: st.DataObject) -> None:
    lines = GOOD.splitlines()
    place = data.draw(st.integers(0, len(lines) - 1))
    key = lines[place].split(" = ")[0] if " = " in lines[place] else data.draw(st.sampled_from(["x", "u95"]))
    value = data.draw(_PIECES | st.text(max_size=5))
    lines[place] = f"{key} = {value}"
    check_only_config_errors("\n".join(lines))


@settings(max_examples=100, deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.integers(0, 8), st.text(max_size=3))
def test_any_slip_of_the_hand_loads_or_is_refused_in_sentences(at: int, cut: int, text: str) -> None:
    check_only_config_errors(GOOD[:at] + text + GOOD[at + cut :])


class Leaving(BaseModel):
    @model_validator(mode="before")
    @classmethod
    def _leaves(cls, table: object) -> object:
        raise SystemExit(5)


def test_options_that_end_the_program_are_the_drivers_fault_too() -> None:
    with pytest.raises(ConfigError, match=r"cannot say whether its keys are right \(SystemExit: 5\)"):
        loads_config(GOOD, "job.toml", {"ess": Leaving})


@pytest.mark.parametrize(
    ("amount", "number", "offer"),
    [
        (f.Amount(Dimension.TIME, "1 h", "3650 d", "d"), 14, '"14 d"'),
        (f.Amount(Dimension.TIME, "10 s", "2 h"), 120, '"120 s"'),
        (f.Amount(Dimension.TIME, "1 h", "3650 d"), 120, '"120 min"'),
        (f.Amount(Dimension.VOLUME_FLOW, "1 L/s", "500 m3/s"), 2000, '"2000 cfm"'),
    ],
)
def test_what_is_offered_for_a_bare_number_is_accepted(amount: f.Amount, number: int, offer: str) -> None:
    with pytest.raises(QuantityError, match=f"write {offer} if that is meant"):
        amount(number)
    amount(offer.strip('"'))


def test_nothing_is_offered_where_no_unit_fits() -> None:
    with pytest.raises(QuantityError, match=r"^a bare number needs a unit; accepted units: s, min"):
        f.Amount(Dimension.TIME, "10 s", "2 h")(10**9)


@pytest.mark.parametrize("line", ['max_age = "{}"', 'u95 = "0.1 {}"', "{} = 1", 'weight = "{}"'])
def test_a_key_in_a_wrong_place_is_not_shown(line: str) -> None:
    key = "00112233445566778899AABBccddeeff"
    text = GOOD.replace('role = "return"', f'role = "return"\n{line.format(key)}')
    with pytest.raises(ConfigError, match=r"job\.toml:1\d: key") as caught:
        loads_config(text, "job.toml", DriverOptions())
    told = str(caught.value).casefold()
    assert not any(key[at : at + 6].casefold() in told for at in range(27))
