"""The drivers' surveys side by side: one that breaks, says what cannot be or does not end is named, and holds
up no other."""

from __future__ import annotations

import asyncio
import inspect
import math
import threading
from collections.abc import Awaitable, Callable, Iterable, Mapping
from typing import Any

from logger.core.errors import RiselogError
from logger.core.readings import Quantity
from logger.driver_api import Look, Seen
from logger.faults import log_fault, said
from logger.plugins import PluginBrokeError, author, fault

OVER_S = 3.0  # wall time beyond what was asked for, before a survey is told to end; assumed
CLEAN_UP_S = 3.0  # wall time for a survey that was told to end; assumed
BLOCKED_S = 5.0  # wall time beyond both, before the whole program is taken for held up; assumed

Hear = Callable[[str, Seen], None]
Surveys = Mapping[str, Callable[..., Any]]


class Surveying:
    """``troubles`` are sentences on what went wrong; ``stuck`` are drivers that did not end when told to:
    then the event loop must not be waited for."""

    def __init__(self, surveys: Surveys, look: Callable[[str], Look], hear: Hear) -> None:
        self._surveys = surveys
        self._look = look
        self._hear = hear
        self._faults: dict[str, BaseException] = {}
        self._over = False
        self._tasks: list[asyncio.Task[None]] = []
        self.stuck: list[str] = []

    def start(self) -> None:
        """Begin to listen."""
        self._tasks = [asyncio.create_task(self._one(name), name=name) for name in self._surveys]

    async def end(self, seconds: float, left: asyncio.Event) -> None:
        """Come back after so long, or when the user has ``left``."""
        tasks = self._tasks
        leaving = asyncio.create_task(left.wait())
        together = asyncio.ensure_future(asyncio.wait(tasks))
        try:
            either: set[asyncio.Future[Any]] = {leaving, together}
            await asyncio.wait(either, timeout=seconds + OVER_S, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for each in (leaving, together, *tasks):
                each.cancel()
            await asyncio.wait({leaving, *tasks}, timeout=CLEAN_UP_S)
            self._over = True
            self.stuck = [task.get_name() for task in tasks if not task.done()]

    @property
    def deaf(self) -> bool:
        """Whether no driver could listen."""
        return len(self._faults) == len(self._surveys)

    @property
    def troubles(self) -> list[str]:
        """Each once, though several drivers may lack the same radio."""
        found = [_sentence(name, error) for name, error in self._faults.items()]
        found += [
            f"driver '{name}' did not end its look for devices when told to; report it to {author(name)}"
            for name in self.stuck
        ]
        return list(dict.fromkeys(found))

    async def _one(self, driver: str) -> None:
        """A driver that asks for the program's end is one that broke; a Ctrl-C comes by ``signals``."""
        try:
            await _coroutine(
                self._surveys[driver](self._look(driver), lambda seen: self._heard(driver, seen))
            )
        except asyncio.CancelledError:
            raise
        except (SystemExit, KeyboardInterrupt) as error:
            self._faults[driver] = PluginBrokeError(f"it has raised {type(error).__name__}")
        except Exception as error:  # noqa: BLE001 - a plug-in may fail in any way
            self._faults[driver] = error

    def _heard(self, driver: str, seen: object) -> None:
        if self._over:
            return
        if (why := odd(seen)) or not isinstance(seen, Seen):
            # ``deaf`` counts it: what such a driver says of others is worth as little
            self._faults.setdefault(driver, PluginBrokeError(f"it told of a device {why}"))
            return
        self._hear(driver, seen)


def _coroutine(found: object) -> Awaitable[Any]:
    if not inspect.isawaitable(found):
        raise PluginBrokeError("its survey is no coroutine")
    return found


def odd(seen: object) -> str:
    """What is wrong with what a driver says of a device; empty for what the interface asks for.

    >>> odd(Seen(address="AA", name=None, signal_dbm=float("nan")))
    'whose signal is no finite number'
    >>> odd(Seen(address="AA", name="duct", signal_dbm=-50, values=((Quantity.HUMIDITY, 40.0),)))
    ''
    """
    if not isinstance(seen, Seen):
        return "that is no Seen"
    texts = (("address", seen.address), ("name", seen.name or ""), ("note", seen.note))
    wrong = next((what for what, text in texts if not isinstance(text, str)), "")
    if wrong or not seen.address:
        return f"whose {wrong or 'address'} is no text"
    if seen.signal_dbm is not None and not _is_finite(seen.signal_dbm):
        return "whose signal is no finite number"
    try:
        for quantity, value in seen.values:
            if not isinstance(quantity, Quantity) or not _is_finite(value):
                return "with a value that is no finite number of a known quantity"
    except (TypeError, ValueError):
        return "whose values are no pairs"
    return ""


def _is_finite(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _sentence(driver: str, error: BaseException) -> str:
    """What kept a driver from listening."""
    if isinstance(error, RiselogError):
        return said(error)
    where = log_fault(error, f"scan, driver {driver}")
    return (
        f"driver '{driver}' broke while it looked for devices ({fault(error)}); report it to "
        f"{author(driver)}; details: {where}"
    )


def when_blocked(
    seconds: float, loop: asyncio.AbstractEventLoop, names: Iterable[str], tell: Callable[[str], None]
) -> threading.Timer:
    """A timer, started, that tells which survey holds the whole program up long after the scan's end."""
    known = frozenset(names)

    def look() -> None:
        task = asyncio.current_task(loop)
        name = task.get_name() if task is not None else ""
        who = f"driver '{name}' holds" if name in known else "a driver holds"
        step = f"; report it to {author(name)}" if name in known else ""
        tell(f"{who} the whole program up while it looks for devices{step}; what was heard is not shown")

    timer = threading.Timer(seconds + OVER_S + CLEAN_UP_S + BLOCKED_S, look)
    timer.daemon = True
    timer.start()
    return timer
