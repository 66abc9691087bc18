"""Wire format of the Environmental Sensing Service, as data.

Source: Bluetooth SIG, GATT Specification Supplement (Temperature, Humidity, Pressure, True Wind
Speed, Apparent Wind Speed), Environmental Sensing Service 1.0, Battery Service 1.0. All values
are little-endian integers of fixed length.
"""

from __future__ import annotations

from typing import NamedTuple

from drivers.wire import SINT16, UINT8, UINT16, UINT32, Form
from logger.core.readings import Quantity

ENVIRONMENTAL_SENSING = 0x181A  # service, Bluetooth SIG assigned numbers
BATTERY_SERVICE = 0x180F  # service, Bluetooth SIG assigned numbers


class Field(NamedTuple):
    """One characteristic. The value in the quantity's unit is raw / ``divisor``; a raw number
    outside ``low``..``high`` is prohibited by the specification; ``not_known`` is the raw
    number that means "value is not known", where one is defined."""

    title: str
    service: int
    quantity: Quantity
    form: Form
    divisor: int
    low: int
    high: int
    not_known: int | None = None


# Where two rows give the same quantity the upper one is preferred: a probe that stands still in
# a duct sees the true wind.
FIELDS: dict[int, Field] = {
    0x2A6E: Field("temperature", ENVIRONMENTAL_SENSING, Quantity.TEMPERATURE, SINT16, 100,
                  -27_315, 32_767, -0x8000),
    0x2A6F: Field("humidity", ENVIRONMENTAL_SENSING, Quantity.HUMIDITY, UINT16, 100,
                  0, 10_000, 0xFFFF),
    0x2A6D: Field("pressure", ENVIRONMENTAL_SENSING, Quantity.PRESSURE, UINT32, 10,
                  0, 0xFFFF_FFFF),
    0x2A70: Field("true wind speed", ENVIRONMENTAL_SENSING, Quantity.VELOCITY, UINT16, 100,
                  0, 0xFFFF),
    0x2A72: Field("apparent wind speed", ENVIRONMENTAL_SENSING, Quantity.VELOCITY, UINT16, 100,
                  0, 0xFFFF),
    0x2A19: Field("battery level", BATTERY_SERVICE, Quantity.BATTERY, UINT8, 1,
                  0, 100),
}  # fmt: skip
