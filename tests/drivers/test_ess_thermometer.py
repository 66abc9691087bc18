"""Bytes of the Health Thermometer service.

Source: layout of Temperature Measurement (flags, FLOAT, time stamp 7, type 1): Health Thermometer
Service 1.0, 3.1, `recalled`; FLOAT and its special codes: IEEE 11073-20601. The literal FLOATs are
mantissa x 10^exponent by hand.
"""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ess.thermometer import decode_interval, decode_temperature, decode_type
from logger.core.errors import DecodeError
from logger.core.readings import Flag, Quantity

STAMP = "ea070b190c1e00"  # 2026-11-25 12:30:00, invented


@pytest.mark.parametrize(
    ("packet", "value", "flag"),
    [
        ("00 6c0100ff", 36.4, Flag.OK),
        ("01 780400ff", 45.78, Flag.OK),  # 114.4 degF
        ("01 40060000", 871.11, Flag.OUT_OF_RANGE),  # 1600 degF
        (f"02 6c0100ff {STAMP}", 36.4, Flag.OK),
        ("04 6c0100ff 01", 36.4, Flag.OK),
        (f"07 d40300ff {STAMP} 02", 36.67, Flag.OK),  # 98.0 degF
        ("f8 b5ffffff", -7.5, Flag.OK),  # reserved flags say nothing; -75 x 10^-1
        ("00 07130000", 4871.0, Flag.OUT_OF_RANGE),
        ("00 ffff7f00", 8_388_607.0, Flag.NOT_KNOWN),  # NaN
        ("00 00008000", -8_388_608.0, Flag.NOT_KNOWN),  # NRes
        ("00 01008000", -8_388_607.0, Flag.NOT_KNOWN),  # reserved
        ("01 feff7f00", 8_388_606.0, Flag.OUT_OF_RANGE),  # + infinity
        ("01 02008000", -8_388_606.0, Flag.OUT_OF_RANGE),  # - infinity
    ],
)
def test_literal_packets(packet: str, value: float, flag: Flag) -> None:
    ((quantity, got, how),) = decode_temperature(bytes.fromhex(packet))
    assert (quantity, how) == (Quantity.TEMPERATURE, flag)
    assert got == pytest.approx(value, abs=0.005)


@pytest.mark.parametrize(("flags", "length"), [(0, 5), (2, 12), (4, 6), (6, 13), (7, 13), (1, 5)])
def test_the_flags_tell_the_length(flags: int, length: int) -> None:
    for wrong in itertools.chain(range(1, length), range(length + 1, 20)):
        with pytest.raises(DecodeError, match=f"{wrong} bytes instead of {length}"):
            decode_temperature(bytes([flags]) + bytes(wrong - 1))
    assert decode_temperature(bytes([flags]) + bytes(length - 1))


def test_nothing_at_all_is_refused() -> None:
    with pytest.raises(DecodeError, match="0 bytes"):
        decode_temperature(b"")


def test_the_temperature_type() -> None:
    assert [decode_type(bytes([code])) for code in (3, 9, 0, 200)] == ["ear", "tympanum", "", ""]
    with pytest.raises(DecodeError, match="0 bytes instead of 1"):
        decode_type(b"")


def test_the_measurement_interval() -> None:
    assert decode_interval(bytes.fromhex("3c00")) == 60
    assert decode_interval(bytes.fromhex("0000")) is None  # no periodic measurement
    with pytest.raises(DecodeError, match="3 bytes instead of 2"):
        decode_interval(bytes(3))


@given(
    st.builds(bytes.__add__, st.binary(min_size=1, max_size=1), st.binary(max_size=13))
    | st.binary(max_size=512)
)
def test_any_bytes_give_a_finite_value_or_a_decode_error(payload: bytes) -> None:
    try:
        ((_, value, flag),) = decode_temperature(payload)
    except DecodeError:
        return
    assert value - value == 0
    assert flag is not Flag.OK or -60 <= value <= 150


@given(st.integers(-400, 3000))
def test_fahrenheit_is_the_definition(tenths: int) -> None:
    # t/degC = (t/degF - 32) / 1.8: definition, NIST SP 811 B.8.
    packet = b"\x01" + (tenths & 0xFFFFFF).to_bytes(3, "little") + b"\xff"
    assert decode_temperature(packet)[0].value == pytest.approx((tenths / 10 - 32) / 1.8, abs=1e-9)
