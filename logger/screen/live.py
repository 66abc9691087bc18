"""The live screen: draws twice a second, reads keys, and always gives the terminal back.

rich and prompt_toolkit are imported when the screen starts, so that other commands do not wait.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from types import TracebackType
from typing import TYPE_CHECKING, Self, TextIO

from logger.screen.format import clean
from logger.screen.history import History
from logger.screen.keys import press
from logger.screen.model import Command, DashboardView, ScreenState
from logger.screen.painter import Painter
from logger.screen.plain import PlainLines, write_lines

if TYPE_CHECKING:
    from prompt_toolkit.input import Input
    from rich.live import Live

REDRAW_S = 0.5  # design: 2 Hz
ESCAPE_S = 0.05  # after which a lone Esc is a key and no longer the start of a sequence; assumed
STOP_S = 2.0  # for a frame on its way out; assumed: far longer than any terminal that still takes output
EMPTY_READS = 50  # reads without data after which stdin counts as gone (a terminal hung up); assumed
GIVE_BACK = b"\x1b[?1049l\x1b[?25h"  # ECMA-48 private modes: main screen, cursor shown


def can_show() -> bool:
    """Whether there is a terminal for a dashboard: both ends, and one that can place the cursor."""
    if os.environ.get("TERM", "") in {"dumb", "unknown"}:
        return False
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout))


class LiveScreen:
    """Shows the run for as long as the ``async with`` lasts; without a terminal, as plain lines.

    Parameters
    ----------
    get_view
        Gives the frame for a state of the screen; called in the event loop. A view without a
        history is given the screen's own.
    on_key
        Is told each command, in the event loop.
    on_trouble
        Is told, once each, in a sentence, that the picture or a key failed; the run goes on.
    """

    def __init__(
        self,
        get_view: Callable[[ScreenState], DashboardView],
        on_key: Callable[[Command], None],
        *,
        on_trouble: Callable[[str], None] = lambda _text: None,
        units: str = "us",
    ) -> None:
        self.state = ScreenState(units=units)
        self.history = History()
        self._get_view = get_view
        self._on_key = on_key
        self._on_trouble = on_trouble
        self._told: set[str] = set()
        self._wake = asyncio.Event()
        self._keys: deque[tuple[str, str]] = deque()
        self._screen = contextlib.ExitStack()
        self._input = contextlib.ExitStack()
        self._painter: Painter | None = None
        self._plain: PlainLines | None = None
        self._printed: tuple[object, ...] = ()
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        if can_show():
            try:
                self._start()
            except Exception as error:  # noqa: BLE001 - no picture is no reason for no run
                self._give_back()
                self._fall_back(error)
        else:
            self._plain = PlainLines(self.state.units)
        self._task = asyncio.create_task(self._run(), name="screen")
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._give_back()  # before any await: a cancel must not come in between
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.wait([task])

    def poke(self) -> None:
        """Draw now instead of at the next half second."""
        self._wake.set()

    def _start(self) -> None:
        from prompt_toolkit.input import create_input  # noqa: PLC0415 - late: start-up time
        from rich.console import Console  # noqa: PLC0415
        from rich.live import Live  # noqa: PLC0415

        from logger.screen.glyphs import ASCII, UNICODE  # noqa: PLC0415
        from logger.screen.view import dashboard  # noqa: PLC0415

        source = create_input()
        self._input.enter_context(source.raw_mode())
        self._input.enter_context(source.attach(self._reader(source)))
        # A file of the painter's own: a frame that is stuck must not hold the lock of stdout.
        out = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding=sys.stdout.encoding, errors="replace")
        console = Console(file=out, highlight=False, markup=False, emoji=False)
        glyphs = ASCII if console.options.ascii_only else UNICODE
        live = Live(
            console=console, screen=True, auto_refresh=False, redirect_stdout=False, redirect_stderr=False
        )

        def draw(view: DashboardView) -> None:
            if not out.isatty():  # rich would draw nothing and say nothing
                raise OSError("the terminal is gone")
            size = console.size
            live.update(dashboard(view, size.width, size.height, glyphs), refresh=True)

        loop = asyncio.get_running_loop()

        def failed(error: BaseException) -> None:
            with contextlib.suppress(RuntimeError):  # the loop may be gone by now
                loop.call_soon_threadsafe(self._lost, error)

        self._painter = Painter(draw, failed)
        self._screen.callback(self._stop_painting, self._painter, live, out)
        live.start()
        self._painter.start()

    def _reader(self, source: Input) -> Callable[[], None]:
        """What the event loop calls when there is input: only queue, errors here would vanish."""
        loop = asyncio.get_running_loop()
        empty = 0

        def take(flush: bool = False) -> None:  # noqa: FBT001, FBT002
            nonlocal empty
            found = source.flush_keys() if flush else source.read_keys()
            self._keys.extend((str(getattr(k.key, "value", k.key)), k.data) for k in found)
            if found:
                empty = 0
                self._wake.set()
            elif not flush:
                empty += 1
                if empty > EMPTY_READS:
                    loop.remove_reader(source.fileno())
            if not flush:
                loop.call_later(ESCAPE_S, take, True)  # noqa: FBT003

        return take

    async def _run(self) -> None:
        while True:
            while self._keys:
                self._press(*self._keys.popleft())
            self._show()
            self._wake.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(REDRAW_S):
                    await self._wake.wait()

    def _press(self, key: str, data: str) -> None:
        try:
            self.state, command = press(self.state, key, data)
            if command is not None:
                self._on_key(command)
        except Exception as error:  # noqa: BLE001 - a key must not end the run
            self._tell("The key could not be carried out", error)

    def _show(self) -> None:
        try:
            view = self._get_view(self.state)
            self.history.update(view.snapshot)
            if self._painter is not None:
                if not view.history:
                    view = replace(view, history=self.history.get())
                self._painter.offer(view)
            elif self._plain is not None:
                self._print(view, self._plain)
        except Exception as error:  # noqa: BLE001 - no picture is no reason for no run
            self._lost(error)

    def _print(self, view: DashboardView, plain: PlainLines) -> None:
        """Print what is new; the view holds the last events, some of them printed before."""
        keys = tuple((event.t_ns, event.code, event.text) for event in view.events)
        new = [event for event, key in zip(view.events, keys, strict=True) if key not in self._printed]
        self._printed = keys
        write_lines(plain.update(view.snapshot, new), sys.stdout)

    def _lost(self, error: BaseException) -> None:
        """The picture failed: give the screen back, go on with plain lines, or with none."""
        if self._painter is None:
            self._plain = None
            self._tell("The run cannot be shown any more", error)
            return
        with contextlib.suppress(Exception):
            self._screen.close()
        self._fall_back(error)

    def _fall_back(self, error: BaseException) -> None:
        self._painter = None
        self._plain = PlainLines(self.state.units)
        self._tell("The dashboard cannot be drawn, plain lines follow", error)

    def _tell(self, what: str, error: BaseException) -> None:
        if what in self._told:
            return
        self._told.add(what)
        with contextlib.suppress(Exception):
            self._on_trouble(f"{what} ({type(error).__name__}: {clean(str(error))}); the run itself goes on.")

    def _give_back(self) -> None:
        """The terminal as it was; nothing that fails here hides the reason for leaving."""
        for stack in (self._screen, self._input):
            try:
                stack.close()
            except Exception as error:  # noqa: BLE001
                self._tell("The terminal could not be put back in order", error)
        self._painter = self._plain = None

    def _stop_painting(self, painter: Painter, live: Live, out: TextIO) -> None:
        if painter.stop(STOP_S):
            with out:
                try:
                    live.console.clear()  # tmux else leaves wide rows behind when the window has grown
                finally:
                    live.stop()
            return
        with contextlib.suppress(OSError):  # stuck: the painter holds the console, so go round it
            os.set_blocking(sys.stdout.fileno(), False)
            try:
                os.write(sys.stdout.fileno(), GIVE_BACK)
            finally:
                os.set_blocking(sys.stdout.fileno(), True)
