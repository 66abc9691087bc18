"""A screen on the terminal: frames drawn in a thread of their own, keys read, all of it given back.

rich and prompt_toolkit are imported when the screen starts, so that other commands do not wait.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, Generic, Self, TextIO, TypeVar

from logger.screen.format import clean
from logger.screen.painter import Painter

if TYPE_CHECKING:
    from prompt_toolkit.input import Input
    from rich.console import RenderableType
    from rich.live import Live

    from logger.screen.glyphs import Glyphs

REDRAW_S = 0.5  # design: 2 Hz
ESCAPE_S = 0.05  # after which a lone Esc is a key and no longer the start of a sequence; assumed
STOP_S = 2.0  # for a frame on its way out; assumed: far longer than any terminal that still takes output
EMPTY_READS = 50  # reads without data after which stdin counts as gone (a terminal hung up); assumed
GIVE_BACK = b"\x1b[?1049l\x1b[?25h"  # ECMA-48 private modes: main screen, cursor shown

View = TypeVar("View")


def can_show() -> bool:
    """Whether there is a terminal for a screen: both ends, and one that can place the cursor."""
    if os.environ.get("TERM", "") in {"dumb", "unknown"}:
        return False
    return somebody()


def somebody() -> bool:
    """Whether there is somebody to ask: a terminal at both ends."""
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout))


class TerminalScreen(ABC, Generic[View]):
    """Shows frames for as long as the ``async with`` lasts, and always gives the terminal back.

    Parameters
    ----------
    on_trouble
        Is told, once each, in a sentence, that the picture or a key failed; the work goes on.
    going_on
        What goes on then, for that sentence.
    """

    def __init__(
        self,
        *,
        on_trouble: Callable[[str], None] = lambda _text: None,
        going_on: str = "the run itself goes on",
        redraw_s: float = REDRAW_S,
        stop_s: float = STOP_S,
    ) -> None:
        self._on_trouble = on_trouble
        self._going_on = going_on
        self._redraw_s, self._stop_s = redraw_s, stop_s
        self._told: set[str] = set()
        self._wake = asyncio.Event()
        self._keys: deque[tuple[str, str]] = deque()
        self._screen = contextlib.ExitStack()
        self._input = contextlib.ExitStack()
        self._painter: Painter[View] | None = None
        self._task: asyncio.Task[None] | None = None
        self.dropped = 0  # frames never drawn, of the painters that have ended

    @abstractmethod
    def _draw(self, view: View, width: int, height: int, glyphs: Glyphs) -> RenderableType:
        """The frame of a view; called in the painter's thread."""

    @abstractmethod
    def _show(self) -> None:
        """Offer the newest view to the painter, or show it in another way. Must not raise."""

    @abstractmethod
    def _key(self, key: str, data: str) -> None:
        """Carry out one key."""

    @abstractmethod
    def _fall_back(self, error: BaseException) -> None:
        """The screen cannot be drawn (any more); it is given back already."""

    def _cannot_show(self) -> None:
        """There is no terminal for a screen."""

    def _can_show(self) -> bool:
        return can_show()

    async def __aenter__(self) -> Self:
        if self._can_show():
            try:
                self._start()
            except Exception as error:  # noqa: BLE001 - no picture is no reason for no work
                self._give_back()
                self._fall_back(error)
        else:
            self._cannot_show()
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

        def draw(view: View) -> None:
            if not out.isatty():  # rich would draw nothing and say nothing
                raise OSError("the terminal is gone")
            size = console.size
            live.update(self._draw(view, size.width, size.height, glyphs), refresh=True)

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
                    with contextlib.suppress(NotImplementedError):  # Windows' own loop reads otherwise
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
                async with asyncio.timeout(self._redraw_s):
                    await self._wake.wait()

    def _press(self, key: str, data: str) -> None:
        try:
            self._key(key, data)
        except Exception as error:  # noqa: BLE001 - a key must not end the work
            self._tell("The key could not be carried out", error)

    def _lost(self, error: BaseException) -> None:
        """The picture failed: give the screen back, and fall back."""
        with contextlib.suppress(Exception):
            self._screen.close()
        self._painter = None
        self._fall_back(error)

    def _tell(self, what: str, error: BaseException) -> None:
        if what in self._told:
            return
        self._told.add(what)
        with contextlib.suppress(Exception):
            self._on_trouble(f"{what} ({type(error).__name__}: {clean(str(error))}); {self._going_on}.")

    def _give_back(self) -> None:
        """The terminal as it was; nothing that fails here hides the reason for leaving."""
        for stack in (self._screen, self._input):
            try:
                stack.close()
            except Exception as error:  # noqa: BLE001
                self._tell("The terminal could not be put back in order", error)
        self._painter = None

    def _stop_painting(self, painter: Painter[View], live: Live, out: TextIO) -> None:
        ended = painter.stop(self._stop_s)
        self.dropped += painter.dropped
        if ended:
            with out:
                try:
                    live.console.clear()  # tmux else leaves wide rows behind when the window has grown
                finally:
                    live.stop()
            return
        with contextlib.suppress(OSError):  # stuck: the painter holds the console, so go round it
            handle = sys.stdout.fileno()
            _set_blocking(handle, blocking=False)
            try:
                os.write(handle, GIVE_BACK)
            finally:
                _set_blocking(handle, blocking=True)


def _set_blocking(handle: int, *, blocking: bool) -> None:
    if hasattr(os, "set_blocking"):  # Windows has it from Python 3.12 on
        os.set_blocking(handle, blocking)
