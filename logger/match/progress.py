"""How a match goes on: one line that is written over on a terminal, else a line now and then."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable
from typing import TextIO

from logger.config.quantities import Units
from logger.core.match import MatchStage, Progress
from logger.faults import complain
from logger.match.answer import difference
from logger.screen.format import clean, plain_spelling, seconds

REDRAW_S = 0.25  # wall time between pictures of the line; assumed
TELL_EVERY_S = 60.0  # reading time between lines where there is no terminal; assumed
_CLEAR = "\r\x1b[K"  # ECMA-48: to the line's start, erase to its end


def progress_text(progress: Progress, units: Units) -> str:
    """One line.

    >>> progress_text(Progress(stage=MatchStage.COLLECTING, for_s=20.0, left_s=160.0), "si")
    'collecting: 02:40 left, hold them still'
    """
    match progress.stage:
        case MatchStage.LISTENING:
            return f"waiting for a reading of {', '.join(progress.waiting) or 'the probes'}"
        case MatchStage.COLLECTING:
            return f"collecting: {seconds(progress.left_s or 0.0)} left, hold them still"
        case MatchStage.SETTLING:
            return f"settling for {seconds(progress.for_s)}: {_moving_text(progress, units)}"
    return progress.stage.value


def _moving_text(progress: Progress, units: Units) -> str:
    if not progress.moving:
        return "the air still drifts"
    if any(rate is None for _, rate in progress.moving):
        return "a minute at the least"
    rates = [f"{name} {difference(rate or 0.0, units, 3)}/min" for name, rate in progress.moving]
    return f"not yet shown to stand: {', '.join(rates)}"


class Teller:
    """Writes the progress to ``stream``, where there is one; ``now_s`` is wall time."""

    def __init__(self, stream: TextIO | None, units: Units, now_s: Callable[[], float]) -> None:
        self._stream, self._units, self._now_s = stream, units, now_s
        self._live = (
            stream is not None
            and stream.isatty()
            and os.environ.get("TERM", "") not in {"", "dumb", "unknown"}
        )
        self._plain = stream is None or "utf" not in (stream.encoding or "").lower()
        self._stage: MatchStage | None = None
        self._told_s = 0.0
        self._drawn_s = float("-inf")
        self._open = False

    def show(self, progress: Progress) -> None:
        """Write what is due."""
        if self._live:
            if self._now_s() - self._drawn_s >= REDRAW_S or progress.stage is not self._stage:
                self._drawn_s = self._now_s()
                width = shutil.get_terminal_size().columns - 1
                self._write(_CLEAR + self._text(progress)[:width])
                self._open = True
        elif progress.stage is not self._stage or progress.for_s - self._told_s >= TELL_EVERY_S:
            self._told_s = progress.for_s
            self._write(self._text(progress) + "\n")
        self._stage = progress.stage

    def line(self, text: str) -> None:
        """A line of its own; the progress goes on below it."""
        self.close()
        self._write(text + "\n")

    def complain(self, text: str) -> None:
        """What goes wrong; the progress goes on below it."""
        self.close()
        complain(text)

    def close(self) -> None:
        """Take the progress away."""
        if self._open:
            self._write(_CLEAR)
            self._open = False

    def _text(self, progress: Progress) -> str:
        return clean(progress_text(progress, self._units))

    def _write(self, text: str) -> None:
        if self._stream is None:
            return
        with contextlib.suppress(OSError, ValueError):  # nobody reads: the match goes on
            self._stream.write(plain_spelling(text) if self._plain else text)
            self._stream.flush()
