"""One thermometer with two channels as the return and the supply probe: with real bleak against a BlueZ mock.

Bytes: GATT Specification Supplement, Temperature (sint16, 0.01 degC), Humidity (uint16, 0.01 %); Core
Specification vol 3 part G 3.3.3.2, Characteristic User Description 0x2901 (UTF-8); BTHome v2 format document,
object 0x02 (sint16, 0.01 degC), 0x00 packet id.
"""

from pathlib import Path
from typing import Any

import pytest

from drivers.adverts import Pace
from drivers.bthome.driver import BthomeDriver
from drivers.ess.driver import EssDriver
from drivers.gatt_map.driver import GattMapDriver
from drivers.gatt_map.model import ProbeMap
from drivers.places import humidity_of_others
from logger.config.load import LoadedConfig, load_config
from logger.core.errors import ConfigError
from logger.driver_api import Flag, LinkState, ProbeRequest, Quantity
from logger.registry import DriverOptions
from tests.shell.stand_ins import job_head

TEMPERATURE, HUMIDITY, DESCRIPTION = 0x2A6E, 0x2A6F, 0x2901
CONNECTING, LIVE, LOST, REFUSED = LinkState.CONNECTING, LinkState.LIVE, LinkState.LOST, LinkState.REFUSED
BOTH = ("ret", "sup")
C_21_37, C_48_89 = bytes.fromhex("5908"), bytes.fromhex("1913")


class QuickEss(EssDriver):
    """Short times, so that a test takes seconds."""

    search_s, silence_s, ask_after_s = 2.5, 20.0, 10.0


class QuickBthome(BthomeDriver):
    pace = Pace(silence_s=1.5, unknown_s=4.0, look_s=0.1)


def pair(air: Any, ret: dict[str, Any], sup: dict[str, Any], **both: Any) -> list[ProbeRequest]:
    return [air.request("ret", **both, **ret), air.request("sup", **both, **sup)]


def channels(air: Any, *flags: str) -> list[Any]:
    """Two temperatures by their names, and one humidity."""
    return [
        air.Char(TEMPERATURE, C_21_37, flags, descriptors=((DESCRIPTION, b"return"),)),
        air.Char(TEMPERATURE, C_48_89, flags, descriptors=((DESCRIPTION, b"supply"),)),
        air.Char(HUMIDITY, bytes.fromhex("d711"), ("notify",)),
    ]


@pytest.mark.bluetooth
async def test_two_channels_are_two_probes_by_one_connection_and_one_subscription_each(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    chars = channels(air, "read", "notify")
    await remote.serve(*chars)
    await remote.advertise()
    requests = pair(air, {"temperature": "return"}, {"temperature": "supply"}, address=remote.address)
    async with air.running(QuickEss(requests, log.context())):
        await remote.subscribed((TEMPERATURE, 1), (TEMPERATURE, 2), HUMIDITY)
        await log.until(lambda: all(log.state(probe) is LIVE for probe in BOTH))
        remote.notify((TEMPERATURE, 1), bytes.fromhex("6608"))  # 21.50
        remote.notify((TEMPERATURE, 2), bytes.fromhex("2413"))  # 49.00
        remote.notify(HUMIDITY, bytes.fromhex("d711"))  # 45.67
        await log.until(lambda: bool(log.values(Quantity.HUMIDITY)))
        assert [each.starts for each in chars] == [1, 1, 1]
        assert [each.reads for each in chars] == [1, 1, 0]
        await remote.drop()
        await log.until(lambda: all(log.state(probe) is LOST for probe in BOTH))
        await log.until(lambda: all(log.state(probe) is LIVE for probe in BOTH))
    assert [log.values(Quantity.TEMPERATURE, probe)[:2] for probe in BOTH] == [[21.37, 21.5], [48.89, 49.0]]
    assert log.values(Quantity.HUMIDITY)[0] == 45.67
    assert log.values(Quantity.HUMIDITY, "sup") == []  # its sensor is at one of the two places
    assert "the humidity of this device is that of probe 'ret'" in " ".join(text for *_, text in log.links)
    assert {sample.flag for sample in log.samples} == {Flag.OK}


@pytest.mark.bluetooth
async def test_who_asks_for_the_one_humidity_is_given_it(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    humidity = air.Char(HUMIDITY, bytes.fromhex("d711"), ("read",))
    await remote.serve(*channels(air, "read")[:2], humidity)
    await remote.advertise()
    requests = pair(air, {"temperature": 1}, {"temperature": 2, "humidity": 1}, address=remote.address)
    found = await QuickEss(requests, log.context()).reach(2.5)
    assert [dict(each.values).get(Quantity.HUMIDITY) for each in found] == [None, 45.67]
    packet = "40 00 01 02 5908 02 1913 03 d711"
    await remote.advertise(service_data=bytes.fromhex(packet))
    found = await QuickBthome(requests, log.context()).reach(2.5)
    assert [dict(each.values).get(Quantity.HUMIDITY) for each in found] == [None, 45.67]


@pytest.mark.bluetooth
async def test_what_is_read_is_read_for_each_by_the_name_of_the_device_too(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(*channels(air, "read")[:2])
    await remote.advertise(name="both")
    requests = pair(air, {"temperature": 1}, {"temperature": 2}, name="both", read_every="50 ms")
    async with air.running(QuickEss(requests, log.context())):
        await log.until(lambda: all(len(log.values(Quantity.TEMPERATURE, probe)) > 3 for probe in BOTH))
    assert {probe: set(log.values(Quantity.TEMPERATURE, probe)) for probe in BOTH} == {
        "ret": {21.37},
        "sup": {48.89},
    }
    assert not any(state in (LOST, REFUSED) for _, state, _ in log.links)


@pytest.mark.bluetooth
async def test_one_that_is_restarted_for_its_own_silence_leaves_the_other_alone(air: Any) -> None:
    class Impatient(QuickEss):
        silence_s = 1.0

    remote, log = await air.remote(), air.log()
    chars = channels(air, "notify")[:2]
    await remote.serve(*chars)
    await remote.advertise()
    requests = pair(air, {"temperature": 1}, {"temperature": 2}, address=remote.address)
    async with air.running(Impatient(requests, log.context())):
        await remote.subscribed((TEMPERATURE, 1), (TEMPERATURE, 2))
        while LOST not in log.states("ret"):
            remote.notify((TEMPERATURE, 2), C_48_89)
            seen = len(log.samples)
            await log.until(lambda seen=seen: len(log.samples) > seen)
        await remote.unsubscribed((TEMPERATURE, 1))
        assert LOST not in log.states("sup")
        await remote.subscribed((TEMPERATURE, 1))  # by the connection that is there
        assert LOST not in log.states("sup")


@pytest.mark.bluetooth
async def test_the_same_value_chosen_by_two_words_is_refused_to_the_second(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(*channels(air, "read")[:2])
    await remote.advertise()
    requests = pair(air, {"temperature": "supply"}, {"temperature": 2}, address=remote.address)
    said = (
        "its temperature is the one that probe '{}' has already; choose another one of this device with "
        "temperature in its table, or give the other device"
    )
    async with air.running(QuickEss(requests, log.context())):
        await log.until(lambda: {log.state(probe) for probe in BOTH} == {LIVE, REFUSED})
    first, second = BOTH if log.state("ret") is LIVE else BOTH[::-1]
    assert (second, REFUSED, f'probe "{second}": {said.format(first)}') in log.links
    found = await QuickEss(requests, log.context()).reach(2.5)
    assert sorted(each.ok for each in found) == [False, True]
    bad = next(each for each in found if not each.ok)
    assert "is the one that probe" in bad.text
    assert bad.key == (Quantity.TEMPERATURE,)


@pytest.mark.bluetooth
async def test_check_reads_both_channels(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(*channels(air, "read", "notify")[:2])
    await remote.advertise()
    requests = pair(air, {"temperature": "Return"}, {"temperature": "SUPPLY"}, address=remote.address)
    found = await QuickEss(requests, log.context()).reach(2.5)
    assert [(each.probe, each.ok, each.values) for each in found] == [
        ("ret", True, ((Quantity.TEMPERATURE, 21.37),)),
        ("sup", True, ((Quantity.TEMPERATURE, 48.89),)),
    ]


@pytest.mark.bluetooth
async def test_one_advert_with_two_temperatures_feeds_both(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    packets = ["40 00 01 02 5908 02 1913", "40 00 02 02 6608 02 2413"]
    await remote.advertise(service_data=bytes.fromhex(packets[0]))
    requests = pair(air, {}, {"temperature": 2}, address=remote.address)
    async with air.running(QuickBthome(requests, log.context())):
        await log.until(lambda: all(log.state(probe) is LIVE for probe in BOTH))
        await remote.advertise(service_data=bytes.fromhex(packets[1]))
        await log.until(lambda: 49.0 in log.values(Quantity.TEMPERATURE, "sup"))
        await remote.hide()
        await log.until(lambda: all(log.state(probe) is LOST for probe in BOTH))
    for probe, values in (("ret", [21.37, 21.5]), ("sup", [48.89, 49.0])):
        fresh = [s.value for s in log.samples if s.probe == probe and s.flag is Flag.OK]
        assert [value for value in fresh if value > 0] == values  # below 0: the signal in dBm
    found = {each.probe: each for each in await QuickBthome(requests, log.context()).reach(0.5)}
    assert set(found) == set(BOTH)


@pytest.mark.parametrize(
    ("ret", "sup", "without"),
    [
        ({}, {}, {"sup": "ret"}),
        ({}, {"humidity": 1}, {"ret": "sup"}),
        ({}, {"humidity": 2}, {}),  # another one
        ({"humidity": 2}, {}, {}),
        ({}, {"humidity": "supply"}, {"ret": "sup"}),
        ({"humidity": 1}, {"humidity": 1}, {}),  # the user's own word
    ],
)
def test_one_humidity_is_at_one_of_two_places(
    ret: dict[str, Any], sup: dict[str, Any], without: dict[str, str]
) -> None:
    def request(name: str, **options: Any) -> ProbeRequest:
        return ProbeRequest(name=name, role=name, quantities=(Quantity.TEMPERATURE,), options=options)

    assert (
        humidity_of_others([request("ret", address="A", **ret), request("sup", address="a", **sup)])
        == without
    )
    assert humidity_of_others([request("ret", address="A", **ret), request("sup", address="B", **sup)]) == {}


def mapped(offset: int) -> dict[str, Any]:
    """A map of one of two temperatures in one packet."""
    value = {"quantity": "temperature", "unit": "degC", "format": "sint16", "scale": 0.01, "offset": offset}
    value |= {"service": "fff0", "characteristic": "fff1", "length": 4, "how": "notify"}
    whole = {"schema": "riselog.gatt-map/1", "title": "made", "value": [value]}
    return {"map": ProbeMap.model_validate(whole).model_dump()}


@pytest.mark.bluetooth
async def test_one_packet_with_two_temperatures_feeds_both_by_a_map_each(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    packet = air.Char(0xFFF1, b"", ("notify",), 0xFFF0)
    await remote.serve(packet)
    await remote.advertise(services=(0xFFF0,))
    requests = pair(air, mapped(0), mapped(2), address=remote.address)
    async with air.running(GattMapDriver(requests, log.context())):
        await remote.subscribed(0xFFF1)
        while not all(log.values(Quantity.TEMPERATURE, probe) for probe in BOTH):
            remote.notify(0xFFF1, C_21_37 + C_48_89)
            seen = len(log.samples)
            await log.until(lambda seen=seen: len(log.samples) > seen)
    assert {probe: set(log.values(Quantity.TEMPERATURE, probe)) for probe in BOTH} == {
        "ret": {21.37},
        "sup": {48.89},
    }
    assert packet.starts == 1


def loaded(folder: Path, *tables: str) -> LoadedConfig:
    probes = zip(("ret", "sup"), ("return", "supply"), tables, strict=True)
    job = folder / "job.toml"
    job.write_text(
        job_head("two") + "".join(f'[probes.{n}]\nrole = "{role}"\n{table}\n' for n, role, table in probes)
    )
    return load_config(job, DriverOptions())


DEVICE = 'driver = "{}"\naddress = "AA:BB:CC:00:00:02"\n'
TABLES = [
    ("ess", 'temperature = "return"', 'temperature = "supply"', True),
    ("ess", "", "temperature = 2", True),  # what the first one takes is known when it is connected
    ("ess", 'temperature = "Supply"', 'temperature = "supply "', False),
    ("ess", "temperature = 2\nhumidity = 1", "temperature = 2\nhumidity = 2", False),
    ("ess", "", "", False),
    ("bthome", "", "temperature = 2", True),
    ("bthome", "", "temperature = 1", False),
    ("gatt-map", 'map = "one.toml"', 'map = "two.toml"', True),
    ("gatt-map", 'map = "one.toml"', 'map = "again.toml"', False),
]


@pytest.mark.parametrize(("driver", "ret", "sup", "good"), TABLES)
def test_a_config_may_have_a_device_twice_where_each_chooses_another_value(
    tmp_path: Path, driver: str, ret: str, sup: str, *, good: bool
) -> None:
    for name, offset, scale in (("one", 0, 0.01), ("two", 2, 0.01), ("again", 0, 0.1)):
        (tmp_path / f"{name}.toml").write_text(
            f'schema = "riselog.gatt-map/1"\ntitle = "{name}"\n[[value]]\nquantity = "temperature"\n'
            f'unit = "degC"\nformat = "sint16"\nservice = "fff0"\ncharacteristic = "fff1"\nlength = 4\n'
            f"offset = {offset}\nscale = {scale}\n"
        )
    tables = [DEVICE.format(driver) + each for each in (ret, sup)]
    if good:
        assert [probe.name for probe in loaded(tmp_path, *tables).probes] == ["ret", "sup"]
        return
    with pytest.raises(ConfigError) as caught:
        loaded(tmp_path, *tables)
    assert (
        "key 'probes.sup.address': address 'AA:BB:CC:00:00:02' is that of probe 'ret' too; every probe needs "
        in str(caught.value)
    )
    assert "or another temperature of that device" in str(caught.value)
