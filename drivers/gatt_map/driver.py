"""The ``gatt-map`` driver: probes that a map describes, connected to or listened to."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from pydantic import BaseModel, Field

from drivers.adverts import Listener, Station
from drivers.adverts import Pace as ListeningPace
from drivers.adverts import reach as reach_station
from drivers.ble_errors import RadioError
from drivers.gatt.life import GattDriver
from drivers.gatt_map.broadcast import MapBroadcast
from drivers.gatt_map.model import ProbeMap
from drivers.gatt_map.profile import MapProfile
from drivers.probe import IntervalText, ProbeOptions, seconds
from logger.driver_api import DriverContext, ProbeRequest, Reach


class _Options(ProbeOptions):
    read_every: IntervalText = "1 s"
    """How often a characteristic that cannot notify is read."""


class GattMapOptions(_Options):
    """Keys of a probe table with ``driver = "gatt-map"``."""

    files: ClassVar[Mapping[str, type[BaseModel]]] = {"map": ProbeMap}

    map: str = Field(min_length=1, examples=["my-probe.toml"])
    """The map file; a relative path starts at the config's folder."""


class MappedProbe(_Options):
    """The same with what stands in the map file."""

    map: ProbeMap


class MappedConnection(GattDriver):
    """Keeps connected those whose map names characteristics."""

    name: ClassVar[str] = "gatt-map"
    Options: ClassVar[type[Any]] = MappedProbe

    def profile(self, request: ProbeRequest, options: MappedProbe) -> MapProfile:  # noqa: D102
        return MapProfile(options.map, seconds(options.read_every))


class GattMapDriver:
    """Keeps the probes connected whose map names characteristics, and listens to the others."""

    name: ClassVar[str] = "gatt-map"
    Options: ClassVar[type[Any]] = GattMapOptions
    simulated: ClassVar[bool] = False

    Connecting: ClassVar[type[GattDriver]] = MappedConnection
    listening_pace: ClassVar[ListeningPace] = ListeningPace()

    def __init__(self, probes: Sequence[ProbeRequest], context: DriverContext) -> None:
        options = {each.name: MappedProbe.model_validate(dict(each.options)) for each in probes}
        self._order = [each.name for each in probes]
        connected = [each for each in probes if options[each.name].map.connects]
        self._connecting = self.Connecting(connected, context) if connected else None
        self._stations = [
            Station(each, options[each.name], MapBroadcast(options[each.name].map))
            for each in probes
            if not options[each.name].map.connects
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
