"""A thread that prints lines: a terminal that takes no output (Ctrl-S, a stalled ssh, a pipe that
nobody reads) holds up only this thread, never the readings."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
from collections import deque
from collections.abc import Callable, Iterable
from typing import TextIO

from logger.screen.plain import write_lines

LINES_HELD = 1000  # lines that wait for a stalled terminal; assumed: hours of one line a minute


class LinePrinter:
    """Prints lines in order; of more than ``held`` that wait the oldest are dropped and counted.

    ``encoding`` overrides that of the stream. ``error`` is what ended the printing, if anything
    did; a stream that is ``None`` (closed) counts as one that takes everything and shows nothing.
    """

    def __init__(self, stream: TextIO | None, *, encoding: str | None = None, held: int = LINES_HELD) -> None:
        self._stream, self._encoding = stream, encoding
        self._held = held
        self._lines: deque[str] = deque()
        self._missed = 0  # dropped and not yet told on the stream itself
        self._stopping = False
        self._on_end: Callable[[], None] | None = None
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        self.dropped = 0
        self.error: OSError | ValueError | None = None

    def offer(self, lines: Iterable[str]) -> None:
        """Leave lines to be printed; never waits."""
        with self._changed:
            if self._stream is None or self.error is not None or self._stopping:
                return
            self._lines.extend(lines)
            while len(self._lines) > self._held:
                self._lines.popleft()
                self._missed += 1
                self.dropped += 1
            if self._thread is None and self._lines:
                out = _own(self._stream, self._encoding)
                self._thread = threading.Thread(target=self._run, args=(out,), name="printer", daemon=True)
                self._thread.start()
            self._changed.notify()

    async def close(self) -> None:
        """Print what waits and end. Waits for a stalled terminal without limit: give it a time-out."""
        loop, ended = asyncio.get_running_loop(), asyncio.Event()

        def on_end() -> None:
            with contextlib.suppress(RuntimeError):  # the loop may be gone by now
                loop.call_soon_threadsafe(ended.set)

        with self._changed:
            self._stopping = True
            if self._thread is None:
                return
            self._on_end = on_end
            self._changed.notify()
        await ended.wait()

    def _run(self, out: TextIO) -> None:
        try:
            while lines := self._take():
                write_lines(lines, out)
        except (OSError, ValueError) as error:  # who reads has gone, or a full disk behind it
            with self._changed:
                self.error = error
                self._lines.clear()
        finally:
            if out is not self._stream:
                with contextlib.suppress(OSError, ValueError):
                    out.close()
            with self._changed:
                ended, self._thread = self._on_end, None
            if ended is not None:
                ended()

    def _take(self) -> list[str]:
        with self._changed:
            self._changed.wait_for(lambda: self._stopping or self._lines)
            lines = list(self._lines)
            self._lines.clear()
            if self._missed:
                lines.insert(0, f"({self._missed} lines are not shown: nothing was taken here meanwhile)")
                self._missed = 0
            return lines


def _own(stream: TextIO, encoding: str | None) -> TextIO:
    """A file of our own on the same output: a write that hangs must not hold the stream's lock."""
    try:
        handle = os.dup(stream.fileno())
    except (OSError, ValueError):  # a stream that is no file
        return stream
    return os.fdopen(handle, "w", encoding=encoding or stream.encoding, errors="replace")
