"""What a driver has to say of a kind of GATT probe; the rest of its life is the same for all."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from drivers.causes import NO_CAUSE, Cause, Value, of_packet, of_value
from drivers.heard import Characteristic
from drivers.links import Connection
from logger.driver_api import DecodeError, Flag, ProbeRequest, Quantity

__all__ = ["OF_THE_PROBE", "PASSED_OVER", "Plan", "Profile", "Source", "Value", "claimed"]

OF_THE_PROBE = frozenset({Quantity.BATTERY, Quantity.SIGNAL})
"""What says nothing of the air: nobody waits for it, and it does not count as a sign of life."""
PASSED_OVER = "over "
"""How the key of a remark begins that is on a value which is not used, for another one just like it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One characteristic in use. ``decode`` raises nothing but ``DecodeError``; ``explain`` says what the
    probe's kind knows of a packet that gives no value: with the flagged value, or None where it could not be
    decoded. ``alone``: the characteristic is one value and no more."""

    characteristic: Characteristic
    title: str
    quantities: frozenset[Quantity]
    decode: Callable[[bytes], Sequence[Value]]
    read_every_s: float = 1.0  # s, where it cannot notify
    explain: Callable[[bytes, Value | None], Cause] = lambda _payload, _value: NO_CAUSE
    alone: bool = False

    @property
    def measures(self) -> bool:
        """Whether it says something of the air."""
        return not self.quantities <= OF_THE_PROBE

    def lack(self, payload: bytes, value: Value) -> Cause | None:
        """Why a value of a packet is none; None where it is one."""
        return None if value.flag is Flag.OK else of_value(value, self.explain(payload, value))

    def fault(self, payload: bytes, error: DecodeError) -> Cause:
        """Why a packet cannot be read."""
        return of_packet(error, self.explain(payload, None))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is done with one connection.

    ``remarks`` are said once a run: a key and a sentence. ``interval_s`` is how often the probe
    speaks by its own word, where it tells. ``refused`` is why the probe cannot be used as it is
    asked for, and what to do; ``lacks`` is why a quantity does not come that was asked for.
    ``subscribed`` is called once, after the subscriptions. ``on_change``: it speaks only when something
    changes and cannot be asked, so that its silence is no fault.
    """

    sources: tuple[Source, ...]
    remarks: tuple[tuple[str, str], ...] = ()
    interval_s: float | None = None
    refused: tuple[str, str] | None = None
    lacks: Mapping[Quantity, Cause] = field(default_factory=dict)
    on_change: bool = False
    subscribed: Callable[[Connection], Awaitable[None]] | None = None

    @property
    def has(self) -> frozenset[Quantity]:
        """Every quantity that can come."""
        return frozenset().union(*(source.quantities for source in self.sources))

    @property
    def usable(self) -> bool:
        """Whether there is anything to measure."""
        return self.refused is None and any(source.measures for source in self.sources)

    def __str__(self) -> str:
        """The sources in words."""
        return ", ".join(
            f"{each.title} ({'notifies' if each.characteristic.can_notify else 'is read'})"
            for each in self.sources
        )


def claimed(plan: Plan, connection: Connection, request: ProbeRequest) -> Plan:
    """The same, or one that is refused: another probe of the device has the value that this one is for."""
    main = request.quantities[:1]
    for source in plan.sources:
        if not source.alone or not source.quantities.issuperset(main):
            continue
        other = connection.claim((source.characteristic.handle, *main), request.name)
        if other is not None and main:
            text = f"its {main[0]} is the one that probe '{other}' has already"
            step = f"choose another one of this device with {main[0]} in its table, or give the other device"
            trouble = (text, step)
            return replace(plan, refused=trouble, lacks={main[0]: Cause(*trouble, key=(main[0],))})
    return plan


class Profile(Protocol):
    """A kind of probe: by what it is known, and what is used of it."""

    @property
    def services(self) -> Sequence[str]:
        """UUIDs: a device that the system holds connected is looked for among those that have one."""
        ...

    @property
    def nothing(self) -> tuple[str, str]:
        """What to say of a device that has nothing to measure, and what to do."""
        ...

    async def plan(self, connection: Connection) -> Plan:
        """What to use of this connection.

        Raises
        ------
        RadioError
            The connection cannot be used.
        """
        ...
