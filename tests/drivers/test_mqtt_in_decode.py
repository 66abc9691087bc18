"""Messages to values: JSON Pointer by RFC 6901, times by RFC 3339, units by NIST SP 811; hostile payloads."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.mqtt_in.decode import SIZE_LIMIT, Content, MessageError, decode, value_map
from drivers.mqtt_in.options import MqttInOptions
from drivers.mqtt_in.pointer import NoValueError, parse_pointer, resolve
from logger.driver_api import DecodeError, Flag, Quantity


def content(payload: bytes, **keys: Any) -> Content:
    options = MqttInOptions(host="localhost", topic="a", **{"unit": "°C", **keys})
    return decode(payload, value_map(options, options, options.quantity or Quantity.TEMPERATURE))


def refusal(payload: bytes, **keys: Any) -> str:
    with pytest.raises(MessageError) as caught:
        content(payload, **keys)
    return caught.value.kind


RFC_6901_5 = json.loads(
    r"""{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6,
    " ": 7, "m~n": 8}"""
)
"""The document of RFC 6901, section 5."""


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", RFC_6901_5),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        (r"/i\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_of_rfc_6901_section_5(pointer: str, value: object) -> None:
    assert resolve(RFC_6901_5, parse_pointer(pointer)) == value


def test_an_escaped_tilde_before_a_one_is_no_slash() -> None:
    """RFC 6901, section 4: "~01" becomes "~1"."""
    assert parse_pointer("/~01") == ("~1",)


@pytest.mark.parametrize("text", ["foo", "/a~", "/a~2b", "#/foo"])
def test_what_is_no_pointer(text: str) -> None:
    with pytest.raises(ValueError, match="is no JSON pointer"):
        parse_pointer(text)


@pytest.mark.parametrize("text", ["/foo/2", "/foo/-", "/foo/01", "/foo/1e0", "/foo/٣", "/bar", "/foo/0/x"])
def test_a_pointer_to_nothing(text: str) -> None:
    """RFC 6901, section 4: no leading zeros, and "-" is the element after the last."""
    with pytest.raises(NoValueError):
        resolve(RFC_6901_5, parse_pointer(text))


@given(st.lists(st.text(max_size=8), max_size=4))
def test_tokens_survive_their_escapes(tokens: list[str]) -> None:
    text = "".join("/" + token.replace("~", "~0").replace("/", "~1") for token in tokens)
    assert parse_pointer(text) == tuple(tokens)


@pytest.mark.parametrize(
    ("payload", "keys", "value"),
    [
        (b"21.5", {}, 21.5),
        (b" 21.5\r\n", {}, 21.5),
        (b"-4e1", {}, -40.0),
        (b"212", {"unit": "°F"}, 100.0),  # NIST SP 811 (2008) B.8: t/°C = (t/°F - 32)/1.8
        (b"-40", {"unit": "degF"}, -40.0),
        (b'{"t": 77}', {"value": "/t", "unit": "F"}, 25.0),
        (b'{"t": "77.0", "u": "F"}', {"value": "/t", "unit": "/u"}, 25.0),
        (b'{"v": [{"x": 1}, {"x": 22}]}', {"value": "/v/1/x"}, 22.0),
    ],
)
def test_values_and_units(payload: bytes, keys: dict[str, str], value: float) -> None:
    assert content(payload, **keys).value == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize(
    ("number", "unit", "quantity", "value"),
    [  # NIST SP 811 (2008) B.8
        ("1000", "fpm", Quantity.VELOCITY, 5.08),
        ("29.92", "inHg", Quantity.PRESSURE, 101_320.0),  # 29.92 x 3.386389 kPa, to 4 digits
        ("1", "kPa", Quantity.PRESSURE, 1000.0),
        ("1000", "Btu/h", Quantity.POWER, 293.0711),
        ("100", "ft3", Quantity.GAS_VOLUME, 2.831685),
        ("0.45", "1", Quantity.HUMIDITY, 45.0),
    ],
)
def test_units_of_other_quantities(number: str, unit: str, quantity: Quantity, value: float) -> None:
    found = content(number.encode(), unit=unit, quantity=quantity)
    assert found.value == pytest.approx(value, rel=1e-4)


@pytest.mark.parametrize(
    ("time", "us"),
    [
        ('"1985-04-12T23:20:50.52Z"', 482_196_050_520_000),  # RFC 3339, 5.8; seconds by POSIX 4.16
        ('"1996-12-19T16:39:57-08:00"', 851_042_397_000_000),  # the same
        ('"1996-12-20T00:39:57z"', 851_042_397_000_000),  # RFC 3339, 5.6: lower case too
        ("851042397", 851_042_397_000_000),
        ("851042397.25", 851_042_397_250_000),
        ("1700000000000", 1_700_000_000_000_000),
        ('"1700000000000"', 1_700_000_000_000_000),
        ("1700000000000000", 1_700_000_000_000_000),
        ("1700000000000000000", 1_700_000_000_000_000),
    ],
)
def test_times(time: str, us: int) -> None:
    payload = f'{{"t": 1, "at": {time}}}'.encode()
    assert content(payload, value="/t", time="/at").t_utc_us == us


MESSAGE = {"value": "/t", "time": "/at", "id": "/n", "flag": "/f"}


def test_everything_a_message_may_say() -> None:
    found = content(b'{"t": 20, "at": 851042397, "n": "r/7", "f": "not-known"}', **MESSAGE)
    assert found == Content(
        quantity=Quantity.TEMPERATURE,
        value=20.0,
        t_utc_us=851_042_397_000_000,
        name="r/7",
        flag=Flag.NOT_KNOWN,
    )


@pytest.mark.parametrize(
    ("payload", "keys", "kind"),
    [
        (b"", {}, "kind value"),
        (b"warm", {}, "kind value"),
        (b"21,5", {}, "kind value"),
        (b"21.5 C", {}, "kind value"),
        (b"0x15", {}, "kind value"),
        (b"1_0", {}, "kind value"),
        ("٢١".encode(), {}, "kind value"),
        (b"nan", {}, "kind value"),
        (b"1e999", {}, "finite value"),
        (b"\xff\xfe21", {}, "text"),
        (b"1" * (SIZE_LIMIT + 1), {}, "size"),
        (b'{"t": NaN}', {"value": "/t"}, "constant"),
        (b'{"t": Infinity}', {"value": "/t"}, "constant"),
        (b'{"t": 1e999}', {"value": "/t"}, "finite value"),
        (b'{"t": ' + b"9" * 5000 + b"}", {"value": "/t"}, "json"),
        (b'{"t": ' + b"9" * 400 + b"}", {"value": "/t"}, "finite value"),
        (b'{"t": null}', {"value": "/t"}, "null value"),
        (b'{"t": true}', {"value": "/t"}, "kind value"),
        (b'{"t": {}}', {"value": "/t"}, "kind value"),
        (b'{"T": 1}', {"value": "/t"}, "no value"),
        (b"[" * SIZE_LIMIT, {"value": "/t"}, "json"),
        (b'{"a":' * 10_000, {"value": "/t"}, "json"),
        (b'{"t": 1', {"value": "/t"}, "json"),
        (b'{"t": 1, "u": "furlong"}', {"value": "/t", "unit": "/u"}, "unit"),
        (b'{"t": 1, "u": ["F"]}', {"value": "/t", "unit": "/u"}, "unit"),
        (b'{"t": 1e308, "u": "kPa"}', {"value": "/t", "unit": "/u", "quantity": "pressure"}, "finite value"),
        (b'{"t": 1, "at": "1996-12-19T16:39:57"}', {"value": "/t", "time": "/at"}, "zone"),
        (b'{"t": 1, "at": "1990-12-31T23:59:61Z"}', {"value": "/t", "time": "/at"}, "time"),
        (b'{"t": 1, "at": "noon"}', {"value": "/t", "time": "/at"}, "time"),
        (b'{"t": 1, "at": -5}', {"value": "/t", "time": "/at"}, "time"),
        (b'{"t": 1, "at": 0}', {"value": "/t", "time": "/at"}, "time"),
        (b'{"t": 1, "at": 1e30}', {"value": "/t", "time": "/at"}, "time"),
        (b'{"t": 1, "at": "1969-12-31T23:59:59Z"}', {"value": "/t", "time": "/at"}, "time"),
        (b'{"t": 1, "at": "0001-01-01T00:00:00+23:59"}', {"value": "/t", "time": "/at"}, "time"),
        (b'{"t": 1, "at": null}', {"value": "/t", "time": "/at"}, "null time"),
        (b'{"t": 1, "n": {}}', {"value": "/t", "id": "/n"}, "id"),
        (b'{"t": 1, "n": "' + b"x" * 300 + b'"}', {"value": "/t", "id": "/n"}, "id"),
        (b'{"t": 1, "f": "good"}', {"value": "/t", "flag": "/f"}, "flag"),
    ],
)
def test_what_does_not_follow_the_map(payload: bytes, keys: dict[str, str], kind: str) -> None:
    assert refusal(payload, **keys) == kind


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["t", "at", "n", "f", "u"]), inner)
    ),
    max_leaves=12,
)
MAPS = st.sampled_from(
    [{}, {"value": "/t"}, {"value": "/t", "unit": "/u"}, MESSAGE, {"value": "/t/0", "time": "/at/t"}]
)


def is_content_or_decode_error(payload: bytes, keys: dict[str, str]) -> None:
    try:
        said, value = "", content(payload, **keys).value
    except DecodeError as error:
        said, value = str(error), 0.0
    assert abs(value) < float("inf")
    assert "\n" not in said
    assert len(said) < 250


@given(st.binary(max_size=300), MAPS)
def test_any_bytes_are_a_value_or_one_sentence(payload: bytes, keys: dict[str, str]) -> None:
    is_content_or_decode_error(payload, keys)


@given(JSON, MAPS)
def test_any_json_is_a_value_or_one_sentence(document: object, keys: dict[str, str]) -> None:
    is_content_or_decode_error(json.dumps(document).encode(), keys)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_arrives_as_it_was_sent(value: float) -> None:
    assert content(repr(value).encode()).value == value
    assert content(json.dumps({"t": value}).encode(), value="/t").value == value
