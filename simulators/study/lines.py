"""A study as text for people: the questions' answers first, then tables that an ordinary terminal holds."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence

from simulators.study.document import NOTE, beside, parted
from simulators.study.questions import answered, with_command
from simulators.study.setting import cell_name
from simulators.study.summary import Row
from simulators.study.tables import TABLES, Column
from simulators.study.words import UNSEEN, undone

WIDTH = 80  # characters of an ordinary terminal
_NAME = 22  # characters of a cell's name that stand before its row; a longer one has a line of its own
_WITH_UNIT = re.compile(r"(?<=±) |(?<=\d) (?=(?:%|K|min|s|points)\b|%)")
_HELD = "\N{NO-BREAK SPACE}"  # where a number must stay with its unit


def study_lines(rows: Sequence[Row], *, interrupted: bool) -> Iterator[str]:
    """The answers and the tables; a cell of which no trial was done yet is named, and has no row."""
    yield NOTE
    made = [row for row in rows if row["trials"]]
    if interrupted:
        yield from _wrapped(undone(rows))
    for question, sentences in answered(made):
        yield ""
        yield question
        for sentence in sentences:
            yield from _wrapped(sentence, "  ")
    stated, unseen = parted(made)
    for table in TABLES:
        if table.of(made):
            yield ""
            yield from _wrapped(table.title)
            yield from _table(table.of(stated), table.of(unseen), table.columns)
    yield ""
    for sentence in beside(made):
        yield from _wrapped(sentence)
    yield "`--output study.html` writes all of it as a page that says what the words mean."


def _table(stated: Sequence[Row], unseen: Sequence[Row], columns: Sequence[Column]) -> Iterator[str]:
    names = [cell_name(row) for row in (*stated, *unseen)]
    width = max(map(len, names), default=0)
    apart = width > _NAME
    width = 2 if apart else width
    yield _row("", width, [f"{column.head:>{column.width}}" for column in columns])
    for row in stated:
        yield from _cells(row, width, columns, apart=apart)
    if unseen:
        yield UNSEEN
    for row in unseen:
        yield from _cells(row, width, columns, apart=apart)


def _cells(row: Row, width: int, columns: Sequence[Column], *, apart: bool) -> Iterator[str]:
    name = cell_name(row)
    if apart:
        yield name
    yield _row("" if apart else name, width, [f"{column.text(row):>{column.width}}" for column in columns])


def _row(name: str, width: int, texts: Sequence[str]) -> str:
    return "  ".join((f"{name:<{width}}", *texts))


def _wrapped(text: str, indent: str = "") -> list[str]:
    """In the terminal's width; a command to be copied stays on a line of its own."""
    said, command = with_command(text)
    lines = textwrap.wrap(
        _WITH_UNIT.sub(_HELD, said),
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent and indent + "  ",
        break_on_hyphens=False,
        break_long_words=False,
    )
    lines = [line.replace(_HELD, " ") for line in lines]
    return [*lines, f"{indent}  {command}"] if command else lines
