"""Where a map and its probe do not fit each other: what the map says, what came, and the key to be mended.
Pure."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.causes import NO_CAUSE, Cause, Value, in_words
from drivers.gatt_map.decode import FLOATS
from drivers.gatt_map.meaning import Source, place_of, source_of
from drivers.gatt_map.model import ProbeMap, ValueTable
from drivers.heard import Characteristic, services_in_words, uuid_in_words
from logger.core.quantity_units import UNITS
from logger.core.readings import in_range
from logger.driver_api import Flag, Quantity

_TOLD = 3  # units that a value would be possible in; assumed


def explain(whole: ProbeMap, source: Source, payload: bytes, value: Value | None) -> Cause:
    """What the map has to do with a packet that gives no value."""
    mine = [(n, each) for n, each in enumerate(whole.value) if source_of(each) == source]
    if value is None:
        return next((_length(n, each, payload) for n, each in mine if _misfits(each, payload)), NO_CAUSE)
    n, table = next(((n, each) for n, each in mine if each.quantity is value.quantity), (0, whole.value[0]))
    form = FLOATS.get(table.format)
    if form is not None and (code := form.code(place_of(table).little(payload))):
        text = f"in place of a {value.quantity} it sends the code {code}"
        return Cause(text, key=("map", "value", n, "format"), alone=True)
    if value.flag is Flag.NOT_KNOWN:
        return Cause("the map's not_known, or the format's own code", key=("map", "value", n, "not_known"))
    return _limits(n, table, value) if in_range(value.quantity, value.value) else _unit(n, table, value)


def _misfits(table: ValueTable, payload: bytes) -> bool:
    least = table.min_length or 0
    return (table.length is not None and len(payload) != table.length) or len(payload) < least


def _length(n: int, table: ValueTable, payload: bytes) -> Cause:
    key = "min_length" if table.length is None else "length"
    asked = table.min_length if table.length is None else table.length
    return Cause(
        f"the map says {key} = {asked} for the {table.quantity}, and the probe sends {len(payload)} bytes",
        f"if the probe's packets have {len(payload)} bytes, write {key} = {len(payload)}, and compare the "
        "offsets",
        ("map", "value", n, key),
        alone=True,
    )


def _limits(n: int, table: ValueTable, value: Value) -> Cause:
    low, high = ("" if each is None else f"{each:g}" for each in (table.low, table.high))
    given = " and ".join(f"{key} = {text}" for key, text in (("low", low), ("high", high)) if text)
    return Cause(
        f"its {value.quantity} of {in_words(value.quantity, value.value)} is outside what the map allows for "
        f"the raw number ({given})",
        "compare low, high, scale and offset of the map with the probe",
        ("map", "value", n, "low" if table.low is not None else "high"),
        alone=True,
    )


def _unit(n: int, table: ValueTable, value: Value) -> Cause:
    """A value that cannot be: which unit the map gives, and in which ones it could be."""
    shift, factor = UNITS[table.quantity][table.unit]
    said = value.value / factor - shift
    could = " or ".join(_possible(table.quantity, table.unit, said))
    return Cause(
        f"the map reads {said:.5g} {table.unit}{f', which would be {could}' if could else ''}",
        "correct unit, scale, offset or format of the map",
        ("map", "value", n, "unit"),
    )


def _possible(quantity: Quantity, unit: str, said: float) -> list[str]:
    """The same number in other units, where it would be a value that can be: one spelling of each."""
    found: dict[tuple[float, float], str] = {}
    for other, (shift, factor) in UNITS[quantity].items():
        if other != unit and in_range(quantity, (said + shift) * factor):
            found.setdefault((shift, factor), other)
    return [
        f"{in_words(quantity, (said + shift) * factor)} as {other}"
        for (shift, factor), other in list(found.items())[:_TOLD]
    ]


def lack_of(
    whole: ProbeMap, source: Source, there: Characteristic | None, everything: Sequence[Characteristic]
) -> Cause:
    """Why a characteristic of the map is not used: the probe has none, or not one to be used like that."""
    n, table = next((n, each) for n, each in enumerate(whole.value) if source_of(each) == source)
    titles = " and ".join(dict.fromkeys(each.quantity for each in whole.value if source_of(each) == source))
    what = f"characteristic {uuid_in_words(source.uuid)} of service {uuid_in_words(source.service)}"
    if there is not None:
        can = [word for word, able in (("be read", there.can_read), ("notify", there.can_notify)) if able]
        return Cause(
            f"its {what} can {' and '.join(can) or 'neither be read nor notify'}, and the map says "
            f'how = "{table.how}": no {titles}',
            "write how as the probe allows it, or leave it out",
            ("map", "value", n, "how"),
        )
    beside = [uuid_in_words(each.uuid) for each in everything if each.service_uuid == source.service]
    has = f"that service has {', '.join(beside[:6])}" if beside else f"it has {services_in_words(everything)}"
    return Cause(
        f"it has no {what}, which the map names for the {titles}: {has}",
        "compare the UUIDs of the map with the probe's",
        ("map", "value", n, "characteristic" if beside else "service"),
    )
