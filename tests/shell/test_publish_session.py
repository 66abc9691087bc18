"""The publisher at a broker that answers as told: what counts as delivered, and what becomes of the rest."""

import json
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.core.snapshot import Phase, Snapshot
from logger.publish.live import Health, Picture
from logger.publish.pace import Pace
from tests.shell.contract import check
from tests.shell.fake_broker import FakeBroker, Message
from tests.shell.publish_bench import QUICK, Bench, table

SUP = "riselog/hall/north/reading/sup/temperature"
RECORDS = ("reading", "event", "result")


def ids(messages: list[Message], kind: str) -> list[str]:
    return [m.document["id"] for m in messages if m.topic.split("/")[3] == kind]


def seqs(messages: list[Message], topic: str) -> list[int]:
    return [int(m.document["id"].split("/")[1]) for m in messages if m.topic == topic]


def records(messages: list[Message]) -> list[Message]:
    return [m for m in messages if m.topic.split("/")[3] in RECORDS]


async def test_everything_arrives_in_order_and_keeps_to_the_contract(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    bench = make()
    bench.begin("r1")
    bench.readings(300)
    bench.event()
    bench.result(RESULT)
    await broker.until(lambda: len(records(broker.messages)) == 302)
    await bench.finish()
    assert bench.left() == (0, 0, 0)
    for message in broker.messages:
        check(message.topic, message.payload, retain=message.retain)
        assert message.qos == 1
    for topic in {m.topic for m in broker.messages}:
        if "/reading/" in topic:
            assert seqs(broker.messages, topic) == sorted(set(seqs(broker.messages, topic)))
    assert max(Counter(m.document["id"] for m in broker.messages).values()) == 1
    assert broker.most_unanswered <= 20
    assert bench.said == []
    assert broker.logins[-1]["left"] == 0  # a good-bye, so that the last will stays unsaid


RESULT = json.dumps(
    {
        "schema": "riselog.result/1", "run": "r1", "job": "north", "simulated": False, "stored": True,
        "started_utc": "2025-01-02T03:04:05.000000Z", "ended_utc": "2025-01-02T03:04:05.000000Z",
        "end_reason": "ended", "verdict": None, "p_low": None, "p_high": None, "p_meets": None,
        "decidable_tolerance": None, "reason": None, "firing": None, "nameplate": None, "input": None,
        "budget": [], "cycles": [], "events": [], "readings": {},
    }
)  # fmt: skip


async def test_login_will_and_hello(broker: FakeBroker, make: Callable[..., Bench], monkeypatch: Any) -> None:
    monkeypatch.setenv("RISELOG_TEST_WORD", "sesame")
    bench = make(username="logger-1", password_env="RISELOG_TEST_WORD")
    bench.begin("r1")
    await broker.until(lambda: len(broker.messages) >= 2)
    await bench.finish()
    (login,) = broker.logins
    store_id = login["id"].removeprefix("riselog-hall-north-")
    assert len(store_id) == 12
    assert (login["level"], login["clean"], login["user"]) == (5, True, "logger-1")
    assert login["password"] == b"sesame"
    assert (login["will_topic"], login["will_retain"]) == ("riselog/hall/north/status", True)
    assert json.loads(login["will"])["status"] == "offline"
    status = [m.document for m in broker.messages if m.topic.endswith("/status")]
    assert [(s["status"], s["reason"]) for s in status] == [("online", ""), ("offline", "ended")]
    assert [m.retain for m in broker.messages] == [True, True, True]
    assert not any(b"sesame" in m.payload for m in broker.seen)


async def test_a_backlog_of_older_runs_goes_first_and_live_passes_it_by(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    answer, broker.answer = broker.answer, lambda m: None if "/reading/" in m.topic else 0
    bench = make()
    bench.begin("old", publish=False)
    bench.readings(30)
    bench.begin("new")
    bench.readings(30)
    bench.event()
    assert bench.publisher is not None
    await broker.until(lambda: len(ids(broker.seen, "reading")) == 18)  # what may be in flight, less two
    shot = Snapshot(t_ns=0, phase=Phase.OFF, phase_since_s=0.0)
    bench.publisher.show(Picture(snapshot=shot, started_utc_us=0, health=Health(store="disk full")))
    await broker.until(lambda: any(m.topic.endswith("/snapshot") for m in broker.messages))
    await broker.until(lambda: sum(m.topic.endswith("/status") for m in broker.messages) == 2)
    assert [m.document["reason"] for m in broker.messages if m.topic.endswith("/status")] == ["", "disk full"]
    assert ids(broker.messages, "event") == ["new/30"]
    assert ids(broker.messages, "reading") == []
    broker.answer = answer
    broker.cut()
    await broker.until(lambda: len(set(ids(broker.messages, "reading"))) == 60)
    await bench.finish()
    first = list(dict.fromkeys(ids(broker.messages, "reading")))
    assert first == [f"old/{n}" for n in range(30)] + [f"new/{n}" for n in range(30)]
    assert bench.left() == (0, 0, 0)
    for message in broker.messages:
        check(message.topic, message.payload, retain=message.retain)


# OASIS MQTT 5.0, 3.4.2.1: every failing reason code of a PUBACK
@pytest.mark.parametrize("code", [0x80, 0x83, 0x87, 0x90, 0x91, 0x97, 0x99])
async def test_a_refusal_is_no_delivery(code: int, broker: FakeBroker, make: Callable[..., Bench]) -> None:
    """The record is parked and said, the rest of its topic goes on, and it is sent at the next connection."""
    broker.answer = lambda m: code if m.document.get("id") == "r1/4" else 0
    bench = make()
    bench.begin("r1")
    bench.readings(9)
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 8)
    await bench.until(lambda: bench.said)
    assert seqs(broker.messages, SUP) == [1, 7]
    (said,) = bench.said
    assert said[0] == "record-refused"
    assert SUP in said[1]
    assert f"reason 0x{code:02X}" in said[1]
    await bench.finish()
    assert bench.left() == (0, 1, 0)
    broker.answer = lambda _: 0
    bench.publish()
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 9)
    await bench.finish()
    assert bench.left() == (0, 0, 0)
    assert seqs(broker.messages, SUP) == [1, 7, 4]


async def test_no_matching_subscribers_is_a_delivery(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    """MQTT 5.0, 3.4.2.1: 0x10 is accepted."""
    broker.answer = lambda _: 0x10
    bench = make()
    bench.begin("r1")
    bench.readings(5)
    bench.event()
    await broker.until(lambda: len(records(broker.messages)) == 6)
    await bench.finish()
    assert (bench.left(), bench.said) == ((0, 0, 0), [])


async def test_a_topic_that_is_barred_is_not_tried_record_by_record(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """At the next try a few go out, not all that were refused before."""
    broker.answer = lambda m: 0x87 if m.topic == SUP else 0
    bench = make()
    bench.begin("r1")
    bench.readings(900)
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 600)
    await bench.finish()
    assert bench.left() == (0, 300, 0)
    before = len(broker.seen)
    bench.publish()
    await broker.until(lambda: any(m.topic == SUP for m in broker.seen[before:]))
    await bench.finish()
    assert sum(m.topic == SUP for m in broker.seen[before:]) <= 20
    assert bench.codes() == ["record-refused", "record-refused"]  # once for each start
    assert bench.left() == (0, 300, 0)


async def test_refused_records_are_tried_again_after_a_while(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """Design: every 10 min; here after a second, without a new connection."""
    broker.answer = lambda m: 0x97 if m.topic == SUP and broker.seen.count(m) == 1 else 0
    bench = make(pace=Pace(parked_s=1.0))
    bench.begin("r1")
    bench.readings(3)
    bench.event()
    await broker.until(lambda: len(records(broker.messages)) == 4)
    await bench.finish()
    assert len(broker.logins) == 1
    assert bench.left() == (0, 0, 0)


async def test_refused_events_and_results_stay(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    broker.answer = lambda m: 0x87 if m.topic.endswith(("/event", "/result")) else 0
    bench = make()
    bench.begin("r1")
    bench.event()
    bench.result()
    bench.readings(3)
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 3)
    publisher = bench.publisher
    assert publisher is not None
    await bench.finish()
    assert bench.left() == (0, 2, 0)
    assert "has not got everything (2 refused, " in publisher.left_behind()


async def test_what_was_not_answered_is_sent_again_with_the_same_id(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    taken: list[Message] = []

    def answer(message: Message) -> int | None:
        if "/reading/" in message.topic and len(taken) < 30:
            taken.append(message)
            return None if len(taken) % 10 == 0 else 0
        return 0

    broker.answer = answer
    bench = make()
    bench.begin("r1")
    bench.readings(60)
    await broker.until(lambda: len(taken) >= 30)
    broker.cut()
    await broker.until(lambda: len(set(ids(broker.messages, "reading"))) == 60)
    await bench.finish()
    assert bench.left() == (0, 0, 0)
    assert 60 < len(ids(broker.seen, "reading")) <= 60 + 18  # no more than was in flight came again


async def test_a_restart_goes_on_at_the_cursor(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    bench = make()
    bench.begin("r1")
    bench.readings(50)
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 50)
    await bench.finish()
    bench.begin("r2")
    bench.readings(10)
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 60)
    await bench.finish()
    assert ids(broker.seen, "reading") == [f"r1/{n}" for n in range(50)] + [f"r2/{n}" for n in range(10)]


async def test_the_broker_says_how_much_it_takes_at_once(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """MQTT 5.0, 3.2.2.3.3: Receive Maximum."""
    broker.connack_properties = bytes([0x21, 0, 5])
    bench = make()
    bench.begin("r1")
    bench.readings(100)
    assert bench.publisher is not None
    shot = Snapshot(t_ns=0, phase=Phase.OFF, phase_since_s=0.0)
    bench.publisher.show(Picture(snapshot=shot, started_utc_us=0))
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 100)
    await bench.finish()
    assert broker.most_unanswered <= 5


async def test_one_at_a_time_where_the_broker_takes_no_more(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    broker.connack_properties = bytes([0x21, 0, 1])
    bench = make()
    bench.begin("r1")
    bench.readings(50)
    assert bench.publisher is not None
    for n in range(3):
        shot = Snapshot(t_ns=n, phase=Phase.OFF, phase_since_s=0.0)
        bench.publisher.show(Picture(snapshot=shot, started_utc_us=0))
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 50)
    await broker.until(lambda: any(m.topic.endswith("/snapshot") for m in broker.messages))
    await bench.finish()
    assert broker.most_unanswered == 1


async def test_a_message_that_is_too_large_is_not_even_sent(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """MQTT 5.0, 3.2.2.3.6: the client MUST NOT send packets above the Maximum Packet Size."""
    broker.connack_properties = bytes([0x27]) + (3000).to_bytes(4, "big")
    bench = make()
    bench.begin("r1")
    bench.result(json.dumps({"text": "x" * 4000}))
    bench.readings(3)
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 3)
    await bench.finish()
    assert ids(broker.seen, "result") == []
    assert bench.left() == (0, 1, 0)
    (said,) = bench.said
    assert "too large (reason 0x95); raise the broker's limit on the size of messages" in said[1]


@pytest.mark.parametrize("version", ["5", "3.1.1"])
@pytest.mark.parametrize("how", [-0x95, -256])
async def test_a_record_at_which_the_broker_hangs_up_holds_nothing_up(
    how: int, version: str, broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """With a DISCONNECT that says why (MQTT 5.0, 3.14), or without a word as in MQTT 3.1.1."""
    broker.answer = lambda m: how if m.document.get("id") == "r1/4" else 0
    bench = make(version=version)
    bench.begin("r1")
    bench.readings(9)
    await broker.until(lambda: len(set(ids(broker.messages, "reading"))) == 8)
    await bench.finish()
    assert bench.left() == (0, 1, 0)
    assert "record-refused" in bench.codes()
    assert len(bench.said) <= 4  # quietly


async def test_mqtt_3_1_1(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    bench = make(version="3.1.1")
    bench.begin("r1")
    bench.readings(30)
    bench.event()
    await broker.until(lambda: len(records(broker.messages)) == 31)
    await bench.finish()
    assert broker.logins[0]["level"] == 4  # MQTT 3.1.1, 3.1.2.2
    assert bench.left() == (0, 0, 0)


async def test_content_type_and_expiry(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    """MQTT 5.0, 3.3.2.3: 0x01 payload format indicator, 0x02 expiry (s), 0x03 content type."""
    bench = make()
    bench.begin("r1")
    bench.readings(1)
    assert bench.publisher is not None
    shot = Snapshot(t_ns=0, phase=Phase.OFF, phase_since_s=0.0)
    bench.publisher.show(Picture(snapshot=shot, started_utc_us=0))
    await broker.until(lambda: ids(broker.messages, "snapshot") and ids(broker.messages, "reading"))
    await bench.finish()
    (snapshot,) = [m for m in broker.messages if m.topic.endswith("/snapshot")]
    assert bytes([0x02]) + (30).to_bytes(4, "big") in snapshot.properties
    for message in broker.messages:
        assert b"\x03\x00\x10application/json" in message.properties
        assert b"\x01\x01" in message.properties


async def test_a_picture_that_is_not_sent_in_time_is_dropped(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    bench = make()
    bench.begin("r1")
    assert bench.publisher is not None
    await broker.until(lambda: ids(broker.messages, "about"))
    for n in range(200):
        shot = Snapshot(t_ns=n * 10**9, phase=Phase.OFF, phase_since_s=0.0)
        bench.publisher.show(Picture(snapshot=shot, started_utc_us=0))
    await broker.until(lambda: any(m.document["t_s"] == 199 for m in broker.messages if "t_s" in m.document))
    await bench.finish()
    assert len(ids(broker.messages, "snapshot")) <= 2


async def test_what_waited_too_long_is_passed_over_and_counted(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """Readings alone: events and results stay."""
    bench = make(keep="14 d")
    bench.begin("r1", publish=False)
    bench.readings(40, age_s=15 * 86_400.0)
    bench.event()
    bench.readings(10, age_s=13 * 86_400.0)
    bench.begin("r2")
    await broker.until(lambda: len(records(broker.messages)) == 11)
    await bench.finish()
    assert ids(broker.seen, "reading") == [f"r1/{n}" for n in range(41, 51)]
    assert ids(broker.seen, "event") == ["r1/40"]
    assert bench.left() == (0, 0, 40)
    (said,) = bench.said
    assert said[0] == "records-passed-over"
    assert said[1].startswith("40 readings waited longer than 14 days for the broker")


async def test_the_cap_works_while_the_broker_is_away(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    await broker.close()
    bench = make(keep="1 d")
    bench.begin("r1", publish=False)
    bench.readings(25_000, age_s=2 * 86_400.0)
    bench.event()
    bench.readings(5)
    bench.begin("r2")
    await bench.until(lambda: "broker-away" in bench.codes())
    assert bench.publisher is not None
    assert bench.publisher.words() == "away, 6 to send, 25,000 passed over"
    await bench.finish()
    assert bench.left() == (6, 0, 25_000)
    await broker.open()


async def test_refused_readings_do_not_wait_longer_than_the_others(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    broker.answer = lambda m: 0x87 if m.topic == SUP or m.topic.endswith("/event") else 0
    bench = make(keep="5 d")
    bench.begin("r1", publish=False)
    bench.readings(30, age_s=4 * 86_400.0)
    bench.event()
    bench.publish()
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 20)
    await bench.finish()
    assert bench.left() == (0, 11, 0)
    bench.broker = type(bench.broker)(table=table(broker.port, keep="3 d"), job="north")
    bench.begin("r2")
    await bench.until(lambda: "records-passed-over" in bench.codes())
    await bench.finish()
    assert bench.left() == (0, 1, 10)  # the event stays


REFUSED_LOGINS = {  # MQTT 5.0, 3.2.2.2
    0x84: "does not speak this version of MQTT",
    0x85: "does not take the client id",
    0x86: "does not know this user name or password",
    0x87: "does not let this user in (reason 0x87); check [mqtt] username",
    0x88: "is not available",
    0x8A: "has banned this client",
    0x97: "has no quota left for this user (reason 0x97); raise the broker's quota",
}


@pytest.mark.parametrize(("code", "part"), REFUSED_LOGINS.items())
async def test_a_refused_login_is_said_once(
    code: int, part: str, broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    broker.connack = code
    bench = make()
    bench.begin("r1")
    bench.readings(3)
    await broker.until(lambda: len(broker.logins) >= 4)
    broker.connack = 0
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 3)
    await bench.finish()
    assert bench.codes() == ["broker-away", "broker-back"]
    assert part in bench.said[0][1]
    assert f"127.0.0.1:{broker.port}" in bench.said[0][1]
    assert bench.left() == (0, 0, 0)


@pytest.mark.parametrize(("code", "part"), [(4, "user name or password"), (5, "does not let this user in")])
async def test_a_refused_login_of_mqtt_3_1_1(
    code: int, part: str, broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """MQTT 3.1.1, 3.2.2.3: return codes."""
    broker.connack = code
    bench = make(version="3.1.1")
    bench.begin("r1")
    await bench.until(lambda: bench.said)
    assert part in bench.said[0][1]


async def test_a_broker_that_is_away_holds_nobody_up(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    await broker.close()
    bench = make()
    bench.begin("r1")
    bench.readings(100)
    await bench.until(lambda: bench.said)
    publisher = bench.publisher
    assert publisher is not None
    await bench.until(lambda: publisher.words() == "away, 100 to send")
    await bench.finish()
    ((code, text),) = bench.said
    assert code == "broker-away"
    assert "cannot be reached (Connection refused); check [mqtt] host, port" in text
    assert "the next run of this job sends it" in publisher.left_behind()
    assert bench.left() == (100, 0, 0)
    await broker.open()


async def test_no_answer_to_the_login(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.mqtt_link.ANSWER_S", 0.1)
    monkeypatch.setattr(FakeBroker, "_answer", lambda *_: True)
    bench = make()
    bench.begin("r1")
    await bench.until(lambda: bench.said)
    assert "gives no answer; check [mqtt] host" in bench.said[0][1]


async def test_a_connection_that_is_closed_at_once(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(FakeBroker, "_answer", lambda *_: False)
    bench = make()
    bench.begin("r1")
    await bench.until(lambda: bench.said)
    assert "closes the connection before it answers" in bench.said[0][1]


async def test_a_broker_that_acknowledges_nothing_is_left_and_tried_again(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    broker.answer = lambda m: None if "/reading/" in m.topic else 0
    bench = make(pace=replace(QUICK, answer_s=0.1))
    bench.begin("r1")
    bench.readings(3)
    await broker.until(lambda: len(broker.logins) >= 2)
    broker.answer = lambda _: 0
    await broker.until(lambda: len(set(ids(broker.messages, "reading"))) == 3)
    await bench.finish()
    assert "acknowledges nothing" in bench.said[0][1]
    assert bench.left() == (0, 0, 0)


async def test_a_fault_of_ours_is_said_and_ends_the_publishing_alone(
    broker: FakeBroker,
    make: Callable[..., Bench],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    monkeypatch.setattr("logger.publish.connection.Connection._send", lambda *_: 1 / 0)
    bench = make(pace=replace(QUICK, fault_s=0.01, faults=3))
    bench.begin("r1")
    bench.readings(3)
    await bench.until(lambda: len(bench.codes()) == 2 and "stopped" in bench.publisher.words())  # type: ignore[union-attr]
    (_, first), (code, text) = bench.said
    assert first.startswith("publishing pauses and is tried again: internal fault in 'publishing' (Zero")
    assert len(broker.logins) == 3
    assert code == "broker-fault"
    assert "nothing more is published: internal fault in 'publishing' (ZeroDivisionError" in text
    assert bench.publisher is not None
    assert bench.publisher.words() == "stopped by a fault"
    await bench.finish()
    monkeypatch.undo()
    bench.publish()
    await broker.until(lambda: len(ids(broker.messages, "reading")) == 3)
    await bench.finish()
    assert bench.left() == (0, 0, 0)
