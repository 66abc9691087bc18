"""Who loses the connection when a played probe drops out: whom it serves, and nobody else."""

from dbus_fast import Variant

from simulators.peripheral.bluez import served

DEVICE = "org.bluez.Device1"


def device(*, connected: bool, paired: bool) -> dict[str, dict[str, Variant]]:
    """As BlueZ's D-Bus API, org.bluez.Device1, has it."""
    return {DEVICE: {"Connected": Variant("b", connected), "Paired": Variant("b", paired)}}


def test_a_keyboard_that_was_connected_later_keeps_its_connection() -> None:
    near = {
        "/reader": device(connected=True, paired=False),
        "/subscriber": device(connected=True, paired=False),
        "/keyboard": device(connected=True, paired=True),
        "/paired-reader": device(connected=True, paired=True),
        "/gone": device(connected=False, paired=False),
        "/gone-reader": device(connected=False, paired=False),
        "/service": {"org.bluez.GattService1": {}},
    }
    readers = {"/reader", "/paired-reader", "/gone-reader"}
    assert served(near, readers) == ["/reader", "/subscriber", "/paired-reader"]
