"""What a map says of broadcasts: which parts of a packet are read."""

from __future__ import annotations

from drivers.adverts import Heard, MisfitError
from drivers.ble_errors import Trouble
from drivers.causes import Cause, Value
from drivers.gatt_map.decode import decode
from drivers.gatt_map.faults import explain
from drivers.gatt_map.meaning import Source, SourceKind
from drivers.gatt_map.model import ProbeMap
from drivers.heard import Sighting
from drivers.wire import CutShortError
from logger.driver_api import DecodeError, Flag, Quantity


class MapBroadcast:
    """A probe's way of broadcasting, by its map. Nothing in it tells a repeated packet from a new one."""

    def __init__(self, probe_map: ProbeMap) -> None:
        self._map = probe_map
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
        more: dict[Quantity, Cause] = {}
        for source, rules in self._rules.items():
            payload = _part(source, sighting)
            if payload is None:
                continue
            try:
                found = decode(rules, payload)
            except DecodeError as error:
                found = error.values if isinstance(error, CutShortError) else ()
                faults.append(self._fault(source, payload, error))
            values += found
            flagged = [Value(*each) for each in found if each[2] is not Flag.OK]
            more |= {each.quantity: explain(self._map, source, payload, each) for each in flagged}
        if faults and not values:
            raise faults[0]
        return Heard(
            values=tuple(values),
            more=more,
            remarks=tuple(("decode", f"{error}; it is left out") for error in faults),
        )

    def _fault(self, source: Source, payload: bytes, error: DecodeError) -> DecodeError:
        """The same, by the key of the map, where one can be named."""
        cause = explain(self._map, source, payload, None)
        return MisfitError(cause, payload) if cause.text else error

    def forget(self) -> None:
        """Nothing is remembered."""


def _part(source: Source, sighting: Sighting) -> bytes | None:
    if source.kind is SourceKind.MANUFACTURER:
        return sighting.manufacturer_data.get(source.company)
    return sighting.any_service_data.get(source.uuid)
