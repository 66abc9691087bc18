"""What goes wrong with the system's Bluetooth service, in one sentence and a next step. D-Bus errors are
known by their names, so that nothing of the library is loaded here."""

from __future__ import annotations

import re
from collections.abc import Iterable

from logger.core.errors import DriverError


class AirError(DriverError):
    """Nothing can be sent: no service, no adapter, no permission, no room."""


NO_SERVICE = (
    "the system's Bluetooth service (BlueZ) is not running; start it with systemctl start bluetooth, or "
    "install bluez"
)
_DENIED = (
    "the system denies the use of Bluetooth; run it as a user of the group bluetooth, or allow it in D-Bus's "
    "policy for org.bluez"
)
_FULL = "the adapter has no room for another advertisement; play fewer probes on it, or end other programs"
_DEAF = "the Bluetooth service does not answer; systemctl restart bluetooth"
_LONG = "the advertisement is too long; give a shorter name, or play fewer quantities"
_OFF = "the adapter is switched off; bluetoothctl power on"
_REASONS = {
    # D-Bus specification, names of errors
    "org.freedesktop.DBus.Error.ServiceUnknown": NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": NO_SERVICE,
    "org.freedesktop.DBus.Error.NoReply": _DEAF,
    "org.freedesktop.DBus.Error.AccessDenied": _DENIED,
    "org.freedesktop.DBus.Error.UnknownObject": "the adapter is gone; plug it in again",
    "org.freedesktop.DBus.Error.UnknownMethod": "the adapter cannot do this; use another adapter",
    # BlueZ's D-Bus API, LEAdvertisingManager and GattManager
    "org.bluez.Error.NotPermitted": _FULL,
    "org.bluez.Error.NotReady": _OFF,
    "org.bluez.Error.InvalidLength": _LONG,
    "org.bluez.Error.NotSupported": "the adapter does not support it; use another adapter",
}


def refused(doing: str, error_name: str, detail: str) -> AirError:
    """The error of a call that BlueZ or the bus has refused.

    >>> str(refused("advertising sim-ret", "org.bluez.Error.NotReady", ""))
    'advertising sim-ret failed: the adapter is switched off; bluetoothctl power on'
    """
    if (reason := _REASONS.get(error_name)) is not None:
        return AirError(f"{doing} failed: {reason}")
    what = " ".join(f"{error_name.rpartition('.')[2]} {detail}".split())[:120]
    return AirError(f"{doing} failed: {what}; if it stays so: systemctl restart bluetooth")


def no_bus(error: BaseException) -> AirError:
    """The error of a system bus that cannot be reached."""
    if isinstance(error, PermissionError):
        return AirError(f"play failed: {_DENIED}")
    reason = " ".join(f"{getattr(error, 'strerror', None) or error}".split())[:120]
    return AirError(
        f"play failed: the system's D-Bus cannot be reached ({reason}); play needs Linux with D-Bus and "
        "BlueZ: install dbus and bluez, or play on another computer"
    )


def no_platform(platform: str) -> AirError:
    """The error of a system that has no such service at all."""
    return AirError(
        f"play failed: it needs Linux with BlueZ, and this system ({platform}) has no such service; play on "
        "another computer, or use `riselog demo`"
    )


def no_adapter(wanted: str | None, there: Iterable[str]) -> AirError:
    """The error of an adapter that is not there."""
    known = ", ".join(sorted(there, key=_natural))
    if not known:
        return AirError("play failed: there is no Bluetooth adapter; plug one in")
    return AirError(f"play failed: there is no adapter '{wanted}'; there is {known}")


def unfit(adapter: str, reason: str) -> AirError:
    """The error of an adapter that cannot do what is asked."""
    return AirError(f"play failed: adapter {adapter} {reason}")


def _natural(name: str) -> tuple[str, int]:
    """Order of hci2 before hci10."""
    found = re.fullmatch(r"(\D*)(\d*)", name)
    return (found[1], int(found[2] or 0)) if found else (name, 0)
