"""Plug-ins found by entry points, and the commands among them. Imports next to nothing: the help
needs it."""

from __future__ import annotations

from importlib.metadata import EntryPoint, entry_points

from logger.core.errors import UsageError

COMMANDS = "riselog.commands"


def points(group: str) -> dict[str, EntryPoint]:
    """Entry points by name; of two with one name the first by distribution counts."""
    found: dict[str, EntryPoint] = {}
    for point in sorted(entry_points(group=group), key=lambda p: (p.name, p.value)):
        found.setdefault(point.name, point)
    return found


def broken(kind: str, point: EntryPoint, reason: str) -> str:
    """The sentence about a plug-in that cannot be loaded."""
    owner = point.dist.name if point.dist else "an unknown package"
    return f"{kind} '{point.name}' of {owner} cannot be loaded ({reason}); repair or remove that package"


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
    except Exception as error:
        raise UsageError(broken("command", point, f"{type(error).__name__}: {error}")) from error
    return command
