"""What a connected probe offers: its values, and what it says of each in descriptors."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from drivers.ble_errors import RadioError
from drivers.ess.descriptors import (
    Measurement,
    Trigger,
    decode_description,
    decode_measurement,
    decode_trigger,
)
from drivers.ess.kinds import KINDS, Kind
from drivers.ess.table import CONFIGURATION, MEASUREMENT, TRIGGER_SETTING, USER_DESCRIPTION
from drivers.ess.thermometer import (
    HEALTH_THERMOMETER,
    MEASUREMENT_INTERVAL,
    TEMPERATURE_TYPE,
    decode_interval,
    decode_type,
)
from drivers.gatt.profile import OF_THE_PROBE
from drivers.heard import Characteristic
from drivers.links import Connection
from logger.core.errors import DecodeError

T = TypeVar("T")

_ANY_OF = b"\x01"  # ES Configuration: one condition is enough. Environmental Sensing Service 1.0, 3.1.2.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One value that can be had. ``label`` is the probe's own name for it, ``interval_s`` how often
    a thermometer measures; ``faults`` is what it says of the value that does not follow the format."""

    characteristic: Characteristic
    kind: Kind
    label: str = ""
    measurement: Measurement | None = None
    triggers: tuple[Trigger, ...] = ()
    any_of: bool = False
    interval_s: float | None = None
    faults: tuple[str, ...] = ()


async def offers_of(connection: Connection, *, strict: bool = False) -> list[Offer]:
    """Everything of use that the probe has, in the order of its handles.

    Raises
    ------
    RadioError
        The connection is lost; where ``strict``, also when a descriptor is not answered: which of several
        values is meant may hang on it.
    """
    asking = _Asking(connection, strict=strict)
    offers = []
    for each in connection.characteristics:
        kind = KINDS.get(each.uuid16 or 0)
        if kind is None or each.service != kind.service or not (each.can_read or each.can_notify):
            continue
        if kind.quantity in OF_THE_PROBE and not each.can_read:
            continue
        offers.append(await asking.offer(each, kind))
    return offers


def unanswered(error: RadioError) -> bool:
    """Whether it was no refusal: the probe gave no answer at all."""
    return isinstance(error.__cause__, TimeoutError)


class _Asking:
    """Reads descriptors; a probe that refuses one is not asked for more: they are no condition."""

    def __init__(self, connection: Connection, *, strict: bool) -> None:
        self._connection = connection
        self._strict = strict
        self._willing = True
        self._refusals: list[str] = []  # not yet told

    async def offer(self, each: Characteristic, kind: Kind) -> Offer:
        faults: list[str] = []

        def decoded(decode: Callable[[bytes], T], payloads: list[bytes]) -> list[T]:
            found = []
            for payload in payloads:
                try:
                    found.append(decode(payload))
                except DecodeError as error:
                    faults.append(f"{error}; it is left out")
            return found

        if kind.quantity in OF_THE_PROBE:
            return Offer(characteristic=each, kind=kind)
        labels = decoded(decode_description, await self._descriptors(each, USER_DESCRIPTION))
        measurements = decoded(decode_measurement, await self._descriptors(each, MEASUREMENT))
        triggers: list[Trigger] = []
        if (field := kind.field) is not None:
            settings = await self._descriptors(each, TRIGGER_SETTING)
            triggers = decoded(lambda payload: decode_trigger(payload, field), settings)
        any_of = len(triggers) > 1 and await self._descriptors(each, CONFIGURATION) == [_ANY_OF]
        intervals = decoded(decode_interval, await self._fact(kind, MEASUREMENT_INTERVAL))
        labels += decoded(decode_type, await self._fact(kind, TEMPERATURE_TYPE))
        refusals, self._refusals = self._refusals, []
        return Offer(
            characteristic=each,
            kind=kind,
            label=next(iter(labels), ""),
            measurement=next(iter(measurements), None),
            triggers=tuple(triggers),
            any_of=any_of,
            interval_s=next(iter(intervals), None),
            faults=(*faults, *refusals),
        )

    async def _descriptors(self, each: Characteristic, uuid16: int) -> list[bytes]:
        return await self._ask(partial(self._connection.descriptors, each, uuid16))

    async def _fact(self, kind: Kind, uuid16: int) -> list[bytes]:
        """What a thermometer says in a characteristic of its own."""
        wanted = (HEALTH_THERMOMETER, uuid16)
        known = [
            each
            for each in self._connection.characteristics
            if (each.service, each.uuid16) == wanted and each.service == kind.service and each.can_read
        ]
        return await self._ask(partial(self._read, known[0])) if known else []

    async def _read(self, each: Characteristic) -> list[bytes]:
        return [await self._connection.read(each)]

    async def _ask(self, ask: Callable[[], Awaitable[list[bytes]]]) -> list[bytes]:
        if not self._willing:
            return []
        try:
            return await ask()
        except RadioError as error:
            if self._connection.lost.is_set() or (self._strict and unanswered(error)):
                raise
            self._willing = False
            self._refusals.append(f"what it says of its values cannot be read ({error}); used without that")
            return []
