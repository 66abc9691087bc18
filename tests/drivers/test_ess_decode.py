"""Bytes of Environmental Sensing characteristics.

Source of the literal packets: Bluetooth SIG, GATT Specification Supplement, sections Temperature,
Humidity, Pressure, True Wind Speed, Apparent Wind Speed (scale, "not known" codes, allowed
ranges); battery level: Battery Service 1.0, `recalled`.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ess.decode import decode
from drivers.ess.table import FIELDS
from logger.core.errors import DecodeError
from logger.core.readings import Flag, Quantity

LITERAL = [
    (0x2A6E, "5908", (Quantity.TEMPERATURE, 21.37, Flag.OK)),
    (0x2A6E, "0cfe", (Quantity.TEMPERATURE, -5.00, Flag.OK)),
    (0x2A6E, "1913", (Quantity.TEMPERATURE, 48.89, Flag.OK)),
    (0x2A6E, "0080", (Quantity.TEMPERATURE, -327.68, Flag.NOT_KNOWN)),
    (0x2A6E, "0180", (Quantity.TEMPERATURE, -327.67, Flag.OUT_OF_RANGE)),  # below -273.15: prohibited
    (0x2A6E, "ff7f", (Quantity.TEMPERATURE, 327.67, Flag.OUT_OF_RANGE)),  # allowed, but no air on a roof
    (0x2A6F, "d711", (Quantity.HUMIDITY, 45.67, Flag.OK)),
    (0x2A6F, "1027", (Quantity.HUMIDITY, 100.0, Flag.OK)),
    (0x2A6F, "1127", (Quantity.HUMIDITY, 100.01, Flag.OUT_OF_RANGE)),  # above 100.00: prohibited
    (0x2A6F, "ffff", (Quantity.HUMIDITY, 655.35, Flag.NOT_KNOWN)),
    (0x2A6D, "3fdd0c00", (Quantity.PRESSURE, 84_307.1, Flag.OK)),
    (0x2A6D, "ffffffff", (Quantity.PRESSURE, 429_496_729.5, Flag.OUT_OF_RANGE)),  # no code is defined
    (0x2A70, "c401", (Quantity.VELOCITY, 4.52, Flag.OK)),
    (0x2A72, "c401", (Quantity.VELOCITY, 4.52, Flag.OK)),
    (0x2A70, "ffff", (Quantity.VELOCITY, 655.35, Flag.OUT_OF_RANGE)),  # no code is defined
    (0x2A19, "64", (Quantity.BATTERY, 100.0, Flag.OK)),
    (0x2A19, "65", (Quantity.BATTERY, 101.0, Flag.OUT_OF_RANGE)),
]


@pytest.mark.parametrize(("uuid16", "packet", "expected"), LITERAL)
def test_literal_packets(uuid16: int, packet: str, expected: tuple[Quantity, float, Flag]) -> None:
    assert decode(uuid16, bytes.fromhex(packet)) == expected


@pytest.mark.parametrize(("uuid16", "packet", "expected"), LITERAL)
def test_a_wrong_length_is_an_error_that_names_it(uuid16: int, packet: str, expected: object) -> None:
    whole = bytes.fromhex(packet)
    for wrong in (*(whole[:n] for n in range(len(whole))), whole + b"\x00"):
        with pytest.raises(
            DecodeError, match=rf"0x{uuid16:04X}.*{len(wrong)} bytes instead of {len(whole)}"
        ) as caught:
            decode(uuid16, wrong)
        assert caught.value.payload == wrong.hex()


@given(st.sampled_from([*FIELDS, 0x2A37, 0x0000]), st.binary(max_size=6) | st.binary(max_size=512))
def test_any_bytes_give_a_finite_value_or_a_decode_error(uuid16: int, payload: bytes) -> None:
    try:
        quantity, value, flag = decode(uuid16, payload)
    except DecodeError:
        return
    assert quantity is FIELDS[uuid16].quantity
    assert abs(value) < 1e9
    assert isinstance(flag, Flag)


@given(st.integers(-27_315, 32_767))
def test_temperature_is_the_nearest_float_to_its_decimal(hundredths: int) -> None:
    # Definition of the characteristic: value = raw x 10^-2; the decimal text is parsed by Python.
    text = f"{'-' if hundredths < 0 else ''}{abs(hundredths) // 100}.{abs(hundredths) % 100:02d}"
    assert decode(0x2A6E, hundredths.to_bytes(2, "little", signed=True))[1] == float(text)
