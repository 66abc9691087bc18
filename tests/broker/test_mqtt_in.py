"""The ``mqtt-in`` driver against a real broker; the messages are sent by the broker's own program."""

import asyncio
import contextlib
import datetime
import json
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from drivers.mqtt_in.driver import MqttInDriver
from drivers.mqtt_in.intake import Intake
from logger.driver_api import Flag, LinkState, ProbeRequest, Quantity
from logger.mqtt_link import ANSWER_S, LinkClient
from tests.broker.certificates import Authority
from tests.broker.conftest import READY_S, Mosquitto
from tests.shell.stand_ins import DriverLog

pytestmark = pytest.mark.broker

PLUG_INS = Path("/usr/lib")  # where the broker's package puts them


class Quick(MqttInDriver):
    """Asks again soon."""

    refused_s = 0.2


def request(broker: Mosquitto, name: str = "sup", **keys: Any) -> ProbeRequest:
    table = {"host": "127.0.0.1", "port": broker.port, "tls": False, "topic": f"gw/{name}", "unit": "°C"}
    quantities = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
    return ProbeRequest(name=name, role="supply", quantities=quantities, options=table | keys)


@contextlib.asynccontextmanager
async def running(*requests: ProbeRequest) -> AsyncIterator[DriverLog]:
    log = DriverLog()
    task = asyncio.create_task(Quick(requests, log.context()).run())
    try:
        yield log
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def send(broker: Mosquitto, topic: str, message: str, *options: str) -> None:
    await asyncio.to_thread(broker.publish, topic, "-m", message, *options)


async def subscribed(log: DriverLog, broker: Mosquitto, topic: str) -> None:
    """Send until something comes: from then on nothing is missed."""
    while not log.samples:
        await send(broker, topic, "0")
        await asyncio.sleep(0.02)


def now(shift_s: float = 0.0) -> str:
    moment = datetime.datetime.now(datetime.UTC) + datetime.timedelta(seconds=shift_s)
    return moment.isoformat()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_values_are_those_that_were_sent(mosquitto: Mosquitto, version: str) -> None:
    sent = [20.0 + 0.1 * n for n in range(20)]
    async with running(request(mosquitto, version=version)) as log:
        await subscribed(log, mosquitto, "gw/sup")
        log.samples.clear()
        for value in sent:
            await send(mosquitto, "gw/sup", repr(value))
        await log.until(lambda: len(log.samples) >= len(sent))
    assert log.got() == [(value, Flag.OK) for value in sent]


async def test_two_probes_share_a_connection(mosquitto: Mosquitto) -> None:
    requests = [request(mosquitto, "ret"), request(mosquitto, "sup", unit="°F", topic="gw/+")]
    async with running(*requests) as log:
        await log.until_said(LinkState.SEARCHING, probe="ret")
        await subscribed(log, mosquitto, "gw/ret")
        await send(mosquitto, "gw/sup", "212")
        await log.until(lambda: (pytest.approx(100.0), Flag.DUPLICATE) in log.got("sup"))
    text = (mosquitto.folder / "mosquitto.log").read_text()
    assert text.count("as riselog-in-") == 1


async def test_overlapping_topics_give_one_reading_each(mosquitto: Mosquitto) -> None:
    """MQTT 5.0, 3.3.4: a broker may send a message once for each subscription that it matches."""
    requests = [request(mosquitto, "ret"), request(mosquitto, "sup", topic="gw/#", value="/t")]
    async with running(*requests) as log:
        await subscribed(log, mosquitto, "gw/ret")
        log.samples.clear()
        for value in (1, 2, 3):
            await send(mosquitto, "gw/ret", str(value))
        await log.until(lambda: (3.0, Flag.OK) in log.got("ret"))
    assert log.got("ret") == [(1.0, Flag.OK), (2.0, Flag.OK), (3.0, Flag.OK)]


async def test_retained_messages(mosquitto: Mosquitto) -> None:
    keys = {"value": "/v", "time": "/t"}
    await send(mosquitto, "gw/plain", "11", "-r")
    await send(mosquitto, "gw/old", json.dumps({"v": 12, "t": now(-60)}), "-r")
    await send(mosquitto, "gw/fresh", json.dumps({"v": 13, "t": now(-1)}), "-r")
    requests = [
        request(mosquitto, "plain"),
        request(mosquitto, "old", **keys),
        request(mosquitto, "fresh", **keys),
    ]
    async with running(*requests) as log:
        await log.until(lambda: len(log.samples) == 3)
        await send(mosquitto, "gw/plain", "21", "-r")
        await log.until(lambda: len(log.samples) == 4)
    assert log.got("plain") == [(11.0, Flag.LATE), (21.0, Flag.OK)]
    assert log.got("old") == [(12.0, Flag.LATE)]
    assert log.got("fresh") == [(13.0, Flag.OK)]
    assert [t for p, _, t in log.links if p == "plain" and "retained, without a time" in t]


async def test_the_broker_is_killed_and_comes_back(mosquitto: Mosquitto) -> None:
    async with running(request(mosquitto)) as log:
        await subscribed(log, mosquitto, "gw/sup")
        mosquitto.kill()
        await log.until_said(LinkState.LOST, "was lost; it is tried again by itself")
        mosquitto.start()
        log.samples.clear()
        await subscribed(log, mosquitto, "gw/sup")
        await log.until(lambda: log.links[-1][1] is LinkState.LIVE)


async def test_a_broker_that_is_not_there_is_said_and_found_later(mosquitto: Mosquitto) -> None:
    mosquitto.kill()
    async with running(request(mosquitto)) as log:
        await log.until_said(LinkState.LOST, "cannot be reached (Connection refused); check host, port")
        mosquitto.start()
        await subscribed(log, mosquitto, "gw/sup")


async def test_one_reading_by_two_ways_is_one_reading(mosquitto: Mosquitto) -> None:
    async with running(request(mosquitto, topic="+/sup", value="/v", time="/t", id="/id")) as log:
        await log.until_said(LinkState.SEARCHING)
        message = json.dumps({"v": 0, "t": now(), "id": "a/0"})
        while not log.samples:
            await send(mosquitto, "gw/sup", message)
        log.samples.clear()
        for n in range(1, 6):
            message = json.dumps({"v": n, "t": now(), "id": f"a/{n}"})
            for way in ("gw", "relay"):
                await send(mosquitto, f"{way}/sup", message)
        await log.until(lambda: len([flag for _, flag in log.got() if flag is Flag.OK]) >= 5)
        await log.until(lambda: len(log.samples) >= 10)
    used = [value for value, flag in log.got() if flag is Flag.OK]
    assert used == [1.0, 2.0, 3.0, 4.0, 5.0]
    assert {flag for _, flag in log.got()} == {Flag.OK, Flag.DUPLICATE}


async def test_a_wrong_password_is_said_and_the_right_one_found_later(mosquitto: Mosquitto) -> None:
    mosquitto.kill()
    mosquitto.add_user("logger-1", "right")
    mosquitto.start()
    secret = mosquitto.folder / "secret"
    secret.write_text("wrong\n")
    keys = {"username": "logger-1", "password_file": str(secret)}
    async with running(request(mosquitto, **keys)) as log:
        await log.until_said(LinkState.REFUSED, "check username, the password, and whom the broker lets in")
        assert not any("wrong" in text for _, _, text in log.links)
        secret.write_text("right\n")
        await log.until_said(LinkState.REFUSED)
        credentials = ("-u", "logger-1", "-P", "right")
        while not log.samples:
            await send(mosquitto, "gw/sup", "21", *credentials)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"username": "u", "password_file": "/nowhere/pw"}, "/nowhere/pw cannot be read (No such file"),
        ({"username": "u", "password_file": "/dev/zero"}, "/dev/zero is no regular file"),
        ({"username": "u", "password_env": "RISELOG_NOT_SET"}, "RISELOG_NOT_SET of password_env is not set"),
        ({"tls": True, "ca_file": "/nowhere/ca.pem"}, "/nowhere/ca.pem cannot be used (No such file"),
        ({"tls": True}, "check"),
    ],
)
async def test_what_the_user_must_mend_is_one_sentence(
    mosquitto: Mosquitto, keys: dict[str, Any], words: str
) -> None:
    async with running(request(mosquitto, **keys)) as log:
        await log.until(lambda: any(s in (LinkState.REFUSED, LinkState.LOST) for _, s, _ in log.links))
    assert words in log.links[-1][2]
    assert log.links[-1][2].count("\n") == 0


@pytest.mark.parametrize(
    ("host", "days", "trusted", "words"),
    [
        ("127.0.0.1", 1.0, True, ""),
        ("127.0.0.1", 1.0, False, "is not accepted"),
        ("broker.example", 1.0, True, "is not accepted (IP address mismatch"),
        ("127.0.0.1", -1.0, True, "is not accepted (certificate has expired); have it renewed"),
    ],
)
async def test_tls_checks_chain_name_and_date(
    mosquitto: Mosquitto, tmp_path: Path, host: str, days: float, words: str, *, trusted: bool
) -> None:
    """As RFC 5280 and RFC 9525 have it; OpenSSL does the checking."""
    ours, theirs = Authority(tmp_path / "a", "ours"), Authority(tmp_path / "b", "theirs")
    certificate, key = ours.issue("broker", host=host, days=days)
    mosquitto.kill()
    mosquitto.lines += [f"certfile {certificate}", f"keyfile {key}"]
    mosquitto.start()
    keys = {"tls": True, "ca_file": str((ours if trusted else theirs).file)}
    async with running(request(mosquitto, **keys)) as log:
        if words:
            await log.until_said(LinkState.REFUSED, words)
        else:
            options = ("--cafile", str(ours.file))
            while not log.samples:
                await send(mosquitto, "gw/sup", "21", *options)
            assert log.got()[0] == (21.0, Flag.OK)


async def test_hostile_messages_leave_the_others_alone(mosquitto: Mosquitto, tmp_path: Path) -> None:
    binary = tmp_path / "binary"
    binary.write_bytes(bytes(range(256)) * 4000)
    async with running(request(mosquitto, "ret", topic="gw/#"), request(mosquitto, "sup")) as log:
        await subscribed(log, mosquitto, "gw/sup")
        for message in ("", "nan", "[" * 1000, "x" * 100_000):
            await send(mosquitto, "gw/sup", message)
        for topic in ("gw/sup", "gw/" + "a/" * 150):
            await asyncio.to_thread(mosquitto.publish, topic, "-f", str(binary))
        await send(mosquitto, "gw/sup", "42")
        await log.until(lambda: (42.0, Flag.OK) in log.got())
    assert {value for value, _ in log.got()} == {0.0, 42.0}


async def test_a_frozen_broker_is_said_and_does_not_hold_up_the_end(mosquitto: Mosquitto) -> None:
    """It accepts the connection and says nothing: the driver waits for an answer, and can be ended."""
    mosquitto.freeze()
    async with running(request(mosquitto)) as log:
        await asyncio.sleep(0.3)  # now it waits
        started = asyncio.get_running_loop().time()
    assert asyncio.get_running_loop().time() - started < ANSWER_S / 2
    assert log.samples == []


async def test_ending_at_any_moment_leaves_nothing_open(mosquitto: Mosquitto) -> None:
    before = open_sockets()
    for n in range(30):
        driver = MqttInDriver([request(mosquitto)], DriverLog().context())
        task = asyncio.create_task(driver.run())
        await asyncio.sleep(0.001 * n)
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
    assert open_sockets() == before
    assert asyncio.all_tasks() == {asyncio.current_task()}


def open_sockets() -> int:
    """Of this process, as Linux tells them (proc(5))."""
    links = []
    for each in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):  # the folder's own
            links.append(str(each.readlink()))
    return sum(link.startswith("socket:") for link in links)


async def test_check_says_what_it_finds(mosquitto: Mosquitto) -> None:
    requests = [request(mosquitto, "ret", topic="gw/ret"), request(mosquitto, "sup", value="/v")]
    driver = MqttInDriver(requests, DriverLog().context())
    await send(mosquitto, "gw/ret", "11", "-r")
    wait_s, silent = 0.25, {}
    while "retained" not in (silent["ret"].text if silent else "") and wait_s < READY_S:
        wait_s *= 2.0  # the broker's time: it has the message
        silent = {reach.probe: reach for reach in await driver.reach(wait_s)}
    assert not silent["ret"].ok
    assert "retained, without a time" in silent["ret"].text
    assert silent["sup"].text == f"no message in {wait_s:g} s on gw/sup"
    looking = asyncio.create_task(driver.reach(READY_S))
    while not looking.done():
        await send(mosquitto, "gw/ret", "21")
        await send(mosquitto, "gw/sup", '{"v": 45}')
        await asyncio.sleep(0.02)
    assert [(reach.ok, reach.text) for reach in looking.result()] == [
        (True, "found on gw/ret with temperature"),
        (True, "found on gw/sup with temperature"),
    ]
    mosquitto.kill()
    gone = await driver.reach(0.5)
    assert [reach.ok for reach in gone] == [False, False]
    assert "cannot be reached (Connection refused)" in gone[0].text


def refuse_topics(broker: Mosquitto, *topics: str) -> None:
    """Have the broker answer a subscription to these with 0x87 (0x80 in MQTT 3.1.1): its access list in a
    file lets every subscription pass and hides the messages, its plug-in of roles does not."""
    [plug_in, *_] = PLUG_INS.glob("*/mosquitto_dynamic_security.so")
    acls = [
        {"acltype": "publishClientSend", "topic": "#", "allow": True},
        {"acltype": "publishClientReceive", "topic": "#", "allow": True},
        *({"acltype": "subscribeLiteral", "topic": topic, "priority": 9, "allow": False} for topic in topics),
        {"acltype": "subscribePattern", "topic": "#", "allow": True},
    ]
    roles = {
        "clients": [],
        "groups": [{"groupname": "all", "roles": [{"rolename": "some"}]}],
        "roles": [{"rolename": "some", "acls": acls}],
        "anonymousGroup": "all",
    }
    file = broker.folder / "roles.json"
    file.write_text(json.dumps(roles))
    broker.kill()
    broker.lines += [f"plugin {plug_in}", f"plugin_opt_config_file {file}"]
    broker.start()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_a_topic_that_is_refused_is_no_other_probes(mosquitto: Mosquitto, version: str) -> None:
    refuse_topics(mosquitto, "gw/sup")
    requests = [request(mosquitto, name, version=version) for name in ("ret", "sup")]
    async with running(*requests) as log:
        await log.until_said(LinkState.REFUSED, "refuses the topic gw/sup", probe="sup")
        await subscribed(log, mosquitto, "gw/ret")
        await log.until_said(LinkState.LIVE, probe="ret")
    assert {state for probe, state, _ in log.links if probe == "ret"} == {
        LinkState.CONNECTING,
        LinkState.SEARCHING,
        LinkState.LIVE,
    }
    [text] = [text for probe, state, text in log.links if state is LinkState.REFUSED]
    assert "access list" in text


async def test_topics_below_a_refused_one_are_asked_for_alone(mosquitto: Mosquitto) -> None:
    refuse_topics(mosquitto, "gw/#")
    requests = [request(mosquitto, "ret"), request(mosquitto, "sup", topic="gw/#", value="/t")]
    async with running(*requests) as log:
        await log.until_said(LinkState.REFUSED, "refuses the topic gw/#", probe="sup")
        await subscribed(log, mosquitto, "gw/ret")
    assert {probe for probe, *_ in [(s.probe, s.value) for s in log.samples]} == {"ret"}


async def test_check_names_a_refused_topic(mosquitto: Mosquitto) -> None:
    refuse_topics(mosquitto, "gw/sup")
    await send(mosquitto, "gw/ret", "21", "-r")
    requests = [request(mosquitto, name) for name in ("ret", "sup")]
    ret, sup = await Quick(requests, DriverLog().context()).reach(5.0)
    assert "retained, without a time" in ret.text
    assert not sup.ok
    assert "refuses the topic gw/sup" in sup.text
    assert "access list" in sup.next_step
    async with asyncio.timeout(READY_S):  # nothing more can come: nobody waits for it
        await Quick(requests[1:], DriverLog().context()).reach(10 * READY_S)


async def test_two_keys_for_one_broker_are_two_connections(mosquitto: Mosquitto) -> None:
    """The broker ends the older of two connections with one identifier (MQTT 5.0, 3.1.4)."""
    requests = [request(mosquitto, "ret"), request(mosquitto, "sup", host="localhost")]
    async with running(*requests) as log:
        for name in ("ret", "sup"):
            await log.until_said(LinkState.SEARCHING, probe=name)
            while not log.got(name):
                await send(mosquitto, f"gw/{name}", "20")
    assert not [text for _, state, text in log.links if state is LinkState.LOST]
    assert (mosquitto.folder / "mosquitto.log").read_text().count("as riselog-in-") == 2


def flood(broker: Mosquitto, count: int) -> None:
    """So many messages to each of two topics, as quickly as the broker's own program sends lines."""
    lines = "".join(f"{number}\n" for number in range(count)).encode()
    for topic in ("gw/ret", "gw/sup"):
        command = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-t", topic, "-l"]
        subprocess.run(command, input=lines, check=True, timeout=READY_S)


async def test_a_flood_is_taken_whole_and_in_order_and_nothing_of_it_waits_in_memory(
    mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A logger with other work to do: what it cannot take at once waits at the broker, and is told as old."""
    monkeypatch.setattr("drivers.mqtt_in.broker.BUSY", 1)
    monkeypatch.setattr("drivers.mqtt_in.broker.BEHIND_LOOKS", 2)
    monkeypatch.setattr(Quick, "look_s", 0.01)
    count, clients, waiting = 3_000, [], []
    take = Intake.take

    def slow(self: Intake, topic: str, payload: bytes, *, retained: bool) -> None:
        sum(range(3_000))  # about the work of a run for each
        waiting.extend(len(client.messages) for client in clients)
        take(self, topic, payload, retained=retained)

    enter = LinkClient.enter

    async def entered(self: LinkClient) -> None:
        clients.append(self)
        await enter(self)

    monkeypatch.setattr(Intake, "take", slow)
    monkeypatch.setattr(LinkClient, "enter", entered)
    async with running(request(mosquitto, "ret"), request(mosquitto, "sup")) as log:
        await subscribed(log, mosquitto, "gw/ret")
        await subscribed(log, mosquitto, "gw/sup")
        log.samples.clear()
        await asyncio.to_thread(flood, mosquitto, count)
        await log.until(lambda: len(log.samples) == 2 * count)
        for probe in ("ret", "sup"):
            assert [value for value, _ in log.got(probe)] == [float(number) for number in range(count)]
        flags = {flag for _, flag in log.got("ret") + log.got("sup")}
        assert (
            {Flag.OK, Flag.LATE} <= flags <= {Flag.OK, Flag.LATE, Flag.OUT_OF_RANGE}
        )  # 3,000 degrees, in time
        assert sum("more quickly than this computer takes them" in text for _, _, text in log.links) >= 2
        async with asyncio.timeout(READY_S):
            while log.got("sup")[-1][1] is not Flag.OK:  # from the next look on
                await send(mosquitto, "gw/sup", "5")
    assert max(waiting) == 0
