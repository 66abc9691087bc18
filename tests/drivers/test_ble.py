"""The radio: its errors in words, and the scanner. Errors are made with bleak's own classes."""

import asyncio
from typing import Any

import pytest
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakError,
    BleakGATTProtocolError,
)
from bleak_retry_connector import BleakNotFoundError, BleakOutOfConnectionSlotsError

from drivers import ble
from drivers.ble import Radio, radio_errors, shared_radio
from drivers.ble_errors import RadioError, explain
from drivers.heard import Sighting
from drivers.probe import Wanted
from logger.core.errors import DriverError
from logger.session import CLEAN_UP_S

REASON = BleakBluetoothNotAvailableReason


def missed(text: str) -> BleakDBusError:
    return BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", [text])


def test_a_run_waits_longer_for_a_driver_than_the_radio_for_its_own_end() -> None:
    """Else a slow Bluetooth service would be taken for a driver that hangs, and a link be left behind."""
    assert ble.DISCONNECT_S + ble.SCAN_STOP_S + 2.0 <= CLEAN_UP_S


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (BleakBluetoothNotAvailableError("x", REASON.POWERED_OFF), "switched off; switch Bluetooth on"),
        (BleakBluetoothNotAvailableError("x", REASON.NO_BLUETOOTH), "no Bluetooth adapter; plug one in"),
        (BleakBluetoothNotAvailableError("x", REASON.DENIED_BY_USER), "denies .*; allow it"),
        (BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", []), "not running; start it"),
        # what dbus-daemon says of a name that nobody has (its bus/dispatch.c and bus/driver.c; `recalled`)
        (missed("The name org.bluez was not provided by any .service files"), "not running; start it"),
        (missed("The name :1.45 was not provided by any .service files"), "the probe went away; move closer"),
        (missed("The name is not activatable"), "not running; start it"),
        (BleakError("Not connected"), "the probe went away"),
        (BleakDBusError("org.bluez.Error.Failed", ["Not connected"]), "the probe went away"),
        (
            BleakDBusError("org.freedesktop.DBus.Error.UnknownMethod", ["Method doesn't exist"]),
            "has dropped the connection",
        ),
        (BleakDBusError("org.bluez.Error.Failed", ["two\nwords"]), "service answers 'two words'; if it"),
        (BleakDBusError("org.bluez.Error.Failed", []), "service answers 'Failed'; if it stays so"),
        (BleakGATTProtocolError(0x0E), r"refuses it \(its error code 0x0e\); wait until"),
        (BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", []), "denies .*; allow it"),
        (BleakDBusError("org.bluez.Error.NotReady", ["Resource Not Ready"]), "switched off"),
        (BleakDBusError("org.bluez.Error.InProgress", ["busy"]), "another program"),
        (FileNotFoundError(2, "No such file"), "not running; start it"),
        (PermissionError(13, "denied"), "denies"),
        (TimeoutError(), "does not answer; move closer"),
        (BleakNotFoundError("long text of a library"), "does not answer; move closer"),
        (BleakOutOfConnectionSlotsError("long text of a library"), "no room for another connection"),
        (BleakGATTProtocolError(0x05), "wants to be paired first; pair it .*, then start again"),
        (BleakGATTProtocolError(0x08), "wants to be paired first"),
        (BleakGATTProtocolError(0x0C), "wants to be paired first"),
        (BleakGATTProtocolError(0x0F), "wants to be paired first"),
        (BleakDBusError("org.bluez.Error.NotPermitted", ["Not paired"]), "wants to be paired first"),
        (BleakDBusError("org.bluez.Error.NotPermitted", ["Notify acquired"]), "does not allow it"),
        (BleakGATTProtocolError(0x02), "does not allow it"),
        (RuntimeError("two\nlines"), "RuntimeError: two lines; if it stays so"),
        (AssertionError(), "AssertionError; if it stays so"),
    ],
)
def test_every_error_of_the_radio_is_one_sentence_with_a_next_step(error: Exception, text: str) -> None:
    with (
        pytest.raises(DriverError, match=f"^connecting failed: .*{text}") as caught,
        radio_errors("connecting"),
    ):
        raise error
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 4


def test_an_error_of_the_probe_s_own_is_no_value() -> None:
    said = str(explain("reading from the probe", BleakGATTProtocolError(0x80)))
    assert "the probe has no value to give now (its error code 0x80); wait until it has measured" in said


@pytest.mark.parametrize(
    ("system", "error", "text"),
    [
        ("linux", PermissionError(13, "denied"), "join the group bluetooth"),
        ("darwin", BleakBluetoothNotAvailableError("x", REASON.DENIED_BY_USER), "terminal program in System"),
        ("win32", BleakBluetoothNotAvailableError("x", REASON.DENIED_BY_SYSTEM), "radios, and Bluetooth for"),
        ("linux", BleakDBusError("org.bluez.Error.NotReady", []), "rfkill unblock bluetooth"),
        ("darwin", BleakBluetoothNotAvailableError("x", REASON.POWERED_OFF), "in System Settings, Bluetooth"),
        ("win32", BleakBluetoothNotAvailableError("x", REASON.POWERED_OFF), "airplane mode"),
        ("linux", FileNotFoundError(2, "No such file"), "systemctl start bluetooth"),
        ("other", PermissionError(13, "denied"), "privacy or D-Bus settings"),
    ],
)
def test_what_to_do_is_said_for_the_system_that_it_runs_on(system: str, error: Exception, text: str) -> None:
    assert text in str(explain("scanning", error, system=system))


def fail(error: Exception) -> None:
    with radio_errors("connecting"):
        raise error


def test_the_cause_behind_a_retry_is_what_is_told() -> None:
    last = BleakNotFoundError("Failed to connect after 4 attempts")
    last.__cause__ = BleakDBusError("org.bluez.Error.NotReady", [])
    with pytest.raises(RadioError, match="switched off"), radio_errors("connecting"):
        raise last


def test_every_reason_of_the_library_has_words() -> None:
    for reason in REASON:
        with pytest.raises(RadioError) as caught, radio_errors("scanning"):
            raise BleakBluetoothNotAvailableError("No Bluetooth", reason)
        assert ("BleakBluetoothNotAvailableError" in str(caught.value)) == (reason is REASON.UNKNOWN)


def advert(rssi: int) -> tuple[BLEDevice, AdvertisementData]:
    """What bleak hands over for one packet."""
    data = AdvertisementData(
        local_name="roof",
        manufacturer_data={},
        service_data={
            "0000fcd2-0000-1000-8000-00805f9b34fb": b"\x40",
            "12345678-1234-1234-1234-123456789abc": b"\x01",
        },
        service_uuids=[],
        tx_power=None,
        rssi=rssi,
        platform_data=(),
    )
    return BLEDevice("00:00:00:00:00:02", "roof", {}), data


async def test_a_withdrawn_signal_is_no_packet() -> None:
    # BlueZ changes a device's properties without a packet when a scan ends; bleak then says -127 dBm.
    radio, heard = Radio(), list[Sighting]()
    with radio.listening(heard.append):
        radio._hear(*advert(rssi=-127))
        radio._hear(*advert(rssi=-60))
    radio._hear(*advert(rssi=-61))  # nobody listens
    assert [(s.name, s.signal_dbm, s.service_data) for s in heard] == [("roof", -60.0, {0xFCD2: b"\x40"})]


async def test_one_radio_for_each_adapter_of_a_loop() -> None:
    assert shared_radio() is shared_radio()
    assert shared_radio("hci0") is not shared_radio("hci1")


@pytest.mark.bluetooth
async def test_the_scan_runs_while_anybody_holds_it(air: Any) -> None:
    await (await air.remote()).advertise(name="roof")
    radio = shared_radio("hci0")
    async with radio.scanning():
        async with radio.scanning():
            assert await radio.find(Wanted(name="roof"), 5.0) is not None
        assert await radio.find(Wanted(name="roof"), 5.0) is not None
    assert await radio.find(Wanted(name="roof"), 1.5) is None


@pytest.mark.bluetooth
async def test_a_scan_that_hears_nobody_is_started_anew(air: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    await (await air.remote()).advertise(name="roof")
    radio = shared_radio("hci0")
    async with radio.scanning():
        scanner = radio._scanner
        await radio.restart_if_deaf()
        assert radio._scanner is scanner
        monkeypatch.setattr(ble, "DEAF_S", -1.0)
        await radio.restart_if_deaf()
        assert radio._scanner is not scanner
        assert await radio.find(Wanted(name="roof"), 5.0) is not None


@pytest.mark.bluetooth
async def test_that_the_radio_is_off_is_told_to_all_who_search_and_it_is_used_when_it_is_back(
    air: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    radio = shared_radio("hci0")
    async with radio.scanning():
        await air.power(on=False)
        try:
            for _ in range(2):  # the second asks before it is time for another try
                with pytest.raises(RadioError, match="the Bluetooth adapter is switched off"):
                    await radio.restart_if_deaf(-1.0)
        finally:
            await air.power(on=True)
        monkeypatch.setattr(ble, "RETRY_S", -1.0)
        await (await air.remote()).advertise(name="roof")
        await radio.restart_if_deaf()
        assert await radio.find(Wanted(name="roof"), 5.0) is not None
        await radio.restart_if_deaf()  # all is well: nothing is told


async def test_a_radio_that_never_answers_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    class Stuck:
        def __init__(self, *_: object, **__: object) -> None:
            pass

        async def start(self) -> None:
            await asyncio.Event().wait()

    monkeypatch.setattr("bleak.BleakScanner", Stuck)
    monkeypatch.setattr(ble, "SCAN_START_S", 0.01)
    with pytest.raises(RadioError, match="Bluetooth does not answer; switch Bluetooth off and on"):
        async with Radio().scanning():
            pass
