"""Which message is used: retained, old, repeated or on a second path; and what is said of it, once."""

from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.mqtt_in.intake import Intake, refuse_twins
from drivers.mqtt_in.options import MqttInOptions
from drivers.probe import Rhythm
from logger.core.errors import ConfigError
from logger.core.readings import NS_PER_S
from logger.driver_api import DriverContext, Flag, LinkState, ProbeRequest, Quantity, Sample

START_S = 1_700_000_000  # s since the epoch: the computer's clock at the beginning


def request(name: str = "sup", role: str = "supply") -> ProbeRequest:
    return ProbeRequest(
        name=name, role=role, quantities=(Quantity.TEMPERATURE, Quantity.HUMIDITY), options={}
    )


@dataclass
class Bench:
    """An intake on a clock that the test moves."""

    keys: dict[str, Any]
    t_s: float = 0.0
    samples: list[Sample] = field(default_factory=list)
    said: list[tuple[LinkState, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        options = MqttInOptions(host="localhost", **{"topic": "gw/sup", "unit": "°C", **self.keys})
        context = DriverContext(
            emit=self.samples.append,
            link=lambda _, state, text: self.said.append((state, text)),
            now_ns=lambda: round(self.t_s * NS_PER_S),
            utc_us=lambda: round((START_S + self.t_s) * 1e6),
            wait_until=lambda _: None,
        )
        self.intake = Intake(request(), options, context, Rhythm(least_s=10.0, unknown_s=60.0))
        self.intake.connecting("broker")
        self.intake.start()

    def hear(self, text: str, topic: str = "gw/sup", *, at_s: float, retained: bool = False) -> None:
        self.t_s = at_s
        self.intake.look()
        self.intake.take(topic, text.encode(), retained=retained)

    @property
    def got(self) -> list[tuple[float, Flag]]:
        return [(sample.value, sample.flag) for sample in self.samples]

    @property
    def state(self) -> LinkState:
        return self.said[-1][0]

    def times_said(self, part: str) -> int:
        return sum(part in text for _, text in self.said)


TIMED = {"value": "/v", "time": "/t"}


def timed(value: float, t_s: float) -> str:
    return f'{{"v": {value}, "t": {START_S + t_s}}}'


def test_plain_numbers_are_used_as_they_arrive() -> None:
    bench = Bench({"unit": "°F"})
    bench.hear("68", at_s=1)
    bench.hear("212.0", at_s=2)
    assert bench.got == [(pytest.approx(20.0), Flag.OK), (pytest.approx(100.0), Flag.OK)]
    assert [state for state, _ in bench.said] == [LinkState.CONNECTING, LinkState.SEARCHING, LinkState.LIVE]


def test_only_messages_of_its_topic() -> None:
    bench = Bench({"topic": "gw/+/t/#"})
    for topic in ("gw/t", "gw/a/b/t", "other/a/t", "gw/a/T"):
        bench.hear("1", topic, at_s=1)
    assert bench.samples == []
    for topic in ("gw/a/t", "gw/a/t/x/y"):  # MQTT 5.0, 4.7.1.2: # is the parent level too
        bench.hear("1", topic, at_s=1)
    assert len(bench.samples) == 2


def test_a_retained_message_without_a_time_is_kept_and_not_used() -> None:
    bench = Bench({})
    bench.hear("21", at_s=0.1, retained=True)
    assert bench.got == [(21.0, Flag.LATE)]
    assert bench.state is LinkState.SEARCHING
    bench.hear("22", at_s=1)
    assert bench.got[-1] == (22.0, Flag.OK)
    assert bench.times_said("retained, without a time") == 1
    bench.hear("21", at_s=2, retained=True)  # as after a new connection
    assert bench.got[-1] == (21.0, Flag.LATE)
    assert bench.times_said("retained, without a time") == 1


def test_a_retained_message_counts_if_its_own_time_is_fresh() -> None:
    bench = Bench(TIMED)
    bench.hear(timed(21.0, -8), at_s=1, retained=True)
    assert bench.got == [(21.0, Flag.OK)]
    old = Bench(TIMED)
    old.hear(timed(21.0, -3600), at_s=1, retained=True)
    assert old.got == [(21.0, Flag.LATE)]
    old.hear(timed(22.0, 2), at_s=2)
    assert old.times_said("a retained message is 60 min old") == 1


def test_an_id_alone_says_nothing_of_a_retained_messages_age() -> None:
    bench = Bench({"value": "/v", "id": "/n"})
    bench.hear('{"v": 21, "n": 1}', at_s=1, retained=True)
    assert bench.got == [(21.0, Flag.LATE)]


@pytest.mark.parametrize(
    ("sent_s", "flag", "words"),
    [
        (-10.0, Flag.OK, None),
        (-10.1, Flag.LATE, "10 s old by its time"),
        (10.0, Flag.OK, None),
        (10.1, Flag.LATE, "10 s ahead of this computer's clock"),
    ],
)
def test_a_message_may_be_off_the_clock_by_max_time_skew(
    sent_s: float, flag: Flag, words: str | None
) -> None:
    bench = Bench(TIMED)
    bench.hear(timed(21.0, sent_s), at_s=0)
    assert bench.got == [(21.0, flag)]
    assert bench.state is (LinkState.LIVE if words is None else LinkState.REFUSED)
    assert words is None or words in bench.said[-1][1]


def test_what_is_off_the_clock_is_said_once_and_heals() -> None:
    bench = Bench({**TIMED, "max_time_skew": "2 s"})
    for n in range(20):
        bench.hear(timed(20.0, n - 60), at_s=n)
    assert {flag for _, flag in bench.got} == {Flag.LATE}
    assert bench.times_said("old by its time") == 1
    bench.hear(timed(20.0, 20), at_s=20)
    assert bench.state is LinkState.LIVE


def test_a_backlog_is_kept_as_late_and_the_newest_stays_the_newest() -> None:
    bench = Bench(TIMED)
    bench.hear(timed(30.0, 5), at_s=5)
    bench.hear(timed(29.0, 3), at_s=6)
    bench.hear(timed(31.0, 6), at_s=7)
    assert bench.got == [(30.0, Flag.OK), (29.0, Flag.LATE), (31.0, Flag.OK)]
    assert bench.times_said("older than one before it") == 1


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        (TIMED, timed(21.0, 1)),
        ({"value": "/v", "id": "/n"}, '{"v": 21.0, "n": "7f/12"}'),
        ({**TIMED, "id": "/n"}, f'{{"v": 21.0, "n": 12, "t": {START_S + 1}}}'),
    ],
)
@pytest.mark.parametrize("second", ["gw/sup", "relay/gw/sup"])
def test_the_same_reading_again_is_one_reading(keys: dict[str, str], message: str, second: str) -> None:
    bench = Bench({**keys, "topic": "#"})
    bench.hear(message, at_s=1)
    bench.hear(message, second, at_s=1.2)
    bench.hear(message, second, at_s=1.3)
    assert bench.got == [(21.0, Flag.OK), (21.0, Flag.DUPLICATE), (21.0, Flag.DUPLICATE)]
    assert bench.times_said("came again") == 1


def test_equal_values_of_different_times_or_ids_are_readings() -> None:
    """Ids that come round again, as those of one byte do: 11 s apart is beyond max_time_skew."""
    bench = Bench({**TIMED, "id": "/n"})
    for n in range(4):
        bench.hear(f'{{"v": 21.0, "n": {n % 2}, "t": {START_S + 5.5 * n}}}', at_s=5.5 * n)
    assert [flag for _, flag in bench.got] == [Flag.OK] * 4


@pytest.mark.parametrize("way", ["gw/b", "gw/a"])
def test_one_id_over_two_gateways_that_each_give_it_a_time_is_one_reading(way: str) -> None:
    bench = Bench({**TIMED, "id": "/n", "topic": "gw/+"})
    for n in range(3):
        bench.hear(f'{{"v": {20 + n}, "n": "{n}", "t": {START_S + n}}}', "gw/a", at_s=n)
        bench.hear(f'{{"v": {20 + n}, "n": "{n}", "t": {START_S + n + 0.3}}}', way, at_s=n + 0.4)
    assert bench.got == [(20.0 + n // 2, (Flag.OK, Flag.DUPLICATE)[n % 2]) for n in range(6)]
    assert bench.times_said("the same reading came again") == 1


def test_an_id_that_names_the_device_and_not_the_reading_is_told() -> None:
    bench = Bench({"value": "/v", "id": "/device"})
    for n in range(4):
        bench.hear(f'{{"v": {20 + n}, "device": "roof-1"}}', at_s=n)
    assert [flag for _, flag in bench.got] == [Flag.OK] + [Flag.DUPLICATE] * 3
    assert bench.times_said("name another one as id or leave id out") == 1


def test_a_backlog_that_comes_again_much_later_is_no_news() -> None:
    bench = Bench({"value": "/v", "id": "/n"})
    for at_s in (0, 3600):
        for n in range(3):
            bench.hear(f'{{"v": {20 + n}, "n": {n}}}', at_s=at_s + n)
    assert [flag for _, flag in bench.got] == [Flag.OK] * 3 + [Flag.DUPLICATE] * 3


@given(st.lists(st.sampled_from(["gw/a", "gw/b"]), min_size=40, max_size=40), st.randoms())
def test_two_lossy_paths_give_each_reading_once(paths: list[str], rng: Any) -> None:
    """Whatever comes by which path and how often: no reading is used twice, none that came is missing."""
    bench = Bench({**TIMED, "topic": "gw/+"})
    came = set()
    for n, first in enumerate(paths):
        for path in [first, "gw/a", "gw/b"][: rng.randint(0, 3)]:
            bench.hear(timed(20.0 + n, n), path, at_s=n)
            came.add(20.0 + n)
    used = [value for value, flag in bench.got if flag is Flag.OK]
    assert sorted(used) == sorted(came)


def test_without_id_and_time_one_path_is_used_until_it_is_silent() -> None:
    bench = Bench({"topic": "gw/+"})
    for n in range(3):
        bench.hear("21", "gw/a", at_s=n)
        bench.hear("21", "gw/b", at_s=n + 0.1)
    assert [flag for _, flag in bench.got] == [Flag.OK, Flag.DUPLICATE] * 3
    assert bench.times_said("nothing tells a repeat") == 1


def test_the_other_path_takes_over_when_the_first_is_silent() -> None:
    bench = Bench({"topic": "gw/+"})
    for n in range(4):
        bench.hear("21", "gw/a", at_s=n)
    bench.hear("22", "gw/b", at_s=5)
    assert bench.got[-1] == (22.0, Flag.DUPLICATE)
    for n in range(6, 20):
        bench.hear("22", "gw/b", at_s=n)
    assert bench.got[-1] == (22.0, Flag.OK)


def test_two_topics_with_times_are_said_to_be_taken_for_one_probe() -> None:
    bench = Bench({**TIMED, "topic": "gw/+"})
    bench.hear(timed(21.0, 1), "gw/a", at_s=1)
    bench.hear(timed(45.0, 2), "gw/b", at_s=2)
    bench.hear(timed(21.1, 3), "gw/a", at_s=3)
    assert bench.times_said("taken for two ways of one probe") == 1


def test_another_loggers_flag_is_kept() -> None:
    bench = Bench({"value": "/value", "id": "/id", "time": "/t", "flag": "/flag"})
    t = "2023-11-14T22:13:21Z"  # START_S + 1, by POSIX 4.16
    for n, flag in enumerate(("out-of-range", "clock-jump", "ok")):
        bench.hear(f'{{"id": "r/{n}", "t": "{t}", "value": {n}, "unit": "degC", "flag": "{flag}"}}', at_s=1)
    assert [flag for _, flag in bench.got] == [Flag.OUT_OF_RANGE, Flag.CLOCK_JUMP, Flag.OK]


def test_unreadable_messages_are_said_once_a_kind_and_hurt_nothing() -> None:
    bench = Bench({"value": "/v"})
    bench.hear("21.5", at_s=1)
    assert bench.state is LinkState.REFUSED
    assert "a message has no /v" in bench.said[-1][1]
    for n in range(2, 10):
        bench.hear('{"v": null}', at_s=n)
        bench.hear("21.5", at_s=n)
    bench.hear('{"v": 3}', at_s=11)
    assert bench.got == [(3.0, Flag.OK)]
    assert bench.state is LinkState.LIVE
    assert bench.times_said("no /v") == bench.times_said("null") == 1


def test_one_value_that_is_missing_does_not_hide_the_other() -> None:
    values = [
        {"value": "/t", "quantity": "temperature", "unit": "°F"},
        {"value": "/rh", "quantity": "humidity", "unit": "%"},
    ]
    bench = Bench({"unit": None, "values": values})
    bench.hear('{"t": 50, "rh": 40}', at_s=1)
    bench.hear('{"t": 50}', at_s=2)
    bench.hear('{"rh": 41}', at_s=3)
    found = [(sample.quantity, sample.value) for sample in bench.samples]
    assert found == [
        (Quantity.TEMPERATURE, pytest.approx(10.0)),
        (Quantity.HUMIDITY, 40.0),
        (Quantity.TEMPERATURE, pytest.approx(10.0)),
        (Quantity.HUMIDITY, 41.0),
    ]


def test_silence_is_said_and_so_is_the_return() -> None:
    bench = Bench({})
    for n in range(3):
        bench.hear("21", at_s=n)
    bench.t_s = 11.9
    bench.intake.look()
    assert bench.state is LinkState.LIVE
    bench.t_s = 12.0  # 10 s after the last one
    bench.intake.look()
    bench.intake.look()
    assert bench.state is LinkState.LOST
    assert bench.times_said("no reading of it comes on gw/sup") == 1
    bench.hear("21", at_s=40)
    assert bench.state is LinkState.LIVE


def test_readings_that_cannot_be_used_any_more_are_a_loss_with_its_reason() -> None:
    """A clock that was set wrong in the middle of the run, hours after the first such case was told."""
    bench = Bench(TIMED)
    for n, wrong_s in enumerate([0.0] * 3 + [-60.0] * 30 + [0.0] * 3 + [-60.0] * 30):
        bench.hear(timed(20.0 + n, n + wrong_s), at_s=n)
    states = [state for state, _ in bench.said[2:]]
    assert states == [LinkState.LIVE, LinkState.LIVE, LinkState.LOST, LinkState.LIVE, LinkState.LOST]
    assert bench.times_said("no usable reading of it: temperature: a message is 60 s old by its time") == 2


def test_a_value_that_no_probe_can_mean_is_flagged_and_does_not_make_the_probe_live() -> None:
    """Below absolute zero, -273.15 degC (SI brochure, 9th ed., 2.3.1)."""
    bench = Bench({})
    bench.hear("-300", at_s=1)
    bench.hear("1e300", at_s=2)
    assert {flag for _, flag in bench.got} == {Flag.OUT_OF_RANGE}
    assert LinkState.LIVE not in [state for state, _ in bench.said]


def test_a_probe_that_its_own_logger_flags_is_no_live_probe() -> None:
    bench = Bench({"value": "/v", "flag": "/f"})
    for n in range(70):
        bench.hear('{"v": 300, "f": "out-of-range"}', at_s=n)
    assert {flag for _, flag in bench.got} == {Flag.OUT_OF_RANGE}
    assert LinkState.LIVE not in [state for state, _ in bench.said]


def test_a_lost_connection_is_no_silence_of_the_probe() -> None:
    bench = Bench({})
    bench.hear("21", at_s=1)
    assert bench.intake.connection_lost("the connection was lost", refused=False)
    bench.t_s = 500
    bench.intake.look()
    assert bench.said[-1] == (LinkState.LOST, 'probe "sup": the connection was lost')
    bench.intake.start()
    bench.intake.look()
    assert bench.state is LinkState.LOST


def intake_of(name: str, **keys: Any) -> Intake:
    options = MqttInOptions(host="localhost", **{"topic": "a", "unit": "°C", **keys})
    nowhere = DriverContext(
        emit=lambda _: None, link=lambda *_: None, now_ns=int, utc_us=int, wait_until=lambda _: None
    )
    return Intake(request(name), options, nowhere, Rhythm(least_s=10.0, unknown_s=60.0))


def test_two_probes_cannot_be_one_value_of_one_topic() -> None:
    with pytest.raises(ConfigError, match='"ret" and "sup" read the same temperature of the topic a'):
        refuse_twins([intake_of("ret"), intake_of("sup")])
    refuse_twins([intake_of("ret", value="/ret"), intake_of("sup", value="/sup")])
    refuse_twins([intake_of("ret"), intake_of("sup", quantity="humidity", unit="%")])


def test_a_unit_of_something_else_than_the_role_wants_is_refused() -> None:
    with pytest.raises(ConfigError, match='probe "sup": "kPa" is no unit of temperature; accepted: °C'):
        intake_of("sup", unit="kPa")


TWO_VALUES = {
    "values": [
        {"value": "/t", "quantity": "temperature", "unit": "°C"},
        {"value": "/rh", "quantity": "humidity", "unit": "%"},
    ],
    "unit": None,
}


def test_what_is_wrong_with_a_whole_message_is_said_once() -> None:
    bench = Bench(TWO_VALUES)
    bench.hear("no JSON", at_s=1.0)
    assert [text for _, text in bench.said if "is no JSON" in text] == [
        'probe "sup": on gw/sup: a message is no JSON; for a plain number leave "value" out'
    ]
    bench.hear("{}", at_s=2.0)  # here each value lacks something of its own
    texts = [text for _, text in bench.said]
    assert any("temperature on gw/sup: a message has no /t" in text for text in texts)
    assert any("humidity on gw/sup: a message has no /rh" in text for text in texts)


def test_what_has_waited_to_be_taken_is_late_unless_it_has_a_time_of_its_own() -> None:
    bench = Bench({})
    bench.hear("20.0", at_s=1.0)
    bench.intake.behind = True
    bench.hear("20.5", at_s=2.0)
    bench.hear("20.5", at_s=2.1, retained=True)
    bench.intake.behind = False
    bench.hear("21.0", at_s=3.0)
    assert bench.got == [(20.0, Flag.OK), (20.5, Flag.LATE), (20.5, Flag.LATE), (21.0, Flag.OK)]
    assert sum("more quickly than this computer takes them" in text for _, text in bench.said) == 1
    timed = Bench({"value": "/t", "time": "/at"})
    timed.intake.behind = True
    timed.hear(f'{{"t": 20.0, "at": {START_S + 1}}}', at_s=1.0)
    assert timed.got == [(20.0, Flag.OK)]
