"""The ``ess`` driver with real bleak against a BlueZ mock on a private D-Bus.

Expected values are those of the literal packets in ``test_ess_decode``.
"""

import asyncio
import dataclasses
from collections.abc import Mapping
from typing import Any

import pytest
from pydantic import ValidationError

from drivers.ble import Radio
from drivers.ble_errors import RadioError
from drivers.ess.driver import EssDriver
from drivers.ess.options import EssOptions
from drivers.gatt.life import TRANSITIONS, Outcome, Step
from drivers.heard import Sighting
from drivers.probe import Wanted
from logger.driver_api import Flag, LinkState, Quantity, Sample
from tests.shell.stand_ins import READY_S

TEMPERATURE, HUMIDITY, PRESSURE, TRUE_WIND, WIND, BATTERY = 0x2A6E, 0x2A6F, 0x2A6D, 0x2A70, 0x2A72, 0x2A19
SEARCHING, CONNECTING, LIVE, LOST = (
    LinkState.SEARCHING,
    LinkState.CONNECTING,
    LinkState.LIVE,
    LinkState.LOST,
)
C_21_37, C_48_89, C_MINUS_5 = bytes.fromhex("5908"), bytes.fromhex("1913"), bytes.fromhex("0cfe")


class QuickDriver(EssDriver):
    """Short times, so that a test takes seconds."""

    search_s = 2.5
    silence_s = 0.5
    ask_after_s = 0.2


@pytest.mark.bluetooth
async def test_notifications_arrive_in_order_after_a_first_read(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(
        air.Char(TEMPERATURE, C_21_37, ("read", "notify")),
        air.Char(HUMIDITY, bytes.fromhex("d711"), ("notify",)),
        air.Char(BATTERY, bytes.fromhex("64"), ("read",), 0x180F),
    )
    await remote.advertise()
    async with air.running(EssDriver([air.request(address=remote.address.lower())], log.context())):
        await remote.subscribed(TEMPERATURE, HUMIDITY)
        remote.notify(TEMPERATURE, C_48_89)
        remote.notify(HUMIDITY, bytes.fromhex("ffff"))
        remote.notify(TEMPERATURE, C_MINUS_5)
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE)) >= 3)
        await log.until(lambda: bool(log.values(Quantity.HUMIDITY)))
    assert log.values(Quantity.TEMPERATURE) == [21.37, 48.89, -5.0]
    assert Sample(probe="ret", quantity=Quantity.HUMIDITY, value=655.35, flag=Flag.NOT_KNOWN) in log.samples
    assert log.values(Quantity.BATTERY) == [100.0]
    assert len(log.values(Quantity.SIGNAL)) == 1
    assert log.states() == [SEARCHING, CONNECTING, LIVE, LIVE]
    assert [text for *_, text in log.links[2:]] == [
        'probe "ret": live with temperature (notifies), humidity (notifies), battery level (is read)',
        'probe "ret": it sends the code for a humidity that is not known; wait until it has measured, and '
        "look at its sensor; such values are stored and not used",
    ]


@pytest.mark.bluetooth
async def test_a_probe_that_cannot_notify_is_read(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    pressure = air.Char(PRESSURE, bytes.fromhex("3fdd0c00"), ("read",))
    await remote.serve(pressure)
    await remote.advertise(name="roof")
    request = air.request("out", Quantity.PRESSURE, name="roof", read_every="50 ms")
    async with air.running(EssDriver([request], log.context())):
        await log.until(lambda: len(log.values(Quantity.PRESSURE, "out")) >= 5)
        assert len(log.values(Quantity.PRESSURE, "out")) == pressure.reads
    assert set(log.values(Quantity.PRESSURE, "out")) == {84_307.1}
    assert log.states("out") == [SEARCHING, CONNECTING, LIVE]


@pytest.mark.bluetooth
async def test_a_lost_connection_is_told_and_made_again(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(air.Char(TEMPERATURE, C_21_37, ("notify",)))
    await remote.advertise()
    async with air.running(EssDriver([air.request(address=remote.address)], log.context())):
        for value in (C_21_37, C_48_89, C_MINUS_5):
            await remote.subscribed(TEMPERATURE)
            seen = len(log.samples)
            remote.notify(TEMPERATURE, value)
            await log.until(lambda seen=seen: len(log.samples) > seen and log.state() is LIVE)
            await remote.drop()
            await log.until(lambda: log.state() is LOST)
    assert log.values(Quantity.TEMPERATURE) == [21.37, 48.89, -5.0]
    assert log.states() == [SEARCHING, CONNECTING, LIVE, LOST, LIVE, LOST, LIVE, LOST]


@pytest.mark.bluetooth
async def test_a_silent_probe_is_told_once_and_connected_anew(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(air.Char(TEMPERATURE, C_21_37, ("notify",)))
    await remote.advertise()
    async with air.running(QuickDriver([air.request(address=remote.address)], log.context())):
        await remote.subscribed(TEMPERATURE)
        remote.notify(TEMPERATURE, C_21_37)
        await log.until(lambda: log.state() is LOST)  # it says no more
        await remote.unsubscribed(TEMPERATURE)
        await remote.subscribed(TEMPERATURE)  # connected anew, still silent
        await remote.unsubscribed(TEMPERATURE)
        await remote.subscribed(TEMPERATURE)
        remote.notify(TEMPERATURE, C_48_89)
        await log.until(lambda: log.state() is LIVE)
    assert log.states() == [SEARCHING, CONNECTING, LIVE, LOST, LIVE]
    assert 'probe "ret": connected, but it sends nothing; connecting anew' in [text for *_, text in log.links]
    assert log.values(Quantity.TEMPERATURE) == [21.37, 48.89]


@pytest.mark.bluetooth
async def test_a_probe_that_notifies_only_on_change_is_asked_and_not_lost(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    temperature = air.Char(TEMPERATURE, C_21_37, ("read", "notify"))
    await remote.serve(temperature)
    await remote.advertise()
    async with air.running(QuickDriver([air.request(address=remote.address)], log.context())):
        # Four times its asking interval is longer than the time of silence.
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE)) >= 5)
    assert set(log.values(Quantity.TEMPERATURE)) == {21.37}
    assert log.states() == [SEARCHING, CONNECTING, LIVE]


@pytest.mark.bluetooth
async def test_a_probe_that_is_not_there_is_told_once_while_others_deliver(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(air.Char(TEMPERATURE, C_21_37, ("read",)))
    await remote.advertise()
    requests = [
        air.request("sup", address="00:00:00:00:00:99"),
        air.request(address=remote.address, read_every="50 ms"),
    ]
    async with air.running(QuickDriver(requests, log.context())):
        await log.until(lambda: LOST in log.states("sup") and len(log.values(Quantity.TEMPERATURE)) >= 3)
        late = len(log.values(Quantity.TEMPERATURE)) + 20
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE)) >= late)
    assert [text for name, _, text in log.links if name == "sup"] == [
        'probe "sup": searching for address 00:00:00:00:00:99',
        'probe "sup": not found in 2.5 s (address 00:00:00:00:00:99); switch it on, bring it closer, '
        "and compare its address or name; close any app or other program that may hold its connection; "
        "still searching",
    ]


@pytest.mark.bluetooth
async def test_a_packet_of_wrong_length_is_told_once_and_the_next_one_counts(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(air.Char(TEMPERATURE, b"", ("notify",)))
    await remote.advertise()
    async with air.running(EssDriver([air.request(address=remote.address)], log.context())):
        await remote.subscribed(TEMPERATURE)
        for value in (C_21_37, b"\x00", b"\x00\x01\x02", C_48_89):
            remote.notify(TEMPERATURE, value)
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE)) == 2)
    assert log.values(Quantity.TEMPERATURE) == [21.37, 48.89]
    assert [text for *_, text in log.links if "bytes" in text] == [
        'probe "ret": temperature (0x2A6E) came with 1 bytes instead of 2; such packets are left out'
    ]


@pytest.mark.bluetooth
async def test_a_restart_of_the_bluetooth_service_is_survived(
    air: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drivers.ble.DISCONNECT_S", 0.5)
    # BlueZ gives a device the same GATT handles as before; the mock does on an unused adapter only.
    remote, log = await air.remote(fresh=True), air.log()
    await remote.serve(air.Char(TEMPERATURE, C_21_37, ("read",)))
    await remote.advertise()
    request = air.request(address=remote.address, read_every="50 ms")
    async with air.running(QuickDriver([request], log.context())):
        await log.until(lambda: log.state() is LIVE)
        air.bluez.stop()
        try:
            await log.until(lambda: log.state() is LOST)
        finally:
            air.bluez.start()
            await air.bluez.ready()
        await remote.make_again()
        await log.until(lambda: log.state() is LIVE)
    assert any("the system's Bluetooth service is not running; start it" in text for *_, text in log.links)


@pytest.mark.bluetooth
async def test_a_fault_behind_the_driver_is_not_swallowed_by_the_radio(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(air.Char(TEMPERATURE, b"", ("notify",)))
    await remote.advertise()
    context = dataclasses.replace(log.context(), emit=fail_on_temperature)
    async with air.running(EssDriver([air.request(address=remote.address)], context)) as task:
        await remote.subscribed(TEMPERATURE)
        remote.notify(TEMPERATURE, C_21_37)
        with pytest.raises(ExceptionGroup) as caught:
            await asyncio.wait_for(task, 20)
    assert caught.group_contains(ZeroDivisionError)


def fail_on_temperature(sample: Sample) -> None:
    if sample.quantity is Quantity.TEMPERATURE:
        raise ZeroDivisionError


@pytest.mark.bluetooth
async def test_second_values_of_a_quantity_are_passed_over_and_named(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(
        air.Char(WIND, bytes.fromhex("0000"), ("read",)),
        air.Char(TRUE_WIND, bytes.fromhex("c401"), ("read",)),
    )
    await remote.advertise()
    request = air.request("duct", Quantity.VELOCITY, address=remote.address)
    async with air.running(EssDriver([request], log.context())):
        await log.until(lambda: bool(log.values(Quantity.VELOCITY, "duct")))
    assert set(log.values(Quantity.VELOCITY, "duct")) == {4.52}
    assert (
        "duct",
        LIVE,
        'probe "duct": one apparent wind speed value is passed over, another one already gives the velocity; '
        "to use it, write velocity = 2",
    ) in log.links


@pytest.mark.bluetooth
async def test_a_connection_left_over_from_a_killed_process_is_taken_on(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(air.Char(TEMPERATURE, C_21_37, ("read",)))
    await remote.advertise()
    async with air.running(EssDriver([air.request(address=remote.address)], log.context())):
        await log.until(lambda: log.state() is LIVE)
    await remote.connect_from_outside()
    await remote.hide()  # a connected probe does not advertise
    again = air.log()
    async with air.running(QuickDriver([air.request(address=remote.address)], again.context())):
        await again.until(lambda: again.state() is LIVE)
    assert again.values(Quantity.TEMPERATURE)[0] == 21.37
    assert again.values(Quantity.SIGNAL) == []


@pytest.mark.bluetooth
async def test_descriptors_choose_the_value_and_give_the_pace_and_the_make_is_told(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    water = bytes.fromhex("0000 01 000000 000000 02 ff")
    of_air = bytes.fromhex("0000 01 000000 050000 01 ff")  # a new value every 5 s
    await remote.serve(
        air.Char(TEMPERATURE, C_48_89, ("read",), descriptors=((0x290C, water), (0x2901, b"Coil"))),
        air.Char(TEMPERATURE, C_21_37, ("read",), descriptors=((0x290C, of_air), (0x2901, b"Duct"))),
        air.Char(HUMIDITY, bytes.fromhex("d711"), descriptors=((0x290D, b"\x03"),)),
        air.Char(0x2A29, b"Nobody & Sons\x00", ("read",), 0x180A),
        air.Char(0x2A24, b"\x1b[31mModel \xff", ("read",), 0x180A),
        air.Char(0x2A25, None, ("read",), 0x180A),  # it refuses
        air.Char(0x2A26, b"1.0", ("read",), 0x180A),
    )
    await remote.advertise()
    told: list[tuple[str, Mapping[str, str]]] = []
    context = dataclasses.replace(log.context(), about=lambda *what: told.append(what))
    async with air.running(EssDriver([air.request(address=remote.address)], context)):
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE)) >= 2)
    assert set(log.values(Quantity.TEMPERATURE)) == {21.37}
    assert told == [("ret", {"maker": "Nobody & Sons", "model": "[31mModel \ufffd"})]
    assert [text.removeprefix('probe "ret": ') for *_, text in log.links[2:]] == [
        "live with temperature (is read), humidity (notifies)",
        'one temperature, "Coil", water, instantaneous value is passed over, by its own word it is not of '
        "the air now; to use it, write temperature = 1",
        "temperature by the probe's own word: air, instantaneous, new every 5 s; the config's u95 counts",
        "temperature is read every 5 s, as often as the probe has a new one; set the probe's max_age above "
        "that",
        "humidity is notified only when the value changes, so that a silence is no fault; it is asked in "
        "between; that is the probe's setting and stays as it is",
    ]


@pytest.mark.bluetooth
async def test_a_thermometer_indicates_in_its_own_unit(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(
        air.Char(0x2A1C, b"", ("indicate",), 0x1809),
        air.Char(0x2A21, bytes.fromhex("0500"), ("read",), 0x1809),
        air.Char(BATTERY, b"\x32", ("read",), 0x180F),
    )
    await remote.advertise()
    async with air.running(EssDriver([air.request(address=remote.address)], log.context())):
        await remote.subscribed(0x2A1C)
        remote.notify(0x2A1C, bytes.fromhex("006c0100ff"))  # 36.4 degC
        remote.notify(0x2A1C, bytes.fromhex("01d40300ff"))  # 98.0 degF
        remote.notify(0x2A1C, bytes.fromhex("00ffff7f00"))  # not a number
        await log.until(lambda: len(log.values(Quantity.TEMPERATURE)) == 3)
    assert log.values(Quantity.TEMPERATURE)[:2] == [36.4, pytest.approx(36.67, abs=0.005)]
    assert [s.flag for s in log.samples if s.quantity is Quantity.TEMPERATURE] == [
        Flag.OK,
        Flag.OK,
        Flag.NOT_KNOWN,
    ]
    assert log.values(Quantity.BATTERY) == [50.0]
    assert log.states()[:3] == [SEARCHING, CONNECTING, LIVE]


@pytest.mark.bluetooth
async def test_a_probe_that_wants_to_be_paired_says_so(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(air.Char(TEMPERATURE, None, ("read",), refusal="Not paired"))
    await remote.advertise()
    async with air.running(QuickDriver([air.request(address=remote.address)], log.context())):
        await log.until(lambda: log.state() is LOST)
    assert log.links[-1][2] == (
        'probe "ret": no temperature: reading from the probe failed: the probe wants to be paired first; '
        "pair it once: `bluetoothctl pair ADDRESS` with the probe's address, or in the desktop's Bluetooth "
        "settings, then start again"
    )


@pytest.mark.bluetooth
async def test_a_probe_without_what_was_asked_for_is_refused_with_what_it_has(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(air.Char(TEMPERATURE, C_21_37, ("read",)))
    await remote.advertise()
    request = air.request(address=remote.address, temperature=2)
    async with air.running(EssDriver([request], log.context())):
        await log.until(lambda: log.state() is LinkState.REFUSED)
    assert log.links[-1][2] == (
        'probe "ret": temperature = 2 fits none of it: it has 1 (temperature); write one of the numbers, '
        "like temperature = 1"
    )
    assert log.values(Quantity.TEMPERATURE) == []


@pytest.mark.bluetooth
async def test_check_says_what_is_passed_over_or_cannot_be_chosen(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(
        air.Char(TEMPERATURE, C_21_37, ("read",), descriptors=((0x2901, b"Inlet"),)),
        air.Char(TEMPERATURE, C_48_89, ("read",), descriptors=((0x2901, b"Outlet"),)),
    )
    await remote.advertise()
    requests = [
        air.request("ret", address=remote.address),
        air.request("sup", address=remote.address, temperature="attic"),
    ]
    (ret,) = await EssDriver(requests[:1], log.context()).reach(2.5)
    (sup,) = await EssDriver(requests[1:], log.context()).reach(2.5)
    assert ret.ok
    assert ret.text.endswith(
        'with temperature (is read); one temperature, "Outlet" value is passed over, another one already '
        "gives the temperature; to use it, write temperature = 2"
    )
    assert (sup.ok, sup.text) == (
        False,
        'temperature = "attic" fits none of it: it has 1 (temperature, "Inlet"), 2 (temperature, "Outlet")',
    )
    assert sup.next_step == "write one of the numbers, like temperature = 1"


@pytest.mark.bluetooth
async def test_check_says_what_a_probe_has_and_what_to_do(air: Any) -> None:
    remote, empty, log = await air.remote(), await air.remote(), air.log()
    await remote.serve(
        air.Char(TEMPERATURE, C_21_37, ("read", "notify")), air.Char(BATTERY, b"\x64", ("read",), 0x180F)
    )
    await remote.advertise(name="one")
    await empty.serve(air.Char(0x2A37, b"\x00", ("notify",), 0x180D))
    await empty.advertise(name="two")
    requests = [
        air.request("ret", address=remote.address),
        air.request("duct", Quantity.VELOCITY, name="one"),
        air.request("sup", name="two"),
        air.request("out", name="nobody"),
    ]
    ret, duct, sup, out = await EssDriver(requests, log.context()).reach(2.5)
    assert (ret.ok, ret.next_step) == (True, "")
    assert ret.text.endswith("dBm) with temperature (notifies), battery level (is read)")
    assert duct.text.endswith("but no velocity")
    assert duct.next_step == "use a probe with velocity for the role return"
    assert sup.text == (
        "it has no Environmental Sensing or Health Thermometer value of the air that can be read: it has the "
        "service 180D"
    )
    assert out.text == 'not found in 2.5 s (name "nobody")'
    assert out.next_step.endswith("; close any app or other program that may hold its connection")
    assert [each.ok for each in (ret, duct, sup, out)] == [True, False, False, False]
    assert log.samples == []


@pytest.mark.bluetooth
async def test_two_devices_of_one_name_are_told_apart_by_address_only(air: Any) -> None:
    for _ in range(2):
        await (await air.remote()).advertise(name="twin")
    [ret] = await EssDriver([air.request(name="twin")], air.log().context()).reach(2.5)
    assert ret.text.startswith('2 devices have the name "twin": 00:00:00:00:00:0')
    assert ret.next_step == "give the address of the right one"


@pytest.mark.bluetooth
@pytest.mark.parametrize(
    ("adapter", "text"),
    [
        (
            None,
            "the Bluetooth adapter is switched off; switch Bluetooth on: rfkill unblock bluetooth, then "
            "bluetoothctl power on",
        ),
        ("hci9", "adapter 'hci9' not found; give an adapter that is plugged in, or leave the key out"),
    ],
)
async def test_without_a_radio_the_driver_ends_with_one_sentence(
    air: Any, adapter: str | None, text: str
) -> None:
    await air.power(on=adapter is not None)
    driver = EssDriver([air.request(name="one", adapter=adapter)], air.log().context())
    try:
        with pytest.raises(RadioError) as caught:
            await driver.run()
        [ret] = await driver.reach(0.1)
    finally:
        await air.power(on=True)
    assert str(caught.value) == f"scanning for probes failed: {text}"
    assert (ret.ok, f"{ret.text}; {ret.next_step}") == (False, text)


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({}, "address or its name"),
        ({"address": "a", "name": "b"}, "one of the two"),
        ({"name": "b", "read_every": "1"}, "not a duration"),
        ({"name": "b", "read_every": "0 s"}, "not possible"),
        ({"name": "b", "every": "1 s"}, "Extra inputs"),
        ({"name": "b", "temperature": 0}, "a number from 1"),
        ({"name": "b", "humidity": True}, "a number from 1"),
        ({"name": "b", "velocity": " "}, "a number from 1"),
        ({"name": "b", "pressure": 1.0}, "a number from 1"),
    ],
)
def test_options_that_cannot_work_are_refused(options: dict[str, Any], text: str) -> None:
    with pytest.raises(ValidationError, match=text):
        EssOptions.model_validate(options)


def test_options_survive_being_dumped_and_read_again() -> None:
    options = EssOptions(address="AA:BB:CC:00:00:02", read_every="500 ms")
    assert EssOptions.model_validate(options.model_dump()) == options
    assert options.wanted == Wanted(address="AA:BB:CC:00:00:02")
    which = EssOptions(name="b", temperature=2, humidity="Supply air")
    assert EssOptions.model_validate(which.model_dump()) == which
    assert (which.which(Quantity.TEMPERATURE), which.which(Quantity.BATTERY)) == (2, None)


def test_the_table_leads_from_every_outcome_of_a_step_back_to_searching() -> None:
    for (step, _), then in TRANSITIONS.items():
        assert then in {s for s, _ in TRANSITIONS} | {Step.SEARCH}
        assert step in Step
    assert {outcome for _, outcome in TRANSITIONS} == set(Outcome)


@pytest.mark.bluetooth
async def test_after_a_loss_the_same_one_of_two_with_a_name_is_used_or_none(
    air: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    find, not_by_name = Radio.find, asyncio.Event()

    async def noted(radio: Radio, wanted: Wanted, *args: Any, **options: Any) -> Sighting | None:
        found = await find(radio, wanted, *args, **options)
        if found is None and wanted.name is not None:
            not_by_name.set()
        return found

    monkeypatch.setattr(Radio, "find", noted)
    one, two, log = await air.remote(), await air.remote(), air.log()
    for remote, value in ((one, C_21_37), (two, C_48_89)):
        await remote.serve(air.Char(TEMPERATURE, value, ("read",)))
    await one.advertise(name="twin")
    async with air.running(QuickDriver([air.request(name="twin")], log.context())):
        await log.until(lambda: 21.37 in log.values(Quantity.TEMPERATURE))
        await two.advertise(name="twin")
        async with asyncio.timeout(2 * READY_S):
            while not any("devices have" in text for _, _, text in log.links):  # the other one is heard
                await one.drop()
                await log.until(lambda: log.state() is LOST)
                await log.until(lambda: log.state() is LIVE)
        await one.hide()
        await one.drop()
        async with asyncio.timeout(READY_S):
            await not_by_name.wait()  # a whole search by name, with the other one in reach
        await one.advertise(name="twin")
        await log.until(lambda: log.state() is LIVE)
    assert set(log.values(Quantity.TEMPERATURE)) == {21.37}
    assert [text for _, _, text in log.links if "devices have" in text] == [
        f'probe "ret": 2 devices have the name "twin": {one.address}, {two.address}; only the first is used, '
        "give the address of the right one"
    ]


@pytest.mark.bluetooth
async def test_one_of_the_name_that_is_heard_after_the_first_is_gone_is_used_and_told(air: Any) -> None:
    one, two, log = await air.remote(), await air.remote(), air.log()
    for remote, value in ((one, C_21_37), (two, C_48_89)):
        await remote.serve(air.Char(TEMPERATURE, value, ("read",)))
    await one.advertise(name="twin")
    async with air.running(QuickDriver([air.request(name="twin")], log.context())):
        await log.until(lambda: 21.37 in log.values(Quantity.TEMPERATURE))
        await one.hide()
        await one.drop()
        await log.until(lambda: log.state() is LOST)
        await two.advertise(name="twin")
        await log.until(lambda: 48.89 in log.values(Quantity.TEMPERATURE))
    [told] = [text for _, _, text in log.links if "is used now" in text]
    assert f"{one.address}, {two.address}; the first is not heard any more" in told


@pytest.mark.bluetooth
async def test_another_one_of_the_name_is_told_while_the_probe_is_live(air: Any) -> None:
    one, two, log = await air.remote(), await air.remote(), air.log()
    await one.serve(air.Char(TEMPERATURE, C_21_37, ("read",)))
    await one.advertise(name="twin")
    requests = [air.request("ret", name="twin"), air.request("sup", address="00:00:00:00:00:99")]
    async with air.running(QuickDriver(requests, log.context())):  # who is searched for keeps the scan on
        await log.until(lambda: LIVE in log.states("ret"))
        await two.advertise(name="twin")
        await log.until(lambda: any(two.address in text for _, _, text in log.links))
    [told] = [(probe, state) for probe, state, text in log.links if two.address in text]
    assert told == ("ret", LIVE)


@pytest.mark.bluetooth
async def test_a_probe_that_speaks_only_on_change_is_not_cut_off_for_its_silence(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    await remote.serve(air.Char(TEMPERATURE, C_21_37, ("notify",), descriptors=((0x290D, b"\x03"),)))
    await remote.advertise()
    async with air.running(QuickDriver([air.request(address=remote.address)], log.context())):
        await remote.subscribed(TEMPERATURE)
        remote.notify(TEMPERATURE, C_21_37)
        await log.until(lambda: log.state() is LIVE)
        await asyncio.sleep(4 * QuickDriver.silence_s)  # a mock in another process: no clock to inject
        remote.notify(TEMPERATURE, C_48_89)
        await log.until(lambda: 48.89 in log.values(Quantity.TEMPERATURE))
        assert LOST not in log.states()
        await remote.drop()
        await log.until(lambda: log.state() is LOST)
