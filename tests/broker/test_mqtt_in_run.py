"""The whole program on a real broker: a run fed by a gateway, and a second run fed by the first one."""

import contextlib
import csv
import io
import json
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.broker.conftest import READY_S, Mosquitto
from tests.e2e.conftest import Program
from tests.shell.stand_ins import job_head

pytestmark = pytest.mark.broker

PROBE = """
[probes.{probe}]
role = "{role}"
driver = "mqtt-in"
host = "127.0.0.1"
port = {port}
tls = false
"""
GATEWAY = """
topic = "gw/{probe}"
values = [
    {{ value = "/air/t", quantity = "temperature", unit = "°F" }},
    {{ value = "/air/rh", quantity = "humidity", unit = "%" }},
]
id = "/n"
"""
OTHER_RUN = """
topic = "riselog/hall/first/reading/{probe}/temperature"
value = "/value"
unit = "/unit"
time = "/t"
id = "/id"
flag = "/flag"
"""
PUBLISH = """
[mqtt]
host = "127.0.0.1"
port = {port}
tls = false
site = "hall"
"""
ROLES = {"ret": "return", "sup": "supply"}


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    made = Program(tmp_path)
    yield made
    made.close()


def job(program: Program, name: str, probe_table: str, port: int, more: str = "") -> Path:
    tables = "".join(
        (PROBE + probe_table).format(probe=probe, role=role, port=port) for probe, role in ROLES.items()
    )
    path = program.folder / f"{name}.toml"
    path.write_text(job_head(name) + tables + more.format(port=port), encoding="utf-8")
    return path


class Gateway:
    """Sends pairs of messages, each twice and with its number, and remembers what it sent."""

    def __init__(self, broker: Mosquitto) -> None:
        self._broker = broker
        self.sent_f: dict[str, list[float]] = {probe: [] for probe in ROLES}
        self._n = 0

    def send(self) -> None:
        for probe, base_f in (("ret", 70.0), ("sup", 118.0)):
            self._n += 1
            t_f = base_f + 0.1 * (self._n % 7)
            message = json.dumps({"n": self._n, "air": {"t": t_f, "rh": 40}})
            for _ in range(2):
                self._broker.publish(f"gw/{probe}", "-m", message)
            self.sent_f[probe].append(t_f)

    @contextlib.contextmanager
    def sending(self) -> Iterator[None]:
        """Send all the while; what was sent then is forgotten."""
        stop = threading.Event()

        def go_on() -> None:
            while not stop.wait(0.05):
                self.send()

        sender = threading.Thread(target=go_on)
        sender.start()
        try:
            yield
        finally:
            stop.set()
            sender.join()
            self.sent_f = {probe: [] for probe in ROLES}


def exported(program: Program, job: Path) -> list[dict[str, str]]:
    done = program("export", "last", "--config", job)
    assert done.code == 0, done.err
    return list(csv.DictReader(io.StringIO(done.out)))


def used(program: Program, job: Path, probe: str) -> list[float]:
    """Temperatures in °C that enter arithmetic."""
    return [
        float(row["value"])
        for row in exported(program, job)
        if (row["probe"], row["quantity"], row["unit"], row["flag"]) == (probe, "temperature", "degC", "ok")
    ]


def wanted(gateway: Gateway, probe: str) -> list[Any]:
    """What was sent, in °C: NIST SP 811 (2008) B.8."""
    return [pytest.approx((t_f - 32.0) / 1.8, abs=1e-9) for t_f in gateway.sent_f[probe]]


def test_a_run_stores_what_the_gateway_sent_and_another_run_reads_it(
    mosquitto: Mosquitto, program: Program
) -> None:
    first = job(program, "first", GATEWAY, mosquitto.port, PUBLISH)
    second = job(program, "second", OTHER_RUN, mosquitto.port)
    gateway = Gateway(mosquitto)
    feeding = program.start("run", first, "--headless", "--json")
    with gateway.sending():
        program.wait_for(feeding, "live by gw/")
        fed = program.start("run", second, "--headless", "--json")
        for _ in ROLES:
            program.wait_for(fed, "live by riselog/hall/first/reading/")
    for _ in range(20):
        gateway.send()
    deadline = time.monotonic() + READY_S
    while used(program, second, "sup")[-20:] != wanted(gateway, "sup"):
        assert time.monotonic() < deadline, used(program, second, "sup")
    for process in (fed, feeding):
        process.send_signal(signal.SIGTERM)
        assert program.end(process).code == 3  # no firing, so no steady stretch

    for probe in ROLES:
        rows = [row for row in exported(program, first) if row["probe"] == probe]
        temperatures = [row for row in rows if row["quantity"] == "temperature"]
        assert [row["flag"] for row in temperatures][-40:] == ["ok", "duplicate"] * 20
        assert used(program, first, probe)[-20:] == wanted(gateway, probe)
        assert used(program, second, probe)[-20:] == wanted(gateway, probe)
        assert {float(row["value"]) for row in rows if row["quantity"] == "humidity"} == {40.0}


def test_a_wrong_broker_is_no_end_of_the_run(mosquitto: Mosquitto, program: Program) -> None:
    path = job(program, "first", GATEWAY, mosquitto.port)
    mosquitto.kill()
    process = program.start("run", path, "--headless", "--json")
    program.wait_for(process, "cannot be reached (Connection refused); check host, port and tls")
    mosquitto.start()
    with Gateway(mosquitto).sending():
        program.wait_for(process, "live by gw/sup")
    process.send_signal(signal.SIGINT)
    assert program.end(process).code == 3
