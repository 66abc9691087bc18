"""What a probe says of one of its values: bytes of descriptors -> values and words. Pure.

Source: Bluetooth SIG, Environmental Sensing Service 1.0, 3.1.2 (ES Measurement, ES Trigger
Setting, ES Configuration); Core Specification vol 3 part G 3.3.3.2 (user description).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from drivers.ess.table import APPLICATIONS, NOT_OF_NOW, NOT_OF_THE_AIR, SAMPLINGS, Field
from drivers.probe import printable
from drivers.wire import UINT24
from logger.core.errors import DecodeError
from logger.core.readings import QUANTITIES

MEASUREMENT_LENGTH = 11  # bytes: flags 2, sampling 1, period 3, update 3, application 1, uncertainty 1
_NO_UNCERTAINTY = 0xFF  # "not available"
_PERCENT = 0.5  # % for each step of the uncertainty, `recalled`


class Measurement(NamedTuple):
    """ES Measurement descriptor; a time of 0 is "not in use". ``uncertainty_pc`` in %, None: not told."""

    sampling: int
    period_s: int
    update_s: int
    application: int
    uncertainty_pc: float | None

    @property
    def of_the_air_now(self) -> bool:
        """Whether nothing speaks against it being the present state of the air around the probe."""
        return self.sampling not in NOT_OF_NOW and self.application not in NOT_OF_THE_AIR

    @property
    def place(self) -> str:
        """What it is of, or where, in a word."""
        return APPLICATIONS.get(self.application, f"application {self.application}")

    def __str__(self) -> str:
        sampling = SAMPLINGS.get(self.sampling, f"sampling {self.sampling}")
        told = [
            self.place if self.application else "",
            sampling + (f" over {self.period_s} s" if self.period_s else "") if self.sampling else "",
            f"new every {self.update_s} s" if self.update_s else "",
            "" if self.uncertainty_pc is None else f"uncertainty {self.uncertainty_pc:g} %",
        ]
        return ", ".join(each for each in told if each)


class Trigger(NamedTuple):
    """ES Trigger Setting descriptor: when the probe notifies. ``operand`` in s or in the value's unit."""

    condition: int
    operand: float | None


# Condition -> words; the operand is a time in s for two of them, a value like the characteristic's own
# for others. Source: 3.1.2.3, table of conditions, `recalled`.
_TIMED = {0x01: "every {:g} s", 0x02: "not more often than every {:g} s"}
_BARE = {0x00: "never", 0x03: "only when the value changes"}
_COMPARED = {
    0x04: "only while it is below {:g} {}",
    0x05: "only while it is {:g} {} or below",
    0x06: "only while it is above {:g} {}",
    0x07: "only while it is {:g} {} or above",
    0x08: "only while it is {:g} {}",
    0x09: "only while it is not {:g} {}",
}
_INACTIVE = 0x00
_REGULAR = 0x01  # the one condition under which a silence is a fault


def decode_measurement(payload: bytes) -> Measurement:
    """The descriptor's content.

    Raises
    ------
    DecodeError
        The length is not the specification's.

    >>> print(decode_measurement(bytes.fromhex("0000020500000a00000104")))
    air, arithmetic mean over 5 s, new every 10 s, uncertainty 2 %
    """
    if len(payload) != MEASUREMENT_LENGTH:
        raise DecodeError(
            f"ES Measurement (0x290C) came with {len(payload)} bytes instead of {MEASUREMENT_LENGTH}", payload
        )
    uncertainty = payload[10]
    return Measurement(
        sampling=payload[2],
        period_s=UINT24.read(payload[3:6]),
        update_s=UINT24.read(payload[6:9]),
        application=payload[9],
        uncertainty_pc=None if uncertainty == _NO_UNCERTAINTY else uncertainty * _PERCENT,
    )


def decode_trigger(payload: bytes, field: Field) -> Trigger:
    """The descriptor's content, for a value of that field.

    Raises
    ------
    DecodeError
        The condition is none of the specification's, or the length is not that of its operand.
    """
    condition = payload[0] if payload else -1
    operand = payload[1:]
    lengths = dict.fromkeys(_BARE, 0) | dict.fromkeys(_TIMED, UINT24.length)
    lengths |= dict.fromkeys(_COMPARED, field.form.length)
    if lengths.get(condition) != len(operand):
        raise DecodeError(f"ES Trigger Setting (0x290D) of {field.title} does not follow the format", payload)
    if condition in _TIMED:
        return Trigger(condition, float(UINT24.read(operand)))
    if condition in _COMPARED:
        return Trigger(condition, field.form.read(operand) / field.divisor)
    return Trigger(condition, None)


def _active(triggers: Sequence[Trigger]) -> Sequence[Trigger]:
    """Those that count; all where none does."""
    return [each for each in triggers if each.condition != _INACTIVE] or triggers


def interval_s(triggers: Sequence[Trigger], *, any_of: bool) -> float | None:
    """How often the probe notifies, where the settings make it regular: by one of them alone, where one
    is enough (``any_of``), else by times and nothing but times."""
    active = _active(triggers)
    times = [each.operand for each in active if each.condition == _REGULAR and each.operand]
    if not times or any_of:
        return min(times, default=None)
    if any(each.condition not in _TIMED for each in active):
        return None
    return max(each.operand or 0.0 for each in active)


def in_words(triggers: Sequence[Trigger], field: Field, *, any_of: bool) -> str:
    """When the probe notifies; ``any_of``: one condition is enough (ES Configuration)."""
    words = []
    for condition, operand in _active(triggers):
        text = (_BARE | _TIMED | _COMPARED)[condition]
        words.append(text.format(operand, QUANTITIES[field.quantity].unit))
    return (" or " if any_of else " and ").join(words)


def decode_description(payload: bytes) -> str:
    r"""The user description, fit to be shown and compared.

    >>> decode_description(b"Supply air\x00")
    'Supply air'
    """
    return printable(payload.decode("utf-8", errors="replace")).strip()
