"""Who may connect by one adapter: one at a time, and where it has no room, who has waited longest."""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import AsyncIterator, Iterator


class Turns:
    """The connections of one adapter, and the queue of those who wait for one.

    Connecting is one at a time: two at once disturb each other (`common practice, no source`).
    """

    def __init__(self) -> None:
        self._one = asyncio.Lock()  # hands itself on in the order of asking
        self._queue: deque[asyncio.Event] = deque()
        self.held = 0  # connections that this program has by the adapter

    @contextlib.asynccontextmanager
    async def connecting(self) -> AsyncIterator[None]:
        """Connect inside of this."""
        async with self._one:
            yield

    @contextlib.contextmanager
    def holding(self) -> Iterator[None]:
        """One connection is held for as long; when it has ended, who waits longest is told."""
        self.held += 1
        try:
            yield
        finally:
            self.held -= 1
            if self._queue:
                self._queue.popleft().set()

    @contextlib.contextmanager
    def queued(self) -> Iterator[asyncio.Event]:
        """Wait in the queue; the event is set when a connection has ended and it is one's turn."""
        turn = asyncio.Event()
        self._queue.append(turn)
        try:
            yield turn
        finally:
            if turn in self._queue:
                self._queue.remove(turn)
