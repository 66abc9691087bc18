"""What a checked [[value]] table means: its source and its rule."""

from __future__ import annotations

import math
from enum import Enum, auto
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

from drivers.gatt_map.decode import FLOATS, FORMATS, INTEGERS, Bits, Place, Rule, Selector
from logger.core.quantity_units import UNITS

if TYPE_CHECKING:
    from drivers.gatt_map.model import ValueTable, WhenTable

BYTE = 8  # bits
PACKET_LIMIT = 512  # bytes, longest attribute value: Core Specification vol 3 part F 3.2.9


class SourceKind(Enum):
    """Where packets come from."""

    CHARACTERISTIC = auto()
    MANUFACTURER = auto()
    SERVICE_DATA = auto()


class Source(NamedTuple):
    """One kind of packets: ``uuid`` of the characteristic or service data, or the ``company`` id."""

    kind: SourceKind
    uuid: str = ""
    service: str = ""
    company: int = 0

    def __str__(self) -> str:
        """It in words."""
        if self.kind is SourceKind.MANUFACTURER:
            return f"manufacturer data 0x{self.company:04X}"
        what = "characteristic" if self.kind is SourceKind.CHARACTERISTIC else "service data"
        return f"{what} {self.uuid}"


def source_of(value: ValueTable) -> Source:
    """Where the value's packets come from."""
    if value.characteristic is not None:
        return Source(SourceKind.CHARACTERISTIC, uuid=value.characteristic, service=value.service or "")
    if value.manufacturer is not None:
        return Source(SourceKind.MANUFACTURER, company=value.manufacturer)
    return Source(SourceKind.SERVICE_DATA, uuid=value.service_data or "")


def rule_of(value: ValueTable) -> Rule:
    """How the value is read; the table has passed its checks."""
    shift, factor = UNITS[value.quantity][value.unit]
    bits = bits_of(value)
    return Rule(
        quantity=value.quantity,
        place=place_of(value),
        times=exact(value.scale),
        plus=exact(value.add),
        shift=shift,
        factor=factor,
        not_known=frozenset(bits.code(number) for number in value.not_known) if bits else frozenset(),
        low=-math.inf if value.low is None else value.low,
        high=math.inf if value.high is None else value.high,
        exact=value.length,
        least=value.min_length or 0,
        when=None if value.when is None else selector_of(value.when),
    )


def selector_of(when: WhenTable) -> Selector:
    """Which packets the table means."""
    bits = bits_of(when)
    assert bits is not None  # its format is that of an integer
    return Selector(place=place_of(when), bits=bits, code=bits.code(when.equals))


def place_of(table: ValueTable | WhenTable) -> Place:
    """Where the number stands."""
    length = FORMATS[table.format].length
    big_endian = table.byte_order == "big"
    bits = bits_of(table)
    if bits is not None:
        return Place(offset=table.offset, length=length, big_endian=big_endian, bits=bits)
    form = FLOATS[table.format]
    return Place(offset=table.offset, length=length, big_endian=big_endian, form=form)


def bits_of(table: ValueTable | WhenTable) -> Bits | None:
    """The bits in use of an integer; None for any other number."""
    form = INTEGERS.get(table.format)
    if form is None:
        return None
    if table.mask is None:
        return Bits(0, form.length * BYTE, form.signed)
    shift = (table.mask & -table.mask).bit_length() - 1
    return Bits(shift, table.mask.bit_length() - shift, form.signed)


def exact(number: float) -> Fraction:
    """The decimal that was written.

    >>> exact(0.01)
    Fraction(1, 100)
    """
    return Fraction(repr(number))
