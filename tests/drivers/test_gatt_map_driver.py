"""The ``gatt-map`` driver with real bleak against a BlueZ mock on a private D-Bus.

The maps are the two examples in ``config/maps``; the packets are made by hand from what they say.
"""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from drivers.adverts import Pace
from drivers.gatt_map.driver import GattMapDriver
from drivers.gatt_map.model import ProbeMap
from logger.driver_api import Flag, LinkState, Quantity, Sample

SEARCHING, CONNECTING = LinkState.SEARCHING, LinkState.CONNECTING
LIVE, LOST, REFUSED = LinkState.LIVE, LinkState.LOST, LinkState.REFUSED
MAPS = Path(__file__).parents[2] / "config" / "maps"
SERVICE = "7a1e0001-5c3b-4f0e-9a57-2d6c8b90e1f4"
AIR = "7a1e0002-5c3b-4f0e-9a57-2d6c8b90e1f4"
WIND = "7a1e0003-5c3b-4f0e-9a57-2d6c8b90e1f4"
START = "7a1e0004-5c3b-4f0e-9a57-2d6c8b90e1f4"
SUPPLY = bytes.fromhex("01 04a0 f0aa 000000")  # 1184 x 0.1 °F = 48 °C, 0x0AA = 170 x 0.05 % = 8.5 %
OTHER_KIND = bytes.fromhex("02 04a0 f0aa 000000")
NO_VALUE = bytes.fromhex("01 8000 0fff 000000")
SLOW = bytes.fromhex("2df0")  # SFLOAT 45 x 10^-1 m/s
BROADCAST = bytes.fromhex("9cdaa1 5b e01a e1")  # 0x1DA9C = 121500: 21.5 °C; 91: 45.5 %; 6880: 988 hPa; 97 %

pytestmark = pytest.mark.bluetooth


class QuickDriver(GattMapDriver):
    """Short times, so that a test takes seconds."""

    listening_pace = Pace(silence_s=1.5, unknown_s=4.0, look_s=0.1)


def named(name: str) -> dict[str, Any]:
    """A map as the config hands it to the driver."""
    text = (MAPS / name).read_text(encoding="utf-8")
    return ProbeMap.model_validate(tomllib.loads(text)).model_dump()


def made(*values: dict[str, Any]) -> dict[str, Any]:
    whole = {"schema": "riselog.gatt-map/1", "title": "made", "value": list(values)}
    return ProbeMap.model_validate(whole).model_dump()


DUCT, HYGROMETER = named("duct-thermometer.toml"), named("broadcast-hygrometer.toml")


def served(air: Any) -> list[Any]:
    return [
        air.Char(AIR, b"", ("notify",), SERVICE),
        air.Char(WIND, SLOW, ("read",), SERVICE),
        air.Char(START, b"", ("write",), SERVICE),
    ]


async def test_a_mapped_probe_is_started_and_its_packets_are_read(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    chars = served(air)
    await remote.serve(*chars)
    await remote.advertise()
    request = air.request(map=DUCT, address=remote.address, read_every="50 ms")
    async with air.running(GattMapDriver([request], log.context())):
        for sent in (SUPPLY, OTHER_KIND, NO_VALUE):
            await remote.subscribed(AIR)
            remote.notify(AIR, sent)
            await log.until(lambda: len(log.values(Quantity.VELOCITY)) >= 2)
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE)) == 2)
        assert chars[2].written == [bytes.fromhex("0100")]
    assert [s for s in log.samples if s.quantity is Quantity.TEMPERATURE] == [
        Sample(probe="ret", quantity=Quantity.TEMPERATURE, value=pytest.approx(48.0, abs=1e-12)),
        Sample(
            probe="ret",
            quantity=Quantity.TEMPERATURE,
            value=pytest.approx((-3276.8 - 32) / 1.8),
            flag=Flag.NOT_KNOWN,
        ),
    ]
    humidities = [(s.value, s.flag) for s in log.samples if s.quantity is Quantity.HUMIDITY]
    assert humidities == [(8.5, Flag.OK), (204.75, Flag.NOT_KNOWN)]
    assert set(log.values(Quantity.VELOCITY)) == {4.5}
    assert log.states() == [SEARCHING, CONNECTING, LIVE, LIVE, LIVE]  # the last two: that it knows no value


async def test_the_start_is_written_once_for_each_connection(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    chars = served(air)
    await remote.serve(*chars)
    await remote.advertise()
    async with air.running(GattMapDriver([air.request(map=DUCT, address=remote.address)], log.context())):
        await log.until(lambda: len(log.values(Quantity.VELOCITY)) >= 3)
        assert len(chars[2].written) == 1
        await remote.drop()
        await log.until(lambda: log.state() is LOST)
        await log.until(lambda: log.state() is LIVE and len(log.values(Quantity.VELOCITY)) >= 6)
    assert chars[2].written == [bytes.fromhex("0100")] * 2


async def test_check_says_what_fits_the_map_and_writes_nothing(air: Any) -> None:
    remote, other, log = await air.remote(), await air.remote(), air.log()
    chars = served(air)
    await remote.serve(*chars)
    await remote.advertise(name="one")
    await other.advertise(name="two", maker={0xFFFF: BROADCAST})
    requests = [
        air.request("hyg", map=HYGROMETER, name="two"),
        air.request("ret", map=DUCT, address=remote.address),
        air.request("far", map=HYGROMETER, name="one"),
        air.request("duct", Quantity.VELOCITY, map=HYGROMETER, name="two"),
    ]
    hyg, ret, far, duct = await GattMapDriver(requests, log.context()).reach(2.5)
    assert [each.probe for each in (hyg, ret, far, duct)] == ["hyg", "ret", "far", "duct"]
    assert (hyg.ok, hyg.text.partition(" with ")[2]) == (True, "temperature, humidity, pressure, battery")
    assert (ret.ok, ret.text.partition(" with ")[2]) == (
        True,
        "temperature, humidity (notifies), velocity (is read); no temperature and humidity seen yet: it "
        "comes after the map's start command, which is written in a run alone",
    )
    assert ret.values == ((Quantity.VELOCITY, 4.5),)
    assert far.text == (
        "found, but it broadcasts no manufacturer data 0xFFFF, which the map "
        '"invented broadcast hygrometer" names'
    )
    assert (duct.ok, duct.text.endswith("but no velocity")) == (False, True)
    assert chars[2].written == []
    assert log.samples == []


async def test_a_probe_that_does_not_fit_is_refused_and_what_it_lacks_is_named(air: Any) -> None:
    one, two, log = await air.remote(), await air.remote(), air.log()
    await one.serve(air.Char(AIR, b"", ("notify",), SERVICE), air.Char(START, b"", ("read",), SERVICE))
    await one.advertise()
    await two.serve(
        air.Char(AIR, SUPPLY, ("read",), SERVICE),  # the map asks for notifications
        air.Char(WIND, SLOW, ("read",), SERVICE),
        air.Char(START, b"", ("write",), SERVICE),
    )
    await two.advertise()
    requests = [
        air.request("one", map=DUCT, address=one.address),
        air.request("two", map=DUCT, address=two.address),
    ]
    async with air.running(GattMapDriver(requests, log.context())):
        await log.until(lambda: log.state("one") is REFUSED and len(log.values(Quantity.VELOCITY, "two")) > 1)
    said = {text for *_, text in log.links}
    assert (
        f'probe "one": it has the characteristic {START} of service {SERVICE} that its map would start it '
        "by, but that is not one for writing; "
        "compare [start] of the map with the probe"
    ) in said
    assert (
        f'probe "two": its characteristic {AIR} of service {SERVICE} can be read, and the map says '
        'how = "notify": no temperature and humidity'
    ) in said


async def test_broadcasts_are_read_and_a_bad_one_is_left_out(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.advertise(maker={0xFFFF: BROADCAST})
    async with air.running(QuickDriver([air.request(map=HYGROMETER, address=remote.address)], log.context())):
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE)) >= 2)
        await remote.advertise(maker={0xFFFF: BROADCAST[:-1]})
        await log.until(lambda: len(log.links) >= 3)
        await remote.hide()
        await log.until(lambda: log.state() is LOST)
    assert set(log.values(Quantity.TEMPERATURE)) == {21.5}
    assert set(log.values(Quantity.HUMIDITY)) == {45.5}
    assert set(log.values(Quantity.PRESSURE)) == {98_800.0}
    assert set(log.values(Quantity.BATTERY)) == {97.0}
    assert log.links[2][2] == (
        'probe "ret": the map says length = 7 for the temperature, and the probe sends 6 bytes; such packets'
        " are left out"
    )


async def test_service_data_and_a_standard_uuid_by_their_short_names(air: Any) -> None:
    one, two, log = await air.remote(), await air.remote(), air.log()
    await one.advertise(service_data=bytes.fromhex("1913"))
    await two.serve(air.Char(0x2A6E, bytes.fromhex("5908"), ("read",)))
    await two.advertise()
    value = {"quantity": "temperature", "unit": "degC", "format": "sint16", "scale": 0.01}
    heard = made({**value, "service_data": "FCD2"})
    asked = made({**value, "service": "181A", "characteristic": "0x2a6e"})
    requests = [
        air.request("ret", map=heard, address=one.address),
        air.request("sup", map=asked, address=two.address),
    ]
    async with air.running(GattMapDriver(requests, log.context())):
        await log.until(lambda: log.state("ret") is LIVE and log.state("sup") is LIVE)
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE, "sup")) > 0)
    assert log.values(Quantity.TEMPERATURE, "ret")[0] == 48.89
    assert log.values(Quantity.TEMPERATURE, "sup")[0] == 21.37


async def test_both_ways_at_once(air: Any) -> None:
    one, two, log = await air.remote(), await air.remote(), air.log()
    await one.serve(*served(air))
    await one.advertise()
    await two.advertise(maker={0xFFFF: BROADCAST})
    requests = [
        air.request("ret", map=DUCT, address=one.address),
        air.request("sup", map=HYGROMETER, address=two.address),
    ]
    async with air.running(GattMapDriver(requests, log.context())):
        await log.until(lambda: log.state("ret") is LIVE and log.state("sup") is LIVE)
    assert log.values(Quantity.VELOCITY, "ret")[0] == 4.5
    assert log.values(Quantity.TEMPERATURE, "sup")[0] == 21.5


async def test_without_a_radio_it_says_so(air: Any) -> None:
    requests = [
        air.request("ret", map=DUCT, address="00:00:00:00:00:02", adapter="hci99"),
        air.request("sup", map=HYGROMETER, address="00:00:00:00:00:03", adapter="hci99"),
    ]
    from drivers.ble_errors import RadioError

    with pytest.raises(RadioError):
        await GattMapDriver(requests, air.log().context()).run()


async def test_a_broadcast_in_another_unit_or_of_another_length_is_named_by_check_and_once_in_a_run(
    air: Any,
) -> None:
    """118 read as kelvin is -155.15 °C: definition of the kelvin's scale."""
    remote, log = await air.remote(), air.log()
    await remote.advertise(maker={0xFFFF: (118).to_bytes(2, "little")})
    value = {"quantity": "temperature", "unit": "K", "manufacturer": 0xFFFF, "format": "sint16"}
    kelvin = air.request(map=made(value), address=remote.address)
    longer = air.request(map=made({**value, "length": 3}), address=remote.address)
    (said,) = await GattMapDriver([kelvin], log.context()).reach(2.5)
    assert not said.ok
    assert "its temperature of -155.1 °C (-247.3 °F) cannot be" in said.text
    assert "the map reads 118 K, which would be" in said.text
    assert said.key == ("map", "value", 0, "unit")
    (said,) = await GattMapDriver([longer], log.context()).reach(2.5)
    assert said.text == "found, but the map says length = 3 for the temperature, and the probe sends 2 bytes"
    assert (said.ok, said.key) == (False, ("map", "value", 0, "length"))
    async with air.running(QuickDriver([kelvin], log.context())):
        await log.until(lambda: len(log.samples) >= 6)
    assert {s.flag for s in log.samples if s.quantity is Quantity.TEMPERATURE} == {Flag.OUT_OF_RANGE}
    (told,) = [text for *_, text in log.links if "cannot be" in text]
    assert told.endswith("of the map; such values are stored and not used")
    assert len(told) <= 300  # what an event keeps of a text
