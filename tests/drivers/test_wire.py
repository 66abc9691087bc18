"""Numbers of the wire against literal codes and an independent reading of the format."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.wire import FLOAT, SFLOAT, MedicalForm
from logger.core.readings import Flag

# IEEE 11073-20601, special values of FLOAT-Type and SFLOAT-Type: the codes as several open
# implementations have them.
SPECIALS = [
    (FLOAT, 0x007FFFFF, Flag.NOT_KNOWN),  # NaN
    (FLOAT, 0x00800000, Flag.NOT_KNOWN),  # NRes
    (FLOAT, 0x007FFFFE, Flag.OUT_OF_RANGE),  # + infinity
    (FLOAT, 0x00800002, Flag.OUT_OF_RANGE),  # - infinity
    (FLOAT, 0x00800001, Flag.NOT_KNOWN),  # reserved
    (SFLOAT, 0x07FF, Flag.NOT_KNOWN),
    (SFLOAT, 0x0800, Flag.NOT_KNOWN),
    (SFLOAT, 0x07FE, Flag.OUT_OF_RANGE),
    (SFLOAT, 0x0802, Flag.OUT_OF_RANGE),
    (SFLOAT, 0x0801, Flag.NOT_KNOWN),
]


@pytest.mark.parametrize(("form", "code", "flag"), SPECIALS)
def test_special_codes_are_flagged_and_stay_finite(form: MedicalForm, code: int, flag: Flag) -> None:
    value, found = form.read(code.to_bytes(form.length, "little"))
    assert found is flag
    assert math.isfinite(value)


@pytest.mark.parametrize(
    ("form", "payload", "value"),
    [  # mantissa x 10^exponent by hand
        (FLOAT, "6c0100ff", 36.4),  # 0x00016C = 364, exponent 0xFF = -1
        (SFLOAT, "6cf1", 36.4),  # 0x16C = 364, exponent 0xF = -1
        (SFLOAT, "ceff", -5.0),  # 0xFCE = -50, exponent -1
        (SFLOAT, "ffe7", 20.47),  # 0x7FF with exponent -2 is a number, not NaN
        (SFLOAT, "0220", 200.0),  # 2 x 10^2
        (FLOAT, "fefffffe", -0.02),  # 0xFFFFFE = -2, exponent -2
    ],
)
def test_numbers(form: MedicalForm, payload: str, value: float) -> None:
    assert form.read(bytes.fromhex(payload)) == (value, Flag.OK)


@given(st.integers(-0x80, 0x7F), st.integers(-0x800000, 0x7FFFFF))
def test_a_float_is_the_decimal_nearest(exponent: int, mantissa: int) -> None:
    payload = (mantissa & 0xFFFFFF).to_bytes(3, "little") + (exponent & 0xFF).to_bytes(1, "little")
    value, _ = FLOAT.read(payload)
    if exponent or abs(mantissa) < 0x7FFFFE:
        assert value == float(Decimal(mantissa).scaleb(exponent))


@given(st.integers(-8, 7), st.integers(-0x800, 0x7FF))
def test_a_short_float_is_the_decimal_nearest(exponent: int, mantissa: int) -> None:
    code = ((exponent & 0xF) << 12) | (mantissa & 0xFFF)
    value, flag = SFLOAT.read(code.to_bytes(2, "little"))
    assert value == float(Decimal(mantissa).scaleb(exponent))
    assert (flag is Flag.OK) == (exponent != 0 or -0x7FE < mantissa < 0x7FE)
