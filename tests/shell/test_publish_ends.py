"""How a connection ends, who else is there, and what goes on after trouble, at a broker that does as told."""

import asyncio
import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.core.errors import StoreError
from logger.publish.inbox import Inbox
from logger.publish.left import left_for_others
from logger.publish.live import Backlog
from logger.publish.login import try_broker
from logger.publish.outbox import Outbox
from logger.publish.publisher import Publisher
from logger.publish.settings import Broker, BrokerError
from tests.shell.fake_broker import FakeBroker, Message
from tests.shell.publish_bench import QUICK, Bench, table

STATUS = "riselog/hall/north/status"
SUP = "riselog/hall/north/reading/sup/temperature"


def readings(messages: list[Message]) -> list[str]:
    return [m.document["id"] for m in messages if "/reading/" in m.topic]


def statuses(messages: list[Message]) -> list[tuple[str, str]]:
    return [(m.document["status"], m.document["reason"]) for m in messages if m.topic == STATUS]


def status_of(run: str, word: str) -> bytes:
    return json.dumps({"id": f"{run}/status-0", "t": None, "run": run, "status": word, "reason": ""}).encode()


# --- one job, one broker, whatever its address


async def test_a_corrected_address_gets_what_waits(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    async with FakeBroker() as wrong:
        port = wrong.port
    bench = make(port=port)
    bench.begin("r1")
    bench.readings(30)
    await bench.until(lambda: "broker-away" in bench.codes())
    await bench.finish()
    bench.broker = Broker(table=table(broker.port), job="north")
    bench.begin("r2")
    bench.readings(3)
    await broker.until(lambda: len(readings(broker.messages)) == 33)
    await bench.finish()
    assert readings(broker.messages)[0] == "r1/0"
    assert bench.left() == (0, 0, 0)
    assert "records-wait" not in bench.codes()


async def test_another_name_is_another_broker_and_what_it_leaves_is_told(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    bench = make()
    bench.begin("r1", publish=False)
    bench.readings(30)
    bench.broker = Broker(table=table(broker.port, name="new hall"), job="north")
    bench.begin("r2")
    bench.readings(3)
    await broker.until(lambda: len(readings(broker.messages)) == 3)
    await bench.finish()
    assert readings(broker.seen) == ["r2/0", "r2/1", "r2/2"]
    assert bench.said == [
        (
            "records-wait",
            '30 records wait for the broker "broker", which the config does not name; write [mqtt] name = '
            '"broker" to send them there',
        )
    ]
    assert left_for_others(bench.path, None) == [
        "30 records of this job wait for the broker; give [mqtt] back to have them sent"
    ]


def test_no_store_has_nothing_left(tmp_path: Path) -> None:
    assert left_for_others(tmp_path / "none.db", None) == []
    assert left_for_others(tmp_path / "none.db", "broker") == []


# --- the last word. MQTT 5.0, 3.14.2.1: 0x04 is "Disconnect with Will Message"; MQTT 3.1.1, 3.1.2.5: the
# will is published unless the client sends DISCONNECT

LEFT = [("5", 4), ("3.1.1", None)]


@pytest.mark.parametrize(("version", "left"), LEFT)
async def test_after_silence_the_broker_is_to_say_the_last_will(
    version: str, left: int | None, broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    broker.answer = lambda m: None if "/reading/" in m.topic else 0
    bench = make(version=version)
    bench.pace = replace(QUICK, answer_s=0.1)
    bench.begin("r1")
    bench.readings(3)
    await broker.until(lambda: len(broker.logins) >= 2)
    assert broker.logins[0].get("left") == left
    broker.answer = lambda _: 0
    await broker.until(lambda: len(set(readings(broker.messages))) == 3)
    await bench.finish()
    assert broker.logins[-1]["left"] == 0
    assert statuses(broker.messages)[-1] == ("offline", "ended")


async def test_a_good_bye_waits_for_room(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """MQTT 5.0, 3.3.4: no more than Receive Maximum at once; where there is no room the will is said."""
    monkeypatch.setattr("logger.publish.connection.LEAVE_S", 0.1)
    broker.connack_properties = bytes([0x21, 0, 1])
    broker.answer = lambda m: None if "/reading/" in m.topic else 0
    bench = make(pace=replace(QUICK, farewell_s=0.1))
    bench.begin("r1")
    bench.readings(5)
    await broker.until(lambda: readings(broker.seen))
    await bench.finish()
    await broker.until(lambda: not broker.connections)
    assert broker.most_unanswered == 1
    assert broker.logins[-1]["left"] == 4  # 3.14.2.1: disconnect with will message


@pytest.mark.parametrize(("version", "left"), LEFT)
async def test_a_good_bye_that_is_refused_leaves_the_last_will(
    version: str, left: int | None, broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    if version == "3.1.1":
        broker.answer = lambda m: None if b'"ended"' in m.payload else 0
    else:
        broker.answer = lambda m: 0x87 if b'"ended"' in m.payload else 0
    bench = make(version=version)
    bench.begin("r1")
    await broker.until(lambda: len(broker.messages) >= 2)
    await bench.finish()
    await broker.until(lambda: not broker.connections)
    assert broker.logins[-1].get("left") == left


async def test_a_fault_is_said_to_the_broker(
    broker: FakeBroker, make: Callable[..., Bench], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    monkeypatch.setattr("logger.publish.connection.Connection._send", lambda *_: 1 / 0)
    bench = make()
    bench.pace = replace(QUICK, fault_s=0.01, faults=2)
    bench.begin("r1")
    bench.readings(3)
    await bench.until(lambda: bench.publisher is not None and "stopped" in bench.publisher.words())
    assert statuses(broker.messages) == [("online", ""), ("offline", "internal fault")] * 2


async def test_after_a_fault_of_ours_publishing_goes_on(
    broker: FakeBroker, make: Callable[..., Bench], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    faults = iter([ZeroDivisionError("x")] * 3)
    fails_first(monkeypatch, "next", faults)
    bench = make()
    bench.pace = replace(QUICK, fault_s=0.01)
    bench.begin("r1")
    bench.readings(30)
    await broker.until(lambda: len(readings(broker.messages)) == 30)
    await bench.finish()
    assert bench.codes() == ["broker-fault"]
    assert bench.left() == (0, 0, 0)


def fails_first(monkeypatch: pytest.MonkeyPatch, name: str, errors: Iterator[Exception]) -> None:
    """A method of the outbox raises these, then works."""
    good = getattr(Outbox, name)

    def call(self: Outbox, *args: Any, **keys: Any) -> Any:
        if (error := next(errors, None)) is not None:
            raise error
        return good(self, *args, **keys)

    monkeypatch.setattr(Outbox, name, call)


@pytest.mark.parametrize("name", ["__init__", "next", "rewind", "pass_over_old", "backlog", "store_id"])
@pytest.mark.parametrize("times", [1, 4])
async def test_a_store_that_cannot_be_read_for_a_while(
    times: int,
    name: str,
    broker: FakeBroker,
    make: Callable[..., Bench],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    fails_first(monkeypatch, name, iter([StoreError("s.db cannot be read (disk I/O error)")] * times))
    bench = make()
    bench.begin("r1")
    bench.readings(30)
    await broker.until(lambda: len(set(readings(broker.messages))) == 30)
    await bench.finish()
    assert bench.left() == (0, 0, 0)
    said = [text for code, text in bench.said if code == "broker-fault"]
    assert said == ["s.db cannot be read (disk I/O error); publishing goes on by itself when it can"]
    assert bench.codes() == ["broker-fault", "broker-back"]


# --- who else is there


async def test_another_logger_is_told_once(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    broker.kept[STATUS] = status_of("other", "online")
    bench = make()
    bench.begin("r1")
    bench.readings(30)
    await broker.until(lambda: len(readings(broker.messages)) == 30)
    await bench.until(lambda: bench.said)
    for _ in range(3):
        broker.say(STATUS, status_of("other", "online"))
    broker.say(STATUS, b"\xff no status")
    broker.say(STATUS, b"[" * 5000)
    broker.say(STATUS, status_of("other", "offline"))
    await broker.until(lambda: len(statuses(broker.messages)) == 2)
    await bench.finish()
    assert bench.said == [
        (
            "another-logger",
            "another logger (run other) is online under riselog/hall/north; give each its own [mqtt] site or "
            "[job] name",
        )
    ]
    assert statuses(broker.messages) == [("online", ""), ("online", ""), ("offline", "ended")]
    assert len(broker.logins) == 1


async def test_what_an_earlier_run_of_ours_left_is_no_other_logger(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """A broker that was killed knows nothing of the last will it had to say."""
    broker.kept[STATUS] = status_of("r1", "online")
    bench = make()
    bench.begin("r1", publish=False)
    bench.begin("r2")
    bench.readings(30)
    await broker.until(lambda: len(readings(broker.messages)) == 30)
    await bench.finish()
    broker.kept[STATUS] = status_of("r2", "offline")
    bench.begin("r3")
    await broker.until(lambda: len(statuses(broker.messages)) == 3)
    await bench.finish()
    assert bench.said == []
    assert [word for word, _ in statuses(broker.messages)] == ["online", "offline"] * 2


async def test_a_store_that_is_busy_when_another_logger_is_heard_ends_no_connection(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.publish.connection.ASK_S", 0.01)
    busy = iter([StoreError("s.db cannot be read (database is locked)")] * 2)

    def is_run_of(*_: object) -> bool:
        if (error := next(busy, None)) is not None:
            raise error
        return False

    monkeypatch.setattr("logger.publish.rounds.is_run_of", is_run_of)
    broker.kept[STATUS] = status_of("other", "online")
    bench = make()
    bench.begin("r1")
    await bench.until(lambda: bench.said)
    await bench.finish()
    assert bench.codes() == ["another-logger"]
    assert len(broker.logins) == 1


@pytest.mark.parametrize("suback", [0x87, None, -0x87])
@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_a_broker_that_lets_nobody_hear_is_published_to_all_the_same(
    version: str, suback: int | None, broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """Refused, not answered, or hung up at, as some brokers do."""
    broker.suback = 0x80 if version == "3.1.1" and suback == 0x87 else suback  # MQTT 3.1.1, 3.9.3
    bench = make(version=version)
    bench.begin("r1")
    bench.readings(30)
    await broker.until(lambda: len(set(readings(broker.messages))) == 30)
    await bench.finish()
    assert bench.left() == (0, 0, 0)
    assert "another-logger" not in bench.codes()
    assert len(broker.logins) <= 2


async def test_one_at_a_time_holds_for_our_status_too(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    """MQTT 5.0, 3.2.2.3.3: Receive Maximum 1."""
    broker.connack_properties = bytes([0x21, 0, 1])
    bench = make()
    bench.begin("r1")
    bench.readings(60)
    await broker.until(lambda: len(readings(broker.messages)) >= 10)
    for _ in range(5):
        broker.say(STATUS, status_of("other", "offline"))
    await broker.until(lambda: len(readings(broker.messages)) == 60)
    await broker.until(lambda: len(statuses(broker.messages)) == 6)
    await bench.finish()
    assert broker.most_unanswered == 1


async def test_mqtt_3_1_1_is_told_to_be_blind_once(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    bench = make(version="3.1.1")
    bench.begin("r1")
    bench.readings(3)
    await broker.until(lambda: len(readings(broker.messages)) == 3)
    broker.cut()
    await broker.until(lambda: len(broker.logins) == 2)
    await bench.finish()
    assert bench.codes().count("broker-note") == 1
    assert "MQTT 3.1.1 tells no refusals" in dict(bench.said)["broker-note"]


# --- check


async def checked(broker: FakeBroker, version: str = "5") -> str:
    made = Broker(table=table(broker.port, version=version), job="north")
    return await asyncio.to_thread(try_broker, made, "s", publish=True)


async def test_check_leaves_a_living_logger_online(
    broker: FakeBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.publish.login.HEAR_S", 20.0)
    broker.kept[STATUS] = status_of("5f2c", "online").replace(b"null", b'"2025-01-02T03:04:05Z"')
    text = await checked(broker)
    assert broker.seen == []
    assert "a logger is online there (run 5f2c since 2025-01-02T03:04:05Z)" in text


@pytest.mark.parametrize("kept", [None, status_of("5f2c", "offline")])
async def test_check_where_nobody_is(
    kept: bytes | None, broker: FakeBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.publish.login.HEAR_S", 0.2)
    broker.kept |= {} if kept is None else {STATUS: kept}
    text = await checked(broker)
    assert statuses(broker.messages) == [("offline", "check")]
    assert not broker.messages[0].retain  # nothing that is kept is put out by it
    assert f"it takes {STATUS}; event, result, reading/#, snapshot, about must be writable as well" in text
    broker.answer = lambda _: 0x87
    with pytest.raises(BrokerError, match="refuses riselog/hall/north/status: it does not allow it"):
        await checked(broker)


@pytest.mark.parametrize("suback", [0x87, None])
async def test_check_publishes_nothing_where_it_may_not_look(
    suback: int | None, broker: FakeBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.publish.login.HEAR_S", 0.2)
    broker.suback = suback
    assert "no topic was tried: it does not let us see" in await checked(broker)
    assert broker.seen == []


async def test_check_tells_what_mqtt_3_1_1_does_not(
    broker: FakeBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.publish.login.HEAR_S", 0.2)
    assert "MQTT 3.1.1 tells no refusals" in await checked(broker, "3.1.1")
    assert "refusals" not in await checked(broker)


# --- old readings, and a clock that is not believed


class Doubtful:
    """A clock that is believed from the third look on."""

    def __init__(self) -> None:
        self.looks = 0

    @property
    def doubt(self) -> str:
        return "" if self.looks >= 3 else "the clock says 2031"

    def look(self, utc_us: int, elapsed_ns: int) -> int | None:
        self.looks += 1
        return utc_us if self.looks >= 3 else None


async def test_nothing_is_passed_over_by_a_clock_that_is_not_believed(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The third look comes on the living connection; what is parked is old by then."""
    monkeypatch.setattr("logger.publish.connection.LOOK_S", 0.05)
    broker.answer = lambda m: 0x87 if m.topic == SUP else 0
    bench = make(keep="1 d")
    bench.calendar, bench.pace = Doubtful(), replace(QUICK, old_s=0.0)
    bench.begin("r1", publish=False)
    bench.readings(30, age_s=2 * 86_400.0)
    bench.begin("r2")
    await broker.until(lambda: len(readings(broker.messages)) == 20)
    await bench.until(lambda: "records-passed-over" in bench.codes())
    assert len(broker.logins) == 1
    await bench.finish()
    assert bench.left() == (0, 0, 10)
    assert dict(bench.said)["clock-doubt"] == "no reading is passed over: the clock says 2031"


async def test_stamps_of_this_run_from_before_its_clock_was_set_are_no_age(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    bench = make(keep="1 d")
    bench.begin("r1", publish=False)
    bench.readings(30, age_s=20 * 365 * 86_400.0)
    bench.publish()
    await broker.until(lambda: len(readings(broker.messages)) == 30)
    await bench.finish()
    assert bench.left() == (0, 0, 0)


# --- start and end


async def test_an_end_before_the_loop_is_there_is_not_lost() -> None:
    inbox = Inbox()
    inbox.end()
    inbox.belongs_to(asyncio.get_running_loop())
    assert inbox.ending.is_set()
    assert inbox.committed.is_set()


async def test_a_run_that_ends_at_once(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    for n in range(20):
        bench = make(store=f"{n}.db")
        bench.begin("r1")
        async with asyncio.timeout(5.0):
            await bench.finish()


async def test_a_thread_that_does_not_end_in_time(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is said as it is, and nobody is told anything after."""
    monkeypatch.setattr("logger.publish.publisher.JOIN_S", 0.05)
    may, away = threading.Event(), threading.Event()

    def connect(*_: object) -> None:
        away.set()
        may.wait(20.0)
        raise OSError(113, "No route to host")

    monkeypatch.setattr("logger.mqtt_link.LinkClient._client_connect", connect)
    bench = make()
    bench.pace = replace(QUICK, farewell_s=0.0)
    bench.begin("r1")
    bench.readings(3)
    await bench.until(away.is_set)
    publisher = bench.publisher
    assert publisher is not None
    await bench.finish()
    assert "publishing did not end in time (connecting, " in publisher.left_behind()
    may.set()
    await asyncio.to_thread(publisher._thread.join)
    assert bench.said == []
    assert bench.left() == (3, 0, 0)


@pytest.mark.parametrize(
    ("backlog", "words"),
    [
        (Backlog(), "all sent"),
        (Backlog(parked=818), "818 refused, nothing else to send"),
        (Backlog(waiting=3, parked=1), "3 to send, 1 refused"),
        (Backlog(waiting=100_000, more=True, passed_over=7), "over 100,000 to send, 7 passed over"),
        (Backlog(passed_over=7), "all sent, 7 passed over"),
    ],
)
def test_words(backlog: Backlog, words: str, make: Callable[..., Bench]) -> None:
    bench = make()
    bench.begin("r1", publish=False)
    publisher: Publisher = bench.publisher_of()
    assert publisher.words() == "connecting"
    publisher._rounds.backlog = backlog
    assert publisher.words() == f"connecting, {words}"
    publisher._rounds.connected = True
    assert publisher.words() == words
    publisher._rounds.connected, publisher._rounds.trouble = False, "x"
    assert publisher.words() == f"away, {words}"


async def test_many_refused_ones_hold_no_new_connection_up(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    broker.answer = lambda m: 0x87 if m.topic == SUP else 0
    bench = make()
    bench.begin("r1")
    bench.readings(1_500)
    await broker.until(lambda: len(readings(broker.messages)) == 1_000)
    for n in range(3):
        before, logins = len(broker.seen), len(broker.logins)
        broker.cut()
        await broker.until(lambda logins=logins: len(broker.logins) > logins)  # type: ignore[misc]
        bench.readings(3)
        await broker.until(lambda n=n: len(set(readings(broker.messages))) == 1_002 + 2 * n)  # type: ignore[misc]
        assert sum(m.topic == SUP for m in broker.seen[before:]) <= 20
    await bench.finish()
    assert bench.left() == (0, 503, 0)
