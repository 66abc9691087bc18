"""What a connected device says of itself: the Device Information service."""

from __future__ import annotations

from drivers.ble_errors import RadioError
from drivers.links import Connection
from drivers.probe import printable

DEVICE_INFORMATION = 0x180A  # service, Bluetooth SIG assigned numbers
# Its text characteristics. Source: Device Information Service 1.1; assigned numbers, `recalled`.
FACTS: dict[int, str] = {
    0x2A29: "maker",
    0x2A24: "model",
    0x2A25: "serial",
    0x2A27: "hardware",
    0x2A26: "firmware",
    0x2A28: "software",
}


async def about_itself(connection: Connection) -> dict[str, str]:
    """The facts it tells, in the table's order, as one short line each. A device that refuses one
    is not asked for the rest: nothing depends on them."""
    found: dict[str, str] = {}
    for uuid16, fact in FACTS.items():
        for each in connection.characteristics:
            if each.service != DEVICE_INFORMATION or each.uuid16 != uuid16 or not each.can_read:
                continue
            try:
                payload = await connection.read(each)
            except RadioError:
                return found
            if text := printable(payload.decode("utf-8", errors="replace")).strip():
                found.setdefault(fact, text)
    return found
