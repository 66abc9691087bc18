"""Service data of one BTHome v2 advertisement -> values, and the rule for repeats. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from drivers.bthome.table import (
    ADDRESS_BIT,
    ADDRESS_LENGTH,
    COUNTED,
    ENCRYPTED_BIT,
    FIELDS,
    ID_AHEAD,
    LENGTHS,
    ON_CHANGE_BIT,
    PACKET_ID,
    REPEAT_WINDOW_S,
    VERSION,
    VERSION_SHIFT,
    Field,
)
from logger.core.errors import DecodeError
from logger.core.readings import NS_PER_S, Flag, Quantity, in_range


class RefusedError(DecodeError):
    """The whole advertisement cannot be read here, whatever it says: encrypted, other version."""


Value = tuple[Quantity, float, Flag]


@dataclass(frozen=True, slots=True, kw_only=True)
class Advert:
    """What one advertisement says.

    ``values``: every object of a quantity that is used here, in their order; several may be of one
    kind. ``on_change``: the device broadcasts only when something changes. ``fault``: why the rest
    of the packet was not read, or None.
    """

    packet_id: int | None
    values: tuple[Value, ...]
    on_change: bool = False
    fault: DecodeError | None = None


def decode(payload: bytes) -> Advert:
    """Walk the objects of one packet; an encrypted one goes through ``seal.opened`` first.

    What stands before an unknown or cut-off object is kept: the format asks for ascending
    object ids, so newer ids stand last.

    Raises
    ------
    RefusedError
        Encrypted, or not version 2.
    DecodeError
        No bytes at all, or not even the address that is announced.

    >>> decode(bytes.fromhex("4002ca0903bf13")).values[0]
    (<Quantity.TEMPERATURE: 'temperature'>, 25.06, <Flag.OK: 'ok'>)
    """
    at = first_object(payload)
    if encrypted(payload):
        raise RefusedError("its advertisements are encrypted", payload)
    packet_id: int | None = None
    values: list[Value] = []
    fault: DecodeError | None = None
    while at < len(payload):
        object_id = payload[at]
        start, end = _extent(payload, at)
        if end is None or end > len(payload):
            fault = _fault(payload, at, known=end is not None)
            break
        if object_id == PACKET_ID and packet_id is None:
            packet_id = payload[start]
        elif (field := FIELDS.get(object_id)) is not None:
            values.append(_value(field, payload[start:end]))
        at = end
    return Advert(
        packet_id=packet_id,
        values=tuple(values),
        on_change=bool(payload[0] & ON_CHANGE_BIT),
        fault=fault,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One value for each quantity out of several. ``counts``: how many there were of each."""

    values: tuple[Value, ...]
    counts: Mapping[Quantity, int]


def choose(values: Sequence[Value], numbers: Mapping[Quantity, int]) -> Choice:
    """Of each quantity the object of that number, counted from 1; without a number the first.

    >>> two = decode(bytes.fromhex("40000957ea58ea")).values
    >>> choose(two, {Quantity.TEMPERATURE: 2}).values
    ((<Quantity.TEMPERATURE: 'temperature'>, -7.7, <Flag.OK: 'ok'>),)
    """
    counts: Counter[Quantity] = Counter()
    chosen: list[Value] = []
    for value in values:
        counts[value[0]] += 1
        if counts[value[0]] == numbers.get(value[0], 1):
            chosen.append(value)
    return Choice(values=tuple(chosen), counts=counts)


def encrypted(payload: bytes) -> bool:
    """Whether the device information byte says so."""
    return bool(payload[:1]) and bool(payload[0] & ENCRYPTED_BIT)


def first_object(payload: bytes) -> int:
    """Where the objects begin: after the device information byte and, where it is told, the address.

    Raises
    ------
    RefusedError
        Not version 2.
    DecodeError
        Too short for that.
    """
    if not payload:
        raise DecodeError("an advertisement came without its device information byte", payload)
    if payload[0] >> VERSION_SHIFT != VERSION:
        raise RefusedError(
            f"it broadcasts BTHome version {payload[0] >> VERSION_SHIFT}, and only version 2 is read", payload
        )
    at = 1 + (ADDRESS_LENGTH if payload[0] & ADDRESS_BIT else 0)
    if len(payload) < at:
        raise DecodeError("an advertisement is cut short within the address that it announces", payload)
    return at


def _value(field: Field, data: bytes) -> Value:
    value = field.form.read(data) * field.times / field.per
    return field.quantity, value, Flag.OK if in_range(field.quantity, value) else Flag.OUT_OF_RANGE


def _extent(payload: bytes, at: int) -> tuple[int, int | None]:
    """First and past-the-last byte of the value of the object at ``at``; end None: not known."""
    object_id = payload[at]
    if (length := LENGTHS.get(object_id)) is not None:
        return at + 1, at + 1 + length
    if (counted := COUNTED.get(object_id)) is not None:
        # A count that is itself cut off leads past the end like any cut-off value.
        count = payload[at + 1] & counted.mask if at + 1 < len(payload) else len(payload)
        return at + 2, at + 2 + counted.more + count
    return at + 1, None


def _fault(payload: bytes, at: int, *, known: bool) -> DecodeError:
    why = "is cut short" if known else "is not known"
    return DecodeError(
        f"object 0x{payload[at]:02X} at byte {at} of an advertisement {why}, the rest was not read", payload
    )


class Repeats:
    """Tells a repeated packet by its id and the time it came; ids wrap at 256.

    Within 4 s after the last new packet one is new only when its id is 1 to 63 ahead: the same id is a
    repeat, one that is behind was sent before (a gateway may change the order). Later any id is
    new. Packets without an id are never repeats. This is bthome-ble's rule.

    >>> repeats = Repeats()
    >>> [repeats.update(7, s * 1_000_000_000) for s in (0, 1, 5, 6)]
    [False, True, False, True]
    """

    def __init__(self) -> None:
        self._last: tuple[int, int] | None = None

    def update(self, packet_id: int | None, t_ns: int) -> bool:
        """Whether the packet that came at ``t_ns`` repeats one before."""
        if packet_id is None:
            return False
        if self._last is not None:
            last_id, last_ns = self._last
            soon = t_ns - last_ns <= REPEAT_WINDOW_S * NS_PER_S
            if soon and (packet_id - last_id) % 256 not in ID_AHEAD:
                return True
        self._last = (packet_id, t_ns)
        return False
