"""Looking for devices without a config, with real bleak against a BlueZ mock on a private D-Bus.

Packets: GATT Specification Supplement (Temperature, Humidity) and the BTHome v2 format.
"""

import asyncio
from collections.abc import Callable
from typing import Any

import pytest

from drivers.bthome.driver import BthomeDriver
from drivers.ess.driver import EssDriver
from drivers.gatt_map.driver import GattMapDriver
from logger.driver_api import Look, Quantity, Seen
from tests.drivers.test_bthome_driver import ENCRYPTED, PLAIN
from tests.drivers.test_gatt_map_driver import BROADCAST, DUCT, HYGROMETER, served

pytestmark = pytest.mark.bluetooth

TEMPERATURE, HUMIDITY, BATTERY = 0x2A6E, 0x2A6F, 0x2A19
GUARD_S = 30.0  # s: what never comes fails the test
LOOK = Look(seconds=GUARD_S, adapter="hci0")


async def until(survey: Any, enough: Callable[[dict[str, Seen]], bool], look: Look = LOOK) -> dict[str, Seen]:
    """The newest report of each address, as soon as they are enough."""
    newest: dict[str, Seen] = {}
    there = asyncio.Event()

    def seen(one: Seen) -> None:
        newest[one.address] = one
        if enough(newest):
            there.set()

    task = asyncio.create_task(survey(look, seen))
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
    found = await until(
        EssDriver.survey,
        lambda new: len(new) > 1 and bool(new[probe.address].values) and not new[other.address].readable,
    )
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


async def test_a_probe_that_another_program_is_connected_to_is_left_alone_and_said(air: Any) -> None:
    used, free = await air.remote(), await air.remote()
    chars = [air.Char(TEMPERATURE, bytes.fromhex("1913"), ("read",)) for _ in range(2)]
    for remote, char in zip((used, free), chars, strict=True):
        await remote.serve(char)
        await remote.advertise()
    log = air.log()
    look = Look(seconds=GUARD_S, adapter="hci0", connect=False)
    await until(EssDriver.survey, lambda new: len(new) > 1, look)  # the system knows it
    await used.connect_from_outside()
    found = await until(
        EssDriver.survey,
        lambda new: len(new) > 1 and "in use" in new[used.address].note and bool(new[free.address].values),
    )
    assert found[used.address].note == "in use by another program, and left alone: its values are not read"
    assert chars[0].reads == 0
    # what holds it holds it still: a driver takes the connection over without hearing the device
    await used.hide()
    async with air.running(EssDriver([air.request(address=used.address)], log.context())):
        await log.until(lambda: 48.89 in log.values(Quantity.TEMPERATURE))


async def test_values_of_a_kind_that_are_not_shown_are_named_with_the_key_that_takes_them(air: Any) -> None:
    two, packet = await air.remote(), await air.remote()
    await two.serve(
        air.Char(TEMPERATURE, bytes.fromhex("5908"), ("read",), descriptors=((0x2901, b"return"),)),
        air.Char(TEMPERATURE, bytes.fromhex("1913"), ("read",), descriptors=((0x2901, b"supply"),)),
    )
    await two.advertise()
    found = await until(EssDriver.survey, lambda new: bool(new) and bool(new[two.address].values))
    assert found[two.address].values == ((Quantity.TEMPERATURE, 21.37),)
    assert 'one temperature, "supply" value is passed over' in found[two.address].note
    assert found[two.address].note.endswith("to use it, write temperature = 2")
    await packet.advertise(service_data=bytes.fromhex("40025908021913"))
    found = await until(BthomeDriver.survey, lambda new: packet.address in new)
    assert found[packet.address].values == ((Quantity.TEMPERATURE, 21.37),)
    assert found[packet.address].note == (
        "2 values of temperature in one packet, the first is shown; temperature = 2 in a probe's table takes "
        "the second"
    )


async def test_without_connecting_a_probe_is_known_by_what_it_announces(air: Any) -> None:
    probe, seen = await air.remote(), dict[str, Seen]()
    char = air.Char(TEMPERATURE, bytes.fromhex("1913"), ("read",))
    await probe.serve(char)
    await probe.advertise()
    look = Look(seconds=1.5, adapter="hci0", connect=False)
    await EssDriver.survey(look, lambda one: seen.update({one.address: one}))
    assert seen[probe.address].readable
    assert seen[probe.address].values == ()
    assert "over a connection" in seen[probe.address].note
    assert char.reads == 0


async def test_a_device_that_has_nothing_says_so_and_the_next_is_asked(air: Any) -> None:
    empty, probe = await air.remote(), await air.remote()
    await empty.serve(air.Char(BATTERY, b"\x57", ("read",)))
    await probe.serve(air.Char(TEMPERATURE, bytes.fromhex("1913"), ("read",)))
    await empty.advertise()
    await probe.advertise()
    found = await until(
        EssDriver.survey,
        lambda new: len(new) > 1 and not new[empty.address].readable and bool(new[probe.address].values),
    )
    assert "no Environmental Sensing" in found[empty.address].note


async def test_probes_of_a_config_are_read_by_their_maps_and_nothing_is_written(air: Any) -> None:
    one, two, other = await air.remote(), await air.remote(), await air.remote()
    chars = served(air)
    await one.serve(*chars)
    await one.advertise()
    await two.advertise(maker={0xFFFF: BROADCAST})
    await other.advertise(name="other", maker={0xFFFF: BROADCAST})
    probes = (
        air.request("ret", map=DUCT, address=one.address),
        air.request("sup", map=HYGROMETER, address=two.address),
    )
    look = Look(seconds=GUARD_S, adapter="hci0", probes=probes)
    found = await until(
        GattMapDriver.survey,
        lambda new: len(new) > 2 and bool(new[one.address].values),
        look,
    )
    assert dict(found[two.address].values)[Quantity.TEMPERATURE] == 21.5
    assert not found[other.address].readable
    assert found[one.address].values == ((Quantity.VELOCITY, 4.5),)
    assert chars[2].written == []


async def test_a_probe_that_wants_to_be_paired_is_not_readable_and_says_so(air: Any) -> None:
    closed, half = await air.remote(), await air.remote()
    await closed.serve(air.Char(TEMPERATURE, None, ("read", "notify"), refusal="Not paired"))
    await closed.advertise(name="closed")
    await half.serve(
        air.Char(TEMPERATURE, bytes.fromhex("1913"), ("read",)),
        air.Char(HUMIDITY, None, ("read",), refusal="Not paired"),
    )
    await half.advertise(name="half")
    found = await until(
        EssDriver.survey,
        lambda new: len(new) > 1 and not new[closed.address].readable and bool(new[half.address].values),
    )
    assert found[closed.address].note.startswith("the probe wants to be paired first; ")
    assert found[closed.address].values == ()
    assert found[half.address].readable
    assert found[half.address].note.startswith("no humidity: the probe wants to be paired first; ")


async def test_a_value_that_cannot_be_makes_no_probe_readable_and_is_said(air: Any) -> None:
    odd, asleep = await air.remote(), await air.remote()
    await odd.serve(air.Char(TEMPERATURE, bytes.fromhex("0080"), ("read", "notify")))  # "not known"
    await odd.advertise(name="odd")
    await asleep.serve(air.Char(TEMPERATURE, None, ("read", "notify")))  # gives nothing but notifications
    await asleep.advertise(name="asleep")
    found = await until(
        EssDriver.survey,
        lambda new: len(new) > 1 and not new[odd.address].readable and "check" in new[asleep.address].note,
    )
    assert found[odd.address].note.startswith("it sends the code for a temperature that is not known")
    assert found[asleep.address].readable
