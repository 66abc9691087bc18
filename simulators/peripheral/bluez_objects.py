# ruff: noqa: N802 - D-Bus members have the names that BlueZ gives them
# No future annotations: dbus-fast reads the types of D-Bus from them.
"""The objects that a played probe has on the bus.

Source: BlueZ's D-Bus API, org.bluez.GattService1, GattCharacteristic1 and LEAdvertisement1.
"""

from collections.abc import Mapping
from typing import Annotated

from dbus_fast import DBusError, PropertyAccess, Variant
from dbus_fast.annotations import DBusBool, DBusBytes, DBusDict, DBusObjectPath, DBusSignature, DBusStr
from dbus_fast.service import ServiceInterface, dbus_method, dbus_property

from simulators.peripheral.formats import full_uuid

_Strings = Annotated[list[str], DBusSignature("as")]


class Service(ServiceInterface):
    """One primary GATT service."""

    def __init__(self, uuid16: int) -> None:
        super().__init__("org.bluez.GattService1")
        self._uuid = full_uuid(uuid16)

    @dbus_property(access=PropertyAccess.READ)
    def UUID(self) -> DBusStr:
        """Of the service."""
        return self._uuid

    @dbus_property(access=PropertyAccess.READ)
    def Primary(self) -> DBusBool:
        """It is found by who looks for services."""
        return True


class Characteristic(ServiceInterface):
    """One characteristic. It refuses reads until a value is told, and from ``hush`` on until the next."""

    def __init__(self, uuid16: int, service: str, *, notifies: bool, payload: bytes | None = None) -> None:
        super().__init__("org.bluez.GattCharacteristic1")
        self._uuid = full_uuid(uuid16)
        self._service = service
        self._notifies = notifies
        self._payload = payload
        self.reads = 0
        self.readers: set[str] = set()  # objects of the devices that read it

    def send(self, payload: bytes) -> None:
        """The value from now on; who has subscribed is notified."""
        self._payload = payload
        self.emit_properties_changed({"Value": payload})

    def hush(self) -> None:
        """Forget the value: an old one is not to be read as new later."""
        self._payload = None

    @dbus_property(access=PropertyAccess.READ)
    def UUID(self) -> DBusStr:
        """Of the characteristic."""
        return self._uuid

    @dbus_property(access=PropertyAccess.READ)
    def Service(self) -> DBusObjectPath:
        """The object of its service."""
        return self._service

    @dbus_property(access=PropertyAccess.READ)
    def Flags(self) -> _Strings:
        """What can be done with it."""
        return ["read", "notify"] if self._notifies else ["read"]

    @dbus_property(access=PropertyAccess.READ)
    def Value(self) -> DBusBytes:
        """The last value."""
        return self._payload or b""

    @dbus_method()
    def ReadValue(self, options: DBusDict) -> DBusBytes:
        """A read from outside."""
        if (device := options.get("device")) is not None:
            self.readers.add(device.value)
        if self._payload is None:
            # none yet: an application's own error, as BlueZ tells it to who reads (its src/gatt-client.c)
            raise DBusError("org.bluez.Error.Failed", "Operation failed with ATT error: 0x80")
        self.reads += 1
        return self._payload

    @dbus_method()
    def StartNotify(self) -> None:
        """Somebody has subscribed."""

    @dbus_method()
    def StopNotify(self) -> None:
        """Nobody is subscribed any more."""

    @dbus_method()
    def Confirm(self) -> None:
        """An indication has arrived."""


class Advert(ServiceInterface):
    """One advertisement: a name, and service data or the UUIDs of services.

    ``alone``: the only one of its adapter, and then connectable. Beside others it is a broadcast, which
    carries no mark of being discoverable.
    """

    def __init__(self, name: str, service: int | None, data_uuid: int | None, *, alone: bool) -> None:
        super().__init__("org.bluez.LEAdvertisement1")
        self._name = name
        self._services = [] if service is None else [full_uuid(service)]
        self._data_uuid = data_uuid
        self._data: bytes | None = None
        self._alone = alone

    def put(self, data: bytes) -> None:
        """The service data from now on."""
        self._data = data

    def send(self, data: bytes) -> None:
        """The same for an advertisement that is on the air."""
        self._data = data
        self.emit_properties_changed({"ServiceData": self._packed()})

    def _packed(self) -> Mapping[str, Variant]:
        if self._data is None or self._data_uuid is None:
            return {}
        return {full_uuid(self._data_uuid): Variant("ay", self._data)}

    @dbus_property(access=PropertyAccess.READ)
    def Type(self) -> DBusStr:
        """Connectable or not."""
        return "peripheral" if self._alone else "broadcast"

    @dbus_property(access=PropertyAccess.READ)
    def LocalName(self) -> DBusStr:
        """The name in the air."""
        return self._name

    @dbus_property(access=PropertyAccess.READ)
    def ServiceUUIDs(self) -> _Strings:
        """Services that a connection would find."""
        return self._services

    @dbus_property(access=PropertyAccess.READ)
    def ServiceData(self) -> DBusDict:
        """Data by the UUID of its service."""
        return dict(self._packed())

    @dbus_method()
    def Release(self) -> None:
        """The service lets go of it."""


class ConnectableAdvert(Advert):
    """An advertisement that may be found by anybody and connected to."""

    @dbus_property(access=PropertyAccess.READ)
    def Discoverable(self) -> DBusBool:
        """It is shown to who looks around."""
        return True
