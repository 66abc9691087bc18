"""A real mosquitto broker of the test's own, on a free port of this computer."""

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

READY_S = 60.0  # s, what never comes true fails the test; nothing waits for this in the good case
PROGRAMS = {"mosquitto": "mosquitto", "mosquitto_pub": "mosquitto-clients", "mosquitto_passwd": "mosquitto"}


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


class Mosquitto:
    """The broker's process; ``lines`` are of its own config, beside the listener."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.lines = ["allow_anonymous true"]
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        config = self.folder / "mosquitto.conf"
        listener = [f"listener {self.port} 127.0.0.1", "log_dest stderr", "log_type all"]
        if os.geteuid() == 0:
            listener.append("user root")  # it would give up the right to read the test's folder
        config.write_text("\n".join([*listener, *self.lines]) + "\n")
        with (self.folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(["mosquitto", "-c", str(config)], stdout=log, stderr=log)
        deadline = time.monotonic() + READY_S
        while not self._listens():
            assert self._process.poll() is None, (self.folder / "mosquitto.log").read_text()
            assert time.monotonic() < deadline, "mosquitto does not listen"
            time.sleep(0.02)  # another process; nothing tells us

    def _listens(self) -> bool:
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=1.0):
                return True
        except OSError:
            return False

    def kill(self) -> None:
        """As a power cut would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        """It lives and does nothing more."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def read_again(self) -> None:
        """The access list; mosquitto(8)."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    def logins(self, name: str) -> int:
        """How often a client of such a name came, by the broker's log."""
        log = (self.folder / "mosquitto.log").read_text()
        return sum("New client connected" in line and f" as {name}" in line for line in log.splitlines())

    def publish(self, topic: str, *options: str) -> None:
        """By the broker's own program, with QoS 1: it returns when the broker has the message."""
        command = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(self.port), "-q", "1", "-t", topic]
        subprocess.run([*command, *options], check=True, timeout=READY_S)

    def add_user(self, name: str, password: str) -> Path:
        """Let that user in and nobody else, from the next start on."""
        file = self.folder / "passwords"
        create = [] if file.exists() else ["-c"]
        subprocess.run(["mosquitto_passwd", *create, "-b", str(file), name, password], check=True)
        file.chmod(0o600)
        self.lines = ["allow_anonymous false", f"password_file {file}"]
        return file


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker that runs; the test may stop and start it."""
    lacks = sorted({package for program, package in PROGRAMS.items() if not shutil.which(program)})
    if lacks:
        text = f"no broker tests: {', '.join(lacks)} is not installed"
        (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(text)
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = Mosquitto(folder)
    broker.start()
    try:
        yield broker
    finally:
        broker.kill()
