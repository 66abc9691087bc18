"""Looking for the probes of a config that a map describes: no map says which device it is for."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.gatt.survey import Survey
from drivers.gatt_map.broadcast import MapBroadcast
from drivers.gatt_map.model import ProbeMap
from drivers.gatt_map.profile import MapProfile
from drivers.heard import Sighting
from drivers.probe import Wanted
from drivers.survey import bare, read
from logger.driver_api import DecodeError, Look, Seen

_READ_EVERY_S = 1.0  # s; of no effect, a survey reads once
Mapped = Sequence[tuple[Wanted, ProbeMap]]


async def survey_mapped(mapped: Mapped, look: Look, seen: Callable[[Seen], None]) -> None:
    """Listen to all devices, and read those that are of a map.

    Raises
    ------
    RadioError
        There is no radio.
    """
    profiles = [(who, MapProfile(of, _READ_EVERY_S)) for who, of in mapped if of.connects]
    formats = [(who, MapBroadcast(of)) for who, of in mapped if not of.connects]

    def known(sighting: Sighting) -> MapProfile | None:
        return next((p for who, p in profiles if who.matches(sighting.address, sighting.name)), None)

    def broadcast(sighting: Sighting) -> Seen | None:
        for who, each in formats:
            if who.matches(sighting.address, sighting.name) and each.carries(sighting):
                return _read(each, sighting)
        return None

    await Survey(known, look, seen, broadcast).go()


def _read(each: MapBroadcast, sighting: Sighting) -> Seen:
    try:
        heard = each.take(sighting, 0)  # the time is not looked at by this format
    except DecodeError as error:
        return bare(sighting, note=str(error))
    return read(sighting, heard.values, heard.more)
