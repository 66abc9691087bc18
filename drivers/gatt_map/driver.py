"""The ``gatt-map`` driver: probes that a map describes, connected to or listened to."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, ClassVar

from pydantic import BaseModel, BeforeValidator, Field

from drivers.adverts import Listener, Station
from drivers.adverts import Pace as ListeningPace
from drivers.adverts import reach as reach_station
from drivers.ble_errors import RadioError
from drivers.gatt.life import GattDriver
from drivers.gatt_map.broadcast import MapBroadcast
from drivers.gatt_map.model import ProbeMap
from drivers.gatt_map.profile import MapProfile
from drivers.gatt_map.survey import survey_mapped
from drivers.probe import IntervalText, ProbeOptions, seconds
from logger.driver_api import DriverContext, Look, ProbeRequest, Quantity, Reach, Seen


def _map(given: object) -> object:
    if isinstance(given, str):
        if not given:
            raise ValueError('"" names no file')
        return given
    if isinstance(given, Mapping):
        return ProbeMap.model_validate(given)
    raise ValueError('must be the name of a map file in quotes, like "my-probe.toml"')


class GattMapOptions(ProbeOptions):
    """Keys of a probe table with ``driver = "gatt-map"``."""

    files: ClassVar[Mapping[str, type[BaseModel]]] = {"map": ProbeMap}

    map: Annotated[Any, BeforeValidator(_map)] = Field(examples=["my-probe.toml"])
    """The map file, from the config's folder; the driver is given what stands in it."""
    read_every: IntervalText = "1 s"
    """How often a characteristic that cannot notify is read."""

    def chosen(self, quantity: Quantity) -> frozenset[tuple[object, ...]]:
        """Where the map has that quantity from."""
        return frozenset(
            (source, rule.place, rule.when)
            for source, rules in self.content.rules.items()
            for rule in rules
            if rule.quantity is quantity
        )

    @property
    def content(self) -> ProbeMap:
        """What stands in the map file."""
        assert isinstance(self.map, ProbeMap)  # the config has read it
        return self.map


class MappedConnection(GattDriver):
    """Keeps connected those whose map names characteristics."""

    name: ClassVar[str] = "gatt-map"
    Options: ClassVar[type[Any]] = GattMapOptions

    def profile(self, request: ProbeRequest, options: GattMapOptions) -> MapProfile:  # noqa: D102
        return MapProfile(options.content, seconds(options.read_every))


class GattMapDriver:
    """Keeps the probes connected whose map names characteristics, and listens to the others."""

    name: ClassVar[str] = "gatt-map"
    Options: ClassVar[type[Any]] = GattMapOptions
    simulated: ClassVar[bool] = False

    Connecting: ClassVar[type[GattDriver]] = MappedConnection
    listening_pace: ClassVar[ListeningPace] = ListeningPace()

    def __init__(self, probes: Sequence[ProbeRequest], context: DriverContext) -> None:
        options = {each.name: GattMapOptions.model_validate(dict(each.options)) for each in probes}
        self._order = [each.name for each in probes]
        connected = [each for each in probes if options[each.name].content.connects]
        self._connecting = self.Connecting(connected, context) if connected else None
        self._stations = [
            Station(each, options[each.name], MapBroadcast(options[each.name].content))
            for each in probes
            if not options[each.name].content.connects
        ]
        self._listener = Listener(self._stations, context, self.listening_pace) if self._stations else None

    async def run(self) -> None:
        """Deliver until cancelled.

        Raises
        ------
        RadioError
            There is no radio to begin with. Later trouble is told by the context's ``link``.
        """
        works = [each for each in (self._connecting, self._listener) if each is not None]
        try:
            async with asyncio.TaskGroup() as group:
                for work in works:
                    group.create_task(work.run())
        except ExceptionGroup as errors:
            # No radio for one is no radio for the other; a fault of either is told as it is.
            raise next(
                (e for e in errors.exceptions if isinstance(e, RadioError)), errors.exceptions[0]
            ) from errors

    async def reach(self, seconds: float) -> Sequence[Reach]:
        """Look for each probe and say what it has."""
        async with asyncio.TaskGroup() as group:
            listened = [group.create_task(reach_station(each, seconds)) for each in self._stations]
            connected = (
                None if self._connecting is None else group.create_task(self._connecting.reach(seconds))
            )
        found = [*(connected.result() if connected else ()), *(task.result() for task in listened)]
        return sorted(found, key=lambda each: self._order.index(each.probe))

    @staticmethod
    async def survey(look: Look, seen: Callable[[Seen], None]) -> None:
        """Listen to all devices, and read those that a config has a map for."""
        options = [GattMapOptions.model_validate(dict(each.options)) for each in look.probes]
        await survey_mapped([(each.wanted, each.content) for each in options], look, seen)
