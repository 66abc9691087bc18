"""What the run tells the publisher: from the run's thread into the publisher's."""

from __future__ import annotations

import asyncio
from contextlib import suppress

from logger.publish.live import Picture


class Inbox:
    """Calls of any thread set events of one loop; the newest picture alone is kept."""

    def __init__(self) -> None:
        self.committed = asyncio.Event()  # the store has something new
        self.fresh = asyncio.Event()  # there is a picture that was not taken
        self.ending = asyncio.Event()  # the run has ended: send the rest and leave
        self.picture: Picture | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._offered = False
        self._ended = False

    def belongs_to(self, loop: asyncio.AbstractEventLoop) -> None:
        """The loop whose tasks wait here."""
        self._loop = loop  # whatever came before cannot have set an event: all are looked at
        if self.picture is not None:
            self.fresh.set()
        if self._ended:
            self.ending.set()
        self.committed.set()

    def commit(self) -> None:
        """From the store's thread, after a commit."""
        self._set(self.committed)

    def show(self, picture: Picture) -> None:
        """From the run's thread; a picture that was not taken in time is dropped."""
        self.picture = picture
        if not self._offered:
            self._offered = True
            self._set(self.fresh)

    def end(self) -> None:
        """From the run's thread."""
        self._ended = True
        self._set(self.ending)
        self._set(self.committed)

    async def next_picture(self) -> Picture | None:
        """Wait for a picture that is newer than the last."""
        await self.fresh.wait()
        self.fresh.clear()
        self._offered = False
        return self.picture

    def _set(self, event: asyncio.Event) -> None:
        if self._loop is not None:
            with suppress(RuntimeError):  # the publisher has ended
                self._loop.call_soon_threadsafe(event.set)
