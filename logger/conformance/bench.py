"""What a driver's author gives to the suite: a source that does as it is told."""

from __future__ import annotations

import unittest
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Self

from logger.clock import Clock, SystemClock
from logger.core.readings import NS_PER_S
from logger.driver_api import Driver, ProbeRequest, Sample


class Bench:
    """A source under the suite's hand, made anew for each test and used in one event loop.

    ``driver`` is the class, with short times where it has any; ``probes`` is what it is asked for. What a
    source cannot do is left out: the test that needs it is skipped.
    """

    driver: ClassVar[type[Driver]]
    settings: ClassVar[Mapping[str, Any]] = {}
    silence_s: ClassVar[float] = 30.0  # s of reading time within which the driver promises to tell a silence
    prompt_s: ClassVar[float] = 5.0  # s of reading time from good data to its samples, at most
    by_itself: ClassVar[bool] = False  # the source speaks without being told: what it says is not held to it
    reach_s: ClassVar[float] = 3.0  # s that ``reach`` is given
    patience_s: ClassVar[float] = 20.0  # s of wall time after which what should come does not
    garbage: ClassVar[int] = 1  # kinds that ``garble`` knows
    most_steps: ClassVar[int] = 400  # awaits at which ``run`` is cancelled, at most
    stride: ClassVar[int] = 1  # 1: at each of them; 3: at every third

    probes: Sequence[ProbeRequest]

    def __init__(self) -> None:
        self.clock: Clock = SystemClock()

    def table(self, request: ProbeRequest) -> Mapping[str, Any]:
        """The keys as a config writes them, where the driver is given the content of a file it names."""
        return request.options

    async def __aenter__(self) -> Self:
        """The source comes up."""
        return self

    async def __aexit__(self, *_exc: object) -> None:
        """The source is no more."""

    async def speak(self, n: int) -> Sequence[Sample]:
        """Send good data number ``n``, different from the one before; what must be emitted for it."""
        raise NotImplementedError

    async def garble(self, n: int) -> None:
        """Send garbage of kind ``n``: what does not follow the format, or what no probe can mean."""
        raise _cannot(f"send garbage {n}")

    async def hush(self) -> None:
        """Say nothing until the next ``speak``."""
        raise _cannot("fall silent")

    async def leave(self) -> None:
        """Be gone, and every way to it with it."""
        raise _cannot("go away")

    async def come_back(self) -> None:
        """Be there again."""
        raise _cannot("come back")

    async def pause(self) -> None:
        """Let a little time pass between packets that are sent all the while."""
        await self.clock.wait_until(self.clock.now_ns() + NS_PER_S // 20)

    async def left_open(self) -> Sequence[str]:
        """What a driver that has ended has not closed: connections, subscriptions, scans."""
        return ()


def _cannot(what: str) -> unittest.SkipTest:
    return unittest.SkipTest(f"this source cannot {what}")
