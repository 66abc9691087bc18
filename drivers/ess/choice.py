"""Which characteristics of a probe are used, one for each quantity. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from drivers.ess.decode import decode
from drivers.ess.table import FIELDS, Field
from drivers.gatt.profile import Plan, Source, Value
from drivers.heard import Characteristic
from logger.driver_api import Quantity


def choose(all_of_them: Sequence[Characteristic]) -> tuple[list[Characteristic], list[Characteristic]]:
    """The characteristics to use, one for each quantity in the table's order of preference, and
    those passed over because their quantity is taken."""
    used: dict[Quantity, Characteristic] = {}
    passed_over: list[Characteristic] = []
    for uuid16, row in FIELDS.items():
        for each in all_of_them:
            usable = each.can_read or (each.can_notify and row.quantity is not Quantity.BATTERY)
            if each.uuid16 != uuid16 or each.service != row.service or not usable:
                continue
            if row.quantity in used:
                passed_over.append(each)
            else:
                used[row.quantity] = each
    return list(used.values()), passed_over


def plan_of(characteristics: Sequence[Characteristic], read_every_s: float) -> Plan:
    """What is used of a probe with these characteristics."""
    used, passed_over = choose(characteristics)
    return Plan(
        sources=tuple(_source(each, read_every_s) for each in used),
        remarks=tuple(_passed_over(_row(each)) for each in passed_over),
    )


def _source(characteristic: Characteristic, read_every_s: float) -> Source:
    row = _row(characteristic)
    return Source(
        characteristic=characteristic,
        title=row.title,
        quantities=frozenset({row.quantity}),
        decode=partial(_values, characteristic.uuid16 or 0),
        read_every_s=read_every_s,
    )


def _values(uuid16: int, payload: bytes) -> tuple[Value]:
    return (Value(*decode(uuid16, payload)),)


def _row(characteristic: Characteristic) -> Field:
    return FIELDS[characteristic.uuid16 or 0]


def _passed_over(row: Field) -> tuple[str, str]:
    return (
        f"over {row.title}",
        f"one {row.title} value is passed over, another one already gives the {row.quantity}",
    )
