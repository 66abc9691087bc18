"""The dashboard on a real pseudo-terminal: it draws, obeys, and gives the terminal back."""

import os
import select
import signal
import struct
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import pytest

from logger.store import StoreReader

fcntl = pytest.importorskip("fcntl", reason="needs pseudo-terminals")
pty = pytest.importorskip("pty", reason="needs pseudo-terminals")
termios = pytest.importorskip("termios", reason="needs pseudo-terminals")
pytestmark = pytest.mark.terminal

ENTER, LEAVE = b"\x1b[?1049h", b"\x1b[?1049l"
GUARD_S = 60.0  # a hang fails the test


class Terminal:
    """``riselog demo`` on a terminal of 100 x 30."""

    def __init__(self, program: Any, *arguments: str) -> None:
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 100, 0, 0))
        self.before = termios.tcgetattr(self.slave)
        self.seen = b""
        environment = program.environment | {"TERM": "xterm-256color", "LANG": "C.UTF-8"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "logger", *arguments],
            env=environment,
            stdin=self.slave,
            stdout=self.slave,
            stderr=self.slave,
            start_new_session=True,
        )

    def wait_for(self, part: bytes) -> None:
        while part not in self.seen:
            ready, _, _ = select.select([self.master], [], [], GUARD_S)
            assert ready, f"{part!r} never came: {self.seen[-2000:]!r}"
            self.seen += os.read(self.master, 65536)

    def end(self) -> int:
        """Drain the terminal until the process has ended; its exit code."""
        while self.process.poll() is None:
            if select.select([self.master], [], [], 0.05)[0]:
                self.seen += os.read(self.master, 65536)
        while select.select([self.master], [], [], 0)[0]:
            self.seen += os.read(self.master, 65536)
        return self.process.returncode

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self.master)
        os.close(self.slave)

    def assert_restored(self) -> None:
        assert termios.tcgetattr(self.slave) == self.before
        assert self.seen.rindex(LEAVE) > self.seen.rindex(ENTER)
        assert self.seen.rindex(b"\x1b[?25h") > self.seen.rindex(b"\x1b[?25l")


@pytest.fixture
def terminal(program: Any) -> Iterator[Any]:
    made: list[Terminal] = []

    def start(*arguments: str) -> Terminal:
        made.append(Terminal(program, *arguments))
        return made[-1]

    yield start
    for one in made:
        one.close()


def test_the_key_q_ends_in_order(terminal: Any) -> None:
    shown = terminal("demo", "--speed", "100")
    shown.wait_for(ENTER)
    shown.wait_for(b"sim-standard")
    os.write(shown.master, b"q")
    assert shown.end() == 3
    shown.assert_restored()
    after = shown.seen[shown.seen.rindex(LEAVE) :]
    assert b"RESULT" in after
    assert b"Traceback" not in shown.seen


@pytest.mark.parametrize("how", ["ctrl-c", "sigterm", "sighup"])
def test_the_terminal_comes_back(terminal: Any, how: str) -> None:
    shown = terminal("demo", "--speed", "100")
    shown.wait_for(ENTER)
    shown.wait_for(b"sim-standard")
    if how == "ctrl-c":
        os.write(shown.master, b"\x03")
    else:
        shown.process.send_signal(signal.SIGTERM if how == "sigterm" else signal.SIGHUP)
    assert shown.end() == 3
    shown.assert_restored()
    assert b"Traceback" not in shown.seen


def test_a_second_ctrl_c_ends_at_once_and_restores_too(terminal: Any, program: Any) -> None:
    """Both signals wait while the process is stopped, so that they arrive together."""
    shown = terminal("demo", "--speed", "100")
    shown.wait_for(ENTER)
    shown.wait_for(b"Fan phase")
    shown.process.send_signal(signal.SIGSTOP)
    shown.process.send_signal(signal.SIGINT)
    shown.process.send_signal(signal.SIGTERM)
    shown.process.send_signal(signal.SIGCONT)
    assert shown.end() == 130
    shown.assert_restored()
    assert b"ended at once" in shown.seen
    (row,) = program("runs", "--json").document
    assert row["ended_utc"] is None  # settled by the next run


def test_a_mark_is_stored_with_its_note(terminal: Any, program: Any) -> None:
    shown = terminal("demo", "--speed", "100")
    shown.wait_for(ENTER)
    shown.wait_for(b"Fan phase")
    os.write(shown.master, b"e")
    os.write(shown.master, b"damper closed by hand\r")
    shown.wait_for(b"mark: damper")
    os.write(shown.master, b"q")
    shown.end()
    document = program("replay", "last", "--no-store", "--json").document
    (mark,) = [e for e in document["events"] if e["code"] == "mark"]
    assert mark["text"] == "damper closed by hand"


def test_a_stalled_terminal_holds_up_neither_readings_nor_the_end(terminal: Any, program: Any) -> None:
    """Output suspended, as by Ctrl-S: the plain lines wait, the logging and the signal do not."""
    shown = terminal("demo", "--headless", "--speed", "50")
    shown.wait_for(b"Fan phase")
    termios.tcflow(shown.slave, termios.TCOOFF)

    def stored() -> int:
        with StoreReader(program.store) as reader:
            return int(reader.runs()[-1].readings)

    before, waits = stored(), 0
    while stored() < before + 1000:  # ten minutes of readings, with their lines and events
        waits += 1
        assert waits < GUARD_S / 0.05, "the readings stand still"
        assert select.select([shown.master], [], [], 0.05)[0] == [] or os.read(shown.master, 65536)
    shown.process.send_signal(signal.SIGTERM)
    assert shown.process.wait(GUARD_S) == 3
    with StoreReader(program.store) as reader:
        (row,) = reader.runs()
        (block, *_) = reader.blocks(row.run)
    assert row.end_reason == "stopped"
    gaps_ns = sorted(b - a for a, b in zip(block.t_ns.tolist(), block.t_ns.tolist()[1:], strict=False))
    assert gaps_ns[-1] < 30 * 10**9  # no hole where the terminal stood still
