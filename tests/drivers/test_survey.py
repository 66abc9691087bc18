"""Looking for devices without a config, with real bleak against a BlueZ mock on a private D-Bus.

Packets: GATT Specification Supplement (Temperature, Humidity) and the BTHome v2 format.
"""

import asyncio
from collections.abc import Callable
from typing import Any

import pytest

from drivers.bthome.driver import BthomeDriver
from drivers.ess.driver import EssDriver
from logger.driver_api import Quantity, Seen
from tests.drivers.test_bthome_driver import ENCRYPTED, PLAIN

pytestmark = pytest.mark.bluetooth

TEMPERATURE, HUMIDITY, BATTERY = 0x2A6E, 0x2A6F, 0x2A19
GUARD_S = 30.0  # s: what never comes fails the test


async def until(survey: Any, enough: Callable[[dict[str, Seen]], bool]) -> dict[str, Seen]:
    """The newest report of each address, as soon as they are enough."""
    newest: dict[str, Seen] = {}
    there = asyncio.Event()

    def seen(one: Seen) -> None:
        newest[one.address] = one
        if enough(newest):
            there.set()

    task = asyncio.create_task(survey(GUARD_S, seen, "hci0"))
    try:
        async with asyncio.timeout(GUARD_S):
            await there.wait()
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    return newest


async def test_a_device_of_the_service_is_asked_for_its_values(air: Any) -> None:
    probe, other = await air.remote(), await air.remote()
    await probe.serve(
        air.Char(TEMPERATURE, bytes.fromhex("1913"), ("read", "notify")),
        air.Char(HUMIDITY, bytes.fromhex("5903"), ("read",)),
        air.Char(BATTERY, b"\x57", ("read",), 0x180F),
    )
    await probe.advertise()
    await other.advertise(name="other", service_data=PLAIN)
    found = await until(EssDriver.survey, lambda new: any(d.readable for d in new.values()) and len(new) > 1)
    assert found[probe.address].values == (
        (Quantity.TEMPERATURE, 48.89),
        (Quantity.HUMIDITY, 8.57),
        (Quantity.BATTERY, 87.0),
    )
    assert not found[other.address].readable
    assert found[other.address].values == ()


async def test_broadcasts_are_read_and_sealed_ones_say_what_they_need(air: Any) -> None:
    clear, closed = await air.remote(), await air.remote()
    await clear.advertise(service_data=PLAIN)
    await closed.advertise(name="closed", service_data=ENCRYPTED)
    found = await until(BthomeDriver.survey, lambda new: len(new) > 1)
    assert found[clear.address].readable
    assert found[clear.address].values == ((Quantity.TEMPERATURE, 25.06), (Quantity.HUMIDITY, 50.55))
    assert not found[closed.address].readable
    assert "bindkey_file" in found[closed.address].note
