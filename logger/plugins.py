"""Plug-ins found by entry points, and the commands among them. Imports next to nothing: the help
needs it."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterable, Iterator
from importlib.metadata import EntryPoint, entry_points
from types import FrameType

from logger.core.errors import UsageError
from logger.text import one_line

COMMANDS = "riselog.commands"
DRIVERS = "riselog.drivers"
OURS = "riselog"  # a package beside it cannot take the place of what it brings


PLUGIN_FAULTS = (Exception, SystemExit)
"""What the import of a plug-in may end in: one that asks for the program's end is as broken as any."""


class PluginBrokeError(Exception):
    """A plug-in has raised what a program raises only for itself; the text says what."""


@contextlib.contextmanager
def plugin_at_work() -> Iterator[None]:
    """Around code of a plug-in that is loaded or made: what it prints goes to standard error, for standard
    output is the program's answer; and an interrupt that no Ctrl-C sent is a fault like any other.

    Raises
    ------
    PluginBrokeError
        In place of what is none of ``PLUGIN_FAULTS``.
    """
    with contextlib.redirect_stdout(sys.stderr), _ctrl_c_noted() as pressed:
        try:
            yield
        except PLUGIN_FAULTS:
            raise
        except BaseException as error:
            if pressed:
                raise
            raise PluginBrokeError(f"it has raised {type(error).__name__}") from error


@contextlib.contextmanager
def _ctrl_c_noted() -> Iterator[list[int]]:
    """The list is not empty once a Ctrl-C came; what was to happen then happens all the same."""
    pressed: list[int] = []
    before = signal.getsignal(signal.SIGINT)
    if not callable(before) or threading.current_thread() is not threading.main_thread():
        yield pressed  # no Ctrl-C raises anything here
        return
    handler = before

    def note(number: int, frame: FrameType | None) -> None:
        pressed.append(number)
        handler(number, frame)

    signal.signal(signal.SIGINT, note)
    try:
        yield pressed
    finally:
        if signal.getsignal(signal.SIGINT) is note:
            signal.signal(signal.SIGINT, before)


def load(point: EntryPoint) -> object:
    """What an entry point leads to. Raises what its import raises, ``PluginBrokeError`` for the rest."""
    with plugin_at_work():
        loaded: object = point.load()
    return loaded


def all_points(group: str) -> list[EntryPoint]:
    """Every entry point, in order of name, our own first, then of where it leads."""
    return sorted(entry_points(group=group), key=lambda p: (p.name, owner(p) != OURS, p.value))


def points(group: str) -> dict[str, EntryPoint]:
    """Entry points by name; of two with one name the first counts."""
    found: dict[str, EntryPoint] = {}
    for point in all_points(group):
        found.setdefault(point.name, point)
    return found


def owner(point: EntryPoint) -> str:
    """The package that brings a plug-in."""
    return point.dist.name if point.dist else "an unknown package"


def author(driver: str) -> str:
    """Whom to tell of a driver's fault: its package and version.

    >>> author("none-of-that-name")
    'its author'
    """
    point = points(DRIVERS).get(driver)
    return f"the author of {point.dist.name} {point.dist.version}" if point and point.dist else "its author"


def not_ended(drivers: Iterable[str]) -> str:
    """The sentence on drivers that did not end when they were told to.

    >>> not_ended(["none-of-that-name"])
    "driver 'none-of-that-name' did not end when told to; report it to its author"
    """
    return "; ".join(
        f"driver '{driver}' did not end when told to; report it to {author(driver)}" for driver in drivers
    )


def fault(error: BaseException) -> str:
    """What a plug-in raised, as one line.

    >>> fault(RuntimeError("no such radio"))
    'RuntimeError: no such radio'
    """
    return one_line(f"{type(error).__name__}: {error}")


def broken(kind: str, point: EntryPoint, reason: str) -> str:
    """The sentence about a plug-in that cannot be loaded."""
    return (
        f"{kind} '{point.name}' of {owner(point)} cannot be loaded ({reason}); repair or remove that package"
    )


def known_commands() -> tuple[str, ...]:
    """Names of all commands that plug-ins bring, in order; imports none of them."""
    return tuple(sorted(points(COMMANDS)))


def find_command(name: str) -> object | None:
    """A command that a plug-in brings (a typer app), or None where no plug-in has the name.

    Raises
    ------
    UsageError
        Where the plug-in is broken.
    """
    point = points(COMMANDS).get(name)
    if point is None:
        return None
    try:
        return load(point)
    except PLUGIN_FAULTS as error:
        raise UsageError(broken("command", point, fault(error))) from error
