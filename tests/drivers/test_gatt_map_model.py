"""Maps that cannot be meant: file, line, key and reason of each; and no text is a fault of ours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from drivers import quantity_key
from drivers.gatt_map import words
from drivers.gatt_map.decode import FORMATS
from drivers.gatt_map.driver import GattMapOptions
from drivers.gatt_map.model import ValueTable
from logger.config.load import loads_config
from logger.config.toml_text import toml_text
from logger.core.errors import ConfigError
from logger.core.quantity_units import UNITS
from tests.shell.stand_ins import job_head

MAPS = Path(__file__).parents[2] / "config" / "maps"
DRIVERS: dict[str, type[BaseModel]] = {"gatt-map": GattMapOptions}
JOB = (
    job_head("mapped")
    + """\
[probes.ret]
role = "return"
driver = "gatt-map"
map = "my.toml"
address = "00:00:00:00:00:02"
[probes.sup]
role = "supply"
driver = "gatt-map"
map = "my.toml"
address = "00:00:00:00:00:03"
"""
)
HEAD = 'schema = "riselog.gatt-map/1"\ntitle = "invented"\n'  # lines 1 and 2
GOOD = """\
[[value]]
quantity = "temperature"
unit = "degC"
manufacturer = 0xFFFF
format = "sint16"
scale = 0.01
"""  # lines 3 to 8
HUMIDITY = """\
[[value]]
quantity = "humidity"
unit = "%"
manufacturer = 0xFFFF
offset = 2
format = "uint8"
"""  # lines 9 to 14
GATT = GOOD.replace("manufacturer = 0xFFFF\n", 'service = "181a"\ncharacteristic = "2a6e"\n')
START = """\
[start]
service = "181a"
characteristic = "2a6e"
payload = "01"
only_starts_streaming = true
"""


def loaded(text: str) -> Any:
    return loads_config(JOB, "job.toml", DRIVERS, folder=Path("/job"), stored={"my.toml": text})


def faults(text: str) -> list[str]:
    """What is said of the map, of the first probe that names it."""
    with pytest.raises(ConfigError) as caught:
        loaded(text)
    lines = [line for line in str(caught.value).splitlines() if "'probes.ret.map'" in line]
    assert all(line.startswith("job.toml:16: key 'probes.ret.map': /job/my.toml:") for line in lines)
    return [line.partition(": /job/my.toml:")[2] for line in lines]


def changed(key: str, to: str) -> str:
    """The good map with a line of its value put in or replaced."""
    lines = [line for line in GOOD.splitlines() if not line.startswith(f"{key} =")]
    return HEAD + "\n".join([*lines, to]) + "\n"


def test_a_good_map_is_taken_and_its_text_kept_with_the_run() -> None:
    config = loaded(HEAD + GOOD)
    assert config.files == {"my.toml": HEAD + GOOD}
    assert 'map = "my.toml"' in config.effective_text
    # A replay opens no driver; it still has the text to hand on.
    again = loads_config(config.effective_text, "run", None, stored=config.files)
    assert again.files == config.files


@pytest.mark.parametrize("path", sorted(MAPS.glob("*.toml")), ids=lambda path: path.name)
def test_the_examples_are_good_maps(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert "INVENTED" in text
    assert loaded(text).files == {"my.toml": text}


BAD = [  # map, line, key, part of the reason
    (changed("scale", "scale = 0.0"), 8, "value.0.scale", "is 0: every reading would be the same"),
    (changed("scale", "scale = nan"), 8, "value.0.scale", "must be a finite number, not nan"),
    (changed("quantity", 'quantity = ["temperature"]'), 8, "value.0.quantity",
     "must be one word in quotes, one of temperature"),
    (changed("not_known", f"not_known = [{'9' * 4000}]"), 9, "value.0.not_known.0", "9... does not fit 16"),
    (changed("scale", "scale = 1e300"), 8, "value.0.scale", "must be between"),
    (changed("scale", "scale = true"), 8, "value.0.scale", "must be a number"),
    (changed("scale", 'scale = "0.01"'), 8, "value.0.scale", "must be a number, without quotes"),
    (changed("add", "add = 1e13"), 9, "value.0.add", "must be at most"),
    (changed("add", "add = 5000.0"), 8, "value.0.scale", "no raw number gives a temperature that can be"),
    (changed("unit", 'unit = "%"'), 8, "value.0.unit", '"%" is no unit of temperature; accepted: '),
    (changed("quantity", 'quantity = "heat"'), 8, "value.0.quantity", '"heat" is no quantity; use one of'),
    (changed("quantity", 'quantity = "signal"'), 8, "value.0.quantity", "what the radio itself hears"),
    (changed("format", 'format = "sint17"'), 8, "value.0.format", "'sint16'"),
    (changed("format", 'format = "int16"'), 8, "value.0.format", "did you mean 'sint16'?"),
    (changed("format", 'format = "u8"'), 8, "value.0.format", "did you mean 'uint8'?"),
    (changed("format", 'format = "SFLOAT"'), 8, "value.0.format", "did you mean 'sfloat11073'?"),
    (
        changed("format", 'format = "int16_be"'),
        8,
        "value.0.format",
        "did you mean 'sint16' with byte_order = \"big\"?",
    ),
    (changed("byte_order", 'byte_order = "LE"'), 9, "value.0.byte_order", "did you mean 'little'?"),
    (changed("how", 'how = "indicate"'), 9, "value.0.how", "did you mean 'notify'?"),
    (changed("quantity", 'quantity = "temp"'), 8, "value.0.quantity", "did you mean temperature?"),
    (changed("quantity", 'quantity = "barometer"'), 8, "value.0.quantity", "did you mean pressure?"),
    (changed("unit", 'unit = "fahrenheit"'), 8, "value.0.unit", "did you mean degF?"),
    (changed("unit", 'unit = "deg C"'), 8, "value.0.unit", "did you mean degC?"),
    (changed("factor", "factor = 0.1"), 9, "value.0.factor", "did you mean 'scale'?"),
    (changed("service_uuid", 'service_uuid = "181a"'), 9, "value.0.service_uuid", "did you mean 'service'?"),
    (HEAD + GOOD.replace("[[value]]", "[value]"), 3, "value", "write [[value]] with two brackets"),
    (changed("formt", 'formt = "sint16"'), 9, "value.0.formt", "unknown key; accepted here: "),
    (changed("manufacturer", ""), 3, "value.0", "give one of characteristic"),
    (changed("service_data", 'service_data = "fcd2"'), 9, "value.0.service_data", "give one of"),
    (changed("manufacturer", 'characteristic = "2a6e"'), 8, "value.0.characteristic", "add service"),
    (changed("service", 'service = "181a"'), 9, "value.0.service", "goes with characteristic only"),
    (changed("manufacturer", "manufacturer = 70000"), 8, "value.0.manufacturer", "at most 65535"),
    (changed("manufacturer", 'service_data = "fcd"'), 8, "value.0.service_data", '"fcd" is no UUID'),
    (changed("manufacturer", "service_data = 0xfcd2"), 8, "value.0.service_data", "must be a UUID as text"),
    (changed("how", 'how = "read"'), 9, "value.0.how", "what is broadcast is listened to"),
    (changed("offset", "offset = -1"), 9, "value.0.offset", "must be at least 0"),
    (changed("offset", "offset = 1.0"), 9, "value.0.offset", "must be a whole number"),
    (changed("offset", "offset = 511"), 9, "value.0.offset", "ends at byte 513, and no packet is longer"),
    (changed("length", "length = 1"), 9, "value.0.length", "is 1, and the value ends at byte 2"),
    (changed("length", "length = 10\nmin_length = 4"), 10, "value.0.min_length", "goes not with length"),
    (changed("min_length", "min_length = 1"), 9, "value.0.min_length", "is 1, and the value ends at byte 2"),
    (changed("length", "length = 9999"), 9, "value.0.length", "must be at most 512"),
    (changed("mask", "mask = 0x0F0F"), 9, "value.0.mask", "one run of bits within the 16"),
    (changed("mask", "mask = 0"), 9, "value.0.mask", "one run of bits"),
    (changed("mask", "mask = -1"), 9, "value.0.mask", "one run of bits"),
    (changed("mask", "mask = 0x1FFFF"), 9, "value.0.mask", "one run of bits within the 16 of sint16"),
    (changed("format", 'format = "float32"\nmask = 1'), 9, "value.0.mask", "goes with an integer"),
    (changed("format", 'format = "float11073"\nnot_known = [1]'), 9, "value.0.not_known", "its own codes"),
    (changed("not_known", "not_known = [0, 0x18000]"), 9, "value.0.not_known.1", "98304 does not fit 16"),
    (changed("low", "low = 5\nhigh = 4"), 9, "value.0.low", "is above high"),
    (changed("low", "low = 40000"), 9, "value.0.low", "leave no raw number of 16 bits"),
    (changed("when", "when = { offset = 3, equals = 256 }"), 9, "value.0.when.equals", "does not fit 8 bits"),
    (changed("when", "when = { offset = 3 }"), 9, "value.0.when.equals", "missing"),
    (changed("when", "when = { equals = 1, mask = 5 }"), 9, "value.0.when.mask", "one run of bits"),
    (changed("when", "length = 3\nwhen = { offset = 3, equals = 1 }"), 9, "value.0.length", "when ends at"),
    (HEAD + GOOD + HUMIDITY.replace("offset = 2", "offset = 1"), 13, "value.1.offset", "bits are those of"),
    (HEAD + GOOD + GOOD.replace("format", "offset = 2\nformat"), 10, "value.1.quantity", "by another"),
    (HEAD + "length = 3\n".join([GOOD, HUMIDITY, ""]).replace("length = 3\n", "length = 4\n", 1),
     16, "value.1.length", "is 4 in another"),
    (HEAD + GATT + HUMIDITY, 10, "value.1", "not both: while it is connected"),
    (HEAD + GATT + GATT.replace("temperature", "humidity").replace("degC", "%") + 'offset = 2\nhow="read"\n',
     18, "value.1.how", 'is "both" in another'),
    (HEAD + GOOD + START, 9, "start", "nothing is written to what broadcasts"),
    (HEAD + GATT + START.replace("= true", "= false"), 14, "start.only_starts_streaming",
     "riselog only reads"),
    (HEAD + GATT + START.replace("only_starts_streaming = true\n", ""), 10, "start.only_starts_streaming",
     "leave [start] out"),
    (HEAD + GATT + START.replace('"01"', '"1"'), 13, "start.payload", "is not bytes"),
    (HEAD + GATT + START.replace('"01"', '"' + 21 * "01" + '"'), 13, "start.payload",
     "has 21 bytes, and more than 20 are not sent"),
    (HEAD + GATT + START.replace('"01"', '"' + 21 * "01 " + '"'), 13, "start.payload", "has 21 bytes"),
    (HEAD + GATT + START.replace('"01"', '"01 0"'), 13, "start.payload", "is not bytes"),
    (changed("quantity", 'quantity = "temprature"'), 8, "value.0.quantity",
     "battery; did you mean temperature?"),
    (changed("byte_order", 'byte_order = "middle"'), 9, "value.0.byte_order", "must be one of little, big"),
    (changed("how", 'how = "reed"'), 9, "value.0.how",
     "must be one of notify, read, both; did you mean 'read'?"),
    (changed("format", 'format = "sint17"'), 8, "value.0.format", "must be one of uint8, uint16,"),
    (HEAD.replace("map/1", "map/2") + GOOD, 1, "schema", "must be 'riselog.gatt-map/1'"),
    (changed("when", "when = {}"), 9, "value.0.when.equals", "add for example equals = 1"),
    (changed("low", "low = -400000"), 9, "value.0.low", "16 bits go from -32768 to 32767"),
    (changed("high", "high = 32768"), 9, "value.0.high", "16 bits go from -32768 to 32767"),
    (HEAD + GOOD.replace("temperature", "battery").replace("degC", "%"), 3, "value", "anything of the air"),
    (HEAD.replace("invented", "a\\u001b[2J") + GOOD, 2, "title", "must be one line of 1 to 80 characters"),
    (HEAD, 1, "value", "missing; add the table [[value]]"),
    (HEAD + "value = []\n", 3, "value", "is empty; add a table [[value]]"),
    (HEAD + "value = 3\n", 3, "value", "must be an array"),
    (HEAD + GOOD * 33, 3, "value", "has more than 32 items"),
    (HEAD.replace("map/1", "map/2") + GOOD, 1, "schema", "riselog.gatt-map/1"),
    (HEAD.replace('schema = "riselog.gatt-map/1"', "") + GOOD, 1, "schema", "missing"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "line", "key", "reason"), BAD, ids=[f"{b[2]}-{n}" for n, b in enumerate(BAD)]
)
def test_a_bad_map_is_told_by_file_line_key_and_reason(text: str, line: int, key: str, reason: str) -> None:
    (said,) = faults(text)
    assert said.startswith(f"{line}: key '{key}': ")
    assert reason in said


def test_every_fault_of_a_map_is_told_at_once() -> None:
    said = faults(changed("scale", "scale = 0\noffset = -1") + START.replace("= true", "= false"))
    assert len(said) == 2  # what needs the whole table waits until the keys are right
    assert {line.partition(": must")[0] for line in said} == {
        "9: key 'value.0.offset'",
        "14: key 'start.only_starts_streaming'",
    }


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("schema = [", "1: is not valid TOML"),
        (HEAD + "title = 1\n", "3: is not valid TOML"),
        ("", "1: key"),
        (
            HEAD + GOOD.replace("[[value]]", "[value]") + GOOD,
            "9: is not valid TOML: [[value]] is in the file",
        ),
        (HEAD + GOOD + GOOD.replace("[[value]]", "[value]"), "9: is not valid TOML: [value] is in the file"),
        (
            HEAD + GOOD.replace("0.01", "9" * 5001) + HUMIDITY,
            "8: is not valid TOML: a number has 5001 digits",
        ),
    ],
)
def test_what_is_no_toml_is_told_by_its_line(text: str, said: str) -> None:
    assert faults(text)[0].startswith(said)


def test_a_missing_map_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        loads_config(JOB, "job.toml", DRIVERS, folder=tmp_path)
    assert f"{tmp_path / 'my.toml'}: cannot be read (No such file or directory)" in str(caught.value)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("", "missing; add for example map ="),
        ("map = 3", "must be the name of a map file in quotes"),
        ('map = ""', '"" names no file'),
        (
            'map = { schema = "riselog.gatt-map/1", title = "x", value = [{ quantity = "temperature",'
            ' unit = "degC", manufacturer = 1, format = "sint16" }] }',
            "must be the name of a file, in quotes",
        ),
    ],
)
def test_the_key_map_is_needed(given: str, said: str) -> None:
    with pytest.raises(ConfigError) as caught:
        loads_config(JOB.replace('map = "my.toml"', given), "job.toml", DRIVERS)
    assert said in str(caught.value)


KEYS = st.sampled_from(
    ["schema", "title", "value", "start", "quantity", "unit", "manufacturer", "service", "characteristic",
     "service_data", "how", "offset", "format", "byte_order", "mask", "scale", "add", "not_known", "low",
     "high", "length", "min_length", "when", "equals", "payload", "only_starts_streaming", "x"]
)  # fmt: skip
LEAVES = st.one_of(
    st.sampled_from(["temperature", "degC", "sint16", "uint8", "181a", "riselog.gatt-map/1", "read", "01"]),
    st.integers(-(2**40), 2**40), st.floats(), st.booleans(), st.text(max_size=5), st.just(0xFFFF),
)  # fmt: skip
TREES = st.recursive(
    LEAVES,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(KEYS, inner, max_size=8)),
    max_leaves=25,
)
GOOD_VALUE: dict[str, Any] = {
    "quantity": "temperature", "unit": "degC", "manufacturer": 0xFFFF, "format": "sint16", "scale": 0.01,
}  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(KEYS, TREES, max_size=8), st.dictionaries(KEYS, TREES, max_size=4))
def test_any_toml_is_a_map_or_the_maps_own_error(whole: dict[str, Any], value: dict[str, Any]) -> None:
    near = {"schema": "riselog.gatt-map/1", "title": "x", "value": [GOOD_VALUE | value]}
    for text in (toml_text(whole), toml_text(near | whole), toml_text(near)):
        try:
            loaded(text)
        except ConfigError as error:
            assert "/job/my.toml:" in str(error)  # noqa: PT017 - most are errors, some are maps


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=60), st.integers(0, len(HEAD + GOOD)))
def test_any_text_is_a_map_or_the_maps_own_error(junk: str, at: int) -> None:
    good = HEAD + GOOD
    for text in (junk, good[:at], good[:at] + junk + good[at:]):
        try:
            loaded(text)
        except ConfigError as error:
            assert "/job/my.toml:" in str(error)  # noqa: PT017 - as above


@pytest.mark.parametrize(
    ("table", "accepted"),
    [
        (words.FORMATS, tuple(FORMATS)),
        (words.BYTE_ORDERS, ("little", "big")),
        (words.HOWS, ("notify", "read", "both")),
        (words.KEYS, tuple(ValueTable.model_fields)),
    ],
)
def test_every_word_that_is_offered_would_be_taken(table: Mapping[str, str], accepted: Sequence[str]) -> None:
    offered = {word.replace(r"\1", bits) for word in table.values() for bits in ("8", "16", "24", "32")}
    assert offered <= set(accepted)


@given(text=st.text(max_size=80))
def test_no_word_is_a_fault_of_the_hints(text: str) -> None:
    for accepted, meant in ((tuple(FORMATS), words.FORMATS), (("little", "big"), words.BYTE_ORDERS)):
        try:
            words.one_of(accepted, meant)(text)
        except ValueError as error:
            assert str(error).startswith("must be one of ")  # noqa: PT017 - anything else is the fault


def test_every_unit_that_is_offered_is_one_of_the_table() -> None:
    known = {unit for units in UNITS.values() for unit in units}
    assert set(quantity_key._UNITS_MEANT.values()) <= known
