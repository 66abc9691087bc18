"""What cannot be meant in a map, as sentences at the key that is to be mended."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from itertools import combinations
from typing import TYPE_CHECKING

from pydantic import ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

from drivers.gatt.profile import OF_THE_PROBE
from drivers.gatt_map.decode import FORMATS, INTEGERS, Bits, Rule
from drivers.gatt_map.meaning import BYTE, PACKET_LIMIT, SourceKind, bits_of, place_of, rule_of, source_of
from drivers.quantity_key import check_unit
from logger.core.readings import QUANTITIES, Quantity

if TYPE_CHECKING:
    from drivers.gatt_map.model import ProbeMap, ValueTable, WhenTable

Finding = tuple[tuple[str | int, ...], str]
"""Way to a key of a table, and what is wrong with it."""

SCALES = (1e-12, 1e12)  # least and most a step may stand for, assumed: what is beyond is a slip
_SOURCES = ("characteristic", "manufacturer", "service_data")
_SHOWN = 24  # digits of a number in a message; assumed
_APART = "add for example when = { offset = 0, equals = 1 } to each, or remove one"


def raise_findings(findings: Iterable[Finding]) -> None:
    """Raise one ValidationError of all of them, each at its key; nothing where there are none."""
    details = [
        InitErrorDetails(type=PydanticCustomError("map", "{said}", {"said": said}), loc=place, input=None)
        for place, said in findings
    ]
    if details:
        raise ValidationError.from_exception_data("map", details)


def of_value(value: ValueTable) -> Iterator[Finding]:
    """What is wrong with one [[value]] table."""
    found = [finding for check in _VALUE_CHECKS for finding in check(value)]
    yield from found
    if not found:
        yield from _range(rule_of(value))


def of_map(whole: ProbeMap) -> Iterator[Finding]:
    """What is wrong with the tables together."""
    if not whole.value:
        yield ("value",), "is empty; add a table [[value]] for each quantity"
        return
    found = [*_one_way(whole), *_measures(whole)]
    for (_, one), (n, other) in combinations(enumerate(whole.value), 2):
        if not _exclude_each_other(one, other):
            found += [(("value", n, *key), said) for key, said in _against(one, other)]
    yield from found


def _source(value: ValueTable) -> Iterator[Finding]:
    given = [key for key in _SOURCES if getattr(value, key) is not None]
    if len(given) != 1:
        yield (
            tuple(given[1:2]),
            "give one of characteristic (with its service), manufacturer and service_data: where the value's"
            " bytes come from",
        )
    elif value.characteristic is not None and value.service is None:
        yield ("characteristic",), "needs the UUID of its service too; add service"
    elif value.characteristic is None and value.service is not None:
        yield ("service",), "goes with characteristic only; remove it"
    elif value.characteristic is None and value.how != "both":
        yield ("how",), "goes with characteristic only: what is broadcast is listened to; remove it"


def _meaning(value: ValueTable) -> Iterator[Finding]:
    if value.quantity is Quantity.SIGNAL:
        yield ("quantity",), "signal is what the radio itself hears; remove this [[value]]"
        return
    try:
        check_unit(value.unit, value.quantity)
    except ValueError as error:
        yield ("unit",), str(error)


def _numbers(value: ValueTable) -> Iterator[Finding]:
    if value.scale == 0:
        yield ("scale",), "is 0: every reading would be the same; write what one step of the raw number is"
    elif not SCALES[0] <= abs(value.scale) <= SCALES[1]:
        yield ("scale",), f"must be between {SCALES[0]:g} and {SCALES[1]:g}; write what one step is"
    if abs(value.add) > SCALES[1]:
        yield ("add",), f"must be at most {SCALES[1]:g}; write what is added after scale, in the unit"
    if None not in (value.low, value.high) and float(value.low or 0) > float(value.high or 0):
        yield ("low",), "is above high; they are the least and the most of the raw number"


def _bits(table: ValueTable | WhenTable) -> Iterator[Finding]:
    if table.mask is None:
        return
    if table.format not in INTEGERS:
        yield ("mask",), f"goes with an integer, and format is {table.format}; remove it"
        return
    whole = FORMATS[table.format].length * BYTE
    run = table.mask // (table.mask & -table.mask) if table.mask > 0 else 0
    if not 0 < table.mask < 1 << whole or run & (run + 1):
        yield ("mask",), f"must be one run of bits within the {whole} of {table.format}, like 0x0FFF"


def _codes(value: ValueTable) -> Iterator[Finding]:
    bits = bits_of(value) if not tuple(_bits(value)) else None
    if value.not_known and value.format not in INTEGERS:
        yield ("not_known",), f"goes with an integer: {value.format} has its own codes; remove it"
    elif bits is not None:
        for n, code in enumerate(value.not_known):
            if not _fits(code, bits):
                yield ("not_known", n), f"{_shown(code)} does not fit {bits.width} bits; it can never come"


def _kind(value: ValueTable) -> Iterator[Finding]:
    when = value.when
    if when is None:
        return
    found = [*_bits(when)]
    yield from ((("when", *key), said) for key, said in found)
    bits = None if found else bits_of(when)
    if bits is not None and not _fits(when.equals, bits):
        yield ("when", "equals"), f"{_shown(when.equals)} does not fit {bits.width} bits; it can never come"


def _shown(number: int) -> str:
    text = str(number)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def _lengths(value: ValueTable) -> Iterator[Finding]:
    if value.length is not None and value.min_length is not None:
        yield ("min_length",), "goes not with length: packets have one length, or at least one; remove one"
        return
    key = "min_length" if value.length is None else "length"
    has = value.min_length if value.length is None else value.length
    ends = {"the value": place_of(value).end}
    if value.when is not None:
        ends["when"] = place_of(value.when).end
    for what, end in ends.items():
        if has is not None and end > has:
            yield (key,), f"is {has}, and {what} ends at byte {end}; correct offset, format or {key}"
        elif end > PACKET_LIMIT:
            yield (
                ("offset",),
                f"is too high: {what} ends at byte {end}, and no packet is longer than {PACKET_LIMIT}",
            )


def _range(rule: Rule) -> Iterator[Finding]:
    """No raw number may be a value that can be: the scale, or the unit, is a slip."""
    bits = rule.place.bits
    if bits is None:
        return
    most = (1 << (bits.width - bits.signed)) - 1
    least = -most - 1 if bits.signed else 0
    low, high = max(least, rule.low), min(most, rule.high)
    if low > high:
        yield ("low",), f"and high leave no raw number of {bits.width} bits; correct them"
        return
    for key, given in (("low", rule.low), ("high", rule.high)):
        if math.isfinite(given) and not least <= given <= most:
            said = f"no raw number goes so far: {bits.width} bits go from {least} to {most}; correct it"
            yield (key,), said
    ends = sorted((rule.value(low), rule.value(high)))
    info = QUANTITIES[rule.quantity]
    if ends[1] < info.low or ends[0] > info.high:
        yield (
            ("scale",),
            f"no raw number gives a {rule.quantity} that can be: they go from {ends[0]:g} to {ends[1]:g}"
            f" {info.unit}; correct scale, add or unit",
        )


def _one_way(whole: ProbeMap) -> Iterator[Finding]:
    first = source_of(whole.value[0]).kind is SourceKind.CHARACTERISTIC
    for n, value in enumerate(whole.value):
        if (source_of(value).kind is SourceKind.CHARACTERISTIC) != first:
            yield (
                ("value", n),
                "a probe is connected to (characteristic) or listened to (manufacturer, service_data), not"
                " both: while it is connected it does not broadcast; make two maps",
            )
            return
    if whole.start is not None and not first:
        yield ("start",), "goes with characteristic only: nothing is written to what broadcasts; remove it"


def _measures(whole: ProbeMap) -> Iterator[Finding]:
    if all(value.quantity in OF_THE_PROBE for value in whole.value):
        yield ("value",), "none of them says anything of the air; add a temperature, humidity or the like"


def _exclude_each_other(one: ValueTable, other: ValueTable) -> bool:
    """Whether no packet is for both."""
    if source_of(one) != source_of(other) or one.when is None or other.when is None:
        return False
    same = one.when.model_copy(update={"equals": other.when.equals}) == other.when
    return same and one.when.equals != other.when.equals


def _against(one: ValueTable, other: ValueTable) -> Iterator[Finding]:
    """What is wrong with ``other`` beside ``one``, when a packet may be for both."""
    if one.quantity is other.quantity:
        yield ("quantity",), f"{one.quantity} is given by another [[value]] too; {_APART}"
    if source_of(one) != source_of(other):
        return
    if one.how != other.how:
        yield ("how",), f'is "{one.how}" in another [[value]] of this characteristic; write the same'
    if None not in (one.length, other.length) and one.length != other.length:
        yield ("length",), f"is {one.length} in another [[value]] of the same packets; correct one"
    if not _used(one).isdisjoint(_used(other)):
        yield ("offset",), f"its bits are those of the {one.quantity} too; correct offset, format or mask"


def _used(value: ValueTable) -> frozenset[tuple[int, int]]:
    """Byte of the packet and bit of it, for every bit that the value is made of."""
    place = place_of(value)
    bits = place.bits or Bits(0, place.length * BYTE, signed=False)
    last = place.length - 1
    return frozenset(
        (place.offset + (last - k // BYTE if place.big_endian else k // BYTE), k % BYTE)
        for k in range(bits.shift, bits.shift + bits.width)
    )


def _fits(code: int, bits: Bits) -> bool:
    return -(1 << (bits.width - 1)) <= code < 1 << bits.width


_VALUE_CHECKS: tuple[Callable[[ValueTable], Iterator[Finding]], ...] = (
    _source, _meaning, _numbers, _bits, _codes, _kind, _lengths,
)  # fmt: skip
