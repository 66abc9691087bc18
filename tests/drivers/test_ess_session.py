"""One connection, against a scripted one: what the BlueZ mock does not do, or only slowly.

That BlueZ repeats a read value to its subscribers is told by bleak (its BlueZ client's
``start_notify``); the values are the literal ones of ``test_ess_decode``.
"""

import asyncio
import itertools
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, cast

import pytest
from bleak.exc import BleakDBusError

from drivers.ble import radio_errors
from drivers.ble_errors import RadioError, Trouble
from drivers.ess.driver import EssProfile
from drivers.ess.options import EssOptions
from drivers.gatt.profile import Plan, Value
from drivers.gatt.session import OUTAGE, Pace, Session
from drivers.heard import Characteristic, full_uuid
from drivers.links import Connection
from drivers.probe import LinkReport, Rhythm
from drivers.wire import CutShortError
from logger.clock import SteppedClock
from logger.core.readings import NS_PER_S
from logger.driver_api import DriverContext, Flag, LinkState, Quantity, Sample

C_21_37, C_48_89 = bytes.fromhex("5908"), bytes.fromhex("1913")


def characteristic(uuid16: int, flags: str, service: int = 0x181A, handle: object = None) -> Characteristic:
    return Characteristic(
        service_uuid=full_uuid(service),
        uuid=full_uuid(uuid16),
        can_read="r" in flags,
        can_notify="n" in flags,
        can_write=False,
        handle=cast("Any", handle),
    )


TEMPERATURE = characteristic(0x2A6E, "rn")
READ_ONLY = characteristic(0x2A6E, "r")
HUMIDITY = characteristic(0x2A6F, "r")
BATTERY = characteristic(0x2A19, "r", 0x180F)


class Scripted:
    """A connection whose reads are answered by a function; it keeps the times of the calls."""

    def __init__(self, clock: SteppedClock, *characteristics: Characteristic) -> None:
        self.characteristics = characteristics
        self.lost = asyncio.Event()
        self.reads: list[tuple[int, float]] = []
        self.callbacks: dict[int, Callable[[bytes], None]] = {}
        self.echoes: dict[int, Callable[[bytes], None]] = {}
        self.given_up = False
        self.greeting: bytes | None = None  # notified at once to a new subscriber
        self.read_takes_s = 0.0
        self.answer: Callable[[int], bytes] = lambda _: C_21_37
        self.descriptor: Callable[[int], Any] = lambda _: []
        self.descriptors_asked: list[tuple[int, int]] = []
        self._clock = clock

    def hear(self) -> None:
        pass

    def doubt(self) -> None:
        pass

    async def read(self, each: Characteristic) -> bytes:
        assert each.uuid16 is not None
        self.reads.append((each.uuid16, self._clock.now_ns() / NS_PER_S))
        await self._clock.wait_until(self._clock.now_ns() + round(self.read_takes_s * NS_PER_S))
        return self.answer(each.uuid16)

    async def descriptors(self, each: Characteristic, uuid16: int) -> list[bytes]:
        assert each.uuid16 is not None
        self.descriptors_asked.append((each.uuid16, uuid16))
        return self.descriptor(uuid16)

    async def notify(
        self, each: Characteristic, callback: Callable[[bytes], None], echo: Callable[[bytes], None]
    ) -> None:
        assert each.uuid16 is not None
        self.callbacks[each.uuid16], self.echoes[each.uuid16] = callback, echo
        if self.greeting is not None:
            asyncio.get_running_loop().call_soon(callback, self.greeting)


class Bench:
    """A session on a scripted connection, in stepped time; it ends after ``until_s``."""

    def __init__(self, *characteristics: Characteristic, until_s: float) -> None:
        self.clock = SteppedClock(speed=None, utc_start_us=0)
        self.connection = Scripted(self.clock, *characteristics)
        self.samples: list[Sample] = []
        self.said: list[tuple[LinkState, str]] = []
        self.about: list[tuple[str, Mapping[str, str]]] = []
        self.made: Plan | None = None  # in place of its own
        self._until_ns = round(until_s * NS_PER_S)

    async def plan(self) -> Plan:
        return await EssProfile(EssOptions(name="ret")).plan(cast("Connection", self.connection))

    async def run(self) -> str:
        context = DriverContext(
            emit=self.samples.append,
            link=lambda _, state, text: self.said.append((state, text)),
            now_ns=self.clock.now_ns,
            utc_us=self.clock.utc_us,
            wait_until=self.wait_until,
            about=lambda *what: self.about.append(what),
        )
        session = Session(
            cast("Connection", self.connection),
            self.made or await self.plan(),
            context,
            LinkReport("ret", context.link),
            Rhythm(least_s=10.0, unknown_s=10.0),
            Pace(ask_after=3.0, battery_every=60.0),
        )
        async with asyncio.timeout(20):
            return await session.run()

    def flags(self) -> list[Flag]:
        return [s.flag for s in self.samples if s.quantity is Quantity.TEMPERATURE]

    async def wait_until(self, t_ns: int) -> None:
        if t_ns > self._until_ns:
            self.connection.lost.set()
        await self.clock.wait_until(t_ns)


def refuse(uuid16: int) -> bytes:
    raise RadioError("reading from the probe", Trouble("the probe asks for pairing", "pair it"))


async def test_reads_lie_on_a_grid_and_the_battery_is_read_each_minute() -> None:
    bench = Bench(READ_ONLY, BATTERY, until_s=61.5)
    bench.connection.answer = lambda uuid16: b"\x64" if uuid16 == BATTERY.uuid16 else C_21_37
    assert "lost" in await bench.run()
    assert [t for uuid16, t in bench.connection.reads if uuid16 == 0x2A6E] == [float(n) for n in range(62)]
    assert [t for uuid16, t in bench.connection.reads if uuid16 == 0x2A19] == [0.0, 60.0]


async def test_a_slow_read_does_not_shift_the_grid_and_a_missed_one_is_not_caught_up() -> None:
    bench = Bench(READ_ONLY, until_s=4.5)
    bench.connection.read_takes_s = 0.4
    await bench.run()
    assert [t for _, t in bench.connection.reads] == [0.0, 1.4, 2.4, 3.4, 4.4]
    slow = Bench(READ_ONLY, until_s=8.0)
    slow.connection.read_takes_s = 1.5
    await slow.run()
    gaps = [b[1] - a[1] for a, b in itertools.pairwise(slow.connection.reads)]
    assert gaps
    assert min(gaps) >= 1.5


async def test_the_repetition_of_a_read_value_by_the_system_is_a_duplicate() -> None:
    bench = Bench(TEMPERATURE, until_s=4.0)

    def answer(uuid16: int) -> bytes:
        if bench.connection.callbacks:  # subscribed: the value comes once more, after the answer
            asyncio.get_running_loop().call_soon(bench.connection.callbacks[uuid16], C_21_37)
        return C_21_37

    bench.connection.answer = answer
    await bench.run()
    assert [t for _, t in bench.connection.reads] == [0.0, 3.0]
    assert bench.flags() == [Flag.OK, Flag.OK, Flag.DUPLICATE]


@pytest.mark.parametrize(
    ("after_s", "system", "payload", "flag"),
    [
        (2.0, "linux", C_21_37, Flag.DUPLICATE),
        (2.1, "linux", C_21_37, Flag.OK),  # so late it is a notification of its own
        (0.1, "linux", C_48_89, Flag.OK),  # another value is none of a repetition
        (0.1, "darwin", C_21_37, Flag.OK),  # only BlueZ repeats
    ],
)
async def test_a_repetition_is_a_systems_own_short_and_equal(
    after_s: float, system: str, payload: bytes, flag: Flag, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.platform", system)
    bench = Bench(TEMPERATURE, until_s=5.5)
    due_ns = round((3.0 + after_s) * NS_PER_S)  # it is asked at 3 s

    async def wait_until(t_ns: int) -> None:
        before_ns = bench.clock.now_ns()
        if before_ns < due_ns <= t_ns:
            await bench.clock.wait_until(due_ns)
            bench.connection.callbacks[0x2A6E](payload)
        await ended(t_ns)

    ended, bench.wait_until = bench.wait_until, wait_until  # type: ignore[method-assign]
    await bench.run()
    assert bench.flags()[:3] == [Flag.OK, Flag.OK, flag]


async def test_packets_that_never_could_be_read_are_a_refusal_and_later_ones_a_remark() -> None:
    bench = Bench(READ_ONLY, until_s=3.5)
    answers = iter([b"\x00", C_21_37, b"\x00", C_48_89])
    bench.connection.answer = lambda _: next(answers)
    await bench.run()
    assert [s.value for s in bench.samples] == [21.37, 48.89]
    assert [state for state, _ in bench.said] == [LinkState.REFUSED, LinkState.LIVE, LinkState.LIVE]
    assert all(bench.said[n][1].endswith("; such packets are left out") for n in (0, 2))


async def test_the_values_before_the_end_of_a_short_packet_are_used_and_the_end_is_told() -> None:
    def decode(payload: bytes) -> list[Value]:
        raise CutShortError("it ends early", payload, ((Quantity.TEMPERATURE, 21.37, Flag.OK),))

    bench = Bench(READ_ONLY, until_s=1.5)
    plan = await bench.plan()
    bench.made = replace(plan, sources=(replace(plan.sources[0], decode=decode),))
    await bench.run()
    assert [s.value for s in bench.samples] == [21.37, 21.37]
    assert sorted(text for _, text in bench.said)[0] == (
        'probe "ret": it ends early; what is not whole is left out'
    )
    assert LinkState.REFUSED not in [state for state, _ in bench.said]


async def test_the_repetition_may_come_before_the_answer() -> None:
    bench = Bench(TEMPERATURE, until_s=4.0)

    def answer(uuid16: int) -> bytes:
        if bench.connection.callbacks:
            bench.connection.callbacks[uuid16](C_21_37)
        return C_21_37

    bench.connection.answer = answer
    await bench.run()
    assert bench.flags() == [Flag.OK, Flag.OK]


async def test_an_equal_value_notified_after_the_first_read_is_a_reading_of_its_own() -> None:
    bench = Bench(TEMPERATURE, until_s=0.5)
    bench.connection.greeting = C_21_37
    await bench.run()
    assert bench.flags() == [Flag.OK, Flag.OK]


async def test_one_value_that_cannot_be_read_does_not_stop_the_others() -> None:
    bench = Bench(READ_ONLY, HUMIDITY, until_s=20.0)
    bench.connection.answer = lambda uuid16: refuse(uuid16) if uuid16 == 0x2A6F else C_21_37
    assert "lost" in await bench.run()
    assert len(bench.flags()) == 21
    assert [text for _, text in bench.said][1:] == [
        'probe "ret": no humidity: reading from the probe failed: the probe asks for pairing; pair it'
    ]


async def test_when_nothing_can_be_read_the_reason_is_told() -> None:
    bench = Bench(READ_ONLY, until_s=60.0)
    bench.connection.answer = refuse
    assert await bench.run() == (
        "no temperature: reading from the probe failed: the probe asks for pairing; pair it"
    )
    assert bench.clock.now_ns() == 10 * NS_PER_S


async def test_a_probe_that_refuses_one_descriptor_is_not_asked_for_more_and_delivers() -> None:
    bench = Bench(READ_ONLY, HUMIDITY, until_s=1.5)
    bench.connection.descriptor = lambda _: refuse(0)
    await bench.run()
    assert bench.flags() == [Flag.OK, Flag.OK]
    assert bench.connection.descriptors_asked == [(0x2A6E, 0x2901)]


async def test_that_descriptors_cannot_be_read_is_told_once() -> None:
    bench = Bench(READ_ONLY, HUMIDITY, until_s=1.5)
    bench.connection.descriptor = lambda _: refuse(0)
    told = [text for _, text in (await bench.plan()).remarks]
    assert len(told) == 1
    assert told[0].startswith("what it says of its values cannot be read (reading from the probe failed: ")


async def test_a_connection_lost_while_descriptors_are_read_is_an_error() -> None:
    bench = Bench(READ_ONLY, until_s=1.5)
    bench.connection.descriptor = lambda _: refuse(0)
    bench.connection.lost.set()
    with pytest.raises(RadioError):
        await bench.run()


async def test_a_descriptor_that_does_not_follow_the_format_is_told_and_left_out() -> None:
    bench = Bench(READ_ONLY, until_s=0.5)
    bench.connection.descriptor = lambda uuid16: [b"\x00"] if uuid16 == 0x290C else []
    plan = await bench.plan()
    assert [text for _, text in plan.remarks] == [
        "ES Measurement (0x290C) came with 1 bytes instead of 11; it is left out"
    ]
    assert plan.usable


async def test_a_thermometer_by_its_own_interval_is_not_silent_before_five_of_them() -> None:
    # Interval of 20 s by the probe's word: Rhythm.INTERVALS times that, not the usual 10 s.
    bench = Bench(characteristic(0x2A1C, "n", 0x1809), characteristic(0x2A21, "r", 0x1809), until_s=300.0)
    bench.connection.answer = lambda _: bytes.fromhex("1400")
    assert "sends nothing" in await bench.run()
    assert bench.clock.now_ns() == 100 * NS_PER_S


async def test_a_thermometer_is_chosen_by_its_type_and_a_wrong_one_is_told() -> None:
    two = [characteristic(uuid16, "n", 0x1809) for uuid16 in (0x2A1C, 0x2A1E)]
    bench = Bench(*two, characteristic(0x2A1D, "r", 0x1809), until_s=1.0)
    bench.connection.answer = lambda _: b"\x03"
    assert 'intermediate temperature, "ear" value is passed over' in (await bench.plan()).remarks[0][1]
    bench.connection.answer = lambda _: b""
    plan = await bench.plan()
    assert (
        "temperature type (0x2A1D) came with 0 bytes instead of 1; it is left out"
        in dict(plan.remarks).values()
    )


async def test_the_make_is_told_once_after_the_first_values_and_a_refusal_ends_the_asking() -> None:
    facts = [characteristic(uuid16, "r", 0x180A) for uuid16 in (0x2A24, 0x2A29, 0x2A25, 0x2A26)]
    bench = Bench(READ_ONLY, *facts, until_s=2.5)
    told = {0x2A6E: C_21_37, 0x2A29: b"Nobody \x00", 0x2A24: b"\xff\n", 0x2A26: b"1.0"}
    bench.connection.answer = lambda uuid16: told[uuid16] if uuid16 in told else refuse(uuid16)
    await bench.run()
    assert bench.about == [("ret", {"maker": "Nobody", "model": "\ufffd"})]
    assert [uuid16 for uuid16, _ in bench.connection.reads][:4] == [0x2A6E, 0x2A29, 0x2A24, 0x2A25]
    assert 0x2A26 not in [uuid16 for uuid16, _ in bench.connection.reads]
    assert len(bench.flags()) == 3


# Names of D-Bus errors: D-Bus Specification, standard error names (`recalled`); the class is bleak's.
AWAY, UNKNOWN = (f"org.freedesktop.DBus.Error.{name}" for name in ("ServiceUnknown", "UnknownObject"))


def failing(bench: Bench, *errors: tuple[float, str]) -> None:
    """From each time on, in s, every read fails with that error of the bus."""

    def answer(_: int) -> bytes:
        now_s = bench.clock.now_ns() / NS_PER_S
        names = [name for since_s, name in errors if now_s >= since_s]
        if not names:
            return C_21_37
        with radio_errors("reading from the probe"):
            raise BleakDBusError(names[-1], [])
        raise AssertionError

    bench.connection.answer = answer


async def test_a_short_outage_of_the_bluetooth_service_is_no_fault_of_the_probe() -> None:
    """Away for 8 s, then back without the connection: a restart, `common practice, no source`."""
    bench = Bench(READ_ONLY, HUMIDITY, until_s=60.0)
    failing(bench, (20.0, AWAY), (28.0, UNKNOWN))
    reason = await bench.run()
    assert reason == OUTAGE
    assert "battery" not in reason
    (_, live), (_, told) = bench.said
    assert "live with temperature" in live
    assert "Bluetooth service is not running" in told
    assert "humidity" not in told


async def test_a_connection_that_is_gone_is_told_of_the_probe_and_names_both_causes() -> None:
    bench = Bench(READ_ONLY, HUMIDITY, until_s=60.0)
    failing(bench, (20.0, UNKNOWN))
    reason = await bench.run()
    assert reason.startswith(
        "reading from the probe failed: the system's Bluetooth has dropped the connection"
    )
    assert "restarted, or the probe went away" in reason
    assert "humidity" not in reason
    assert [state for state, _ in bench.said] == [LinkState.LIVE]


async def test_a_service_that_stays_away_is_told_as_that() -> None:
    bench = Bench(READ_ONLY, until_s=60.0)
    failing(bench, (20.0, AWAY))
    assert "Bluetooth service is not running" in await bench.run()
