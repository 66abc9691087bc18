"""A broker that swallows records or hangs up, a fault of ours, a store that does not answer: what goes on."""

import asyncio
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from logger.core.errors import StoreError
from logger.core.snapshot import Phase, Snapshot
from logger.publish.client import CheckedClient
from logger.publish.live import Picture
from logger.publish.order import awake_s
from logger.publish.outbox import Item, Outbox
from logger.publish.pace import Pace, delay_s
from tests.shell.fake_broker import AND_CLOSE, FakeBroker, Message
from tests.shell.publish_bench import QUICK, Bench

SUP = "riselog/hall/north/reading/sup/temperature"
IMPATIENT = replace(QUICK, answer_s=0.04)


def readings(messages: list[Message]) -> list[str]:
    return [m.document["id"] for m in messages if "/reading/" in m.topic]


@pytest.fixture
def settled(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Ids of the readings that the outbox knows as delivered, as often as it was told."""
    told: list[str] = []
    good = Outbox.delivered

    def delivered(self: Outbox, item: Item) -> None:
        good(self, item)
        if item.kind == "reading":
            told.append(f"{item.run.run}/{item.seq}")

    monkeypatch.setattr(Outbox, "delivered", delivered)
    return told


class Still:
    """A clock that stands. A record that is ``swallow``ed lets it go on by more than an answer may take,
    once what the broker has answered has come in and ``quiet`` says that nothing else is to come."""

    def __init__(
        self, broker: FakeBroker, settled: list[str], quiet: Callable[[], bool] = lambda: True
    ) -> None:
        self._broker, self._settled, self._quiet = broker, settled, quiet
        self._due = False
        self._s = 0.0

    def swallow(self) -> None:
        self._due = True

    def __call__(self) -> float:
        answered = len(readings(self._broker.messages)) == len(self._settled)
        if self._due and answered and self._quiet():
            self._due = False
            self._s += 1.0
        return self._s


# --- an acknowledgement that never comes


def all_seen(broker: FakeBroker, bench: Bench) -> Callable[[], bool]:
    return lambda: len(set(readings(broker.seen))) == bench.seq


async def test_one_missing_acknowledgement_on_a_living_connection(
    broker: FakeBroker, make: Callable[..., Bench], settled: list[str]
) -> None:
    lost: list[Message] = []

    def answer(message: Message) -> int | None:
        if message.document.get("id") == "r1/4" and not lost:
            lost.append(message)
            clock.swallow()
            return None
        return 0

    broker.answer = answer
    bench = make(pace=IMPATIENT)
    bench.now_s = clock = Still(broker, settled, all_seen(broker, bench))
    bench.begin("r1", publish=False)
    bench.readings(200)
    bench.publish()
    await broker.until(lambda: len(set(readings(broker.messages))) == 200)
    await bench.finish()
    assert len(broker.logins) == 2
    assert readings(broker.seen).count("r1/4") == 2
    assert f"acknowledges nothing of {SUP} for 0 s" in bench.said[0][1]
    assert bench.left() == (0, 0, 0)


async def test_a_record_that_is_never_acknowledged_is_kept_apart(
    broker: FakeBroker, make: Callable[..., Bench], settled: list[str]
) -> None:
    def answer(message: Message) -> int | None:
        if message.document.get("id") != "r1/4":
            return 0
        clock.swallow()
        return None

    broker.answer = answer
    bench = make(pace=IMPATIENT)
    bench.now_s = clock = Still(broker, settled, all_seen(broker, bench))
    bench.begin("r1", publish=False)
    bench.readings(30)
    bench.publish()
    await bench.until(lambda: "record-refused" in bench.codes())
    assert "never acknowledges a certain record of" in dict(bench.said)["record-refused"]
    bench.readings(30)
    await broker.until(lambda: len(set(readings(broker.messages))) == 59)
    await bench.finish()
    assert len(broker.logins) == 4  # it is not tried again at once
    assert bench.left() == (0, 1, 0)


async def test_a_record_that_silences_the_broker_is_found_and_the_rest_goes_on(
    broker: FakeBroker, make: Callable[..., Bench], settled: list[str]
) -> None:
    """Nothing that comes after it on the same connection is acknowledged either."""
    silenced: set[int] = set()

    def answer(message: Message) -> int | None:
        if message.document.get("id") in ("r1/30", "r1/61"):
            silenced.add(len(broker.logins))
            clock.swallow()
        return None if "/reading/" in message.topic and len(broker.logins) in silenced else 0

    broker.answer = answer
    bench = make(pace=IMPATIENT)
    bench.now_s = clock = Still(broker, settled)
    bench.begin("r1", publish=False)
    bench.readings(200)
    bench.publish()
    await broker.until(lambda: len(set(readings(broker.messages))) == 198)
    await bench.finish()
    assert bench.left() == (0, 2, 0)
    assert len(broker.logins) <= 2 * 6 + 1
    assert bench.codes().count("record-refused") == 2  # of different topics


# --- how soon it comes back


async def test_a_broker_that_takes_one_record_and_hangs_up_is_tried_ever_less_often(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only a connection that has lasted makes the next try come soon."""
    attempts: list[int] = []

    def delay_s(pace: Pace, attempt: int, rng: object) -> float:
        attempts.append(attempt)
        return 0.0

    monkeypatch.setattr("logger.publish.rounds.delay_s", delay_s)
    taken: Counter[int] = Counter()

    def answer(message: Message) -> int:
        if "/reading/" in message.topic:
            taken[len(broker.logins)] += 1
        return 0 if calm or taken[len(broker.logins)] <= 1 else -0x97

    calm, now_s = False, 0.0
    broker.answer = answer
    bench = make()
    bench.now_s = lambda: now_s
    bench.begin("r1", publish=False)
    bench.readings(60)
    bench.publish()
    await bench.until(lambda: len(attempts) >= 6)
    calm = True
    assert attempts[:6] == [1, 2, 3, 4, 5, 6]
    await broker.until(lambda: len(set(readings(broker.messages))) == 60)
    now_s = 10.0  # s: as long as an answer may take
    broker.cut()
    await bench.until(lambda: 0 in attempts)
    assert attempts.index(0) == len(attempts) - 1


async def test_each_topic_that_is_held_makes_the_next_try_come_soon(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else many barred topics, each of which ends connections, would keep the others waiting for long."""
    waits_s: list[float] = []

    def wait_s(pace: Pace, attempt: int, _: object) -> float:
        waits_s.append(delay_s(Pace(), attempt, lambda: 1.0))  # those of a run
        return 0.0

    monkeypatch.setattr("logger.publish.rounds.delay_s", wait_s)
    open_topic = SUP.replace("sup", "ret")
    broker.answer = lambda m: 0 if m.topic == open_topic or m.topic.endswith("/status") else 0x87 + AND_CLOSE
    bench = make()
    bench.begin("r1", publish=False)
    bench.readings(60)
    bench.event()
    bench.publish()
    await bench.until(lambda: bench.left() == (0, 41, 0))
    assert len(set(readings(broker.messages))) == 20
    # `about`, events and two topics of readings, each seen twice; the first ones before anything is found
    assert sum(waits_s) <= 30.0
    await bench.finish()


# --- what is known of answers survives


async def test_a_fault_of_ours_forgets_no_answer(
    broker: FakeBroker,
    make: Callable[..., Bench],
    settled: list[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Any,
) -> None:
    """What was answered before it is not sent once more."""
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    good = Outbox.next
    before: list[str] = []

    def faulty(self: Outbox) -> Item | None:
        if not before and len(settled) >= 20:
            before.extend(settled)
            raise ZeroDivisionError("x")
        return good(self)

    monkeypatch.setattr(Outbox, "next", faulty)
    bench = make(pace=replace(QUICK, fault_s=0.01))
    bench.begin("r1", publish=False)
    bench.readings(60)
    bench.publish()
    await broker.until(lambda: len(set(readings(broker.messages))) == 60)
    await bench.finish()
    assert len(broker.logins) == 2
    times = Counter(readings(broker.seen))
    assert {times[name] for name in before} == {1}
    assert bench.left() == (0, 0, 0)


async def test_what_is_passed_over_is_counted_once_though_the_store_does_not_answer(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The writer takes nothing for a while, and reading fails meanwhile, again and again."""
    bench = make(keep="1 d", pace=replace(QUICK, old_s=0.0))
    good, errors = Outbox.store_id, iter([StoreError("s.db cannot be read (disk I/O error)")] * 5)

    def store_id(self: Outbox) -> str:
        if (error := next(errors, None)) is not None:
            raise error
        bench.takes = True
        return good(self)

    monkeypatch.setattr(Outbox, "store_id", store_id)
    bench.takes = False
    bench.begin("r1", publish=False)
    bench.readings(40, age_s=2 * 86_400.0)
    bench.readings(5)
    bench.begin("r2")
    await broker.until(lambda: len(readings(broker.messages)) == 5)
    await bench.finish()
    assert bench.left() == (0, 0, 40)
    assert next(text for code, text in bench.said if code == "records-passed-over").startswith("40 readings")


async def test_nothing_is_handed_to_a_writer_that_is_about_to_end(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was answered after is given back by ``finish``."""
    bench = make()
    bench.begin("r1")
    await broker.until(lambda: any(m.topic.endswith("/about") for m in broker.messages))
    publisher = bench.publisher
    assert publisher is not None
    kept: list[object] = []

    def keep(batch: object) -> bool:
        kept.append(batch)
        return True

    monkeypatch.setattr(publisher, "_keep", keep)
    publisher.hold()
    bench.readings(30)
    await broker.until(lambda: len(readings(broker.messages)) == 30)
    await bench.until(lambda: publisher.words() == "all sent")
    last = await publisher.finish()
    bench.publisher = None
    assert kept == []
    assert [(move.run, move.next_seq) for move in last.cursors] == [("r1", 30)]


# --- a whole topic, or all, without an acknowledgement


class Flood:
    """A clock that goes on by more than an answer may take once a connection has ``most`` swallowed records
    on its way, and was looked at ``looks`` times since. The broker swallows what ``swallows`` says."""

    def __init__(
        self,
        broker: FakeBroker,
        settled: list[str],
        swallows: Callable[[Message], bool],
        *,
        most: int = 18,
        looks: int = 1,
    ) -> None:
        self._broker, self._settled, self._most = broker, settled, most
        self.swallows = swallows
        self._looks, self._looked = looks, 0
        self.swallowed: Counter[int] = Counter()  # by connection
        self._s = 0.0
        self._calm_s: float | None = None
        broker.answer = self.answer

    def answer(self, message: Message) -> int | None:
        if not self.swallows(message):
            return 0
        self.swallowed[len(self._broker.logins)] += 1
        return None

    def calm(self) -> None:
        """Nothing more is swallowed. Time goes on by itself over a connection that has swallowed something,
        so that it is missed, however little; over another, however slow this machine, nothing is."""
        self.swallows, self._calm_s = lambda _: False, awake_s()

    def __call__(self) -> float:
        if self._calm_s is not None:
            before_s, self._calm_s = self._calm_s, awake_s()
            if self.swallowed[len(self._broker.logins)]:
                self._s += self._calm_s - before_s
            return self._s
        answered = set(readings(self._broker.messages)) == set(self._settled)
        if answered and self.swallowed[len(self._broker.logins)] >= self._most:
            self._looked += 1
            if self._looked >= self._looks:
                self._looked = 0  # goes on: what is counted may have come over the connection before
                self._s += 1.0
        return self._s


async def test_a_topic_that_the_broker_swallows_holds_up_no_other(
    broker: FakeBroker, make: Callable[..., Bench], settled: list[str]
) -> None:
    bench = make(pace=IMPATIENT)
    bench.now_s = clock = Flood(broker, settled, lambda m: m.topic == SUP)
    bench.begin("r1", publish=False)
    bench.readings(300)
    bench.publish()
    await broker.until(lambda: len(set(readings(broker.messages))) == 200)
    assert len(broker.logins) <= 8
    await bench.until(lambda: bench.left() == (0, 100, 0))
    logins = len(broker.logins)
    bench.readings(90)
    await broker.until(lambda: len(set(readings(broker.messages))) == 260)
    await bench.until(lambda: bench.left() == (0, 130, 0))
    assert len(broker.logins) == logins
    assert any("never acknowledges any record of" in text for _, text in bench.said)
    assert bench.codes().count("record-refused") == 2
    clock.swallows = lambda _: False
    await bench.finish()
    bench.begin("r2")
    await broker.until(lambda: len(set(readings(broker.messages))) == 390)
    await bench.finish()
    assert bench.left() == (0, 0, 0)


async def test_a_topic_at_which_the_broker_hangs_up_holds_up_no_other(
    broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """MQTT 3.1.1, 3.3.5: a broker that refuses a message can only acknowledge it or close the connection."""
    broker.answer = lambda m: -0x87 if m.topic == SUP else 0
    bench = make()
    bench.begin("r1", publish=False)
    bench.readings(300)
    bench.publish()
    await broker.until(lambda: len(set(readings(broker.messages))) == 200)
    await bench.until(lambda: bench.left() == (0, 100, 0))
    assert len(broker.logins) < 25  # not some for each of the hundred
    logins = len(broker.logins)
    bench.readings(90)
    await broker.until(lambda: len(set(readings(broker.messages))) == 260)
    await bench.until(lambda: bench.left() == (0, 130, 0))
    assert len(broker.logins) == logins
    texts = [text for code, text in bench.said if code == "record-refused"]
    assert len(texts) == 2
    assert all(f"ends when a record of {SUP} comes" in text for text in texts)
    await bench.finish()


HANGS_UP = (-256, 0x87 + AND_CLOSE)  # without a word, and after a refusal


@pytest.mark.parametrize("how", HANGS_UP)
@pytest.mark.parametrize("word", ["status", "about", "snapshot", "event"])
async def test_what_passes_by_holds_up_no_record(
    word: str, how: int, broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """A broker that ends the connection at our status, or at the newest picture, has the readings."""
    broker.answer = lambda m: how if m.topic.endswith(f"/{word}") else 0
    bench = make()
    bench.begin("r1", publish=False)
    bench.readings(60)
    for _ in range(3):
        bench.event()
    bench.publish()
    assert bench.publisher is not None
    snapshot = Snapshot(t_ns=0, phase=Phase.OFF, phase_since_s=0.0)
    while len(set(readings(broker.messages))) < 300:
        bench.publisher.show(Picture(snapshot=snapshot, started_utc_us=0))
        bench.readings(3)
        await asyncio.sleep(0.002)
    await bench.until(lambda: bench.left() == (0, 3 * (word == "event"), 0))
    assert len(broker.logins) < 20
    told = [text for code, text in bench.said if code == "record-refused"]
    assert all(f"/{word}" in text for text in told)
    assert any("refuses" in text or "hangs up" in text for text in told)
    assert len(told) <= 1 + (how == -256)  # refused and hung up at is one trouble of one topic
    await bench.finish()


@pytest.mark.parametrize("how", [-256, -0x80])
async def test_a_broker_that_hangs_up_at_every_record_is_told_and_one_topic_waits_at_most(
    how: int, broker: FakeBroker, make: Callable[..., Bench]
) -> None:
    """Then it is the broker and not the records."""
    broker.answer = lambda m: how if "/reading/" in m.topic else 0
    bench = make()
    bench.begin("r1", publish=False)
    bench.readings(60)
    bench.publish()
    await bench.until(lambda: any("at every record" in text for _, text in bench.said))
    logins = len(broker.logins)
    await bench.until(lambda: len(broker.logins) >= logins + 10)
    waiting, parked, _ = bench.left()
    assert (waiting + parked, parked) == (60, 1)
    assert bench.codes().count("record-refused") == 1
    broker.answer = lambda _: 0
    await broker.until(lambda: len(set(readings(broker.messages))) == 59)
    await bench.finish()
    bench.publish()
    await broker.until(lambda: len(set(readings(broker.messages))) == 60)
    await bench.finish()
    assert bench.left() == (0, 0, 0)


async def test_one_limit_of_the_broker_is_told_once(broker: FakeBroker, make: Callable[..., Bench]) -> None:
    """MQTT 5.0, 3.2.2.3.6: 0x27 is Maximum Packet Size; readings of three topics, and what passes by."""
    broker.connack_properties = bytes([0x27]) + (600).to_bytes(4)
    bench = make()
    bench.begin("r1")
    bench.readings(30)
    await bench.until(lambda: bench.left() == (0, 30, 0))
    await bench.finish()
    assert bench.codes() == ["record-refused"]


async def test_a_broker_that_swallows_every_record_is_told_and_nothing_is_kept_apart(
    broker: FakeBroker, make: Callable[..., Bench], settled: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It stands longer than a connection must to be a good one, and it is not said to be there again."""
    monkeypatch.setattr("logger.publish.connection.ANSWER_S", 0.0)
    monkeypatch.setattr("logger.publish.connection.GLANCE_S", 0.01)  # from look to look of the clock below
    bench = make(pace=replace(IMPATIENT, answer_s=0.5))
    bench.now_s = clock = Flood(broker, settled, lambda m: "/reading/" in m.topic, looks=5)
    bench.begin("r1", publish=False)
    bench.readings(60)
    bench.publish()
    await bench.until(lambda: len(broker.logins) >= 8)
    assert bench.codes() == ["broker-away", "broker-away"]
    assert "acknowledges nothing of" in bench.said[0][1]
    assert "takes our status but acknowledges no record" in bench.said[1][1]
    assert bench.left() == (60, 0, 0)
    clock.calm()
    await broker.until(lambda: len(set(readings(broker.messages))) == 60)
    await bench.finish()
    assert bench.codes()[2:] == ["broker-back"]
    assert bench.left() == (0, 0, 0)


async def test_a_connection_with_nothing_to_send_is_a_good_one_in_time(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.publish.connection.ANSWER_S", 0.02)
    monkeypatch.setattr("logger.publish.connection.GLANCE_S", 0.01)
    await broker.close()
    bench = make()
    bench.begin("r1")
    await bench.until(lambda: "broker-away" in bench.codes())
    await broker.open()
    await bench.until(lambda: "broker-back" in bench.codes())
    await bench.finish()
    assert readings(broker.seen) == []


async def test_what_is_kept_apart_waits_for_its_time_however_often_the_broker_comes_back(
    broker: FakeBroker, make: Callable[..., Bench], settled: list[str]
) -> None:
    """A parked record goes out as soon as nothing else waits, so before what comes later."""
    bench = make(pace=IMPATIENT)
    bench.now_s = Flood(broker, settled, lambda m: m.document.get("id") == "r1/4", most=1)
    bench.begin("r1", publish=False)
    bench.readings(30)
    bench.publish()
    await bench.until(lambda: "record-refused" in bench.codes())
    times = readings(broker.seen).count("r1/4")
    for count in (59, 119):  # all but that one
        broker.cut()
        for more in (count, count + 30):
            bench.readings(30)
            await broker.until(lambda more=more: len(set(readings(broker.messages))) == more)  # type: ignore[misc]
    await bench.finish()
    assert readings(broker.seen).count("r1/4") == times
    assert bench.left() == (0, 1, 0)


async def test_an_answer_that_comes_while_the_connection_is_given_up_counts(
    broker: FakeBroker, make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The record is delivered, not kept apart as well."""
    good = CheckedClient.leave

    async def leave(self: CheckedClient, *, with_will: bool) -> None:
        if len(broker.logins) >= 3:  # of the one record, when it would be kept apart
            for acked in list(self._acks.values()):
                acked(0)
        await good(self, with_will=with_will)

    monkeypatch.setattr(CheckedClient, "leave", leave)
    broker.answer = lambda m: None if m.document.get("id") == "r1/4" else 0
    bench = make(pace=IMPATIENT)
    bench.begin("r1")
    bench.readings(30)
    await bench.until(lambda: bench.left() == (0, 0, 0))
    await bench.finish()
    assert "record-refused" not in bench.codes()
    assert bench.left() == (0, 0, 0)
