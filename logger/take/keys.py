"""What each key of the terminal does, as a pure function: typing, pages, units, and keys of the walk."""

from __future__ import annotations

from dataclasses import dataclass, replace

from logger.config.quantities import QuantityError
from logger.screen.format import clean
from logger.screen.keys import ENTER, ERASE, INTERRUPT, PASTE
from logger.take.entry import NUMBER, read_entry
from logger.take.walk import NOTHING, Entry, Key

TYPING_LIMIT = 40  # characters; assumed: two values with their units
SPACE = " "
STARTS = frozenset("0123456789.+-")
LETTERS: dict[str, Key] = {"r": Key.REDO, "s": Key.SKIP, "b": Key.BACK, "q": Key.LEAVE}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ui:
    """What the keys have set. ``unit``: that of the last typed value, for a number without one."""

    units: str = "us"
    page: str = "start"  # "start" | "help" | ""
    typing: str | None = None
    unit: str = ""
    fault: str = ""  # why the last typed text was not understood


@dataclass(frozen=True, slots=True)
class Asked:
    """A key of the walk."""

    key: Key
    entry: Entry = NOTHING


def press(ui: Ui, key: str, data: str = "", *, temperature: bool = False) -> tuple[Ui, Asked | None]:
    """The state after a key, and what it asks of the walk, if anything."""
    ui = replace(ui, fault="")
    if key == INTERRUPT:
        return ui, Asked(Key.LEAVE)
    if ui.typing is not None:
        return _type(ui, ui.typing, key, data, temperature=temperature)
    low = key.lower()
    if ui.page:
        return _on_page(ui, low)
    if key in ENTER or key == SPACE:
        return ui, Asked(Key.TAKE)
    if low in LETTERS:
        return ui, Asked(LETTERS[low])
    return _on_walk(ui, low, _printable(key, data)), None


def _on_walk(ui: Ui, key: str, typed: str) -> Ui:
    """A key that changes only the screen."""
    if key in {"h", "?"}:
        return replace(ui, page="help")
    if key == "u":
        return replace(ui, units="si" if ui.units == "us" else "us")
    if typed and typed[0] in STARTS:
        return replace(ui, typing=typed[:TYPING_LIMIT])
    return ui


def _on_page(ui: Ui, key: str) -> tuple[Ui, Asked | None]:
    if key == "q":
        return ui, Asked(Key.LEAVE)
    if key in ENTER or key in {SPACE, "escape", "h", "?"}:
        return replace(ui, page=""), None
    return ui, None


def _printable(key: str, data: str) -> str:
    typed = data if key == PASTE else key if len(key) == 1 else ""
    return "".join(char if char.isprintable() else " " for char in typed)


def _type(ui: Ui, text: str, key: str, data: str, *, temperature: bool) -> tuple[Ui, Asked | None]:
    """One key while a value is typed; a text that is not understood stays, to be mended."""
    if key in ENTER:
        return _commit(ui, text, temperature=temperature)
    if key == "escape":
        return replace(ui, typing=None), None
    if key in ERASE:
        return replace(ui, typing=text[:-1] or None), None
    return replace(ui, typing=(text + _printable(key, data))[:TYPING_LIMIT]), None


def _commit(ui: Ui, text: str, *, temperature: bool) -> tuple[Ui, Asked | None]:
    whole = f"{text.strip()} {ui.unit}" if ui.unit and NUMBER.fullmatch(text.strip()) else text
    try:
        entry = read_entry(whole, temperature=temperature)
    except QuantityError as error:
        return replace(ui, fault=clean(str(error))), None
    unit = NUMBER.sub("", whole.strip(), count=1).strip()
    return replace(ui, typing=None, unit="" if temperature else unit), Asked(Key.VALUE, entry)
