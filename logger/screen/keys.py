"""What each key does, as a pure function: no terminal here.

Key names are those of the key parser: one character, or a name such as ``c-c`` or ``escape``.
"""

from __future__ import annotations

from dataclasses import replace

from logger.screen.format import clean
from logger.screen.model import Command, CommandKind, ScreenState

NOTE_LIMIT = 200  # characters of a note; assumed: a sentence or two
ENTER = frozenset({"c-m", "c-j"})
ERASE = frozenset({"c-h", "backspace", "delete"})
INTERRUPT = "c-c"
PASTE = "<bracketed-paste>"

LETTERS: dict[str, CommandKind] = {
    "q": CommandKind.END,
    "u": CommandKind.UNITS,
    "h": CommandKind.HELP,
    "?": CommandKind.HELP,
}


def press(state: ScreenState, key: str, data: str = "") -> tuple[ScreenState, Command | None]:
    """The state after a key, and the command it gives, if any. ``data`` is the text of a paste."""
    if key == INTERRUPT:
        return state, Command(CommandKind.INTERRUPT)
    if state.note is not None:
        return _type(state, state.note, key, data)
    if key in {"e", "E"} and not state.watching:
        return replace(state, note="", help_open=False), None
    kind = LETTERS.get(key.lower())
    if kind is CommandKind.UNITS:
        state = replace(state, units="si" if state.units == "us" else "us")
    elif kind is CommandKind.HELP:
        state = replace(state, help_open=not state.help_open)
    elif key == "escape" and state.help_open:
        return replace(state, help_open=False), None
    return state, None if kind is None else Command(kind)


def _type(state: ScreenState, note: str, key: str, data: str) -> tuple[ScreenState, Command | None]:
    """One key while a note is typed; an empty note marks the moment without words."""
    if key in ENTER:
        return replace(state, note=None), Command(CommandKind.MARK, clean(note, NOTE_LIMIT))
    if key == "escape":
        return replace(state, note=None), None
    if key in ERASE:
        return replace(state, note=note[:-1]), None
    typed = data if key == PASTE else key if len(key) == 1 else ""
    typed = "".join(char if char.isprintable() else " " for char in typed)
    return replace(state, note=(note + typed)[:NOTE_LIMIT]), None
