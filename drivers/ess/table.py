"""Wire format of the Environmental Sensing Service, as data.

Source: Bluetooth SIG, GATT Specification Supplement (Temperature, Humidity, Pressure, True Wind
Speed, Apparent Wind Speed), Environmental Sensing Service 1.0, Battery Service 1.0. All values
are little-endian integers of fixed length.
"""

from __future__ import annotations

from typing import NamedTuple

from drivers.wire import SINT16, UINT8, UINT16, UINT32, Form
from logger.core.readings import Quantity

# Bluetooth SIG, assigned numbers: services and descriptors
ENVIRONMENTAL_SENSING = 0x181A
BATTERY_SERVICE = 0x180F
USER_DESCRIPTION = 0x2901
CONFIGURATION = 0x290B
MEASUREMENT = 0x290C
TRIGGER_SETTING = 0x290D


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

# What else the service may have; the job has no use for it. Assigned numbers, `recalled`.
NOT_USED: dict[int, str] = {
    0x2A6C: "elevation",
    0x2A71: "true wind direction",
    0x2A73: "apparent wind direction",
    0x2A74: "gust factor",
    0x2A75: "pollen concentration",
    0x2A76: "UV index",
    0x2A77: "irradiance",
    0x2A78: "rainfall",
    0x2A79: "wind chill",
    0x2A7A: "heat index",
    0x2A7B: "dew point",
    0x2AA3: "pressure trend",
}

# What a value is of, or where. Environmental Sensing Service 1.0, 3.1.2.1, table of applications, `recalled`.
AIR = 0x01
APPLICATIONS: dict[int, str] = {
    0x00: "unspecified", AIR: "air", 0x02: "water", 0x03: "barometric", 0x04: "soil", 0x05: "infrared",
    0x06: "map database", 0x07: "barometric elevation", 0x08: "GPS elevation",
    0x09: "GPS and map elevation", 0x0A: "vertical datum elevation", 0x0B: "onshore", 0x0C: "onboard",
    0x0D: "front", 0x0E: "rear", 0x0F: "upper", 0x10: "lower", 0x11: "primary", 0x12: "secondary",
    0x13: "outdoor", 0x14: "indoor", 0x15: "top", 0x16: "bottom", 0x17: "main", 0x18: "backup",
    0x19: "auxiliary", 0x1A: "supplementary", 0x1B: "inside", 0x1C: "outside", 0x1D: "left", 0x1E: "right",
    0x1F: "internal", 0x20: "external", 0x21: "solar",
}  # fmt: skip
# A value of these is not of the air around the probe: used only where it is asked for.
NOT_OF_THE_AIR = frozenset({0x02, 0x04, 0x05, 0x06, 0x1F, 0x21})

# How a value comes about; same section, table of sampling functions, `recalled`.
SAMPLINGS: dict[int, str] = {
    0: "unspecified", 1: "instantaneous", 2: "arithmetic mean", 3: "root mean square", 4: "maximum",
    5: "minimum", 6: "accumulated", 7: "count",
}  # fmt: skip
NOT_OF_NOW = frozenset({4, 5, 6, 7})  # says nothing of the present: used only where it is asked for
