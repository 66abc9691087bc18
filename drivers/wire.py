"""Little-endian integers, as Bluetooth formats name them."""

from __future__ import annotations

from typing import NamedTuple


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
