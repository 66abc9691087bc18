"""Drivers that cannot harm each other: for one that cannot be made something stands in that says so, and
one that breaks while it runs is made anew."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

from logger.core.errors import DriverError, RiselogError
from logger.core.readings import NS_PER_S
from logger.driver_api import DriverContext, LinkState, ProbeRequest, Reach, Source
from logger.faults import log_fault
from logger.plugins import PLUGIN_FAULTS, author, fault

RETRY_S = (
    1.0,
    2.0,
    5.0,
    15.0,
    60.0,
)  # s until a driver that broke is started again, the last for ever; assumed
START_S = 60.0  # s in which a driver finds that nothing can work; assumed: longer than a radio's start
WELL_S = 300.0  # s of work after which a break counts as the first again; assumed

Note = Callable[[str, str], None]
"""Takes the code and the text of an event."""


def beforehand(source: Source) -> Sequence[Reach]:
    """The probes that cannot work as the config has them, where a source can tell that without a look."""
    told: Callable[[], Sequence[Reach]] | None = getattr(source, "beforehand", None)
    return [] if told is None else told()


class Unusable:
    """Stands in for a driver that cannot be made; ``why`` is one sentence, ``next_step`` comes next."""

    def __init__(
        self, probes: Sequence[ProbeRequest], context: DriverContext, why: str, next_step: str
    ) -> None:
        self._probes, self._context = probes, context
        self.why, self.next_step = why, next_step

    async def run(self) -> None:
        """Name the probes that give nothing, and fail."""
        for probe in self._probes:
            text = f'probe "{probe.name}": {self.why}; {self.next_step}'
            self._context.link(probe.name, LinkState.REFUSED, text)
        names = ", ".join(probe.name for probe in self._probes)
        raise DriverError(f"{names} gives nothing: {self.why}; {self.next_step}")

    async def reach(self, seconds: float) -> Sequence[Reach]:
        """No probe of it is there."""
        del seconds
        return self.beforehand()

    def beforehand(self) -> Sequence[Reach]:
        """The same, without a look."""
        return [Reach(probe=p.name, ok=False, text=self.why, next_step=self.next_step) for p in self._probes]


class Guarded:
    """A driver that is made anew when it breaks; ``note`` is told of it, once for each kind of break."""

    def __init__(
        self,
        name: str,
        make: Callable[[], Source],
        probes: Sequence[ProbeRequest],
        context: DriverContext,
        note: Note,
    ) -> None:
        self._name, self._make, self._note = name, make, note
        self._probes, self._context = probes, context
        self._driver: Source | None = make()
        self._told = ""

    def beforehand(self) -> Sequence[Reach]:
        """What the driver knows to be wrong without a look at the probes."""
        self._driver = self._fresh()
        return beforehand(self._driver)

    async def reach(self, seconds: float) -> Sequence[Reach]:
        """What the driver finds."""
        return await self._fresh().reach(seconds)

    async def run(self) -> None:
        """Run the driver as long as it wants to; only trouble that it tells at its first start ends it."""
        breaks, first = 0, True
        while True:
            began_ns = self._context.now_ns()
            try:
                await self._fresh().run()
            except RiselogError as error:
                if first and self._context.now_ns() - began_ns <= START_S * NS_PER_S:
                    raise
                broken: BaseException = error
            except asyncio.CancelledError as error:
                if _asked_to_end():
                    raise
                broken = error
            except PLUGIN_FAULTS as error:
                broken = error
            else:
                return
            first = False
            if self._context.now_ns() - began_ns > WELL_S * NS_PER_S:
                breaks = 0
            self._tell(broken)
            wait_s = RETRY_S[min(breaks, len(RETRY_S) - 1)]
            breaks += 1
            await self._context.wait_until(self._context.now_ns() + round(wait_s * NS_PER_S))

    def _fresh(self) -> Source:
        """The driver that was made and has not run yet, or a new one."""
        driver, self._driver = self._driver or self._make(), None
        return driver

    def _tell(self, error: BaseException) -> None:
        what = fault(error)
        names = ", ".join(probe.name for probe in self._probes)
        for probe in self._probes:
            text = f"probe \"{probe.name}\": its driver '{self._name}' broke; it is started again by itself"
            self._context.link(probe.name, LinkState.LOST, text)
        if what == self._told:
            return
        self._told = what
        where = log_fault(error, f"driver {self._name}")
        self._note(
            "driver-fault",
            f"driver '{self._name}' ({names}) broke ({what}); it is started again by itself, the others go "
            f"on; report it to {author(self._name)}; details: {where}",
        )


def _asked_to_end() -> bool:
    """Whether the task was cancelled from outside, and not by what it waits for."""
    task = asyncio.current_task()
    return task is None or task.cancelling() > 0
