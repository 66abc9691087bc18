"""A thread that draws: a terminal that takes no output for a while (a stalled ssh) holds up only
this thread, never the readings."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

View = TypeVar("View")


class Painter(Generic[View]):
    """Draws the newest frame offered; frames in between are dropped and counted.

    ``failed`` is called once, in the painter's thread, with the error that ended it.
    """

    def __init__(self, draw: Callable[[View], None], failed: Callable[[BaseException], None]) -> None:
        self._draw = draw
        self._failed = failed
        self._newest: View | None = None
        self._stopping = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="painter", daemon=True)
        self.dropped = 0

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def offer(self, view: View) -> None:
        """Leave a frame to be drawn; never waits."""
        with self._changed:
            self.dropped += self._newest is not None
            self._newest = view
            self._changed.notify()

    def stop(self, timeout_s: float) -> bool:
        """End; false when the thread is still held up by the terminal after the time-out."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while (view := self._take()) is not None:
            try:
                self._draw(view)
            except Exception as error:  # noqa: BLE001 - whatever it is, the run goes on without a picture
                self._failed(error)
                return

    def _take(self) -> View | None:
        with self._changed:
            self._changed.wait_for(lambda: self._stopping or self._newest is not None)
            view, self._newest = self._newest, None
            return None if self._stopping else view
