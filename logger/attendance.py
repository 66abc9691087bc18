"""What goes on beside a live run and must never end it: the heartbeat, and letting old readings go."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from types import TracebackType
from typing import Any

from logger.faults import fault_sentence
from logger.notify import Notifier

Work = Callable[[], Coroutine[Any, Any, None]]


class Attendance:
    """Runs the heartbeat until the very end, and ``works`` while the run measures.

    A fault in one of them is told by ``complain`` and ends it alone. A heartbeat that ends is silence:
    the service manager then does what it was set up for.
    """

    def __init__(
        self, notifier: Notifier, beat: Work, works: list[Work], complain: Callable[[str], None]
    ) -> None:
        self._notifier = notifier
        self._beat, self._works = beat, works
        self._complain = complain
        self._tasks: list[asyncio.Task[None]] = []
        self._beating: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Attendance:
        self._beating = asyncio.create_task(self._safely(self._beat), name="heartbeat")
        self._tasks = [asyncio.create_task(self._safely(work)) for work in self._works]
        return self

    async def ending(self) -> None:
        """The run's end has begun."""
        self._notifier.send("STOPPING=1")
        await _cancelled(self._tasks)

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await _cancelled([*self._tasks, *([self._beating] if self._beating else [])])

    async def _safely(self, work: Work) -> None:
        try:
            await work()
        except Exception as error:  # noqa: BLE001 - nothing beside the run is worth the run
            self._complain(fault_sentence(error, "beside the run"))


async def _cancelled(tasks: list[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    if tasks:
        await asyncio.wait(tasks)
