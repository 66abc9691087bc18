"""What goes wrong with the radio, in one sentence and a next step. Errors are known by name, so
that nothing of the radio's library is loaded here."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from typing import NamedTuple

from logger.core.errors import DriverError


class Trouble(NamedTuple):
    """What is wrong, and what to do."""

    text: str
    next_step: str


class RadioError(DriverError):
    """The radio or a device refused; ``trouble`` has the parts of the sentence."""

    def __init__(self, doing: str, trouble: Trouble) -> None:
        super().__init__(f"{doing} failed: {trouble.text}; {trouble.next_step}")
        self.trouble = trouble

    @property
    def of_the_system(self) -> bool:
        """Whether Bluetooth itself is away, for every probe."""
        return self.trouble.text in _SYSTEM

    @property
    def asks_for_pairing(self) -> bool:
        """Whether the probe gives nothing to a computer that it is not paired with."""
        return self.trouble.text == _PAIRING.text

    @property
    def of_the_connection(self) -> bool:
        """Whether the connection is gone, for all that the probe has."""
        return self.trouble.text in _LOST


_NO_SERVICE = Trouble(
    "the system's Bluetooth service is not running",
    "start it or install it",
)
_OFF = Trouble("the Bluetooth adapter is switched off", "switch Bluetooth on")
_DENIED = Trouble(
    "the system denies the use of Bluetooth",
    "allow it for this program or user in the system's privacy or D-Bus settings",
)
_NO_ADAPTER = Trouble("there is no Bluetooth adapter", "plug one in, or enable it in the system's settings")
_NO_ANSWER = Trouble(
    "the probe does not answer",
    "move closer, check its battery, and close any app that is connected to it",
)
_PAIRING = Trouble(
    "the probe wants to be paired first", "pair it in the system's Bluetooth settings, then start again"
)
_BUSY = Trouble("another program holds the Bluetooth adapter", "end other Bluetooth programs, then try again")
FULL = Trouble(
    "the adapter has no room for another connection",
    "use fewer probes with this adapter, or add an adapter",
)
_GONE = Trouble("the probe went away", "move closer and check its battery")
_DROPPED = Trouble(  # BlueZ does not know it: after a restart, or when it ended
    "the system's Bluetooth has dropped the connection: its service was restarted, or the probe went away",
    "if the probe does not come back, move closer and check its battery",
)
_UNREADABLE = Trouble(
    "the probe does not allow it", "nothing can be done here; use another quantity or probe"
)

_TROUBLES: dict[str, Trouble] = {
    # reasons of bleak's BleakBluetoothNotAvailableError
    "NO_BLUETOOTH": _NO_ADAPTER,
    "NO_BLE_CENTRAL_ROLE": Trouble("the adapter cannot use Bluetooth Low Energy", "use another adapter"),
    "POWERED_OFF": _OFF,
    "DENIED_BY_USER": _DENIED,
    "DENIED_BY_SYSTEM": _DENIED,
    "DENIED_BY_UNKNOWN": _DENIED,
    # D-Bus error names, Linux
    "org.freedesktop.DBus.Error.ServiceUnknown": _NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": _NO_SERVICE,
    "org.freedesktop.DBus.Error.NoReply": _NO_SERVICE,
    "org.freedesktop.DBus.Error.AccessDenied": _DENIED,
    "org.freedesktop.DBus.Error.UnknownObject": _DROPPED,
    "org.freedesktop.DBus.Error.UnknownMethod": _DROPPED,  # the same of an older BlueZ; `recalled`
    "org.freedesktop.DBus.Error.Disconnected": _NO_SERVICE,
    "org.bluez.Error.NotReady": _OFF,
    "org.bluez.Error.InProgress": _BUSY,
    "org.bluez.Error.NotAuthorized": _PAIRING,
    "org.bluez.Error.AuthenticationFailed": _PAIRING,
    "Not paired": _PAIRING,  # what BlueZ says with NotPermitted for three errors of authentication
    "org.bluez.Error.NotPermitted": _UNREADABLE,
    "org.bluez.Error.NotConnected": _GONE,
    "Not connected": _GONE,  # text of org.bluez.Error.Failed, and of bleak
    "ANOTHER_NAME": _GONE,
    "le-connection-concurrent-connection-limit": FULL,  # text of org.bluez.Error.Failed, BlueZ src/error.h
    # GATT protocol errors, Core Specification vol 3 part F 3.4.1.1
    "INSUFFICIENT_AUTHENTICATION": _PAIRING,
    "INSUFFICIENT_AUTHORIZATION": _PAIRING,
    "INSUFFICIENT_ENCRYPTION": _PAIRING,
    "INSUFFICIENT_ENCRYPTION_KEY_SIZE": _PAIRING,
    "READ_NOT_PERMITTED": _UNREADABLE,
    "WRITE_NOT_PERMITTED": _UNREADABLE,
    "REQUEST_NOT_SUPPORTED": _UNREADABLE,
    # classes of errors, most telling last in the chain of causes
    "BleakOutOfConnectionSlotsError": FULL,
    "BleakNotFoundError": _NO_ANSWER,
    "BleakDeviceNotFoundError": _GONE,
    "BleakAbortedError": _NO_ANSWER,
    "TimeoutError": _NO_ANSWER,
    "FileNotFoundError": _NO_SERVICE,
    "ConnectionRefusedError": _NO_SERVICE,
    "PermissionError": _DENIED,
}
# What to do on one system, where there is more to say; keys as ``sys.platform`` has them. `recalled`
_NEXT_STEPS: dict[tuple[Trouble, str], str] = {
    (_NO_SERVICE, "linux"): "start it: systemctl start bluetooth, or install BlueZ",
    (_OFF, "linux"): "switch Bluetooth on: rfkill unblock bluetooth, then bluetoothctl power on",
    (_OFF, "darwin"): "switch Bluetooth on in System Settings, Bluetooth",
    (_OFF, "win32"): "switch Bluetooth on in Settings, and airplane mode off",
    (_DENIED, "linux"): "allow it for this user: join the group bluetooth and log in again, or have the "
    "D-Bus policy of org.bluez changed",
    (
        _DENIED,
        "darwin",
    ): "allow it for the terminal program in System Settings, Privacy & Security",
    (
        _PAIRING,
        "linux",
    ): "pair it once: `bluetoothctl pair ADDRESS` with the probe's address, or in the desktop's "
    "Bluetooth settings, then start again",
    (
        _PAIRING,
        "darwin",
    ): "answer the system's question whether to pair, which comes when the probe is read, then start again",
    (_PAIRING, "win32"): "pair it once in Settings, Bluetooth & devices, Add device, then start again",
    (_DENIED, "win32"): "allow it in Settings, Privacy & security: radios, and Bluetooth for desktop apps",
}
_MEASURED = "wait until it has measured; if it stays so, switch it off and on"
_OF_THE_SYSTEM = Trouble("the system's Bluetooth does not answer", "switch Bluetooth off and on")
_SYSTEM = frozenset(t.text for t in (_NO_SERVICE, _OFF, _DENIED, _NO_ADAPTER, _OF_THE_SYSTEM))
_LOST = frozenset(t.text for t in (_GONE, _DROPPED))


# The bus misses another program than the Bluetooth service (a name like :1.45): one that was the probe.
_ANOTHER = re.compile(r"\bname '?:\d")


def explain(doing: str, error: BaseException, *, system: str = sys.platform) -> RadioError:
    """The error as one sentence.

    >>> str(explain("scanning", PermissionError()))[:58]
    'scanning failed: the system denies the use of Bluetooth; a'
    """
    for name in _names(error):
        if (trouble := _TROUBLES.get(name)) is not None:
            if trouble is _NO_ANSWER and doing.startswith(("scanning", "ending")):
                trouble = _OF_THE_SYSTEM
            next_step = _NEXT_STEPS.get((trouble, system), trouble.next_step)
            return RadioError(doing, trouble._replace(next_step=next_step))
    text = str(error)
    if text.startswith("adapter '") and text.endswith("not found"):
        return RadioError(doing, Trouble(text, "give an adapter that is plugged in, or leave the key out"))
    return RadioError(doing, _untabled(doing, error))


def _untabled(doing: str, error: BaseException) -> Trouble:
    """What is known of no table: who says it, and what."""
    step = "if it stays so, switch Bluetooth off and on"
    text = " ".join(str(error).split())[:120]
    kinds = {kind.__name__ for kind in type(error).__mro__}
    if "BleakDBusError" in kinds:
        name, *more = (str(each) for each in error.args)
        said = " ".join(" ".join(more).split())[:120] or name.rpartition(".")[2]
        return Trouble(f"the system's Bluetooth service answers '{said}'", step)
    if "BleakGATTProtocolError" in kinds:
        what = "has no value to give now" if doing.startswith("reading") else "refuses it"
        return Trouble(f"the probe {what} (its error code {error.args[0]:#04x})", _MEASURED)
    return Trouble(f"{type(error).__name__}: {text}" if text else type(error).__name__, step)


def _names(error: BaseException) -> Iterator[str]:
    """Names an error goes by, the most telling first: details, reasons, then classes, causes included."""
    chain: list[BaseException] = []
    at: BaseException | None = error
    while at is not None and at not in chain:
        chain.append(at)
        at = at.__cause__ or at.__context__
    for each in chain:
        details = [told for told in each.args if isinstance(told, str)]
        if any(_ANOTHER.search(told) for told in details):
            yield "ANOTHER_NAME"
        yield from (*details[1:], *details[:1])
        for attribute in ("reason", "dbus_error", "code"):
            told = getattr(each, attribute, None)
            if told is not None:
                yield str(getattr(told, "name", told))
    for each in chain:
        for kind in type(each).__mro__:
            yield kind.__name__
