"""Little-endian numbers, as Bluetooth formats name them: integers, and the floats of IEEE 11073."""

from __future__ import annotations

import math
import struct
from typing import NamedTuple

from logger.core.errors import DecodeError
from logger.core.readings import Flag, Quantity


class CutShortError(DecodeError):
    """A packet ends before all of its values; ``values`` are those that are whole."""

    def __init__(
        self, text: str, payload: bytes, values: tuple[tuple[Quantity, float, Flag], ...] = ()
    ) -> None:
        super().__init__(text, payload)
        self.values = values


class Form(NamedTuple):
    """An integer of fixed length in bytes."""

    length: int
    signed: bool

    def read(self, payload: bytes) -> int:
        """The number; ``payload`` has ``length`` bytes.

        >>> SINT16.read(bytes.fromhex("0cfe"))
        -500
        """
        return int.from_bytes(payload, "little", signed=self.signed)


UINT8 = Form(length=1, signed=False)
UINT16 = Form(length=2, signed=False)
UINT24 = Form(length=3, signed=False)
UINT32 = Form(length=4, signed=False)
SINT8 = Form(length=1, signed=True)
SINT16 = Form(length=2, signed=True)
SINT32 = Form(length=4, signed=True)


_NAN = "NaN: it has no number"
_ABOVE = "+INFINITY: above all that it can say"
_BELOW = "-INFINITY: below all that it can say"


class MedicalForm(NamedTuple):
    """A number of IEEE 11073-20601: mantissa below, exponent to the base 10 above it, both signed."""

    length: int
    mantissa_bits: int

    def read(self, payload: bytes) -> tuple[float, Flag]:
        """The number and whether it is one; ``payload`` has ``length`` bytes.

        A special code keeps its mantissa as the value, which is finite, and has a flag: NaN, NRes
        and the reserved code are not known, the infinities are out of range. A code is special with
        exponent 0 alone: 2047 x 10^-2 is 20.47.

        >>> FLOAT.read(bytes.fromhex("6c0100ff"))
        (36.4, <Flag.OK: 'ok'>)
        """
        mantissa, exponent = self._parts(payload)
        if (special := self._code(mantissa, exponent)) is not None:
            return float(mantissa), special[0]
        # Of whole numbers the quotient is the float nearest to the decimal.
        value = mantissa * 10**exponent if exponent >= 0 else mantissa / 10**-exponent
        return float(value), Flag.OK

    def code(self, payload: bytes) -> str:
        """The special code that it is, in words; empty for a number.

        >>> FLOAT.code(bytes.fromhex("ffff7f00"))
        'NaN: it has no number'
        """
        return (self._code(*self._parts(payload)) or (None, ""))[1]

    def _parts(self, payload: bytes) -> tuple[int, int]:
        raw = int.from_bytes(payload, "little", signed=True)
        half = 1 << (self.mantissa_bits - 1)
        return (raw + half) % (2 * half) - half, raw >> self.mantissa_bits

    def _code(self, mantissa: int, exponent: int) -> tuple[Flag, str] | None:
        return _special(mantissa, 1 << (self.mantissa_bits - 1)) if exponent == 0 else None


def _special(mantissa: int, half: int) -> tuple[Flag, str] | None:
    """What a mantissa says that is no number. Source: IEEE 11073-20601, FLOAT-Type and SFLOAT-Type."""
    codes = {
        half - 1: (Flag.NOT_KNOWN, _NAN),
        half - 2: (Flag.OUT_OF_RANGE, _ABOVE),
        -half: (Flag.NOT_KNOWN, "NRes: not at this resolution"),
        -half + 1: (Flag.NOT_KNOWN, "one that the standard keeps for later"),
        -half + 2: (Flag.OUT_OF_RANGE, _BELOW),
    }
    return codes.get(mantissa)


FLOAT = MedicalForm(length=4, mantissa_bits=24)
SFLOAT = MedicalForm(length=2, mantissa_bits=12)


class Float32Form(NamedTuple):
    """A number of IEEE 754 binary32."""

    length: int

    def read(self, payload: bytes) -> tuple[float, Flag]:
        """The number and whether it is one; NaN and the infinities keep their code as the value.

        >>> FLOAT32.read(bytes.fromhex("0000ac41"))
        (21.5, <Flag.OK: 'ok'>)
        """
        value = float(struct.unpack("<f", payload)[0])
        if math.isfinite(value):
            return value, Flag.OK
        flag = Flag.NOT_KNOWN if math.isnan(value) else Flag.OUT_OF_RANGE
        return float(int.from_bytes(payload, "little")), flag

    def code(self, payload: bytes) -> str:
        """The special value that it is, in words; empty for a number.

        >>> FLOAT32.code(bytes.fromhex("0000c07f"))
        'NaN: it has no number'
        """
        value = float(struct.unpack("<f", payload)[0])
        if math.isnan(value):
            return _NAN
        return "" if math.isfinite(value) else _ABOVE if value > 0 else _BELOW


FLOAT32 = Float32Form(length=4)
