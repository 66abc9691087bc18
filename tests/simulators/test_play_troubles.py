"""What keeps a play from being sent: each cause in one sentence with the next step, exit code 4.

Names of errors: D-Bus specification; BlueZ's D-Bus API, LEAdvertisingManager and GattManager.
"""

from __future__ import annotations

import sys
from types import SimpleNamespace
from typing import Any

import pytest

from simulators.peripheral.formats import Kind
from simulators.peripheral.script import Part
from simulators.peripheral.troubles import AirError, no_adapter, no_bus, no_platform, refused


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("org.freedesktop.DBus.Error.ServiceUnknown", "start it with systemctl start bluetooth"),
        ("org.freedesktop.DBus.Error.AccessDenied", "run it as a user of the group bluetooth"),
        ("org.bluez.Error.NotPermitted", "no room for another advertisement; play fewer probes"),
        ("org.bluez.Error.NotReady", "switched off; bluetoothctl power on"),
        ("org.bluez.Error.InvalidLength", "too long; give a shorter name"),
        ("org.bluez.Error.Odd", "Odd out of ideas; if it stays so: systemctl restart bluetooth"),
    ],
)
def test_a_refusal_has_its_cause_and_next_step(name: str, said: str) -> None:
    error = refused("advertising sim-sup", name, "out\nof ideas")
    assert str(error).startswith("advertising sim-sup failed: ")
    assert said in str(error)
    assert "\n" not in str(error)
    assert error.exit_code == 4


def test_a_bus_that_is_barred_and_one_that_is_not_there() -> None:
    assert "group bluetooth" in str(no_bus(PermissionError(13, "Permission denied")))
    assert "(Connection refused); play needs Linux" in str(
        no_bus(ConnectionRefusedError(111, "Connection refused"))
    )


def test_another_system_is_told_what_to_use_instead() -> None:
    assert str(no_platform("win32")).endswith("play on another computer, or use `riselog demo`")


def test_adapters_are_listed_in_the_order_of_their_numbers() -> None:
    error = no_adapter("hci7", ["hci10", "hci2"])
    assert str(error) == "play failed: there is no adapter 'hci7'; there is hci2, hci10"
    assert str(no_adapter(None, [])) == "play failed: there is no Bluetooth adapter; plug one in"


@pytest.mark.skipif(sys.platform != "linux", reason="needs dbus-fast")
@pytest.mark.parametrize(
    ("interfaces", "kind", "said"),
    [
        ({"LEAdvertisingManager1", "GattManager1"}, Kind.ESS, None),
        ({"LEAdvertisingManager1"}, Kind.BTHOME, None),
        (
            {"LEAdvertisingManager1"},
            Kind.ESS,
            "cannot serve connections; use another adapter, or play as bthome",
        ),
        ({"GattManager1"}, Kind.BTHOME, "cannot advertise by Bluetooth Low Energy; use another adapter"),
    ],
)
def test_an_adapter_without_a_manager_is_refused(interfaces: set[str], kind: Kind, said: str | None) -> None:
    from simulators.peripheral.bluez import check_adapter

    there: dict[str, Any] = {"org.bluez.Adapter1": {"Powered": SimpleNamespace(value=True)}}
    room = {"SupportedInstances": SimpleNamespace(value=1)}
    there |= {f"org.bluez.{name}": room for name in interfaces}
    part = Part(probe="sup", kind=kind, source="supply", advertised="sim-sup")
    connectable = [part] if kind is Kind.ESS else []
    if said is None:
        check_adapter("hci0", there, 1, connectable)
        return
    with pytest.raises(AirError, match=said):
        check_adapter("hci0", there, 1, connectable)
