"""What goes to a broker, and when: payloads, tags, backoff, cursor; no broker and no clock."""

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.readings import Flag, Quantity
from logger.core.snapshot import Freshness, Phase, ProbeState, Snapshot
from logger.core.snapshot import TestState as SteadyTest
from logger.mqtt_reasons import FAILURE, REASONS
from logger.publish.about import (
    BRICK,
    BRICK_AIR,
    BRICK_IN_AIR,
    HAYSTACK,
    about_post,
    brick_class,
    haystack_tags,
)
from logger.publish.live import Backlog, Health, Picture, Source, snapshot_post, status_post
from logger.publish.pace import Pace, delay_s
from logger.publish.post import Topics, payload
from logger.publish.progress import Progress
from logger.publish.records import reading_post, row_post
from logger.publish.settings import refusal
from logger.store.waiting import PublishedRun, WaitingReading, WaitingRow
from tests.shell.contract import check

TOPICS = Topics(prefix="riselog", site="hall", job="north")
UTC0 = 1_735_787_045_000_000  # 2025-01-02T03:04:05Z by `date -u -d @1735787045`
RUN = PublishedRun(
    run_key=3, run="5f2c", started_utc_us=UTC0, simulated=False, next_seq=0, above=(), passed_over=0
)
READING = WaitingReading(
    seq=17, t_ns=1_500_000_000, probe="sup", quantity=Quantity.TEMPERATURE, value=47.25, flag=Flag.LATE
)


def test_a_reading() -> None:
    post = reading_post(TOPICS, RUN, READING)
    assert post.topic == "riselog/hall/north/reading/sup/temperature"
    assert post.payload == (
        b'{"id":"5f2c/17","t":"2025-01-02T03:04:06.500000Z","value":47.25,"unit":"degC","flag":"late"}'
    )
    assert (post.retain, post.expiry_s) == (False, None)
    check(post.topic, post.payload, retain=post.retain)


def test_what_is_simulated_says_so() -> None:
    post = reading_post(TOPICS, replace(RUN, simulated=True), READING)
    assert json.loads(post.payload)["simulated"] is True
    check(post.topic, post.payload, retain=post.retain)


def test_an_event() -> None:
    row = WaitingRow(
        run_key=3, seq=9, kind="event", t_ns=0, code="probe-lost", probe="sup", text="gone: °", origin="shell"
    )
    post = row_post(TOPICS, RUN, row)
    assert post.topic == "riselog/hall/north/event"
    assert json.loads(post.payload) == {
        "id": "5f2c/9",
        "t": "2025-01-02T03:04:05.000000Z",
        "code": "probe-lost",
        "probe": "sup",
        "text": "gone: °",
        "origin": "shell",
    }
    check(post.topic, post.payload, retain=post.retain)


def test_a_result_is_retained_and_says_of_what() -> None:
    row = WaitingRow(
        run_key=3, seq=20, kind="result", t_ns=10**9, code="run", text='{"verdict":"meets","a":1}'
    )
    post = row_post(TOPICS, RUN, row)
    assert (post.topic, post.retain) == ("riselog/hall/north/result", True)
    assert json.loads(post.payload) == {
        "id": "5f2c/20",
        "t": "2025-01-02T03:04:06.000000Z",
        "scope": "run",
        "verdict": "meets",
        "a": 1,
    }


def test_a_snapshot() -> None:
    shot = Snapshot(
        t_ns=2_000_000_000,
        phase=Phase.STEADY,
        phase_since_s=1.0,
        output_w=30_000.0,
        output_u95_w=float("nan"),
        plate_output_w=40_000.0,
        tests=(SteadyTest(name="slope", value=None, limit=1e-4, ok=False),),
        hold_s=60.0,
        held_s=45.0,
        probes=(ProbeState(name="sup", role="supply", temperature_c=47.0, state=Freshness.FRESH),),
    )
    picture = Picture(snapshot=shot, started_utc_us=UTC0, health=Health(store="full", commit_age_s=0.5))
    source = Source(run="5f2c", simulated=True)
    post = snapshot_post(TOPICS, source, picture, Backlog(waiting=7, parked=1), 4)
    said = json.loads(post.payload)
    assert (said["id"], said["t"], said["t_s"]) == ("5f2c/snapshot-4", "2025-01-02T03:04:07.000000Z", 2.0)
    assert (said["percent_of_nameplate"], said["hold_left_s"], said["phase"]) == (75.0, 15.0, "steady")
    assert said["output_u95_w"] is None  # RFC 8259, 6: JSON has no NaN
    assert said["health"] == {
        "store": "full",
        "commit_age_s": 0.5,
        "lost_to_storage": 0,
        "waiting": 7,
        "more": False,
        "parked": 1,
        "passed_over": 0,
    }
    assert post.expiry_s is not None
    check(post.topic, post.payload, retain=post.retain)


def test_status_and_will() -> None:
    source = Source(run="5f2c", simulated=False)
    will = status_post(TOPICS, source, online=False, reason="connection lost", number=0, t_utc_us=None)
    assert json.loads(will.payload)["t"] is None
    check(will.topic, will.payload, retain=will.retain)


@given(
    st.recursive(
        st.floats() | st.integers() | st.text() | st.none(),
        lambda s: st.lists(s) | st.dictionaries(st.text(), s),
    )
)
def test_a_payload_is_always_json(value: object) -> None:
    def refuse(word: str) -> None:
        raise AssertionError(word)

    json.loads(payload({"value": value}), parse_constant=refuse)


# Brick 1.5, Brick.ttl: classes that are there
BRICK_1_5 = """
    Air_Temperature_Sensor Supply_Air_Temperature_Sensor Return_Air_Temperature_Sensor
    Mixed_Air_Temperature_Sensor Outside_Air_Temperature_Sensor Supply_Air_Humidity_Sensor
    Return_Air_Humidity_Sensor Mixed_Air_Humidity_Sensor Outside_Air_Humidity_Sensor Humidity_Sensor
    Pressure_Sensor Speed_Sensor Flow_Sensor Usage_Sensor Power_Sensor Sensor
"""
# Project Haystack 4: lib phIoT (airPoints, conduit, battery) and lib phScience (quantity, substance)
HAYSTACK_4 = """
    point sensor air temp humidity pressure flow speed volume power level atmospheric gas battery
    discharge return mixed outside
"""
ROLES = ("return", "mixed", "supply", "outdoor", "velocity", "pressure", "gas")


def test_tags_and_classes_are_words_of_their_vocabularies() -> None:
    for role in ROLES:
        for quantity in Quantity:
            assert set(haystack_tags(role, quantity)) <= set(HAYSTACK_4.split())
            assert brick_class(role, quantity).removeprefix("brick:") in BRICK_1_5.split()
    assert set(HAYSTACK) == set(BRICK) == set(Quantity)
    assert set(BRICK_IN_AIR) < set(Quantity)
    assert set(BRICK_AIR) < set(ROLES)


def test_the_points_of_the_air_streams() -> None:
    """Project Haystack, phIoT airPoints.trio: discharge-air-temp-sensor; Brick: the supply side's class."""
    assert "-".join(haystack_tags("supply", Quantity.TEMPERATURE)[2:]) == "discharge-air-temp"
    assert "-".join(haystack_tags("outdoor", Quantity.HUMIDITY)[2:]) == "outside-air-humidity"
    assert brick_class("mixed", Quantity.TEMPERATURE) == "brick:Mixed_Air_Temperature_Sensor"


def test_about() -> None:
    probes = {
        "sup": ("supply", (Quantity.TEMPERATURE, Quantity.BATTERY)),
        "duct": ("velocity", (Quantity.VELOCITY,)),
    }
    post = about_post(
        TOPICS, Source(run="5f2c", simulated=False), probes, version="1.2", number=1, t_utc_us=UTC0
    )
    check(post.topic, post.payload, retain=post.retain)
    points = json.loads(post.payload)["points"]
    assert [(p["probe"], p["quantity"], p["unit"]) for p in points] == [
        ("sup", "temperature", "degC"),
        ("sup", "battery", "%"),
        ("duct", "velocity", "m/s"),
    ]


@given(st.integers(0, 10**9), st.floats(0.0, 1.0))
def test_the_wait_is_bounded_and_spread(attempt: int, random: float) -> None:
    pace = Pace(first_s=1.0, most_s=60.0)
    wait_s = delay_s(pace, attempt, lambda: random)
    assert 0.5 <= wait_s <= 60.0
    assert wait_s <= delay_s(pace, attempt + 1, lambda: 1.0)
    assert delay_s(pace, attempt, lambda: 1.0) == min(60.0, 2.0 ** min(attempt, 30))


class NaiveProgress:
    """The same, as sets."""

    def __init__(self) -> None:
        self.sent: list[int] = []
        self.done: set[int] = set()

    def waiting(self) -> set[int]:
        return set(self.sent) - self.done


@given(st.data())
def test_progress_forgets_nothing(data: st.DataObject) -> None:
    """Whatever order the answers come in, and whenever the connection is lost: below the cursor and above
    it is exactly what was answered."""
    seqs = sorted(data.draw(st.sets(st.integers(0, 60), min_size=1, max_size=25)))
    progress, naive, place = Progress(0), NaiveProgress(), 0
    for _ in range(data.draw(st.integers(0, 60))):
        action = data.draw(st.sampled_from(["send", "answer", "lose"]))
        if action == "send" and place < len(seqs):
            seq, place = seqs[place], place + 1
            if not progress.is_settled(seq):
                progress.sent(seq)
                naive.sent.append(seq)
        elif action == "answer" and naive.waiting():
            seq = data.draw(st.sampled_from(sorted(naive.waiting())))
            progress.settled(seq)
            naive.done.add(seq)
        elif action == "lose":
            progress.rewind()
            naive.sent = [seq for seq in naive.sent if seq in naive.done]
            place = 0
        settled = {seq for seq in seqs if seq < progress.next_seq} | set(progress.above())
        assert settled == naive.done
        again = Progress(progress.next_seq, progress.above())  # as the store would give it back
        assert [again.is_settled(seq) for seq in seqs] == [seq in naive.done for seq in seqs]


# OASIS MQTT 5.0, 3.4.2.1: all reason codes of a PUBACK
PUBACK_CODES = {
    0x00: False,
    0x10: False,
    0x80: True,
    0x83: True,
    0x87: True,
    0x90: True,
    0x91: True,
    0x97: True,
    0x99: True,
}


@pytest.mark.parametrize(("code", "failed"), PUBACK_CODES.items())
def test_which_answers_are_refusals(code: int, failed: object) -> None:
    assert (code >= FAILURE) is failed
    if failed:
        assert f"(reason 0x{code:02X}); " in refusal(code)


def test_every_reason_says_what_to_do() -> None:
    assert all(what and step for what, step in REASONS.values())
