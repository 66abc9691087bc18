"""Service data of one BTHome v2 advertisement -> values, and the rule for repeats. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.bthome.table import (
    COUNTED,
    ENCRYPTED_BIT,
    FIELDS,
    LENGTHS,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Advert:
    """What one advertisement says.

    ``values``: the first object of each quantity. ``passed_over``: titles of further objects
    of a quantity already taken. ``fault``: why the rest of the packet was not read, or None.
    """

    packet_id: int | None
    values: tuple[tuple[Quantity, float, Flag], ...]
    passed_over: tuple[str, ...] = ()
    fault: DecodeError | None = None


def decode(payload: bytes) -> Advert:
    """Walk the objects of one packet.

    What stands before an unknown or cut-off object is kept: the format asks for ascending
    object ids, so newer ids stand last.

    Raises
    ------
    RefusedError
        Encrypted, or not version 2.
    DecodeError
        No bytes at all.

    >>> decode(bytes.fromhex("4002ca0903bf13")).values[0]
    (<Quantity.TEMPERATURE: 'temperature'>, 25.06, <Flag.OK: 'ok'>)
    """
    _check_information(payload)
    packet_id: int | None = None
    values: dict[Quantity, tuple[Quantity, float, Flag]] = {}
    passed_over: list[str] = []
    fault: DecodeError | None = None
    at = 1
    while at < len(payload):
        object_id = payload[at]
        start, end = _extent(payload, at)
        if end is None or end > len(payload):
            fault = _fault(payload, at, known=end is not None)
            break
        field = FIELDS.get(object_id)
        if object_id == PACKET_ID:
            packet_id = payload[start] if packet_id is None else packet_id
        elif field is not None and field.quantity in values:
            passed_over.append(field.title)
        elif field is not None:
            values[field.quantity] = _value(field, payload[start:end])
        at = end
    return Advert(
        packet_id=packet_id, values=tuple(values.values()), passed_over=tuple(passed_over), fault=fault
    )


def _value(field: Field, data: bytes) -> tuple[Quantity, float, Flag]:
    value = field.form.read(data) * field.times / field.per
    return field.quantity, value, Flag.OK if in_range(field.quantity, value) else Flag.OUT_OF_RANGE


def _check_information(payload: bytes) -> None:
    if not payload:
        raise DecodeError("an advertisement came without its device information byte", payload)
    if payload[0] >> VERSION_SHIFT != VERSION:
        raise RefusedError(
            f"it broadcasts BTHome version {payload[0] >> VERSION_SHIFT}, and only version 2 is read", payload
        )
    if payload[0] & ENCRYPTED_BIT:
        raise RefusedError("its advertisements are encrypted, which this version does not read", payload)


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

    A packet with the id of the last new one, at most 4 s after that one, is a repeat. Packets
    without an id are never repeats.

    >>> repeats = Repeats()
    >>> [repeats.update(7, s * 1_000_000_000) for s in (0, 1, 5, 6)]
    [False, True, False, True]
    """

    def __init__(self) -> None:
        self._last: tuple[int, int] | None = None

    def update(self, packet_id: int | None, t_ns: int) -> bool:
        """Whether the packet that came at ``t_ns`` repeats the one before."""
        if packet_id is None:
            return False
        last, self._last = self._last, (packet_id, t_ns)
        if last is None or last[0] != packet_id or t_ns - last[1] > REPEAT_WINDOW_S * NS_PER_S:
            return False
        self._last = last
        return True
