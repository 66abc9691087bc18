"""Keys set in a config file, everything else as it was: comments, order, spacing, quotes.

The file is written whole (a power cut leaves the old one or the new one), after a copy of the old
one was put beside it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import tomllib
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

from logger.config.toml_text import toml_text
from logger.core.errors import ConfigError

Value = str | bool | date
Changes = Mapping[tuple[str, ...], Mapping[str, Value]]
"""For each table, the keys to set in it; a table of the top level that is not there comes last."""

MOST_COPIES = 1000  # of one day; assumed


def edited_text(text: str, name: str, changes: Changes, *, adding: bool = False) -> str:
    """The text with the keys set: a key that is there keeps its place and comment, a new one comes after
    the table's last. ``name`` stands for the file; ``adding``: tables within others may be new too.

    Raises
    ------
    ConfigError
        It cannot be done without touching anything else; the sentence has the lines to put in by hand.
    """
    import tomlkit  # noqa: PLC0415 - costs start-up time
    from tomlkit.exceptions import TOMLKitError  # noqa: PLC0415

    wanted = tomllib.loads(text)
    missing: Changes = {path: changes[path] for path in changes if _lacks(wanted, path, adding=adding)}
    if missing:
        newline = "\r\n" if "\r\n" in text else "\n"
        text = text.rstrip() + newline * 2 + by_hand(missing).replace("\n", newline) + newline
        try:
            wanted = tomllib.loads(text)
        except ValueError as error:  # its parent stands in one line
            raise ConfigError(
                f"{name}: no table can be added; put in by hand:\n{by_hand(missing)}"
            ) from error
    present = {path: values for path, values in changes.items() if path not in missing}
    for path, values in present.items():
        try:
            _table(wanted, path).update(values)
        except (KeyError, TypeError, AttributeError) as error:
            raise ConfigError(
                f"{name}: has no table [{'.'.join(path)}] any more; put in by hand:\n{by_hand(changes)}"
            ) from error
    for set_keys in (_in_place, _by_library):
        with contextlib.suppress(TOMLKitError, KeyError, TypeError, AttributeError, ValueError):
            document = tomlkit.parse(text)
            for path, values in present.items():
                set_keys(_table(document, path), values, "\r\n" if "\r\n" in text else "\n")
            edited = tomlkit.dumps(document)
            if _keeps(text, edited) and tomllib.loads(edited) == wanted:
                return edited
    raise ConfigError(f"{name}: cannot be edited without touching more; put in by hand:\n{by_hand(changes)}")


def _lacks(document: dict[str, Any], path: tuple[str, ...], *, adding: bool) -> bool:
    """Whether the last table of the path is not there and may be added."""
    *parents, last = path
    if parents and not adding:
        return False
    here: Any = document
    for key in parents:
        here = here.get(key, {}) if isinstance(here, dict) else None
    return isinstance(here, dict) and last not in here


def by_hand(changes: Changes) -> str:
    """The changes as TOML."""
    return "\n".join(
        f"[{'.'.join(path)}]\n{toml_text(dict(values)).rstrip()}" for path, values in changes.items()
    )


def edit_file(
    path: Path,
    changes: Changes,
    day: date,
    accept: Callable[[str], object],
    *,
    adding: bool = False,
    read_only_too: bool = False,
) -> Path:
    """Set the keys in a file; the path of the copy of what it was: ``NAME.bak-DAY``.

    The file keeps its mode, and stays a link if it is one. ``accept`` is shown the new text before it
    is written, and raises what it finds wrong. Who took the right to write from a file means it, though
    another could take its place: it is refused but for ``read_only_too``.

    Raises
    ------
    ConfigError
        It cannot be read, edited or written; what stood there still does.
    """
    target = Path(os.path.realpath(path))
    try:
        mode = stat.S_IMODE(target.stat().st_mode)
        if not (read_only_too or mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH)):
            raise ConfigError(
                f"{path}: is read-only (mode {mode:04o}), nothing was written; give yourself the right "
                f"(chmod u+w), or put in by hand:\n{by_hand(changes)}"
            )
        data = target.read_bytes()
        mark = b"\xef\xbb\xbf" if data.startswith(b"\xef\xbb\xbf") else b""
        edited = edited_text(data.removeprefix(mark).decode("utf-8"), str(path), changes, adding=adding)
        accept(edited)
        copy = _copy(target, data, day)
        _replace(target, mark + edited.encode("utf-8"))
    except OSError as error:
        raise ConfigError(
            f"{path}: cannot be written ({error.strerror}), it is as it was; put in by hand:\n"
            f"{by_hand(changes)}"
        ) from error
    except ValueError as error:
        raise ConfigError(f"{path}: was changed meanwhile and is no TOML now ({error}); repair it") from error
    return copy


def _table(document: Any, path: tuple[str, ...]) -> Any:  # noqa: ANN401 - a dict, or the library's like
    for key in path:
        document = document[key]
    return document


def _by_library(table: Any, values: Mapping[str, Value], _newline: str) -> None:  # noqa: ANN401
    for key, value in values.items():
        table[key] = value


def _in_place(table: Any, values: Mapping[str, Value], newline: str) -> None:  # noqa: ANN401
    """As the library does it, but new keys stand right after the last one: the library would put them
    behind all comments that follow, which may already speak of the next table."""
    import tomlkit  # noqa: PLC0415 - costs start-up time
    from tomlkit.items import Table  # noqa: PLC0415

    _by_library(table, {key: value for key, value in values.items() if key in table}, newline)
    body = table.value.body
    plain = [n for n, (key, item) in enumerate(body) if key is not None and not isinstance(item, Table)]
    at = plain[-1] + 1 if plain else 0
    before = body[at - 1][1].trivia if plain else None
    if before is not None and not before.trail.endswith("\n"):
        before.trail += newline
    for key, value in values.items():
        if key not in table:
            item = tomlkit.item(value)
            item.trivia.indent = "" if before is None else before.indent
            item.trivia.trail = newline
            body.insert(at, (tomlkit.items.SingleKey(key), item))
            at += 1


def _keeps(text: str, edited: str) -> bool:
    """Whether every line of comment of the old text stands in the new one, in order."""
    comments = iter(_comments(edited))
    return all(comment in comments for comment in _comments(text))


def _comments(text: str) -> list[str]:
    return [line for line in text.splitlines() if line.lstrip().startswith("#")]


def _copy(target: Path, data: bytes, day: date) -> Path:
    """Put a copy beside the file, with its mode; one that is there already is kept."""
    names = [f"{target.name}.bak-{day.isoformat()}"]
    names += [f"{names[0]}-{n}" for n in range(2, MOST_COPIES)]
    for name in names:
        copy = target.with_name(name)
        try:
            with copy.open("xb") as file:
                file.write(data)
                shutil.copymode(target, copy)
                file.flush()
                os.fsync(file.fileno())
        except FileExistsError:
            continue
        return copy
    raise FileExistsError(0, "there are too many copies of this day", names[0])


def _replace(target: Path, data: bytes) -> None:
    """Write a file whole: beside it first, flushed to the disk, then put in its place."""
    beside = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with beside.open("wb") as file:
            shutil.copymode(target, beside)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise
