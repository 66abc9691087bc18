"""The kinds of value that are read, in the order of preference where two give one quantity."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

from drivers.ess.decode import decode
from drivers.ess.table import FIELDS, Field
from drivers.ess.thermometer import (
    HEALTH_THERMOMETER,
    INTERMEDIATE_TEMPERATURE,
    TEMPERATURE_MEASUREMENT,
    decode_temperature,
)
from drivers.gatt.profile import Value
from logger.core.readings import Quantity


class Kind(NamedTuple):
    """One characteristic; ``field`` where it has a format that a trigger setting repeats."""

    title: str
    service: int
    quantity: Quantity
    decode: Callable[[bytes], Sequence[Value]]
    field: Field | None = None


def _field(uuid16: int, payload: bytes) -> tuple[Value]:
    return (Value(*decode(uuid16, payload)),)


KINDS: dict[int, Kind] = {
    uuid16: Kind(row.title, row.service, row.quantity, partial(_field, uuid16), row)
    for uuid16, row in FIELDS.items()
} | {
    TEMPERATURE_MEASUREMENT: Kind(
        "temperature measurement", HEALTH_THERMOMETER, Quantity.TEMPERATURE, decode_temperature
    ),
    INTERMEDIATE_TEMPERATURE: Kind(
        "intermediate temperature", HEALTH_THERMOMETER, Quantity.TEMPERATURE, decode_temperature
    ),
}
