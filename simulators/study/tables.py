"""The tables of a study, as the text and the page have them: columns as data."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from simulators.study.summary import Row

DASH = "-"


class Column(NamedTuple):
    """Head, width in characters, and what a row has there."""

    head: str
    width: int
    text: Callable[[Row], str]


def _wrong(row: Row) -> str:
    """Of the decided ones: a trial that was not decided can hardly be wrong."""
    if not row["decided"]:
        return f"{DASH} of 0"
    return f"{row['wrong_verdicts']} of {row['decided']} ({row['wrong_share']:.0%})"


def _shown(value: float | None, form: str) -> str:
    return DASH if value is None else form.format(value)


def _limits(row: Row) -> str:
    if row["coverage"] is None:
        return DASH
    return f"{row['coverage_low']:.1%} .. {row['coverage_high']:.1%}"


def _minutes(seconds: float | None) -> str:
    return DASH if seconds is None else f"{seconds / 60.0:.1f} min"


def _settled(row: Row) -> str:
    return DASH if row["settled_s_median"] is None else f"{row['settled'] / row['trials']:.0%}"


def _largest(row: Row) -> str:
    return str(row["budget"][0]["source"]) if row["budget"] and row["coverage"] is not None else DASH


TABLES: tuple[tuple[str, tuple[Column, ...]], ...] = (
    (
        "How near to the truth (u95: median; coverage: how often output ± u95 held it)",
        (
            Column("trials", 6, lambda row: str(row["trials"])),
            Column("bias", 9, lambda row: _shown(row["bias_percent"], "{:+.2f} %")),
            Column("u95", 6, lambda row: _shown(row["u95_percent"], "{:.1f} %")),
            Column("coverage", 8, lambda row: _shown(row["coverage"], "{:.1%}")),
            Column("99 % limits", 16, _limits),
        ),
    ),
    (
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
    (
        "Verdicts, and the largest part of the uncertainty",
        (
            Column("wrong of decided", 16, _wrong),
            Column("undecided", 9, lambda row: str(row["undecided"])),
            Column("withheld", 8, lambda row: str(row["withheld"])),
            Column("largest part", 0, _largest),
        ),
    ),
)
