"""What a map says of broadcasts: which parts of a packet are read."""

from __future__ import annotations

from drivers.adverts import Heard
from drivers.ble_errors import Trouble
from drivers.gatt_map.decode import decode
from drivers.gatt_map.meaning import Source, SourceKind
from drivers.gatt_map.model import ProbeMap
from drivers.heard import Sighting
from drivers.wire import CutShortError
from logger.driver_api import DecodeError, Flag, Quantity


class MapBroadcast:
    """A probe's way of broadcasting, by its map. Nothing in it tells a repeated packet from a new one."""

    def __init__(self, probe_map: ProbeMap) -> None:
        self._rules = probe_map.rules
        parts = " or ".join(str(source) for source in self._rules)
        self.missing = Trouble(
            f'it broadcasts no {parts}, which the map "{probe_map.title}" names',
            "compare the map with the probe",
        )

    def carries(self, sighting: Sighting) -> bool:
        """Whether a packet has anything that the map names."""
        return any(_part(source, sighting) is not None for source in self._rules)

    def take(self, sighting: Sighting, now_ns: int) -> Heard:
        """Read a packet. Raises DecodeError where nothing of it follows the map."""
        values: list[tuple[Quantity, float, Flag]] = []
        faults: list[DecodeError] = []
        for source, rules in self._rules.items():
            payload = _part(source, sighting)
            if payload is None:
                continue
            try:
                values += decode(rules, payload)
            except DecodeError as error:
                values += error.values if isinstance(error, CutShortError) else ()
                faults.append(error)
        if faults and not values:
            raise faults[0]
        return Heard(
            values=tuple(values), remarks=tuple(("decode", f"{error}; it is left out") for error in faults)
        )

    def forget(self) -> None:
        """Nothing is remembered."""


def _part(source: Source, sighting: Sighting) -> bytes | None:
    if source.kind is SourceKind.MANUFACTURER:
        return sighting.manufacturer_data.get(source.company)
    return sighting.any_service_data.get(source.uuid)
