"""Plug-ins found by entry points, and the commands among them. Imports next to nothing: the help
needs it."""

from __future__ import annotations

from importlib.metadata import EntryPoint, entry_points

from logger.core.errors import UsageError
from logger.text import one_line

COMMANDS = "riselog.commands"
OURS = "riselog"  # a package beside it cannot take the place of what it brings


PLUGIN_FAULTS = (Exception, SystemExit)
"""What the import of a plug-in may end in: one that asks for the program's end is as broken as any."""


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
        command: object = point.load()
    except PLUGIN_FAULTS as error:
        raise UsageError(broken("command", point, fault(error))) from error
    return command
