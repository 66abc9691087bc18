"""TOML text: data from it, on which line a key stands, and text from data.

``tomllib`` tells the line of a syntax error only. ``key_lines`` walks text that ``tomllib``
has already accepted, so it need not find faults, only keys.
"""

from __future__ import annotations

import re
import sys
import tomllib
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time
from typing import Any

from logger.core.errors import ConfigError

_TWICE = ("Cannot overwrite", "Cannot declare", "Cannot mutate", "Cannot redefine")
"""How ``tomllib`` begins to speak of what is there already."""
_IS_TWICE = (
    "is in the file already; write it once, or, where there may be several such tables, with two brackets at "
    "each side every time"
)

KeyPath = tuple[str | int, ...]
"""Way to a value: keys, and places in arrays."""

_GAP = re.compile(r"(?:[ \t\r\n,]|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_DIGITS = re.compile(r"[0-9][0-9_]*")
_PLAIN_VALUE = re.compile(r"[^,\]}#\n]+")
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}' + r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"' + r"|'[^'\n]*'",
    re.DOTALL,
)


def key_lines(text: str) -> dict[KeyPath, int]:
    r"""Line, counted from 1, of every key and table of a valid TOML text.

    >>> key_lines('[a]\nb.c = { d = 1 }')[("a", "b", "c", "d")]
    2
    """
    walk = _Walk(text)
    walk.document()
    return walk.lines


class _Walk:
    """One pass over the text; ``at`` is the place of the next character."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self._ends = [i for i, c in enumerate(text) if c == "\n"]
        self._arrays: dict[KeyPath, int] = {}  # how many [[tables]] of a name so far

    def document(self) -> None:
        table: KeyPath = ()
        self._skip(_GAP)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_GAP)

    def _header(self) -> KeyPath:
        depth = 2 if self.text.startswith("[[", self.at) else 1
        start, self.at = self.at, self.at + depth
        path = self._in_arrays(self._key())
        if depth == 2:  # noqa: PLR2004 - [[ ]]
            place = self._arrays[path] = self._arrays.get(path, -1) + 1
            self._note((), path, start)
            path = (*path, place)
        self._note((), path, start)
        self._skip(_BLANK)
        self.at += depth
        return path

    def _in_arrays(self, key: KeyPath) -> KeyPath:
        """[a.b] below [[a]] speaks of the newest a."""
        path: KeyPath = ()
        for part in key[:-1]:
            path = (*path, part)
            if path in self._arrays:
                path = (*path, self._arrays[path])
        return (*path, key[-1])

    def _pair(self, table: KeyPath) -> None:
        start = self.at
        key = self._key()
        self._note(table, key, start)
        self._skip(_BLANK)
        self.at += 1  # the equals sign
        self._value((*table, *key))

    def _key(self) -> KeyPath:
        parts: list[str] = []
        while True:
            self._skip(_BLANK)
            if self.text[self.at] in "\"'":
                parts.append(tomllib.loads(f"k = {self._take(_STRING)}")["k"])
            else:
                parts.append(self._take(_BARE_KEY))
            self._skip(_BLANK)
            if self.text[self.at] != ".":
                return tuple(parts)
            self.at += 1

    def _value(self, path: KeyPath) -> None:
        self._skip(_BLANK)
        match self.text[self.at]:
            case "[":
                self._inside("]", path)
            case "{":
                self._inside("}", path)
            case '"' | "'":
                self._take(_STRING)
            case _:
                self._take(_PLAIN_VALUE)

    def _inside(self, end: str, path: KeyPath) -> None:
        self.at += 1
        self._skip(_GAP)
        place = 0
        while self.text[self.at] != end:
            if end == "}":
                self._pair(path)
            else:
                self._note(path, (place,), self.at)
                self._value((*path, place))
                place += 1
            self._skip(_GAP)
        self.at += 1

    def _note(self, table: KeyPath, key: KeyPath, at: int) -> None:
        line = bisect_right(self._ends, at - 1) + 1
        for n in range(1, len(key) + 1):
            self.lines.setdefault((*table, *key[:n]), line)

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        self.at = match.end() if match else self.at

    def _take(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise ValueError(f"not TOML at character {self.at}")
        self.at = match.end()
        return match[0]


def parse_toml(text: str, name: str) -> dict[str, Any]:
    """The tables of a text; ``name`` stands for the file. Raises ConfigError with the line."""
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise ConfigError(f"{name}:1: is nested too deep; write plain tables") from error
    except ValueError as error:
        found = re.search(r" \(at line (\d+), column \d+\)$", str(error))
        line = int(found[1]) if found else len(text.rstrip().split("\n"))
        what = str(error)[: found.start()] if found else str(error).removesuffix(" (at end of document)")
        if not isinstance(error, tomllib.TOMLDecodeError):  # Python's own limit: it knows no line
            line, what = _too_long(text) or (line, what)
        elif what.startswith(_TWICE):
            what = f"{_named(text.split(chr(10))[line - 1])} {_IS_TWICE}"
        else:
            what += "; repair this line"
        clean = "".join(c if c.isprintable() else "?" for c in what)
        raise ConfigError(f"{name}:{line}: is not valid TOML: {clean}") from error


def _too_long(text: str) -> tuple[int, str] | None:
    """Line of the first number that Python does not read, and what to say of it."""
    most = sys.get_int_max_str_digits()
    for digits in _DIGITS.finditer(text):
        if (count := len(digits[0].replace("_", ""))) > most:
            line = text.count("\n", 0, digits.start()) + 1
            return (
                line,
                f"a number has {count} digits, and more than {most} are not read; write a shorter one",
            )
    return None


def _named(line: str) -> str:
    """The table that a line begins, or that it has a key."""
    header = re.match(r"\s*(\[.{1,60}?\]+)", line)
    return header[1] if header else "a key of this line"


def toml_text(data: Mapping[str, Any]) -> str:
    """TOML of nested data: ``tomllib.loads(toml_text(d)) == d``.

    >>> print(toml_text({"job": {"name": "hall"}}), end="")
    [job]
    name = "hall"
    """
    return "\n".join(_table_lines(data, ())) + "\n"


def _table_lines(data: Mapping[str, Any], path: tuple[str, ...]) -> list[str]:
    plain = [f"{_key_text(k)} = {_value_text(v)}" for k, v in data.items() if not isinstance(v, Mapping)]
    header = [f"[{'.'.join(map(_key_text, path))}]"] if path and (plain or not data) else []
    lines = [*header, *plain]
    for key, value in data.items():
        if isinstance(value, Mapping):
            lines += [*([""] if lines else []), *_table_lines(value, (*path, key))]
    return lines


def _key_text(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else _string_text(key)


def _value_text(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _string_text(value)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key_text(k)} = {_value_text(v)}" for k, v in value.items()) + "}"
    if isinstance(value, Sequence):
        return "[" + ", ".join(map(_value_text, value)) + "]"
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    return repr(value)  # whole numbers and floats, inf and nan too


def _string_text(text: str) -> str:
    escapes = {'"': '\\"', "\\": "\\\\"}
    return '"' + "".join(escapes.get(c) or (c if c.isprintable() else f"\\U{ord(c):08x}") for c in text) + '"'
