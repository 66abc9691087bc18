"""The kinds of value that are read, in the order of preference where two give one quantity."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

from drivers.causes import NO_CAUSE, Cause, Value
from drivers.ess.decode import decode
from drivers.ess.table import FIELDS, Field
from drivers.ess.thermometer import (
    HEALTH_THERMOMETER,
    INTERMEDIATE_TEMPERATURE,
    TEMPERATURE_MEASUREMENT,
    decode_temperature,
    explain,
)
from logger.core.readings import Quantity


class Kind(NamedTuple):
    """One characteristic; ``field`` where it has a format that a trigger setting repeats."""

    title: str
    service: int
    quantity: Quantity
    decode: Callable[[bytes], Sequence[Value]]
    field: Field | None = None
    explain: Callable[[bytes, Value | None], Cause] = lambda _payload, _value: NO_CAUSE


def _field(uuid16: int, payload: bytes) -> tuple[Value]:
    return (Value(*decode(uuid16, payload)),)


KINDS: dict[int, Kind] = {
    uuid16: Kind(row.title, row.service, row.quantity, partial(_field, uuid16), row)
    for uuid16, row in FIELDS.items()
} | {
    uuid16: Kind(title, HEALTH_THERMOMETER, Quantity.TEMPERATURE, decode_temperature, explain=explain)
    for uuid16, title in (
        (TEMPERATURE_MEASUREMENT, "temperature measurement"),
        (INTERMEDIATE_TEMPERATURE, "intermediate temperature"),
    )
}
