"""What a probe says: quantities, flags, samples and readings.

A *sample* is what a driver hands over. The collector stamps it once and it becomes a
*reading*: that is the record which is stored, computed with and replayed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

NS_PER_S = 1_000_000_000
NS_PER_US = 1_000


class Quantity(StrEnum):
    """What is measured; the value's unit is fixed for each (see ``QUANTITIES``)."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    PRESSURE = "pressure"
    VELOCITY = "velocity"
    DRY_AIR_FLOW = "dry-air-flow"
    GAS_VOLUME = "gas-volume"
    POWER = "power"
    BATTERY = "battery"
    SIGNAL = "signal"


class Flag(StrEnum):
    """Why a reading is or is not used. Given once, before storing; never judged again."""

    OK = "ok"
    LATE = "late"
    OUT_OF_RANGE = "out-of-range"
    NOT_KNOWN = "not-known"
    CLOCK_JUMP = "clock-jump"
    DUPLICATE = "duplicate"


USABLE_FLAGS = frozenset({Flag.OK, Flag.CLOCK_JUMP})
"""Only these enter arithmetic."""


class QuantityInfo(NamedTuple):
    """Unit of the stored value, and the range beyond which a value cannot be air on a roof."""

    unit: str
    low: float
    high: float


# Ranges are plausibility limits of the job, not of a probe: common practice, no source.
QUANTITIES: dict[Quantity, QuantityInfo] = {
    Quantity.TEMPERATURE: QuantityInfo("degC", -60.0, 150.0),
    # Beyond 100 by what a probe in saturated air is off by; the arithmetic takes it as saturated.
    Quantity.HUMIDITY: QuantityInfo("%", 0.0, 105.0),
    Quantity.PRESSURE: QuantityInfo("Pa", 30_000.0, 120_000.0),
    Quantity.VELOCITY: QuantityInfo("m/s", -60.0, 60.0),
    Quantity.DRY_AIR_FLOW: QuantityInfo("kg/s", -500.0, 500.0),
    Quantity.GAS_VOLUME: QuantityInfo("m3", 0.0, 1e9),
    Quantity.POWER: QuantityInfo("W", -1e7, 1e7),
    Quantity.BATTERY: QuantityInfo("%", 0.0, 100.0),
    Quantity.SIGNAL: QuantityInfo("dBm", -150.0, 30.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One value as a driver hands it over, in the unit of ``QUANTITIES``, not yet stamped.

    ``value`` is always finite: where the probe said "not known", it is the raw code scaled
    like any other, and ``flag`` says so; a flagged value never enters arithmetic.
    """

    probe: str
    quantity: Quantity
    value: float
    flag: Flag = Flag.OK


class Reading(NamedTuple):
    """One stamped value: the unit of storage.

    ``t_ns`` is elapsed time since the run's first reading, a whole number of microseconds
    (so that the CSV keeps all of it); ``seq`` counts every record of the run; ``utc_us`` is
    the wall clock as the host had it, for the reader only, never for arithmetic.
    ``arrival_ns`` is elapsed time at which the host got it, on the same zero.
    """

    seq: int
    t_ns: int
    probe: str
    quantity: Quantity
    value: float
    flag: Flag
    utc_us: int
    arrival_ns: int


FLAG_CODES: tuple[Flag, ...] = tuple(Flag)
"""Order of the flags in ``ReadingBlock.flag`` and in the store: append only."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingBlock:
    """Many readings as columns, in order of arrival: how stored and CSV readings are replayed.

    Shape: every array has one element per reading. ``channel`` indexes ``channels``,
    ``flag`` indexes ``FLAG_CODES``; units as in ``Reading``.
    """

    channels: tuple[tuple[str, Quantity], ...]
    seq: npt.NDArray[np.int64]
    t_ns: npt.NDArray[np.int64]
    channel: npt.NDArray[np.int32]
    value: npt.NDArray[np.float64]
    flag: npt.NDArray[np.int8]
    utc_us: npt.NDArray[np.int64]
    arrival_ns: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.seq)

    def part(self, start: int, end: int) -> ReadingBlock:
        """The readings from ``start`` to before ``end``."""
        if start == 0 and end == len(self):
            return self
        cut = slice(start, end)
        return ReadingBlock(
            channels=self.channels,
            seq=self.seq[cut],
            t_ns=self.t_ns[cut],
            channel=self.channel[cut],
            value=self.value[cut],
            flag=self.flag[cut],
            utc_us=self.utc_us[cut],
            arrival_ns=self.arrival_ns[cut],
        )


def in_range(quantity: Quantity, value: float) -> bool:
    """Whether a value is possible at all; nan and inf are not.

    >>> in_range(Quantity.HUMIDITY, 655.35), in_range(Quantity.HUMIDITY, 100.2)
    (False, True)
    """
    info = QUANTITIES[quantity]
    return info.low <= value <= info.high
