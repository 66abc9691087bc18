"""What a driver does to those that share the process with it: a loop that stands still, threads left over."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import AsyncIterator

STALL_S = 0.2  # s for which the loop may stand still; assumed: a fifth of the interval of readings at 1 Hz
BEAT_S = 0.01  # s between two looks at it
THREADS_END_S = 1.0  # s that a thread has to end after its driver has; assumed
_POOL = "asyncio_"  # names of the threads that a loop keeps for ``asyncio.to_thread``


class Stall:
    """``longest_s``: for how long the loop stood still at most."""

    longest_s = 0.0


@contextlib.asynccontextmanager
async def stalls() -> AsyncIterator[Stall]:
    """Watch the loop for as long as the block lasts."""
    found = Stall()

    async def beat() -> None:
        loop = asyncio.get_running_loop()
        while True:
            began_s = loop.time()
            try:
                await asyncio.sleep(BEAT_S)
            finally:
                found.longest_s = max(found.longest_s, loop.time() - began_s - BEAT_S)

    beating = asyncio.ensure_future(beat())
    await asyncio.sleep(0)  # it has begun
    try:
        yield found
    finally:
        beating.cancel()
        await asyncio.gather(beating, return_exceptions=True)


async def threads_left(before: set[threading.Thread]) -> list[str]:
    """The names of threads that are there beside those, and do not end."""
    for _ in range(round(THREADS_END_S / BEAT_S)):
        if not _own(before):
            break
        await asyncio.sleep(BEAT_S)
    return _own(before)


def _own(before: set[threading.Thread]) -> list[str]:
    now = (thread for thread in threading.enumerate() if thread not in before)
    return [thread.name for thread in now if not thread.name.startswith(_POOL)]
