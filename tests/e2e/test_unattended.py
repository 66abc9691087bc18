"""A run that nobody watches: its log, its service manager, its terminal that goes away."""

import json
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

SECRET = "correct-horse-7"  # invented


def test_a_json_log_is_json_from_the_first_line_to_the_last(program: Any, write_config: Any) -> None:
    """With a broker that is not there, and a password that must not show."""
    config = write_config(('speed = "max"', "speed = 1000"))
    text = config.read_text(encoding="utf-8")
    broker = '[mqtt]\nhost = "127.0.0.1"\nport = 9\ntls = false\nusername = "u"\npassword_env = "SECRET"\n'
    config.write_text(text + broker, encoding="utf-8")
    done = program("run", config, "--headless", "--log", "json", env={"SECRET": SECRET})
    assert done.code == 0, done.err
    lines = [json.loads(line) for line in done.out.splitlines()]
    messages = [json.loads(line) for line in done.err.splitlines()]
    assert lines
    assert messages
    for line in (*lines, *messages):
        assert {"t", "level", "event", "text"} <= line.keys()
    assert {line["run"] for line in lines} == {lines[-1]["result"]["run"]}
    assert [line["event"] for line in lines].count("result") == 1
    assert lines[-1]["result"]["schema"] == "riselog.result/1"
    events = [line["event"] for line in lines]
    told = [event["code"] for event in lines[-1]["result"]["events"]]
    assert [e for e in events if e in set(told)] == [c for c in told if c in set(events)]
    assert "minute" in events
    assert SECRET not in done.out + done.err
    assert SECRET.encode() not in program.store.read_bytes()


def test_errors_take_the_form_too(program: Any) -> None:
    done = program("run", "nowhere.toml", "--headless", "--log", "json")
    (line,) = done.err.splitlines()
    assert (done.code, json.loads(line)["level"]) == (2, "error")
    assert program("run", "nowhere.toml", "--headless", "--log", "xml").code == 2


@pytest.mark.skipif(sys.platform != "linux", reason="service managers of Linux")
def test_the_service_manager_is_told(program: Any, write_config: Any, tmp_path: Path) -> None:
    """sd_notify(3): READY=1 when it works, WATCHDOG=1 while it does, STOPPING=1 at its end."""
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(tmp_path / "notify"))
    manager.settimeout(60.0)
    environment = program.environment | {
        "NOTIFY_SOCKET": str(tmp_path / "notify"),
        "WATCHDOG_USEC": "400000",
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "logger", "run", write_config(('speed = "max"', "speed = 50")), "--headless"],
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    program._started.append(process)
    try:
        assert manager.recv(4096).startswith(b"READY=1\nSTATUS=")
        fed = 0
        while fed < 3:
            fed += b"WATCHDOG=1" in manager.recv(4096).split(b"\n")
        process.send_signal(signal.SIGTERM)
        while b"STOPPING=1" not in manager.recv(4096).split(b"\n"):
            pass
        assert process.wait(60) == 3
    finally:
        manager.close()


@pytest.mark.terminal
def test_a_terminal_that_hangs_up_does_not_end_it(program: Any) -> None:
    """The session's terminal goes away, as on a lost ssh: SIGHUP, and every write fails."""
    pty = pytest.importorskip("pty")
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "logger", "demo", "--headless", "--speed", "300"],
        env=program.environment,
        stdin=slave,
        stdout=slave,
        stderr=slave,
        start_new_session=True,
        preexec_fn=lambda: _take_terminal(slave),  # noqa: PLW1509 - one thread here
    )
    program._started.append(process)
    os.close(slave)
    seen = b""
    while b"Fan phase" not in seen:
        seen += os.read(master, 65536)
    os.close(master)
    process.wait(60)
    (row,) = program("runs", "--json").document
    assert (row["end_reason"], row["verdict"]) == ("ended", "meets")


def _take_terminal(slave: int) -> None:
    import fcntl
    import termios

    fcntl.ioctl(slave, termios.TIOCSCTTY, 0)
