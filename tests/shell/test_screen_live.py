"""The live screen: on a pseudo-terminal it draws, obeys keys, and always gives the terminal back."""

from __future__ import annotations

import asyncio
import os
import select
import signal
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.core.snapshot import Event, Phase, Snapshot
from logger.screen import live
from logger.screen.live import LiveScreen
from logger.screen.model import DashboardView, ScreenState
from logger.screen.painter import Painter
from logger.screen.terminal import GIVE_BACK

if sys.platform == "win32":
    pytest.skip("needs pseudo-terminals", allow_module_level=True)

import fcntl
import pty
import termios

S = 10**9
GUARD_S = 30.0  # a test that waits longer has failed; nothing here counts on time

MAIN_SCREEN, ALT_SCREEN, CURSOR = b"\x1b[?1049l", b"\x1b[?1049h", b"\x1b[?25h"  # as xterm documents them

CHILD = """
import asyncio, signal, sys
from logger.core.snapshot import Event, Phase, Snapshot
from logger.screen import live
from logger.screen.model import CommandKind, DashboardView

mode = sys.argv[1]
live.REDRAW_S = live.STOP_S = 0.05
calls = 0

def say(text):
    print(text, file=sys.stderr, flush=True)

async def main():
    done, drawn = asyncio.Event(), asyncio.Event()

    def get_view(state):
        global calls
        calls += 1
        if calls == 3:
            drawn.set()
        if screen._painter is not None and screen._painter.dropped == 5:
            say("held up")
        if screen._painter is None:
            say("plain")
        snapshot = Snapshot(t_ns=calls * 60 * 10**9, phase=Phase.WARM_UP, phase_since_s=0.0, output_w=31790.0)
        job = None if mode == "broken" and calls > 2 else "hall-north"
        return DashboardView(snapshot=snapshot, job=job, state=state)

    def on_key(command):
        say(f"{command.kind.value} {command.text}")
        if command.kind is CommandKind.HELP:
            raise KeyError("key")
        if command.kind in (CommandKind.END, CommandKind.INTERRUPT):
            done.set()

    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, done.set)
    screen = live.LiveScreen(get_view, on_key, on_trouble=say)
    async with screen:
        if mode == "raise":
            await drawn.wait()
            raise ValueError("on purpose")
        if mode == "cancel":
            await drawn.wait()
            asyncio.current_task().cancel()
        await done.wait()
    say("ended")

try:
    asyncio.run(main())
except (ValueError, asyncio.CancelledError) as error:
    say(type(error).__name__)
"""


class Terminal:
    """A pseudo-terminal with a program on it; ``seen`` is all it wrote, ``said`` its stderr."""

    def __init__(self, script: Path, mode: str, **environ: str) -> None:
        self.master, self.slave = pty.openpty()
        self.resize(80, 24)
        self.before = termios.tcgetattr(self.slave)
        self.seen = self.said = b""
        environment = {**os.environ, "TERM": "xterm", "PYTHONIOENCODING": "utf-8", **environ}
        for name in ("COLUMNS", "LINES", "NO_COLOR"):
            environment.pop(name, None)
        self.process = subprocess.Popen(
            [sys.executable, str(script), mode],
            stdin=self.slave,
            stdout=self.slave,
            stderr=subprocess.PIPE,
            env=environment,
            start_new_session=True,
        )
        assert self.process.stderr is not None
        self.stderr = self.process.stderr.fileno()

    def resize(self, columns: int, rows: int) -> None:
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def send(self, keys: bytes) -> None:
        os.write(self.master, keys)

    def _read(self, sources: list[int]) -> bool:
        ready, _, _ = select.select(sources, [], [], GUARD_S)
        assert ready, f"nothing more came; seen {self.seen[-300:]!r}, said {self.said!r}"
        more = False
        for source in ready:
            data = os.read(source, 65536)
            more = more or bool(data)
            if source == self.master:
                self.seen += data
            else:
                self.said += data
        return more

    def see(self, text: bytes) -> None:
        while text not in self.seen:
            assert self._read([self.master, self.stderr]), f"{text!r} never came: {self.said!r}"

    def hear(self, text: bytes, *, read_screen: bool = True) -> None:
        sources = [self.stderr, self.master] if read_screen else [self.stderr]
        while text not in self.said:
            assert self._read(sources), f"{text!r} never came: {self.said!r}"

    def end(self) -> int:
        """Read on until the program has closed its stderr, then the rest."""
        open_ends = True
        while open_ends:
            ready, _, _ = select.select([self.master, self.stderr], [], [], GUARD_S)
            assert ready, "the program does not end"
            if self.master in ready:
                self.seen += os.read(self.master, 65536)
            if self.stderr in ready:
                data = os.read(self.stderr, 65536)
                self.said += data
                open_ends = bool(data)
        code = self.process.wait(GUARD_S)
        while select.select([self.master], [], [], 0)[0]:
            self.seen += os.read(self.master, 65536)
        return code

    def given_back(self) -> None:
        """The terminal is as it was: settings, main screen, cursor."""
        assert termios.tcgetattr(self.slave) == self.before
        assert self.seen.count(ALT_SCREEN) == self.seen.count(MAIN_SCREEN) == 1
        tail = self.seen[self.seen.rindex(b"\x1b[?25l") :]
        assert CURSOR in tail
        assert tail.index(b"\x1b[2J") < tail.index(MAIN_SCREEN)  # ECMA-48 ED: nothing is left to reflow

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(GUARD_S)
        assert self.process.stderr is not None
        self.process.stderr.close()
        for end in (self.master, self.slave):
            if end >= 0:
                os.close(end)


@pytest.fixture
def script(tmp_path: Path) -> Path:
    path = tmp_path / "child.py"
    path.write_text(CHILD, encoding="utf-8")
    return path


@pytest.fixture
def terminal(script: Path, request: pytest.FixtureRequest) -> Iterator[Terminal]:
    mode, environ = request.param if isinstance(request.param, tuple) else (request.param, {})
    screen = Terminal(script, mode, **environ)
    yield screen
    screen.close()


def on(mode: str, **environ: str) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("terminal", [(mode, environ)], indirect=True, ids=[mode])


pytestmark = pytest.mark.terminal


@on("run")
def test_it_draws_and_q_ends_it(terminal: Terminal) -> None:
    terminal.see(b"momentary output")
    terminal.see("██  ██".encode())
    assert not termios.tcgetattr(terminal.slave)[3] & termios.ECHO
    terminal.send(b"q")
    assert terminal.end() == 0
    assert terminal.said == b"end \nended\n"
    terminal.given_back()


@on("run")
def test_ctrl_c_is_a_key(terminal: Terminal) -> None:
    terminal.see(b"hall-north")
    terminal.send(b"\x03")
    assert terminal.end() == 0
    assert terminal.said == b"interrupt \nended\n"
    terminal.given_back()


@on("run")
def test_notes_units_escape_and_resize(terminal: Terminal) -> None:
    terminal.see(b"Btu/h")
    terminal.send(b"u")
    terminal.see(b"kW")
    terminal.send(b"edamper")
    terminal.see(b"note: damper_")
    terminal.send(b"\r")
    terminal.hear(b"mark damper\n")
    terminal.send(b"e")
    terminal.see(b"note: _")
    terminal.send(b"\x1b")  # a lone Esc drops the note: the next q is a command again
    mark = len(terminal.seen)
    while b"[e] mark" not in terminal.seen[mark:]:
        terminal._read([terminal.master])
    assert "─".encode() * 60 not in terminal.seen
    terminal.resize(160, 40)
    terminal.see("─".encode() * 60)
    terminal.send(b"q")
    assert terminal.end() == 0
    terminal.given_back()


@on("run")
def test_a_key_that_fails_is_told_and_the_run_goes_on(terminal: Terminal) -> None:
    terminal.see(b"hall-north")
    terminal.send(b"h")
    terminal.hear(b"The key could not be carried out (KeyError: 'key'); the run itself goes on.")
    terminal.see(b"CAUTIONS")
    terminal.send(b"q")
    assert terminal.end() == 0
    terminal.given_back()


@on("raise")
def test_given_back_after_an_exception(terminal: Terminal) -> None:
    assert terminal.end() == 0
    assert terminal.said == b"ValueError\n"
    terminal.given_back()


@on("cancel")
def test_given_back_after_a_cancel(terminal: Terminal) -> None:
    assert terminal.end() == 0
    assert terminal.said == b"CancelledError\n"
    terminal.given_back()


@on("run")
def test_given_back_after_sigterm(terminal: Terminal) -> None:
    terminal.see(b"hall-north")
    terminal.process.send_signal(signal.SIGTERM)
    assert terminal.end() == 0
    assert terminal.said == b"ended\n"
    terminal.given_back()


@on("broken")
def test_a_picture_that_fails_gives_way_to_plain_lines(terminal: Terminal) -> None:
    terminal.hear(b"plain\n")
    assert terminal.said.count(b"The dashboard cannot be drawn, plain lines follow") == 1
    mark = terminal.seen.rindex(MAIN_SCREEN)
    while b"warm-up: output" not in terminal.seen[mark:]:
        terminal._read([terminal.master, terminal.stderr])
    terminal.send(b"q")
    assert terminal.end() == 0
    assert terminal.said.count(b"cannot be drawn") == 1
    terminal.given_back()


@on("run")
def test_a_terminal_that_takes_no_output_holds_up_only_the_picture(terminal: Terminal) -> None:
    terminal.hear(b"held up\n", read_screen=False)  # nobody reads the screen
    terminal.process.send_signal(signal.SIGTERM)
    terminal.hear(b"ended\n", read_screen=False)
    assert termios.tcgetattr(terminal.slave) == terminal.before


@on("run", PYTHONIOENCODING="ascii")
def test_ascii_where_the_encoding_has_no_more(terminal: Terminal) -> None:
    terminal.see(b"+/- - (95 %)")
    terminal.send(b"q")
    assert terminal.end() == 0
    assert terminal.seen.isascii()
    terminal.given_back()


@on("run", TERM="dumb")
def test_plain_lines_on_a_dumb_terminal(terminal: Terminal) -> None:
    terminal.see(b"warm-up: output 108,500 Btu/h")
    terminal.process.send_signal(signal.SIGTERM)
    assert terminal.end() == 0
    assert ALT_SCREEN not in terminal.seen
    assert termios.tcgetattr(terminal.slave) == terminal.before


@on("run")
def test_a_terminal_that_is_gone_does_not_end_the_run(terminal: Terminal) -> None:
    terminal.see(b"hall-north")
    os.close(terminal.slave)
    os.close(terminal.master)
    terminal.master = terminal.slave = -1
    terminal.hear(b"The run cannot be shown any more", read_screen=False)
    assert terminal.process.poll() is None
    terminal.process.send_signal(signal.SIGTERM)
    terminal.hear(b"ended\n", read_screen=False)


# Without a terminal


def make_view(minute: int = 0, **changes: Any) -> DashboardView:
    snapshot = Snapshot(t_ns=minute * 60 * S, phase=Phase.FAN, phase_since_s=0.0)
    return DashboardView(snapshot=snapshot, job="hall-north", **changes)


@pytest.fixture
def no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "can_show", lambda: False)


async def turns(screen: LiveScreen, count: int) -> None:
    """Let the screen come round ``count`` times."""
    for _ in range(count):
        screen.poke()
        for _ in range(10):
            await asyncio.sleep(0)


@pytest.mark.usefixtures("no_terminal")
async def test_without_a_terminal_each_event_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    events: list[Event] = []
    minute = 0

    def get_view(_state: ScreenState) -> DashboardView:
        return make_view(minute, events=tuple(events[-2:]))

    async with LiveScreen(get_view, lambda _command: None) as screen:
        await turns(screen, 3)
        events.append(Event(t_ns=5 * S, code="a", text="first"))
        await turns(screen, 3)
        events += [Event(t_ns=6 * S, code="b", text="second"), Event(t_ns=6 * S, code="b", text="third")]
        minute = 1
        await turns(screen, 3)
    lines = capsys.readouterr().out.splitlines()
    assert lines == [
        "00:00 fan: output —, rise —, supply —, return —",
        "00:05 a: first",
        "00:06 b: second",
        "00:06 b: third",
        "01:00 fan: output —, rise —, supply —, return —",
    ]


@pytest.mark.usefixtures("no_terminal")
async def test_a_view_that_fails_is_told_once_and_ends_nothing() -> None:
    told: list[str] = []

    def get_view(_state: ScreenState) -> DashboardView:
        raise ZeroDivisionError("\x1b[2Jhere")

    async with LiveScreen(get_view, lambda _command: None, on_trouble=told.append) as screen:
        await turns(screen, 5)
    assert told == ["The run cannot be shown any more (ZeroDivisionError: [2Jhere); the run itself goes on."]


@pytest.mark.usefixtures("no_terminal")
async def test_a_cancel_from_outside_goes_through() -> None:
    entered = asyncio.Event()

    async def run() -> None:
        async with LiveScreen(lambda _state: make_view(), lambda _command: None):
            entered.set()
            await asyncio.Event().wait()

    task = asyncio.create_task(run())
    await entered.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert len(asyncio.all_tasks()) == 1


def test_the_painter_never_holds_up_who_offers() -> None:
    drawing, free = threading.Event(), threading.Event()
    drawn: list[str] = []

    def draw(view: DashboardView) -> None:
        drawing.set()
        free.wait(GUARD_S)
        drawn.append(view.job)

    painter = Painter(draw, lambda _error: None)
    painter.start()
    painter.offer(make_view())
    assert drawing.wait(GUARD_S)
    for _ in range(10):
        painter.offer(make_view())
    assert painter.dropped == 9
    assert not painter.stop(0.0)
    free.set()
    assert painter.stop(GUARD_S)
    assert drawn == ["hall-north"]


def test_the_painter_tells_what_ended_it() -> None:
    told: list[BaseException] = []
    ended = threading.Event()

    def draw(_view: DashboardView) -> None:
        raise OSError("gone")

    def failed(error: BaseException) -> None:
        told.append(error)
        ended.set()

    painter = Painter(draw, failed)
    painter.start()
    painter.offer(make_view())
    assert ended.wait(GUARD_S)
    assert painter.stop(GUARD_S)
    painter.offer(make_view())
    assert [str(error) for error in told] == ["gone"]


def test_the_screen_costs_nothing_before_it_starts() -> None:
    code = (
        "import sys; import logger.screen.live, logger.screen.plain, logger.safety;"
        "print([m for m in ('rich', 'prompt_toolkit') if m in sys.modules])"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=GUARD_S
    )
    assert result.stdout.strip() == "[]"


@pytest.mark.parametrize("has_it", [True, False])
async def test_a_stuck_painter_is_gone_round_on_every_system(
    has_it: bool,  # noqa: FBT001
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where the system cannot make a write not wait, the terminal is given back all the same."""
    read_end, write_end = os.pipe()

    class Stuck:
        dropped = 3

        def stop(self, timeout_s: float) -> bool:
            return False

    screen = LiveScreen(lambda _state: make_view(), lambda _command: None)
    with os.fdopen(write_end, "w") as out:
        monkeypatch.setattr(sys, "stdout", out)
        if not has_it:
            monkeypatch.delattr(os, "set_blocking")
        screen._stop_painting(Stuck(), None, out)  # type: ignore[arg-type]
        monkeypatch.undo()
    with os.fdopen(read_end, "rb") as seen:
        assert seen.read() == GIVE_BACK
    assert screen.dropped == 3
