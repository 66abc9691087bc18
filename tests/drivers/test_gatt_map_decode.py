"""Packets by a map, against packets made by hand, ``struct``, decimals, and the standards' own decoders."""

from __future__ import annotations

import math
import struct
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.bthome import decode as bthome
from drivers.bthome.table import SERVICE_UUID
from drivers.ess import decode as ess
from drivers.ess.table import FIELDS
from drivers.gatt_map.decode import FORMATS, Rule, decode
from drivers.gatt_map.meaning import Source, SourceKind
from drivers.gatt_map.model import ProbeMap
from drivers.heard import full_uuid
from drivers.wire import CutShortError
from logger.core.errors import DecodeError
from logger.core.readings import Flag, Quantity

MAPS = Path(__file__).parents[2] / "config" / "maps"
OK, NOT_KNOWN, OUT = Flag.OK, Flag.NOT_KNOWN, Flag.OUT_OF_RANGE
T, H, P, V, B = (
    Quantity.TEMPERATURE,
    Quantity.HUMIDITY,
    Quantity.PRESSURE,
    Quantity.VELOCITY,
    Quantity.BATTERY,
)


def rules_of(name: str) -> list[tuple[Rule, ...]]:
    text = (MAPS / name).read_text(encoding="utf-8")
    return list(ProbeMap.model_validate(tomllib.loads(text)).rules.values())


def mapped(*values: dict[str, Any]) -> ProbeMap:
    return ProbeMap.model_validate({"schema": "riselog.gatt-map/1", "title": "made", "value": list(values)})


def rules(*values: dict[str, Any]) -> tuple[Rule, ...]:
    (found,) = mapped(*values).rules.values()
    return found


def one(**keys: Any) -> tuple[Rule, ...]:
    """The rules of one value, power in W where nothing else is said: any number can be."""
    return rules({"quantity": "power", "unit": "W", "manufacturer": 0xFFFF, **keys})


AIR, WIND = rules_of("duct-thermometer.toml")
(HYGROMETER,) = rules_of("broadcast-hygrometer.toml")
GOOD_PACKETS = {
    AIR: bytes.fromhex("0104a0f0aa000000"),
    WIND: bytes.fromhex("2df0"),
    HYGROMETER: bytes.fromhex("9cdaa15be01ae1"),
}


@pytest.mark.parametrize(
    ("rules", "packet", "values"),
    [  # by hand from the maps' own words; 118.4 °F is 48 °C and -40 °F is -40 °C by definition
        (AIR, "0104a0f0aa000000", [(T, 48.0, OK), (H, 8.5, OK)]),
        (AIR, "01fe7007d0aabbcc", [(T, -40.0, OK), (H, 100.0, OK)]),
        (AIR, "0104a00834aabbcc", [(T, 48.0, OK), (H, 105.0, OK)]),  # a probe in saturated air is off by some
        (AIR, "0104a00835aabbcc", [(T, 48.0, OK), (H, 105.05, OUT)]),
        (AIR, "018000cfff000000", [(T, (-3276.8 - 32) / 1.8, NOT_KNOWN), (H, 204.75, NOT_KNOWN)]),
        (AIR, "010bb9f0aa000000", [(T, (300.1 - 32) / 1.8, OUT), (H, 8.5, OK)]),  # above the map's high
        (AIR, "0004a0f0aa000000", []),  # a packet of another kind
        (WIND, "2df0", [(V, 4.5, OK)]),
        (WIND, "ff07", [(V, 2047.0, NOT_KNOWN)]),  # NaN: IEEE 11073-20601
        (WIND, "fe07", [(V, 2046.0, OUT)]),  # + infinity
        (HYGROMETER, "9cdaa15be01ae1", [(T, 21.5, OK), (H, 45.5, OK), (P, 98_800.0, OK), (B, 97.0, OK)]),
        (HYGROMETER, "9cda01ffffff64", [(T, 21.5, OK), (H, 127.5, NOT_KNOWN), (P, 685_350.0, NOT_KNOWN),
                                        (B, 100.0, OK)]),
        (HYGROMETER, "ffffff0000007f", [(T, 948.575, OUT), (H, 0.0, OK), (P, 30_000.0, OK), (B, 127.0, OUT)]),
    ],
)  # fmt: skip
def test_packets_of_the_examples(
    rules: tuple[Rule, ...], packet: str, values: list[tuple[Quantity, float, Flag]]
) -> None:
    found = decode(rules, bytes.fromhex(packet))
    assert [(quantity, flag) for quantity, _, flag in found] == [(q, f) for q, _, f in values]
    assert [value for _, value, _ in found] == pytest.approx([v for _, v, _ in values], rel=1e-12)


@pytest.mark.parametrize("rules", [AIR, WIND, HYGROMETER], ids=["air", "wind", "hygrometer"])
def test_a_packet_cut_anywhere_is_refused(rules: tuple[Rule, ...]) -> None:
    packet = GOOD_PACKETS[rules]
    for end in range(len(packet)):
        with pytest.raises(DecodeError, match=f"came with {end} bytes, and the map asks for"):
            decode(rules, packet[:end])


@pytest.mark.parametrize("rules", [AIR, HYGROMETER], ids=["air", "hygrometer"])
def test_a_packet_that_is_too_long_is_refused_where_the_map_gives_a_length(rules: tuple[Rule, ...]) -> None:
    with pytest.raises(DecodeError, match="came with 9 bytes, and the map asks for"):
        decode(rules, b"\x01" + bytes(8))


@given(st.sampled_from([AIR, WIND, HYGROMETER]), st.binary(max_size=40))
def test_any_bytes_give_finite_values_or_a_decode_error(rules: tuple[Rule, ...], payload: bytes) -> None:
    try:
        found = decode(rules, payload)
    except DecodeError as error:
        assert error.payload == payload.hex()  # noqa: PT017 - which bytes are refused is tested above
    else:
        assert all(math.isfinite(value) for _, value, _ in found)
        assert len(found) in (0, len(rules))


VALUES = st.fixed_dictionaries(
    {
        "quantity": st.just("power"),
        "unit": st.sampled_from(["W", "Btu/h", "kW"]),
        "manufacturer": st.just(0xFFFF),
        "format": st.sampled_from(sorted(FORMATS)),
    },
    optional={
        "offset": st.integers(0, 40),
        "byte_order": st.sampled_from(["little", "big"]),
        "mask": st.integers(1, 0xFFFF),
        "scale": st.floats(-1e12, 1e12),
        "add": st.floats(-1e12, 1e12),
        "not_known": st.lists(st.integers(-128, 255), max_size=3),
        "low": st.floats(-1e6, 0),
        "length": st.integers(1, 60),
        "when": st.fixed_dictionaries({"offset": st.integers(0, 40), "equals": st.integers(0, 255)}),
    },
)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.filter_too_much])
@given(VALUES, st.binary(max_size=70))
def test_any_map_that_is_taken_reads_any_packet_or_refuses_it(keys: dict[str, Any], payload: bytes) -> None:
    try:
        taken = rules(keys)
    except ValidationError:
        assume(False)  # noqa: FBT003 - hypothesis' own call
    try:
        found = decode(taken, payload)
    except DecodeError:
        return
    assert len(found) <= 1
    assert all(math.isfinite(value) for _, value, _ in found)


def test_the_shortest_packet_and_what_selects() -> None:
    least = one(format="uint8", min_length=3)
    assert decode(least, bytes(5))[0][1] == 0.0
    with pytest.raises(DecodeError, match="2 bytes, and the map asks for at least 3"):
        decode(least, bytes(2))
    when = one(format="uint8", when={"offset": 1, "format": "sint16", "byte_order": "big", "equals": -2})
    assert decode(when, bytes.fromhex("07fffe"))[0][1] == 7.0
    assert decode(when, bytes.fromhex("07feff")) == ()
    with pytest.raises(DecodeError, match="at least 3, to tell its kind"):
        decode(when, bytes(2))
    flag = one(format="uint8", offset=1, when={"mask": 0x04, "equals": 1})
    assert decode(flag, bytes.fromhex("0409"))[0][1] == 9.0
    assert decode(flag, bytes.fromhex("fb09")) == ()


def test_values_before_the_end_of_a_short_packet_are_kept_where_no_length_is_given() -> None:
    keys = {"manufacturer": 0xFFFF, "format": "sint16", "scale": 0.01}
    two = rules(
        {**keys, "quantity": "temperature", "unit": "°C"},
        {**keys, "quantity": "humidity", "unit": "%", "offset": 2},
    )
    with pytest.raises(
        CutShortError, match="3 bytes, and the map asks for at least 4 for the humidity"
    ) as cut:
        decode(two, bytes.fromhex("191313"))
    assert cut.value.values == ((T, 48.89, OK),)  # 0x1319 = 4889
    with pytest.raises(CutShortError) as nothing:
        decode(two, b"\x13")
    assert nothing.value.values == ()


def test_not_known_codes_are_those_of_the_bits_in_use_with_or_without_sign() -> None:
    for code in (-1, 0xFFF):
        high = one(format="sint16", mask=0xFFF0, not_known=[code], scale=0.1)
        assert decode(high, bytes.fromhex("f7ff"))[0][1:] == (-0.1, NOT_KNOWN)
        assert decode(high, bytes.fromhex("e7ff"))[0][1:] == (-0.2, OK)


CODES = {"uint8": "B", "sint8": "b", "uint16": "H", "sint16": "h", "uint32": "I", "sint32": "i"}
DECIMALS = st.decimals(Decimal("0.0001"), 1000, places=4)


@given(
    st.sampled_from(sorted(CODES)),
    st.sampled_from(["little", "big"]),
    st.integers(0, 20),
    st.binary(min_size=30, max_size=30),
    DECIMALS,
    st.decimals(-1000, 1000, places=3),
)
def test_integers_are_those_of_struct_and_the_value_is_the_nearest_float(
    form: str, order: str, offset: int, payload: bytes, scale: Decimal, add: Decimal
) -> None:
    rule = one(format=form, byte_order=order, offset=offset, scale=float(scale), add=float(add))
    raw = struct.unpack_from({"little": "<", "big": ">"}[order] + CODES[form], payload, offset)[0]
    assert decode(rule, payload)[0][1] == float(Decimal(raw) * scale + add)


@given(
    st.sampled_from(["uint24", "sint24", "uint16", "sint32", "uint8"]),
    st.sampled_from(["little", "big"]),
    st.data(),
)
def test_bits_are_those_of_the_number_written_in_twos(form: str, order: str, data: st.DataObject) -> None:
    width = int(form[4:])
    low = data.draw(st.integers(0, width - 2))
    high = data.draw(st.integers(low + 1, width - 1))
    payload = data.draw(st.binary(min_size=width // 8, max_size=width // 8))
    mask = int("1" * (high - low + 1) + "0" * low, 2)
    digits = "".join(f"{byte:08b}" for byte in (payload if order == "big" else reversed(payload)))
    wanted = digits[width - 1 - high : width - low]
    number = int(wanted, 2) - (2 ** len(wanted) if form[0] == "s" and wanted[0] == "1" else 0)
    assert decode(one(format=form, byte_order=order, mask=mask), payload)[0][1] == number


@given(st.floats(width=32), st.sampled_from(["little", "big"]))
def test_binary32_is_that_of_struct(number: float, order: str) -> None:
    payload = struct.pack({"little": "<f", "big": ">f"}[order], number)
    _, value, flag = decode(one(format="float32", byte_order=order), payload)[0]
    if math.isfinite(number):
        assert (value, flag) == (number, OK if abs(number) <= 1e7 else OUT)
    else:
        assert (math.isfinite(value), flag) == (True, NOT_KNOWN if math.isnan(number) else OUT)


ESS_KEYS: dict[int, dict[str, Any]] = {  # GATT Specification Supplement, written as a map
    0x2A6E: {"unit": "degC", "format": "sint16", "scale": 0.01, "not_known": [0x8000], "low": -27315},
    0x2A6F: {"unit": "%", "format": "uint16", "scale": 0.01, "not_known": [0xFFFF], "high": 10000},
    0x2A6D: {"unit": "Pa", "format": "uint32", "scale": 0.1},
    0x2A70: {"unit": "m/s", "format": "uint16", "scale": 0.01},
}


@pytest.mark.parametrize("uuid16", sorted(ESS_KEYS))
@given(payload=st.binary(max_size=6))
def test_a_standard_characteristic_as_a_map_reads_as_by_its_driver(uuid16: int, payload: bytes) -> None:
    field = FIELDS[uuid16]
    keys = {
        "quantity": str(field.quantity), "service": "181a", "characteristic": f"{uuid16:04x}",
        "length": field.form.length, **ESS_KEYS[uuid16],
    }  # fmt: skip
    probe_map = mapped(keys)
    assert list(probe_map.rules) == [Source(SourceKind.CHARACTERISTIC, full_uuid(uuid16), full_uuid(0x181A))]
    if len(payload) != field.form.length:
        with pytest.raises(DecodeError):
            ess.decode(uuid16, payload)
        with pytest.raises(DecodeError):
            decode(rules(keys), payload)
    else:
        assert decode(rules(keys), payload) == (ess.decode(uuid16, payload),)


@pytest.mark.parametrize(
    ("uuid16", "packet", "value"),
    [  # GATT Specification Supplement; 8.1 to 8.4 of the check values
        (0x2A6E, "5908", (T, 21.37, OK)), (0x2A6E, "0cfe", (T, -5.0, OK)), (0x2A6E, "1913", (T, 48.89, OK)),
        (0x2A6E, "0080", (T, -327.68, NOT_KNOWN)), (0x2A6F, "d711", (H, 45.67, OK)),
        (0x2A6F, "ffff", (H, 655.35, NOT_KNOWN)), (0x2A6D, "3fdd0c00", (P, 84_307.1, OK)),
        (0x2A70, "c401", (V, 4.52, OK)), (0x2A70, "ffff", (V, 655.35, OUT)),
    ],
)  # fmt: skip
def test_literal_packets_of_the_standard(
    uuid16: int, packet: str, value: tuple[Quantity, float, Flag]
) -> None:
    keys = {"quantity": str(value[0]), "manufacturer": 0xFFFF, **ESS_KEYS[uuid16]}
    assert decode(rules(keys), bytes.fromhex(packet)) == (value,)


BTHOME = {"service_data": f"{SERVICE_UUID:04x}", "length": 8, "when": {"offset": 0, "equals": 0x40}}


@given(st.binary(min_size=2, max_size=2), st.binary(min_size=2, max_size=2), st.integers(0, 255))
def test_a_broadcast_of_fixed_layout_reads_as_by_the_format(t: bytes, h: bytes, battery: int) -> None:
    payload = bytes([0x40, 0x02]) + t + bytes([0x03]) + h + bytes([battery])
    known = bthome.decode(payload[:7])  # the last byte is this map's own
    found = decode(
        rules(
            {
                "quantity": "temperature",
                "unit": "degC",
                "offset": 2,
                "format": "sint16",
                "scale": 0.01,
                **BTHOME,
            },
            {"quantity": "humidity", "unit": "%", "offset": 5, "format": "uint16", "scale": 0.01, **BTHOME},
            {"quantity": "battery", "unit": "%", "offset": 7, "format": "uint8", **BTHOME},
        ),
        payload,
    )
    assert found[:2] == known.values
    assert found[2] == (B, float(battery), OK if battery <= 100 else OUT)
