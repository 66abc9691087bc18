"""Bytes of one packet -> values, by the rules of a map. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from drivers.wire import (
    FLOAT,
    FLOAT32,
    SFLOAT,
    SINT8,
    SINT16,
    SINT32,
    UINT8,
    UINT16,
    UINT24,
    UINT32,
    CutShortError,
    Float32Form,
    Form,
    MedicalForm,
)
from logger.core.errors import DecodeError
from logger.core.readings import Flag, Quantity, in_range

SINT24 = Form(length=3, signed=True)

INTEGERS: dict[str, Form] = {
    "uint8": UINT8, "uint16": UINT16, "uint24": UINT24, "uint32": UINT32,
    "sint8": SINT8, "sint16": SINT16, "sint24": SINT24, "sint32": SINT32,
}  # fmt: skip
FLOATS: dict[str, Float32Form | MedicalForm] = {
    "float32": FLOAT32, "float11073": FLOAT, "sfloat11073": SFLOAT,
}  # fmt: skip
FORMATS: dict[str, Form | Float32Form | MedicalForm] = {**INTEGERS, **FLOATS}
"""What a map may call a number's format."""


class Bits(NamedTuple):
    """A run of bits in an integer: its lowest bit, how many, and whether the highest is a sign."""

    shift: int
    width: int
    signed: bool

    def cut(self, whole: int) -> int:
        """The bits as a number without a sign."""
        return (whole >> self.shift) & ((1 << self.width) - 1)

    def code(self, number: int) -> int:
        """A number that the bits may say, as their code without a sign.

        >>> Bits(4, 12, True).code(-2) == Bits(4, 12, True).code(0xFFE)
        True
        """
        return number % (1 << self.width)

    def number(self, code: int) -> int:
        """What the bits say.

        >>> Bits(4, 12, True).number(0xFFE)
        -2
        """
        return code - (1 << self.width) if self.signed and code >> (self.width - 1) else code


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a number stands in a packet. ``bits`` belongs to an integer, ``form`` to any other."""

    offset: int
    length: int
    big_endian: bool = False
    bits: Bits | None = None
    form: Float32Form | MedicalForm = FLOAT32

    @property
    def end(self) -> int:
        """Bytes that a packet must have."""
        return self.offset + self.length

    def little(self, payload: bytes) -> bytes:
        """The number's bytes, lowest first; the packet has them."""
        data = payload[self.offset : self.end]
        return data[::-1] if self.big_endian else data


@dataclass(frozen=True, slots=True, kw_only=True)
class Selector:
    """Which packets a rule is for: those that have this code there."""

    place: Place
    bits: Bits
    code: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One value of a packet.

    In the map's unit it is raw x ``times`` + ``plus``, in the stored unit (that + ``shift``) x
    ``factor``. ``not_known`` are codes without a sign; a raw number outside ``low``..``high`` is out
    of range. ``exact``: bytes of the packet, None where longer ones are taken too; ``least`` is then
    the shortest.
    """

    quantity: Quantity
    place: Place
    times: Fraction = Fraction(1)
    plus: Fraction = Fraction(0)
    shift: float = 0.0
    factor: float = 1.0
    not_known: frozenset[int] = frozenset()
    low: float = -math.inf
    high: float = math.inf
    exact: int | None = None
    least: int = 0
    when: Selector | None = None

    def value(self, raw: float) -> float:
        """The raw number in the stored unit: the float nearest to what the map says, then converted."""
        return (float(Fraction(raw) * self.times + self.plus) + self.shift) * self.factor


def decode(rules: Sequence[Rule], payload: bytes) -> tuple[tuple[Quantity, float, Flag], ...]:
    """The values of a packet, in the units of their quantities; none where it is of another kind.

    A code for "not known" and a value that cannot be keep their scaled raw number and have a flag.

    Raises
    ------
    CutShortError
        It ends before a value; those before the end come with it.
    DecodeError
        The packet's length is not what the map says.

    >>> place = Place(offset=1, length=2, bits=Bits(0, 16, True))
    >>> rule = Rule(quantity=Quantity.TEMPERATURE, place=place, times=Fraction(1, 100))
    >>> decode([rule], bytes.fromhex("001913"))[0][1]
    48.89
    """
    found: list[tuple[Quantity, float, Flag]] = []
    short: CutShortError | None = None
    for rule in rules:
        try:
            if _is_for(rule, payload):
                found.append(_value(rule, payload))
        except CutShortError as error:
            short = short or error
    if short is not None:
        raise CutShortError(str(short), payload, tuple(found))
    return tuple(found)


def _is_for(rule: Rule, payload: bytes) -> bool:
    when = rule.when
    if when is None:
        return True
    if len(payload) < when.place.end:
        raise _cut(payload, f"at least {when.place.end}, to tell its kind")
    return when.bits.cut(int.from_bytes(when.place.little(payload), "little")) == when.code


def _value(rule: Rule, payload: bytes) -> tuple[Quantity, float, Flag]:
    if rule.exact is not None and len(payload) != rule.exact:
        raise _length(payload, f"{rule.exact} for the {rule.quantity}")
    if len(payload) < rule.least:
        raise _length(payload, f"at least {max(rule.least, rule.place.end)} for the {rule.quantity}")
    if len(payload) < rule.place.end:
        raise _cut(payload, f"at least {rule.place.end} for the {rule.quantity}")
    raw, flag = _raw(rule, rule.place.little(payload))
    value = rule.value(raw)
    if flag is Flag.OK and not (rule.low <= raw <= rule.high and in_range(rule.quantity, value)):
        flag = Flag.OUT_OF_RANGE
    return rule.quantity, value, flag


def _raw(rule: Rule, data: bytes) -> tuple[float, Flag]:
    bits = rule.place.bits
    if bits is None:
        return rule.place.form.read(data)
    code = bits.cut(int.from_bytes(data, "little"))
    return bits.number(code), Flag.NOT_KNOWN if code in rule.not_known else Flag.OK


def _length(payload: bytes, asked: str) -> DecodeError:
    return DecodeError(_came_with(payload, asked), payload)


def _cut(payload: bytes, asked: str) -> CutShortError:
    return CutShortError(_came_with(payload, asked), payload)


def _came_with(payload: bytes, asked: str) -> str:
    return f"a packet came with {len(payload)} bytes, and the map asks for {asked}"
