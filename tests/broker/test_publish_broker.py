"""The publisher at a real broker: TLS, rights, limits, and the whole program beside it."""

import asyncio
import json
import os
import signal
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.publish.login import try_broker
from logger.publish.settings import Broker, BrokerError
from simulators.scenarios import SCENARIOS
from tests.broker.certificates import Authority
from tests.broker.conftest import READY_S, Mosquitto
from tests.broker.listening import Subscriber
from tests.e2e.conftest import Program
from tests.shell.contract import check
from tests.shell.publish_bench import QUICK, Bench, table

pytestmark = pytest.mark.broker

SECRET = "sesame-4711"
SUP = "riselog/hall/north/reading/sup/temperature"
JOB = "sim-short-firing"


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path / "certificates", "ours")


def serve_tls(mosquitto: Mosquitto, files: tuple[Path, Path], *lines: str) -> None:
    mosquitto.kill()
    mosquitto.lines = ["allow_anonymous true", f"certfile {files[0]}", f"keyfile {files[1]}", *lines]
    mosquitto.start()


def attempt(mosquitto: Mosquitto, **keys: Any) -> str:
    """What ``check`` would say."""
    return try_broker(
        Broker(table=table(mosquitto.port, **({"tls": True} | keys)), job="north"), "s", publish=True
    )


# TLS: the name and the chain are checked by OpenSSL as RFC 9525 and RFC 5280 have it; the broker is real.


def test_a_good_certificate(mosquitto: Mosquitto, authority: Authority) -> None:
    serve_tls(mosquitto, authority.issue("good"))
    assert "logged in" in attempt(mosquitto, ca_file=str(authority.file))


def test_another_authority(mosquitto: Mosquitto, authority: Authority, tmp_path: Path) -> None:
    serve_tls(mosquitto, authority.issue("good"))
    other = Authority(tmp_path / "other", "theirs")
    with pytest.raises(BrokerError, match=r"certificate is not accepted.*in \[mqtt\] ca_file"):
        attempt(mosquitto, ca_file=str(other.file))
    with pytest.raises(BrokerError, match=r"certificate is not accepted.*in \[mqtt\] ca_file"):
        attempt(mosquitto)  # the system's own


def test_a_wrong_name(mosquitto: Mosquitto, authority: Authority) -> None:
    serve_tls(mosquitto, authority.issue("named", host="broker.example"))
    with pytest.raises(BrokerError, match=r"not accepted.*set \[mqtt\] host to the name in the certificate"):
        attempt(mosquitto, ca_file=str(authority.file))


def test_an_expired_certificate(mosquitto: Mosquitto, authority: Authority) -> None:
    serve_tls(mosquitto, authority.issue("old", days=-1.0))
    with pytest.raises(BrokerError, match=r"expired.*have it renewed, or set this computer's clock"):
        attempt(mosquitto, ca_file=str(authority.file))


def test_a_client_certificate(mosquitto: Mosquitto, authority: Authority) -> None:
    lines = [f"cafile {authority.file}", "require_certificate true"]
    serve_tls(mosquitto, authority.issue("good"), *lines)
    with pytest.raises(BrokerError, match="certificate"):
        attempt(mosquitto, ca_file=str(authority.file))
    certificate, key = authority.issue("logger")
    keys = {"ca_file": str(authority.file), "cert_file": str(certificate), "key_file": str(key)}
    assert "logged in" in attempt(mosquitto, **keys)


def test_a_key_of_another_certificate(mosquitto: Mosquitto, authority: Authority) -> None:
    (certificate, _), (_, key) = authority.issue("one"), authority.issue("other")
    files = {"ca_file": str(authority.file), "cert_file": str(certificate), "key_file": str(key)}
    with pytest.raises(BrokerError, match=r"MISMATCH.*name the key that the certificate was made with"):
        attempt(mosquitto, **files)


def test_tls_at_a_port_without_it(mosquitto: Mosquitto, authority: Authority) -> None:
    with pytest.raises(BrokerError, match=r"check \[mqtt\] (host, )?port"):
        attempt(mosquitto, ca_file=str(authority.file))


def test_no_tls_at_a_port_with_it(mosquitto: Mosquitto, authority: Authority) -> None:
    serve_tls(mosquitto, authority.issue("good"))
    with pytest.raises(
        BrokerError, match=r"closes the connection before it answers; check \[mqtt\] port, tls"
    ):
        attempt(mosquitto, tls=False)


@pytest.mark.parametrize("key", ["ca_file", "cert_file"])
def test_files_that_cannot_be_used(key: str, mosquitto: Mosquitto, tmp_path: Path) -> None:
    keys = {key: str(tmp_path / "gone.pem"), "key_file": str(tmp_path / "gone.key")}
    with pytest.raises(BrokerError, match=rf"\[mqtt\] {key}.*gone.pem.*No such file"):
        attempt(mosquitto, **keys)
    (tmp_path / "gone.pem").write_text("no PEM", encoding="utf-8")
    (tmp_path / "gone.key").write_text("no PEM", encoding="utf-8")
    with pytest.raises(BrokerError, match=rf"\[mqtt\] {key}.*cannot be used.*PEM format"):
        attempt(mosquitto, **keys)


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_wrong_password(version: str, mosquitto: Mosquitto, tmp_path: Path) -> None:
    mosquitto.add_user("logger-1", SECRET)
    mosquitto.kill()
    mosquitto.start()
    word = tmp_path / "word"
    word.write_text("wrong\n", encoding="utf-8")
    keys = {"tls": False, "username": "logger-1", "password_file": str(word), "version": version}
    with pytest.raises(
        BrokerError,
        match=r"refuses the connection.*not let this user in.*check \[mqtt\] username, the password",
    ):
        attempt(mosquitto, **keys)
    word.write_text(f"{SECRET}\r\n", encoding="utf-8")
    here = Broker(table=table(mosquitto.port, **keys), job="north")
    word.chmod(0o644)
    said = f"[mqtt] password_file: every user of this computer may read {word}; `chmod 600` it"
    assert here.open_secrets() == (said,)
    word.chmod(0o640)
    assert here.open_secrets() == ()
    assert f"MQTT {version}" in attempt(mosquitto, **keys)
    word.unlink()
    with pytest.raises(BrokerError, match=r"password_file: .*word cannot be read \(No such file"):
        attempt(mosquitto, **keys)


async def test_an_access_list(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """What it bars waits, and goes out when it may."""
    rights = tmp_path / "rights"
    rights.write_text(
        "topic write riselog/hall/north/reading/ret/#\ntopic write riselog/hall/north/status\n"
        "topic read riselog/#\n"
    )
    rights.chmod(0o600)
    mosquitto.kill()
    mosquitto.lines = ["allow_anonymous true", f"acl_file {rights}"]
    mosquitto.start()
    bench = Bench(tmp_path / "s.db", table(mosquitto.port))
    async with Subscriber(mosquitto) as subscriber:
        bench.begin("r1")
        bench.readings(30)
        bench.event()
        await subscriber.until(lambda: len(subscriber.ids()) == 10)
        await bench.finish()
        assert bench.left() == (0, 21, 0)
        assert {h.topic for h in subscriber.heard if h.kind == "reading"} == {SUP.replace("sup", "ret")}
        (sentence,) = [text for code, text in bench.said if code == "record-refused" and SUP in text]
        assert "it does not allow it (reason 0x87); check the broker's access list for this user" in sentence
        rights.write_text("topic readwrite riselog/#\n")
        mosquitto.read_again()
        bench.publish()
        await subscriber.until(lambda: len(set(subscriber.ids())) == 30 and subscriber.ids("event"))
        await bench.close()
    assert bench.left() == (0, 0, 0)


async def test_a_broker_that_hangs_up_at_what_it_bars(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """mosquitto 2.0.11 without a queue answers 0x87 and closes; whatever else there is arrives, in its order.

    Readings of two barred topics and of an open one keep coming while a backlog of them waits.
    """
    rights = tmp_path / "rights"
    rights.write_text(
        "topic write riselog/hall/north/reading/ret/#\ntopic write riselog/hall/north/status\n"
        "topic write riselog/hall/north/about\ntopic read riselog/#\n"
    )
    rights.chmod(0o600)
    mosquitto.kill()
    mosquitto.lines = ["allow_anonymous true", f"acl_file {rights}", "max_queued_messages 0"]
    mosquitto.start()
    bench = Bench(tmp_path / "s.db", table(mosquitto.port))
    open_topic = SUP.replace("sup", "ret")
    async with Subscriber(mosquitto) as subscriber:
        bench.begin("r1", publish=False)
        bench.readings(600)
        bench.publish()
        bench.event()
        count = 600
        async with asyncio.timeout(3 * READY_S):
            while (come := len(subscriber.first_ids(open_topic))) < 400:
                if count // 3 - come < 200:  # not more quickly than they go
                    bench.readings(3)
                    count += 3
                await asyncio.sleep(0.01)  # a run's pace, a hundred times as quick
        await bench.until(lambda: bench.left() == (0, count * 2 // 3 + 1, 0))
        logins = mosquitto.logins("riselog-")
        assert logins < 20
        bench.readings(90)
        count += 90
        await bench.until(lambda: bench.left() == (0, count * 2 // 3 + 1, 0))
        assert len(subscriber.first_ids(open_topic)) == count // 3
        assert mosquitto.logins("riselog-") == logins  # what is held ends no connection
        texts = [text for code, text in bench.said if code == "record-refused" and SUP in text]
        assert [text.partition(SUP)[0].split()[-1] for text in texts] == ["refuses"]
        assert "check the broker's access list" in texts[0]
        await bench.finish()
        bench.said.clear()
        bench.pace = replace(QUICK, parked_s=1.0)
        bench.publish()
        await bench.until(lambda: mosquitto.logins("riselog-") >= logins + 8)
        assert set(bench.codes()) == {"record-refused"}  # that it ends at what is tried again is no outage
        rights.write_text("topic readwrite riselog/#\n")
        mosquitto.read_again()
        await subscriber.until(lambda: len(set(subscriber.ids())) == count and subscriber.ids("event"))
        await bench.close()
    assert bench.left() == (0, 0, 0)
    for topic in (open_topic, SUP):
        seqs = [int(one.rpartition("/")[2]) for one in subscriber.first_ids(topic)]
        assert seqs == sorted(seqs)
    assert any(SUP in text for code, text in bench.said if code == "record-taken")


def test_check_tells_of_an_access_list(mosquitto: Mosquitto, tmp_path: Path) -> None:
    rights = tmp_path / "rights"
    rights.write_text("topic read riselog/#\n")
    rights.chmod(0o600)
    mosquitto.kill()
    mosquitto.lines = ["allow_anonymous true", f"acl_file {rights}"]
    mosquitto.start()
    with pytest.raises(BrokerError, match=r"refuses riselog/hall/north/status: it does not allow it"):
        attempt(mosquitto, tls=False)


async def test_a_limit_on_the_size(mosquitto: Mosquitto, tmp_path: Path) -> None:
    mosquitto.kill()
    mosquitto.lines = ["allow_anonymous true", "max_packet_size 3000"]
    mosquitto.start()
    with pytest.raises(BrokerError, match="takes messages of at most 3,000 bytes"):
        await asyncio.to_thread(attempt, mosquitto, tls=False)
    bench = Bench(tmp_path / "s.db", table(mosquitto.port))
    async with Subscriber(mosquitto) as subscriber:
        bench.begin("r1")
        bench.result(json.dumps({"text": "x" * 5000}))
        bench.readings(9)
        await subscriber.until(lambda: len(subscriber.ids()) == 9)
        await bench.close()
    assert bench.left() == (0, 1, 0)
    assert [code for code, _ in bench.said] == ["record-refused"]


async def test_a_broker_that_hangs_is_noticed_and_holds_no_end_up(
    mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.publish.client.ANSWER_S", 1.0)
    monkeypatch.setattr("logger.mqtt_link.ANSWER_S", 1.0)
    monkeypatch.setattr("logger.mqtt_link.LEAVE_S", 0.2)
    monkeypatch.setattr("logger.publish.connection.LEAVE_S", 0.2)
    bench = Bench(tmp_path / "s.db", table(mosquitto.port), pace=replace(QUICK, answer_s=1.0))
    async with Subscriber(mosquitto) as subscriber:
        bench.begin("r1")
        bench.readings(3)
        await subscriber.until(lambda: len(subscriber.ids()) == 3)
        assert mosquitto._process is not None
        mosquitto._process.send_signal(signal.SIGSTOP)
        bench.readings(30)
        await bench.until(lambda: any("acknowledges nothing" in text for _, text in bench.said))
        await bench.finish()
        assert bench.left()[0] >= 30
        mosquitto._process.send_signal(signal.SIGCONT)
        bench.publish()
        await subscriber.until(lambda: len(set(subscriber.ids())) == 33)
        await bench.close()
    assert bench.left() == (0, 0, 0)


def last_status(subscriber: Subscriber) -> tuple[str, str, str]:
    documents = [h.document for h in subscriber.heard if h.kind == "status"]
    return (
        (documents[-1]["run"], documents[-1]["status"], documents[-1]["reason"]) if documents else ("",) * 3
    )


def kept_status(mosquitto: Mosquitto) -> tuple[str, str]:
    """As the broker's own program finds it."""
    (line,) = heard_by_the_brokers_own_program(mosquitto, "riselog/hall/north/status", "-C", "1")
    return json.loads(line)["status"], json.loads(line)["reason"]


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_a_missing_acknowledgement_leaves_nobody_online(
    version: str, mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last will is said between two connections; who comes then finds what is true."""
    monkeypatch.setattr("logger.publish.client.CheckedClient._on_publish", forgets_readings)
    pace = replace(QUICK, answer_s=0.3, first_s=600.0, most_s=600.0)
    bench = Bench(tmp_path / "s.db", table(mosquitto.port, version=version), pace=pace)
    async with Subscriber(mosquitto) as subscriber:
        bench.begin("r1")
        bench.readings(3)
        await subscriber.until(lambda: last_status(subscriber) == ("r1", "offline", "connection lost"))
        assert kept_status(mosquitto) == ("offline", "connection lost")
        await bench.close()


def forgets_readings(client: Any, paho: Any, _userdata: Any, mid: int, code: Any, _properties: Any) -> None:
    """As if the broker had acknowledged the first messages alone: a status and what the logger is."""
    if mid <= 3 and (acked := client._acks.pop(mid, None)) is not None:
        acked(code.value)


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_a_fault_leaves_nobody_online(
    version: str, mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    monkeypatch.setattr("logger.publish.connection.Connection._send", lambda *_: 1 / 0)
    bench = Bench(tmp_path / "s.db", table(mosquitto.port, version=version), pace=replace(QUICK, faults=1))
    async with Subscriber(mosquitto) as subscriber:
        bench.begin("r1")
        bench.readings(3)
        await subscriber.until(lambda: last_status(subscriber) == ("r1", "offline", "internal fault"))
        assert kept_status(mosquitto) == ("offline", "internal fault")
        await bench.close()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_check_from_another_computer_leaves_a_logger_online(
    version: str, mosquitto: Mosquitto, tmp_path: Path
) -> None:
    bench = Bench(tmp_path / "s.db", table(mosquitto.port, version=version))
    bench.begin("r1")
    bench.readings(3)
    async with Subscriber(mosquitto) as subscriber:
        await subscriber.until(lambda: last_status(subscriber) == ("r1", "online", ""))
        text = await asyncio.to_thread(attempt, mosquitto, tls=False, version=version)
        assert "a logger is online there (run r1 since 20" in text
        assert len([h for h in subscriber.heard if h.kind == "status"]) == 1
        await bench.finish()
        await subscriber.until(lambda: last_status(subscriber) == ("r1", "offline", "ended"))
        text = await asyncio.to_thread(attempt, mosquitto, tls=False, version=version)
        assert "it takes riselog/hall/north/status" in text
        await subscriber.until(lambda: last_status(subscriber) == ("check", "offline", "check"))
        assert kept_status(mosquitto) == ("offline", "ended")
    await bench.close()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_two_loggers_under_one_name_hear_of_each_other(
    version: str, mosquitto: Mosquitto, tmp_path: Path
) -> None:
    one, two = (
        Bench(tmp_path / f"{name}.db", table(mosquitto.port, version=version)) for name in ("one", "two")
    )
    async with Subscriber(mosquitto) as subscriber:
        one.begin("r1")
        one.readings(300)
        await subscriber.until(lambda: len(subscriber.ids()) == 300)
        two.begin("r2")
        two.readings(300)
        await one.until(lambda: "another-logger" in one.codes())
        await two.until(lambda: "another-logger" in two.codes())
        assert "(run r2) is online under riselog/hall/north; give each" in dict(one.said)["another-logger"]
        await two.close()
        await subscriber.until(lambda: last_status(subscriber) == ("r1", "online", ""))
        assert kept_status(mosquitto) == ("online", "")
        await one.close()
        assert kept_status(mosquitto) == ("offline", "ended")
    assert one.codes().count("another-logger") == two.codes().count("another-logger") == 1
    assert one.left() == two.left() == (0, 0, 0)


@pytest.fixture
def program(tmp_path: Path) -> Any:
    made = Program(tmp_path)
    yield made
    made.close()


@pytest.fixture
def job(tmp_path: Path) -> Callable[..., Path]:
    def write(port: int, *lines: str, speed: str = '"max"') -> Path:
        text = SCENARIOS["short-firing"].config_text.replace('speed = "max"', f"speed = {speed}")
        broker = ['[mqtt]\nhost = "127.0.0.1"', f"port = {port}", "tls = false", 'site = "hall"', *lines]
        path = tmp_path / "job.toml"
        path.write_text("\n".join([text, *broker]) + "\n", encoding="utf-8")
        return path

    return write


def heard_by_the_brokers_own_program(mosquitto: Mosquitto, topic: str, *options: str) -> list[str]:
    done = subprocess.run(
        ["mosquitto_sub", "-p", str(mosquitto.port), "-t", topic, "-V", "5", *options],
        capture_output=True,
        text=True,
        timeout=READY_S,
        check=False,
    )
    return done.stdout.splitlines()


def test_the_whole_program(program: Program, job: Callable[..., Path], mosquitto: Mosquitto) -> None:
    """Retained messages, read by the broker's own program after the run."""
    done = program("run", job(mosquitto.port, speed="400"), "--headless", "--json")
    assert done.code == 3
    assert done.document["stored"] is True
    lines = heard_by_the_brokers_own_program(mosquitto, f"riselog/hall/{JOB}/#", "-F", "%t %r %p", "-W", "1")
    found = {}
    for line in lines:
        topic, retained, payload = line.split(" ", 2)
        assert retained == "1"
        found[check(topic, payload.encode(), retain=True)] = json.loads(payload)
    assert set(found) == {"status", "about", "snapshot", "result"}
    assert (found["status"]["status"], found["status"]["reason"]) == ("offline", "ended")
    sent = {key: value for key, value in found["result"].items() if key not in ("id", "t", "scope")}
    assert sent == done.document
    assert found["result"]["scope"] == "run"
    assert {p["probe"] for p in found["about"]["points"]} == {"ret", "sup", "duct", "baro"}
    assert found["snapshot"]["simulated"] is True


def test_a_killed_logger_is_offline(program: Program, job: Callable[..., Path], mosquitto: Mosquitto) -> None:
    process = program.start("run", job(mosquitto.port, speed="20"), "--headless")
    topic = f"riselog/hall/{JOB}/status"
    (online,) = heard_by_the_brokers_own_program(mosquitto, topic, "-C", "1")
    assert json.loads(online)["status"] == "online"
    process.kill()
    process.wait()
    lines = heard_by_the_brokers_own_program(mosquitto, topic, "-C", "1")
    assert json.loads(lines[0])["reason"] == "connection lost"


def test_a_broker_that_is_down_changes_no_exit_code(
    program: Program, job: Callable[..., Path], mosquitto: Mosquitto
) -> None:
    path = job(mosquitto.port)
    mosquitto.kill()
    done = program("run", path, "--headless", "--json")
    assert done.code == 3  # as without a broker: no steady stretch
    assert "broker-away" in [event["code"] for event in done.document["events"]]
    assert "has not got everything" in done.err
    checked = program("check", path, "--json")
    assert checked.code == 4
    away, waiting = [c for c in checked.document["checks"] if c["code"] == "broker"]
    assert "cannot be reached" in away["text"]
    assert "a run goes on" in away["next"]
    assert waiting["ok"]
    assert "still to be sent" in waiting["text"]


def test_a_replay_publishes_nothing(
    program: Program, job: Callable[..., Path], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    plain = tmp_path / "plain.toml"
    path = job(mosquitto.port)
    plain.write_text(path.read_text(encoding="utf-8").split("[mqtt]")[0], encoding="utf-8")
    assert program("run", plain, "--headless", "--json").code == 3
    assert program("replay", "last", "--config", path, "--json").code == 3
    assert heard_by_the_brokers_own_program(mosquitto, "riselog/#", "-W", "1") == []


def test_the_password_is_nowhere(
    program: Program, job: Callable[..., Path], mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """Neither in store, log, messages, topics, the process list nor what the broker keeps."""
    mosquitto.add_user("logger-1", SECRET)
    mosquitto.kill()
    mosquitto.start()
    word = tmp_path / "word"
    word.write_text(SECRET, encoding="utf-8")
    path = job(mosquitto.port, 'username = "logger-1"', 'password_file = "word"', speed="400")
    process = program.start("run", path, "--headless", "--json")
    topic = f"riselog/hall/{JOB}/#"
    login = ["-u", "logger-1", "-P", SECRET]
    lines = heard_by_the_brokers_own_program(mosquitto, topic, "-C", "50", *login)
    command = Path(f"/proc/{process.pid}/cmdline").read_bytes()
    done = program.end(process)
    assert done.code == 3
    assert len(lines) == 50
    lines += heard_by_the_brokers_own_program(mosquitto, topic, "-W", "1", *login)
    report = program("report", "last", "--output", "report.html")
    assert report.code == 0
    word.write_text(SECRET + "-wrong", encoding="utf-8")
    checked = program("check", path)
    assert checked.code == 4
    faults = program("run", path, "--headless", "--json")
    texts = [command.decode(), done.out, done.err, checked.out, checked.err, faults.out, faults.err, *lines]
    assert not any(SECRET in text for text in texts)
    for file in [*program.data.rglob("*"), tmp_path / "report.html"]:
        if file.is_file():
            assert SECRET.encode() not in file.read_bytes(), file


@pytest.mark.parametrize("word", ["", "missing"])
def test_a_password_that_cannot_be_had(word: str, program: Program, job: Callable[..., Path]) -> None:
    """A run goes on without the broker."""
    path = job(1, 'username = "a"', 'password_env = "RISELOG_TEST_WORD"')
    env = {"RISELOG_TEST_WORD": word} if word == "" else {}
    assert "RISELOG_TEST_WORD" not in os.environ
    done = program("run", path, "--headless", "--json", env=env)
    assert done.code == 3
    texts = [e["text"] for e in done.document["events"] if e["code"] == "broker-away"]
    assert any("RISELOG_TEST_WORD of [mqtt] password_env is not set" in text for text in texts)
