"""What a map says of a connection: which characteristics are used, and the command that starts them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

from drivers.gatt.profile import Plan, Source, Value
from drivers.gatt_map.decode import Rule, decode
from drivers.gatt_map.faults import explain, lack_of
from drivers.gatt_map.meaning import Source as MapSource
from drivers.gatt_map.model import ProbeMap, StartTable
from drivers.heard import Characteristic, services_in_words, uuid_in_words
from drivers.links import Connection


class MapProfile:
    """A probe that a map describes."""

    def __init__(self, probe_map: ProbeMap, read_every_s: float) -> None:
        self._map = probe_map
        self._rules = probe_map.rules
        self._how = probe_map.how
        self._read_every_s = read_every_s

    @property
    def services(self) -> Sequence[str]:
        """UUIDs of the services that the map names."""
        return tuple(dict.fromkeys(source.service for source in self._rules))

    @property
    def nothing(self) -> tuple[str, str]:
        """What to say of a device that does not fit the map, and what to do."""
        return (
            f'it has none of the values of the map "{self._map.title}"',
            "compare the UUIDs of the map with the probe's, and how they are to be read",
        )

    async def plan(self, connection: Connection) -> Plan:
        """What to use of this connection."""
        # Of several with the same UUIDs the first is meant.
        here = {(each.service_uuid, each.uuid): each for each in reversed(connection.characteristics)}
        start = self._map.start
        target = here.get((start.service, start.characteristic)) if start else None
        if start is not None and (target is None or not target.can_write):
            return Plan(sources=(), refused=_no_start(start, target, connection.characteristics))
        sources = tuple(self._sources(here))
        used = {(each.characteristic.service_uuid, each.characteristic.uuid) for each in sources}
        lacking = {
            source: lack_of(
                self._map, source, here.get((source.service, source.uuid)), connection.characteristics
            )
            for source in self._rules
            if (source.service, source.uuid) not in used
        }
        plan = Plan(
            sources=sources,
            remarks=tuple((f"lacks {source}", cause.text) for source, cause in lacking.items()),
            lacks={rule.quantity: cause for source, cause in lacking.items() for rule in self._rules[source]},
            subscribed=partial(_write, start, target) if start and target else None,
        )
        if plan.usable or not lacking:
            return plan
        first = next(iter(lacking.values()))
        return replace(plan, refused=("; ".join(cause.text for cause in lacking.values()), first.next_step))

    def _sources(self, here: dict[tuple[str, str], Characteristic]) -> Iterator[Source]:
        for source, rules in self._rules.items():
            characteristic = here.get((source.service, source.uuid))
            if characteristic is None:
                continue
            how = self._how[source]
            notifies = characteristic.can_notify and how != "read"
            # What is to be started may have an old value to read before it is.
            waits = notifies and self._map.start is not None
            limited = replace(
                characteristic,
                can_read=characteristic.can_read and how != "notify" and not waits,
                can_notify=notifies,
            )
            if limited.can_read or limited.can_notify:
                yield self._source(source, rules, limited)

    def _source(self, source: MapSource, rules: tuple[Rule, ...], characteristic: Characteristic) -> Source:
        return Source(
            characteristic=characteristic,
            title=_titles(rules),
            quantities=frozenset(rule.quantity for rule in rules),
            decode=partial(_values, rules),
            explain=partial(explain, self._map, source),
            read_every_s=self._read_every_s,
        )


def _no_start(
    start: StartTable, target: Characteristic | None, everything: Sequence[Characteristic]
) -> tuple[str, str]:
    what = f"characteristic {uuid_in_words(start.characteristic)} of service {uuid_in_words(start.service)}"
    if target is not None:
        text = f"it has the {what} that its map would start it by, but that is not one for writing"
    else:
        text = f"it has no {what}, which its map would start it by: it has {services_in_words(everything)}"
    return text, "compare [start] of the map with the probe"


def _titles(rules: Sequence[Rule]) -> str:
    return ", ".join(dict.fromkeys(rule.quantity for rule in rules))


def _values(rules: Sequence[Rule], payload: bytes) -> tuple[Value, ...]:
    return tuple(Value(*each) for each in decode(rules, payload))


async def _write(start: StartTable, target: Characteristic, connection: Connection) -> None:
    """The one thing that is ever written: the command that the map says only starts the stream."""
    await connection.write(target, bytes.fromhex(start.payload))
