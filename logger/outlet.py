"""What a live run prints: the loop never waits for a terminal or for who reads."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Protocol

from logger.core.snapshot import Event, Snapshot
from logger.documents import json_text
from logger.faults import OutputError, complaint
from logger.logs import JsonLines
from logger.screen.plain import result_lines
from logger.screen.printer import LinePrinter

LEAVE_S = 5.0  # wall time that a stalled terminal has after the end was asked for; assumed


class Lines(Protocol):
    """Makes lines of the pictures of a run."""

    def update(self, snapshot: Snapshot, events: Iterable[Event] = ()) -> list[str]:
        """The lines to print now."""
        ...


class Outlet:
    """Lines and messages of one run, and at its end the result, each printed by a thread.

    With ``json`` the result is one document on standard output and all else goes to standard error.
    ``lines`` makes lines of pictures, None where a dashboard shows them; ``log`` is what does so in JSON.
    """

    def __init__(self, units: str, *, json: bool, lines: Lines | None, log: JsonLines | None = None) -> None:
        self._units, self._json = units, json
        self._lines, self._log = (log or lines), log
        self._closed_out = sys.stdout is None
        self._out = LinePrinter(sys.stdout, encoding="utf-8" if json else None)
        self._err = LinePrinter(sys.stderr)
        self._asked = asyncio.Event()

    def picture(self, snapshot: Snapshot, events: Sequence[Event]) -> None:
        """The lines of a moment, where no dashboard shows it."""
        if self._lines is not None:
            self.lines(self._lines.update(snapshot, events))

    def lines(self, lines: Sequence[str]) -> None:
        """Lines of the run as it goes."""
        (self._err if self._json else self._out).offer(lines)

    def complain(self, text: str) -> None:
        """One message for the user, on standard error."""
        self._err.offer([complaint(text)])

    def result(self, document: Mapping[str, Any], where: str) -> None:
        """The result, once."""
        if self._json:
            self._out.offer([json_text(document)])
        elif self._log is not None:
            self._out.offer(self._log.result(document))
        else:
            self._out.offer(result_lines(document, self._units, where=where))

    def hurry(self) -> None:
        """The end was asked for: from now on a stalled terminal is waited for no longer than ``LEAVE_S``."""
        self._asked.set()

    async def close(self) -> None:
        """Print what waits; then who runs the command may write to the streams again."""
        closing = asyncio.ensure_future(self._close())
        asked = asyncio.ensure_future(self._asked.wait())
        try:
            await asyncio.wait({closing, asked}, return_when=asyncio.FIRST_COMPLETED)
            await asyncio.wait({closing}, timeout=LEAVE_S)
        finally:
            closing.cancel()
            asked.cancel()

    async def _close(self) -> None:
        await self._out.close()
        await self._err.close()

    def check(self) -> None:
        """Raise what kept the result from being shown."""
        error = self._out.error
        if isinstance(error, BrokenPipeError):
            raise error
        if error is not None or self._closed_out:
            reason = getattr(error, "strerror", None) or "it is closed"
            raise OutputError(
                f"the result cannot be written to standard output ({reason}); the run is stored: "
                "`riselog replay last --no-store` shows it"
            )
