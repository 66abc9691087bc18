"""The ``bthome`` driver with real bleak against a BlueZ mock on a private D-Bus.

Expected values are those of the literal packets in ``test_bthome_decode``.
"""

import asyncio
import dataclasses
from pathlib import Path
from typing import Any

import pytest

from drivers.adverts import Pace
from drivers.ble import shared_radio
from drivers.bthome.driver import BthomeDriver
from logger.driver_api import Flag, LinkState, Quantity, Sample
from tests.drivers.bthome_oracle import sealed

SEARCHING, LIVE, LOST, REFUSED = LinkState.SEARCHING, LinkState.LIVE, LinkState.LOST, LinkState.REFUSED
FULL = bytes.fromhex("400007016102191303590304534901")  # id 7: 97 %, 48.89 degC, 8.57 %, 843.07 hPa
NEXT = bytes.fromhex("400008016102ca09")  # id 8: 97 %, 25.06 degC
PLAIN = bytes.fromhex("4002ca0903bf13")  # no id: 25.06 degC, 50.55 %
TWO_TEMPERATURES = bytes.fromhex("40000957ea58ea")  # id 9: -22 and -7.7 degC
ENCRYPTED = bytes.fromhex("41a47266c95f730011223378237214")
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")  # of the format document's example
UNKNOWN_OBJECT = bytes.fromhex("40021913ee0102")

pytestmark = pytest.mark.bluetooth


class QuickDriver(BthomeDriver):
    """Short times, so that a test takes seconds; the mock repeats its adverts once a second."""

    pace = Pace(silence_s=1.5, unknown_s=4.0, look_s=0.1)


def temperature(value: float, flag: Flag = Flag.OK, probe: str = "ret") -> Sample:
    return Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=value, flag=flag)


def temperatures(log: Any) -> list[Sample]:
    return [s for s in log.samples if s.quantity is Quantity.TEMPERATURE]


async def test_adverts_are_read_and_repeats_are_flagged(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.advertise(service_data=FULL)
    async with air.running(BthomeDriver([air.request(address=remote.address.lower())], log.context())):
        await log.until(lambda: temperature(48.89, Flag.DUPLICATE) in log.samples)
        await remote.advertise(service_data=NEXT)
        await log.until(lambda: temperature(25.06) in log.samples)
    first = [s for s in log.samples if s.flag is Flag.OK][:5]
    assert first == [
        Sample(probe="ret", quantity=Quantity.SIGNAL, value=first[0].value),
        Sample(probe="ret", quantity=Quantity.BATTERY, value=97.0),
        temperature(48.89),
        Sample(probe="ret", quantity=Quantity.HUMIDITY, value=8.57),
        Sample(probe="ret", quantity=Quantity.PRESSURE, value=84_307.0),
    ]
    assert [s.value for s in temperatures(log) if s.flag is Flag.OK] == [48.89, 25.06]
    assert len(log.values(Quantity.SIGNAL)) == 1  # at most one in 10 s
    assert log.states() == [SEARCHING, LIVE]


async def test_unchanged_values_without_a_packet_id_stay_readings(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.advertise(name="roof", service_data=PLAIN)
    async with air.running(BthomeDriver([air.request(name="roof")], log.context())):
        await log.until(lambda: len(temperatures(log)) >= 3)
    assert set(temperatures(log)) == {temperature(25.06)}


async def test_a_silent_probe_is_told_once_and_heard_again(air: Any) -> None:
    remote, other, log = await air.remote(), await air.remote(), air.log()
    await remote.advertise(service_data=FULL)
    await other.advertise(name="other", service_data=PLAIN)
    requests = [air.request(address=remote.address), air.request("sup", name="other")]
    async with air.running(QuickDriver(requests, log.context())):
        await log.until(lambda: log.state() is LIVE)
        await remote.hide()
        await log.until(lambda: log.state() is LOST)
        others = len(log.values(Quantity.TEMPERATURE, "sup"))
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE, "sup")) >= others + 3)
        await remote.advertise(service_data=NEXT)
        await log.until(lambda: log.state() is LIVE)
    assert log.states() == [SEARCHING, LIVE, LOST, LIVE]
    assert log.states("sup") == [SEARCHING, LIVE]
    assert [s for s in temperatures(log) if s.probe == "ret" and s.flag is Flag.OK][-1] == temperature(25.06)


async def test_a_probe_that_is_not_there_is_told_once(air: Any) -> None:
    log = air.log()
    async with air.running(QuickDriver([air.request(name="nobody")], log.context())):
        await log.until(lambda: log.state() is LOST)
    assert [text for *_, text in log.links] == [
        'probe "ret": listening for name "nobody"',
        'probe "ret": no packet of it is heard (name "nobody"); switch it on, bring it closer, check its '
        "battery and its address or name; still listening",
    ]


async def test_an_encrypted_probe_is_refused_in_one_sentence(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.advertise(service_data=ENCRYPTED)
    driver = QuickDriver([air.request(address=remote.address)], log.context())
    async with air.running(driver):
        await log.until(lambda: log.state() is REFUSED)
    assert log.links[-1][2] == (
        'probe "ret": its advertisements are encrypted, and no bind key is given; '
        "write the probe's bind key into a file and name it with bindkey_file, or name "
        "an environment variable with bindkey_env"
    )
    assert log.samples == []
    [ret] = await driver.reach(2.5)
    assert (ret.ok, "encrypted" in ret.text) == (False, True)


async def test_what_is_passed_over_or_not_known_is_said_once(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.advertise(service_data=TWO_TEMPERATURES)
    async with air.running(BthomeDriver([air.request(address=remote.address)], log.context())):
        await log.until(lambda: len(temperatures(log)) >= 2)
        await remote.advertise(service_data=UNKNOWN_OBJECT)
        await log.until(lambda: temperature(48.89) in log.samples)
    assert {(s.value, s.flag) for s in temperatures(log)} == {
        (-22.0, Flag.OK),
        (-22.0, Flag.DUPLICATE),
        (48.89, Flag.OK),
    }
    assert [text for *_, text in log.links[2:]] == [
        'probe "ret": sends 2 values of temperature in one packet, the first is used; for another one '
        "add for example temperature = 2",
        'probe "ret": object 0xEE at byte 4 of an advertisement is not known, the rest was not read',
    ]


async def test_a_second_device_of_the_same_name_is_not_mixed_in(air: Any) -> None:
    one, two, log = await air.remote(), await air.remote(), air.log()
    await one.advertise(name="twin", service_data=PLAIN)
    await two.advertise(name="twin", service_data=bytes.fromhex("40021913"))
    async with air.running(BthomeDriver([air.request(name="twin")], log.context())):
        await log.until(lambda: len(temperatures(log)) >= 3 and len(log.links) >= 3)
    assert len(set(temperatures(log))) == 1
    assert "2 devices have the name" in log.links[2][2]


async def test_another_device_of_the_name_may_replace_a_silent_one(air: Any) -> None:
    one, two, log = await air.remote(), await air.remote(), air.log()
    await one.advertise(name="spare", service_data=PLAIN)
    async with air.running(QuickDriver([air.request(name="spare")], log.context())):
        await log.until(lambda: log.state() is LIVE)
        await one.hide()
        await log.until(lambda: log.state() is LOST)
        await two.advertise(name="spare", service_data=bytes.fromhex("40021913"))
        await log.until(lambda: temperature(48.89) in log.samples)
    assert log.state() is LIVE


async def test_check_says_what_a_probe_broadcasts(air: Any) -> None:
    remote, other, log = await air.remote(), await air.remote(), air.log()
    await remote.advertise(name="one", service_data=FULL)
    await other.advertise(name="two")
    requests = [
        air.request("ret", address=remote.address),
        air.request("duct", Quantity.VELOCITY, name="one"),
        air.request("sup", name="two"),
        air.request("out", name="nobody"),
    ]
    ret, duct, sup, out = await BthomeDriver(requests, log.context()).reach(1.5)
    assert (ret.ok, ret.next_step) == (True, "")
    assert ret.text.endswith("dBm) with battery, temperature, humidity, pressure")
    assert duct.text.endswith("but no velocity")
    assert sup.text == "found, but it broadcasts no BTHome version 2"
    assert out.text == 'not found in 1.5 s (name "nobody")'
    assert [each.ok for each in (ret, duct, sup, out)] == [True, False, False, False]
    assert log.samples == []


async def test_a_fault_behind_the_driver_is_not_swallowed_by_the_radio(air: Any) -> None:
    def fail(sample: Sample) -> None:
        raise ZeroDivisionError

    remote = await air.remote()
    await remote.advertise(service_data=PLAIN)
    context = dataclasses.replace(air.log().context(), emit=fail)
    async with air.running(BthomeDriver([air.request(address=remote.address)], context)) as task:
        with pytest.raises(ZeroDivisionError):
            await asyncio.wait_for(task, 20)


async def test_an_encrypted_probe_is_read_with_its_key_and_nobody_else_is(air: Any, tmp_path: Path) -> None:
    remote, log = await air.remote(), air.log()
    (tmp_path / "ret.key").write_text(KEY.hex())
    request = air.request(address=remote.address, bindkey_file=str(tmp_path / "ret.key"))
    await remote.advertise(service_data=PLAIN)
    async with air.running(QuickDriver([request], log.context())):
        await log.until(lambda: log.state() is REFUSED)
        await remote.advertise(service_data=sealed(KEY, remote.address, 1000, PLAIN[1:]))
        await log.until(lambda: temperature(25.06) in log.samples)
        await remote.advertise(service_data=PLAIN)
        await log.until(lambda: len(log.links) >= 4)
        await remote.advertise(service_data=sealed(KEY, remote.address, 1001, bytes.fromhex("021913")))
        await log.until(lambda: temperature(48.89) in log.samples)
    assert log.states()[:3] == [SEARCHING, REFUSED, LIVE]
    assert log.links[1][2].startswith('probe "ret": its advertisements are not encrypted although a bind key')
    assert "a packet came unencrypted in its name; it may be somebody else's" in log.links[3][2]
    assert [s.value for s in temperatures(log) if s.flag is Flag.OK] == [25.06, 48.89]
    assert KEY.hex() not in f"{log.links}{log.samples}{request}"


async def test_somebody_elses_packets_are_no_sign_of_life(air: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    remote, log = await air.remote(), air.log()
    monkeypatch.setenv("RET_KEY", KEY.hex())
    await remote.advertise(service_data=sealed(KEY, remote.address, 1000, PLAIN[1:]))
    request = air.request(address=remote.address, bindkey_env="RET_KEY")
    async with air.running(QuickDriver([request], log.context())):
        await log.until(lambda: log.state() is LIVE)
        await remote.advertise(service_data=sealed(KEY, remote.address, 999, bytes.fromhex("021913")))
        await log.until(lambda: log.state() is LOST)
        heard = {s.value for s in temperatures(log)}
    assert heard == {25.06}


async def test_check_says_that_the_key_is_wrong_and_what_is_behind_the_right_one(
    air: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    remote, log = await air.remote(), air.log()
    monkeypatch.setenv("RIGHT", KEY.hex())
    monkeypatch.setenv("WRONG", KEY[::-1].hex())
    await remote.advertise(service_data=sealed(KEY, remote.address, 1, PLAIN[1:]))
    requests = [
        air.request(key, address=remote.address, bindkey_env=key) for key in ("RIGHT", "WRONG", "ABSENT")
    ]
    right, wrong, absent = await BthomeDriver(requests, log.context()).reach(2.5)
    assert right.ok
    assert right.text.endswith("dBm) with temperature, humidity")
    assert wrong.text == "found, but its advertisements cannot be decrypted with the bind key given"
    assert wrong.next_step.startswith("compare the key with the probe's")
    assert absent.text == "found, but the environment variable ABSENT of bindkey_env is not set"


async def test_the_silence_of_a_probe_that_speaks_on_change_is_no_fault(air: Any) -> None:
    remote, other, log = await air.remote(), await air.remote(), air.log()
    await remote.advertise(service_data=b"\x44" + PLAIN[1:])
    await other.advertise(name="other", service_data=PLAIN)
    requests = [air.request(address=remote.address), air.request("sup", name="other")]
    async with air.running(QuickDriver(requests, log.context())):
        await log.until(lambda: len(temperatures(log)) >= 2)
        await remote.hide()
        await other.hide()
        await log.until(lambda: log.state("sup") is LOST)
        heard = len(log.values(Quantity.TEMPERATURE))
        await remote.advertise(service_data=bytes.fromhex("44021913"))
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE)) > heard)
    assert log.states() == [SEARCHING, LIVE, LIVE]
    assert sum("it broadcasts only when something changes" in text for *_, text in log.links) == 1


async def test_who_speaks_on_change_and_comes_back_with_another_address_is_used_and_that_is_told(
    air: Any,
) -> None:
    one, two, other, log = await air.remote(), await air.remote(), await air.remote(), air.log()
    await one.advertise(name="door", service_data=b"\x44" + PLAIN[1:])
    await other.advertise(name="other", service_data=PLAIN)
    requests = [air.request(name="door"), air.request("sup", name="other")]
    async with air.running(QuickDriver(requests, log.context())):
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE, "ret")) >= 2)
        await log.until(lambda: log.state("sup") is LIVE)
        await one.hide()
        await other.hide()
        await log.until(lambda: log.state("sup") is LOST)
        await two.advertise(name="door", service_data=bytes.fromhex("44021913"))
        await log.until(lambda: 48.89 in log.values(Quantity.TEMPERATURE, "ret"))
    assert LOST not in log.states("ret")
    [told] = [text for *_, text in log.links if "is used now" in text]
    assert f"{one.address}, {two.address}; the first is silent" in told


async def test_a_stranger_that_cannot_be_read_is_no_sign_of_life_of_a_probe_that_was(air: Any) -> None:
    one, stranger, log = await air.remote(), await air.remote(), air.log()
    await one.advertise(name="duct", service_data=PLAIN)
    async with air.running(QuickDriver([air.request(name="duct")], log.context())):
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE)) >= 2)
        await one.hide()
        await log.until(lambda: log.state() is LOST)
        await stranger.advertise(name="duct", service_data=ENCRYPTED)
        await log.until(lambda: any(stranger.address in text for *_, text in log.links))
        assert log.state() is LOST
        await one.advertise(name="duct", service_data=bytes.fromhex("40021913"))
        await log.until(lambda: 48.89 in log.values(Quantity.TEMPERATURE))
    assert log.states()[:5] == [SEARCHING, LIVE, LOST, LOST, LIVE]
    assert log.links[3][2].startswith(
        f'probe "ret": {stranger.address} has the name "duct" too: its advertisements are encrypted'
    )


async def test_check_waits_for_the_packet_with_the_main_quantity(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.advertise(service_data=bytes.fromhex("400161"))
    driver = BthomeDriver([air.request("ret", Quantity.TEMPERATURE, address=remote.address)], log.context())
    looking = asyncio.ensure_future(driver.reach(20.0))
    heard: asyncio.Queue[str] = asyncio.Queue()
    with shared_radio("hci0").listening(lambda sighting: heard.put_nowait(sighting.address)):
        async with asyncio.timeout(20):
            for _ in range(2):  # the first may come while the scan begins
                while await heard.get() != remote.address:
                    pass
        await remote.advertise(service_data=bytes.fromhex("40021913"))
        [ret] = await looking
    assert ret.ok
    assert ret.text.endswith("dBm) with battery, temperature")


async def test_packets_that_never_could_be_read_are_told(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.advertise(service_data=bytes.fromhex("40"))
    async with air.running(BthomeDriver([air.request(address=remote.address)], log.context())):
        await log.until(lambda: REFUSED in [link[1] for link in log.links])
        await remote.advertise(service_data=bytes.fromhex("40021913"))
        await log.until(lambda: temperature(48.89) in log.samples)
    assert [link[1] for link in log.links][-1] is LIVE


async def test_a_stranger_of_its_name_does_not_keep_a_sealed_probe_out(air: Any, tmp_path: Path) -> None:
    stranger, probe, log = await air.remote(), await air.remote(), air.log()
    key = tmp_path / "key"
    key.write_text(KEY.hex())
    await stranger.advertise(name="duct", service_data=PLAIN)
    options = {"name": "duct", "bindkey_file": str(key)}
    async with air.running(BthomeDriver([air.request(**options)], log.context())):
        await log.until(lambda: REFUSED in [link[1] for link in log.links])
        await probe.advertise(name="duct", service_data=sealed(KEY, probe.address, 1000, PLAIN[1:]))
        await log.until(lambda: temperature(25.06) in log.samples)


@pytest.mark.parametrize("around", ["{}", "0x{}", " 0x{}", "{} ", "\t0X{}"])
@pytest.mark.parametrize("place", ["bindkey_file", "bindkey_env", "mac"])
def test_a_key_in_the_place_of_its_place_is_refused_and_not_shown(place: str, around: str) -> None:
    with pytest.raises(ValueError, match=place) as refused:
        BthomeDriver.Options.model_validate({"address": "x", place: around.format(KEY.hex())})
    assert "this is a bind key" in str(refused.value)
    assert KEY.hex() not in str(refused.value)


@pytest.mark.parametrize("place", ["address", "name", "mac"])
def test_a_key_in_the_place_of_the_device_is_refused_and_not_shown(place: str) -> None:
    keys = {"address": "x", "bindkey_env": "K"} if place == "mac" else {}
    with pytest.raises(ValueError, match=place) as refused:
        BthomeDriver.Options.model_validate(keys | {place: KEY.hex()})
    assert "bind key" in str(refused.value)
    assert KEY.hex() not in str(refused.value)


@pytest.mark.parametrize("digits", [30, 31, 33, 34])
def test_most_of_a_key_is_not_shown_either(digits: int) -> None:
    text = (KEY.hex() * 2)[:digits]
    with pytest.raises(ValueError, match="not a hardware address") as refused:
        BthomeDriver.Options.model_validate({"address": "x", "bindkey_env": "K", "mac": text})
    assert text[:30] not in str(refused.value)


def test_a_uuid_as_macos_gives_it_is_an_address() -> None:
    uuid = "231D39C1-D7CC-1AB1-AEE2-24CD096DB932"
    assert BthomeDriver.Options.model_validate({"address": uuid}).wanted.address == uuid


@pytest.mark.bluetooth
async def test_a_service_that_ends_is_said_and_not_the_probes_battery(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.advertise(service_data=bytes.fromhex("4002ca09"))
    async with air.running(QuickDriver([air.request(address=remote.address)], log.context())):
        await log.until(lambda: log.state() is LIVE)
        air.bluez.stop()
        try:
            await log.until(lambda: log.state() is LOST)
        finally:
            air.bluez.start()
            await air.bluez.ready()
        await remote.make_again()
        await log.until(lambda: log.state() is LIVE)
        await remote.hide()
        await log.until(lambda: log.state() is LOST)
    lost = [text for _, state, text in log.links if state is LOST]
    assert len(lost) == 2
    assert "the system's Bluetooth service is not running; start it" in lost[0]
    assert "battery" in lost[1]  # the probe's own silence
