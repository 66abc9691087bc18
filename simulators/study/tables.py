"""The tables of a study, as the text and the page have them: columns as data."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from simulators.study.parts import PARTS, Part
from simulators.study.summary import Row

DASH = "-"


class Column(NamedTuple):
    """Head, width in characters, and what a row has there."""

    head: str
    width: int
    text: Callable[[Row], str]


class Table(NamedTuple):
    """Title, columns, and the key that a row must have a value of to be in it."""

    title: str
    columns: tuple[Column, ...]
    key: str = "trials"

    def of(self, rows: Sequence[Row]) -> list[Row]:
        """The rows that belong in it."""
        return [row for row in rows if row[self.key] is not None]


def _wrong(row: Row) -> str:
    """Of the decided ones: a trial that was not decided can hardly be wrong."""
    if not row["decided"]:
        return f"{DASH} of 0"
    return f"{row['wrong_verdicts']} of {row['decided']} ({row['wrong_share']:.0%})"


def _shown(value: float | None, form: str) -> str:
    return DASH if value is None else form.format(value)


def _limits(row: Row, key: str = "coverage") -> str:
    if row[key] is None:
        return DASH
    return f"{row[f'{key}_low']:.1%} .. {row[f'{key}_high']:.1%}"


def _minutes(seconds: float | None) -> str:
    return DASH if seconds is None else f"{seconds / 60.0:.1f} min"


def _settled(row: Row) -> str:
    return DASH if row["settled_s_median"] is None else f"{row['settled'] / row['trials']:.0%}"


def _largest(row: Row) -> str:
    return str(row["budget"][0]["source"]) if row["budget"] and row["coverage"] is not None else DASH


def _of_part(part: Part) -> Table:
    bias, u95, held = part.bias, part.u95, f"{part.key}_coverage"
    scale, (bias_form, u95_form) = part.shown_scale, part.shown
    return Table(
        part.title,
        (
            Column("bias", 9, lambda row: bias_form.format(scale * row[bias])),
            Column("u95", 6, lambda row: u95_form.format(scale * row[u95])),
            Column("coverage", 8, lambda row: f"{row[held]:.1%}"),
            Column("99 % limits", 16, lambda row: _limits(row, held)),
        ),
        held,
    )


TABLES: tuple[Table, ...] = (
    Table(
        "How near to the truth (u95: median; coverage: how often output ± u95 held it)",
        (
            Column("trials", 6, lambda row: str(row["trials"])),
            Column("bias", 9, lambda row: _shown(row["bias_percent"], "{:+.2f} %")),
            Column("u95", 6, lambda row: _shown(row["u95_percent"], "{:.1f} %")),
            Column("coverage", 8, lambda row: _shown(row["coverage"], "{:.1%}")),
            Column("99 % limits", 16, _limits),
        ),
    ),
    *map(_of_part, PARTS),
    Table(
        "How long from when it came on (medians; delay: to steady, from when the true output was near "
        "enough; of it: the share that got settled); and shares of the trials: false, steady too early; "
        "residual, a mean that lacks more than it says; missed, never steady",
        (
            Column("steady", 8, lambda row: _minutes(row["decision_s_median"])),
            Column("delay", 6, lambda row: _shown(row["decision_delay_s_median"], "{:.0f} s")),
            Column("settled", 8, lambda row: _minutes(row["settled_s_median"])),
            Column("of it", 5, _settled),
            Column("false", 6, lambda row: _shown(row["false_steady"], "{:.1%}")),
            Column("residual", 8, lambda row: _shown(row["residual_unstated"], "{:.1%}")),
            Column("missed", 6, lambda row: _shown(row["missed_steady"], "{:.1%}")),
        ),
    ),
    Table(
        "Verdicts, and the largest part of the uncertainty",
        (
            Column("wrong of decided", 16, _wrong),
            Column("undecided", 9, lambda row: str(row["undecided"])),
            Column("withheld", 8, lambda row: str(row["withheld"])),
            Column("largest part", 0, _largest),
        ),
    ),
)
