"""What ``check`` finds of a connected probe, against a scripted connection.

Bytes: GATT Specification Supplement (Temperature, Humidity, Temperature Measurement), IEEE 11073-20601
(FLOAT and its special codes); values of Temperature 0x0859 and 0x1913 as in ``test_ess_decode``.
"""

import asyncio
from collections.abc import Callable
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ble_errors import RadioError, Trouble, explain
from drivers.ess.driver import EssProfile
from drivers.ess.options import EssOptions
from drivers.gatt.trial import Answer, judged, tried
from drivers.gatt_map.decode import FORMATS
from drivers.gatt_map.model import ProbeMap
from drivers.gatt_map.profile import MapProfile
from drivers.heard import Characteristic, full_uuid
from drivers.links import Connection
from logger.driver_api import ProbeRequest, Quantity, Reach

C_21_37, RH_45_67, BATTERY_12 = bytes.fromhex("5908"), bytes.fromhex("d711"), b"\x0c"
TEMPERATURE, HUMIDITY, BATTERY, THERMOMETER = 0x2A6E, 0x2A6F, 0x2A19, 0x2A1C
OWN, OTHER = "7a1e0001-5c3b-4f0e-9a57-2d6c8b90e1f4", "7a1e0002-5c3b-4f0e-9a57-2d6c8b90e1f4"
Answers = dict[int | str, bytes | Exception]


def characteristic(uuid: int | str, flags: str, service: int | str = 0x181A) -> Characteristic:
    return Characteristic(
        service_uuid=service if isinstance(service, str) else full_uuid(service),
        uuid=uuid if isinstance(uuid, str) else full_uuid(uuid),
        can_read="r" in flags,
        can_notify="n" in flags,
        can_write="w" in flags,
        handle=cast("Any", None),
    )


class Scripted:
    """Reads are answered from a table; ``sent`` is notified as soon as all of it is subscribed to."""

    def __init__(self, *characteristics: Characteristic, reads: Answers, sent: tuple[Any, ...] = ()) -> None:
        self.characteristics = characteristics
        self.lost = asyncio.Event()
        self.reads, self.sent = reads, sent
        self.callbacks: dict[int | str, Callable[[bytes], None]] = {}
        self.written: list[bytes] = []

    async def read(self, each: Characteristic) -> bytes:
        answer = self.reads[each.uuid16 or each.uuid]
        if isinstance(answer, Exception):
            raise answer
        return answer

    async def descriptors(self, each: Characteristic, uuid16: int) -> list[bytes]:
        return []

    async def write(self, each: Characteristic, payload: bytes) -> None:
        self.written.append(payload)

    async def notify(self, each: Characteristic, callback: Callable[[bytes], None]) -> None:
        self.callbacks[each.uuid16 or each.uuid] = callback
        for uuid, payload in self.sent:
            if uuid == (each.uuid16 or each.uuid):
                asyncio.get_running_loop().call_soon(callback, payload)


async def look(
    connection: Scripted,
    profile: Any = None,
    *wanted: Quantity,
    wait_s: float = 0.05,
) -> Reach:
    profile = profile or EssProfile(EssOptions(name="ret"))
    plan = await profile.plan(cast("Connection", connection))
    request = ProbeRequest(
        name="ret", role="return", quantities=wanted or (Quantity.TEMPERATURE, Quantity.HUMIDITY), options={}
    )
    answers = await tried(cast("Connection", connection), plan, wait_s)
    return judged(request, plan, answers, "found")


def mapped(**keys: Any) -> MapProfile:
    value = {"quantity": "temperature", "unit": "degC", "format": "sint16", "service": OWN}
    whole = {
        "schema": "riselog.gatt-map/1",
        "title": "made",
        "value": [{**value, "characteristic": OTHER, **keys}],
    }
    return MapProfile(ProbeMap.model_validate(whole), 1.0)


def refusal(text: str) -> RadioError:
    """What the radio makes of BlueZ's words for a value that asks for pairing (its ``src/error.h``)."""
    error = RuntimeError("org.bluez.Error.NotPermitted", text)
    return explain("reading from the probe", error)


async def test_each_value_of_the_probe_is_read_once() -> None:
    probe = Scripted(
        characteristic(TEMPERATURE, "rn"),
        characteristic(HUMIDITY, "r"),
        characteristic(BATTERY, "r", 0x180F),
        reads={TEMPERATURE: C_21_37, HUMIDITY: RH_45_67, BATTERY: BATTERY_12},
    )
    got = await look(probe)
    assert (got.ok, got.next_step) == (True, "")
    assert got.values == (
        (Quantity.TEMPERATURE, 21.37),
        (Quantity.HUMIDITY, 45.67),
        (Quantity.BATTERY, 12.0),
    )
    assert probe.callbacks == {}  # what was read need not be waited for


async def test_what_can_only_notify_is_waited_for() -> None:
    probe = Scripted(
        characteristic(TEMPERATURE, "n"), reads={}, sent=((TEMPERATURE, C_21_37), (TEMPERATURE, b""))
    )
    got = await look(probe, wait_s=20.0)  # ends with the first packet, not with the time
    assert (got.ok, got.values) == (True, ((Quantity.TEMPERATURE, 21.37),))


async def test_a_probe_that_is_not_paired_is_no_good_and_says_how_to_pair() -> None:
    unpaired: Answers = {TEMPERATURE: refusal("Not paired"), HUMIDITY: refusal("Not paired")}
    probe = Scripted(characteristic(TEMPERATURE, "r"), characteristic(HUMIDITY, "r"), reads=unpaired)
    got = await look(probe)
    assert (got.ok, got.values) == (False, ())
    assert got.text == "found, but the probe wants to be paired first"
    assert "pair" in got.next_step


async def test_a_humidity_that_is_refused_is_named_and_the_temperature_is_kept() -> None:
    probe = Scripted(
        characteristic(TEMPERATURE, "r"),
        characteristic(HUMIDITY, "r"),
        reads={TEMPERATURE: C_21_37, HUMIDITY: refusal("Not paired")},
    )
    got = await look(probe)
    assert not got.ok
    assert got.values == ((Quantity.TEMPERATURE, 21.37),)
    only_warm = await look(probe, None, Quantity.TEMPERATURE)
    assert only_warm.ok
    assert "no humidity: the probe wants to be paired first" in only_warm.text


async def test_a_map_of_another_length_says_both_and_the_key() -> None:
    probe = Scripted(characteristic(OTHER, "r", OWN), reads={OTHER: bytes(8)})
    got = await look(probe, mapped(length=9), Quantity.TEMPERATURE)
    assert not got.ok
    assert got.text == "found, but the map says length = 9 for the temperature, and the probe sends 8 bytes"
    assert "write length = 8" in got.next_step
    assert got.key == ("map", "value", 0, "length")


async def test_a_map_of_the_wrong_unit_says_which_one_it_has_and_which_may_be_meant() -> None:
    """118 °F is 47.8 °C; 118 K is -155.15 °C (definitions of the kelvin's and Fahrenheit's scales)."""
    probe = Scripted(characteristic(OTHER, "r", OWN), reads={OTHER: (118).to_bytes(2, "little")})
    got = await look(probe, mapped(unit="K"), Quantity.TEMPERATURE)
    assert not got.ok
    assert got.text.startswith(
        "found, but its temperature of -155.1 °C (-247.3 °F) cannot be (-60 to 150 °C)"
    )
    assert "the map reads 118 K, which would be " in got.text
    assert "47.8 °C (118.0 °F) as " in got.text
    assert got.key == ("map", "value", 0, "unit")
    assert got.values == ()


async def test_the_raw_limits_of_a_map_are_named_as_the_cause() -> None:
    probe = Scripted(characteristic(OTHER, "r", OWN), reads={OTHER: (50).to_bytes(2, "little")})
    got = await look(probe, mapped(high=40), Quantity.TEMPERATURE)
    assert "outside what the map allows for the raw number (high = 40)" in got.text
    assert got.key == ("map", "value", 0, "high")


async def test_a_code_for_not_known_is_no_value() -> None:
    probe = Scripted(characteristic(TEMPERATURE, "r"), reads={TEMPERATURE: bytes.fromhex("0080")})
    got = await look(probe)
    assert (got.ok, got.text) == (False, "found, but it sends the code for a temperature that is not known")


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ("00ffff7f00", "code NaN"),
        ("0000008000", "code NRes"),
        ("00feff7f00", "code +INFINITY"),
        ("0002008000", "code -INFINITY"),
        ("0001008000", "keeps for later"),
    ],
)
async def test_a_thermometers_special_codes_are_said_in_words(payload: str, words: str) -> None:
    probe = Scripted(
        characteristic(THERMOMETER, "n", 0x1809), reads={}, sent=((THERMOMETER, bytes.fromhex(payload)),)
    )
    got = await look(probe)
    assert not got.ok
    assert words in got.text
    assert "8388" not in got.text  # the code's own number is no temperature


@pytest.mark.parametrize(
    ("form", "payload", "words"),
    [  # IEEE 11073-20601 (SFLOAT-Type), IEEE 754 binary32
        ("sfloat11073", "ff07", "code NaN"),
        ("sfloat11073", "fe07", "code +INFINITY"),
        ("float11073", "02008000", "code -INFINITY"),
        ("float32", "0000c07f", "code NaN"),
        ("float32", "000080ff", "code -INFINITY"),
    ],
)
async def test_the_special_codes_of_a_maps_floats_are_said_in_words(
    form: str, payload: str, words: str
) -> None:
    probe = Scripted(characteristic(OTHER, "r", OWN), reads={OTHER: bytes.fromhex(payload)})
    got = await look(probe, mapped(format=form), Quantity.TEMPERATURE)
    assert not got.ok
    assert got.text.startswith(f"found, but in place of a temperature it sends the {words}: ")


async def test_a_thermometer_that_has_first_no_value_is_waited_for() -> None:
    sent = tuple((THERMOMETER, bytes.fromhex(each)) for each in ("00ffff7f00", "01d40300ff"))
    probe = Scripted(characteristic(THERMOMETER, "n", 0x1809), reads={}, sent=sent)
    got = await look(probe, wait_s=20.0)
    assert got.ok
    assert dict(got.values)[Quantity.TEMPERATURE] == pytest.approx(36.67, abs=0.005)  # 98.0 °F


async def test_a_read_that_is_refused_is_no_fault_where_notifications_come() -> None:
    probe = Scripted(
        characteristic(TEMPERATURE, "rn"),
        reads={TEMPERATURE: refusal("Read not permitted")},
        sent=((TEMPERATURE, C_21_37),),
    )
    got = await look(probe, wait_s=20.0)
    assert (got.ok, got.values) == (True, ((Quantity.TEMPERATURE, 21.37),))


async def test_a_probe_that_sends_nothing_is_no_good() -> None:
    got = await look(Scripted(characteristic(TEMPERATURE, "n"), reads={}))
    assert (got.ok, got.text) == (False, "found, but it sends no temperature: nothing came in 0.05 s")


async def test_packets_of_another_kind_are_told_from_silence() -> None:
    probe = Scripted(characteristic(OTHER, "n", OWN), reads={}, sent=((OTHER, bytes(3)),))
    profile = mapped(when={"offset": 2, "equals": 7})
    got = await look(probe, profile, Quantity.TEMPERATURE)
    assert not got.ok
    assert "no packet of the 0.05 s listened to had a temperature" in got.text
    assert "when" in got.next_step


async def test_a_thermometer_that_speaks_seldom_by_its_own_word_is_not_blamed() -> None:
    probe = Scripted(
        characteristic(THERMOMETER, "n", 0x1809),
        characteristic(0x2A21, "r", 0x1809),
        reads={0x2A21: (60).to_bytes(2, "little")},
    )
    got = await look(probe)
    assert got.ok
    assert got.values == ()
    assert "no temperature seen yet: it comes every 60 s by the probe's own word" in got.text


async def test_a_connection_that_is_lost_is_said() -> None:
    probe = Scripted(characteristic(TEMPERATURE, "n"), reads={})
    asyncio.get_running_loop().call_soon(probe.lost.set)
    got = await look(probe, wait_s=20.0)
    assert (got.ok, got.text) == (False, "found, but the connection was lost while it was looked at")


async def test_a_fault_in_decoding_is_not_swallowed() -> None:
    def broken(_payload: bytes) -> Any:
        raise ZeroDivisionError

    probe = Scripted(characteristic(TEMPERATURE, "n"), reads={}, sent=((TEMPERATURE, C_21_37),))
    plan = await EssProfile(EssOptions(name="ret")).plan(cast("Connection", probe))
    object.__setattr__(plan.sources[0], "decode", broken)
    with pytest.raises(ZeroDivisionError):
        await tried(cast("Connection", probe), plan, 20.0)


async def test_what_a_map_names_and_the_probe_lacks_is_named_with_what_there_is() -> None:
    beside = "7a1e0009-5c3b-4f0e-9a57-2d6c8b90e1f4"
    probe = Scripted(characteristic(beside, "r", OWN), characteristic(TEMPERATURE, "r"), reads={})
    plan = await mapped().plan(cast("Connection", probe))
    assert plan.refused == (
        f"it has no characteristic {OTHER} of service {OWN}, which the map names for the temperature: that "
        f"service has {beside}",
        "compare the UUIDs of the map with the probe's",
    )
    assert plan.lacks[Quantity.TEMPERATURE].key == ("map", "value", 0, "characteristic")
    other_service = await mapped(service="fff0").plan(cast("Connection", probe))
    assert other_service.refused is not None
    assert other_service.refused[0].endswith(f"it has the services {OWN}, 181A")


async def test_a_second_value_that_is_asked_for_and_absent_is_named_with_what_there_is() -> None:
    probe = Scripted(characteristic(HUMIDITY, "r"), reads={HUMIDITY: RH_45_67})
    plan = await EssProfile(EssOptions(name="ret", temperature=2)).plan(cast("Connection", probe))
    assert plan.refused == (
        "temperature = 2 asks for one of several, and it has no temperature: it has humidity",
        "remove temperature = 2, or use a probe with temperature",
    )


async def test_a_trouble_of_the_radio_keeps_its_own_words() -> None:
    trouble = RadioError("reading from the probe", Trouble("the probe does not answer", "move closer"))
    probe = Scripted(characteristic(TEMPERATURE, "r"), reads={TEMPERATURE: trouble})
    got = await look(probe)
    assert (got.text, got.next_step) == ("found, but the probe does not answer", "move closer")


VALUES = st.fixed_dictionaries(
    {
        "format": st.sampled_from(sorted(FORMATS)),
        "unit": st.sampled_from(["degC", "degF", "K"]),
        "offset": st.integers(0, 4),
        "scale": st.sampled_from([1.0, 0.01, -0.1, 1e6]),
        "byte_order": st.sampled_from(["little", "big"]),
    },
    optional={"length": st.integers(8, 12), "low": st.just(-40.0)},
)


@given(keys=VALUES, payload=st.binary(max_size=14))
def test_no_packet_is_a_fault_of_the_sentences(keys: dict[str, Any], payload: bytes) -> None:
    try:
        profile = mapped(**keys)
    except ValueError:  # a map that cannot be meant
        return
    plan = asyncio.run(profile.plan(cast("Connection", Scripted(characteristic(OTHER, "r", OWN), reads={}))))
    (source,) = plan.sources
    answer = Answer(source=source)
    answer.take(payload)
    for cause in answer.causes.values():
        assert cause.text
        assert cause.next_step
        assert (cause.text + cause.next_step).isprintable()
        assert len(cause.in_a_run) < 300 - len('probe "": ') - 20  # what an event keeps, with a name of 20
    assert set(answer.causes) | set(answer.values) == {Quantity.TEMPERATURE}
