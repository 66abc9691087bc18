"""What a study says: the JSON document, the table for people, the CSV."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from typing import Any, TextIO

from simulators.study.questions import answered, cell_name
from simulators.study.summary import Row
from simulators.study.words import UNSEEN

SCHEMA = "riselog.study/1"
NOTE = "All of it is simulated: unit, probes and errors are invented; nothing was measured."
DASH = "-"


def study_document(rows: Sequence[Row], *, seed: int, asked: int, interrupted: bool) -> dict[str, Any]:
    """One document; ``scenarios`` has a row a cell."""
    return {
        "schema": SCHEMA,
        "simulated": True,
        "seed": seed,
        "trials_asked": asked,
        "interrupted": interrupted,
        "scenarios": list(rows),
        "questions": [{"question": q, "answer": list(text)} for q, text in answered(rows)],
    }


def study_lines(rows: Sequence[Row], *, interrupted: bool) -> Iterator[str]:
    """The table and the questions."""
    yield NOTE
    if interrupted:
        yield "Ended before all trials were done: the rows hold those that were."
    width = max((len(cell_name(row)) for row in rows), default=8)
    stated, unseen = parted(rows)
    yield ""
    yield (
        f"{'':<{width}}  trials  bias     u95   coverage (99 % limits)   false  residual  missed  "
        "wrong of decided  undecided  withheld  delay   largest part"
    )
    for row in stated:
        yield f"{cell_name(row):<{width}}  {_cells(row)}"
    if unseen:
        yield UNSEEN
        for row in unseen:
            yield f"{cell_name(row):<{width}}  {_cells(row)}"
    yield "delay: from when the true output is near enough to a steady stretch, median."
    yield from beside(rows)
    for question, sentences in answered(rows):
        yield ""
        yield question
        yield from (f"  {sentence}" for sentence in sentences)


def beside(rows: Sequence[Row]) -> Iterator[str]:
    """What the table has no column for, a sentence a cell: sensible heat alone, and defrosts."""
    for row in rows:
        if row["sensible_coverage"] is not None:
            low, high = row["sensible_coverage_low"], row["sensible_coverage_high"]
            yield (
                f"{cell_name(row)}: sensible heat alone has a bias of {row['sensible_bias_percent']:+.2f} %, "
                f"u95 {row['sensible_u95_percent']:.1f} %, coverage {row['sensible_coverage']:.1%} "
                f"({low:.1%} .. {high:.1%})."
            )
        if row["defrosts"]:
            yield f"{cell_name(row)}: {row['defrosts']:.1f} defrosts a trial were seen, in no stretch."
        if row["found"] and not (row["decided"] or row["undecided"] or row["withheld"]):
            yield f"{cell_name(row)}: no verdicts, the plate holds for other conditions than the visit's."


def parted(rows: Sequence[Row]) -> tuple[list[Row], list[Row]]:
    """The rows of what the budget speaks of, and those of faults that it does not."""
    return [r for r in rows if r["errors_stated"]], [r for r in rows if not r["errors_stated"]]


def _cells(row: Row) -> str:
    coverage = DASH
    if row["coverage"] is not None:
        coverage = f"{row['coverage']:.1%} ({row['coverage_low']:.1%} .. {row['coverage_high']:.1%})"
    largest = row["budget"][0]["source"] if row["budget"] and row["coverage"] is not None else DASH
    return (
        f"{row['trials']:>6}  {_shown(row['bias_percent'], '{:+.2f} %'):>7}  "
        f"{_shown(row['u95_percent'], '{:.1f} %'):>6}  {coverage:<23} "
        f"{_shown(row['false_steady'], '{:.1%}'):>6}  {_shown(row['residual_unstated'], '{:.1%}'):>8}  "
        f"{_shown(row['missed_steady'], '{:.1%}'):>6}  {_wrong(row):>16}  {row['undecided']:>9}  "
        f"{row['withheld']:>8}  "
        f"{_shown(row['decision_delay_s_median'], '{:.0f} s'):>6}  {largest}"
    )


def _wrong(row: Row) -> str:
    """Of the decided ones: a trial that was not decided can hardly be wrong."""
    if not row["decided"]:
        return f"{DASH} of 0"
    return f"{row['wrong_verdicts']} of {row['decided']} ({row['wrong_share']:.0%})"


def _shown(value: float | None, form: str) -> str:
    return DASH if value is None else form.format(value)


def table_of(rows: Sequence[Row]) -> tuple[list[str], list[list[str]]]:
    """Heads and cells of the page's table."""
    heads = [
        "trials",
        "bias",
        "u95",
        "coverage",
        "99 % limits",
        "false steady",
        "residual",
        "missed",
        "wrong of decided",
        "undecided",
        "withheld",
    ]
    return heads, [[cell_name(row), *_page_cells(row)] for row in rows]


def _page_cells(row: Row) -> list[str]:
    limits = DASH
    if row["coverage"] is not None:
        limits = f"{row['coverage_low']:.1%} to {row['coverage_high']:.1%}"
    return [
        str(row["trials"]),
        _shown(row["bias_percent"], "{:+.2f} %"),
        _shown(row["u95_percent"], "{:.1f} %"),
        _shown(row["coverage"], "{:.1%}"),
        limits,
        _shown(row["false_steady"], "{:.1%}"),
        _shown(row["residual_unstated"], "{:.1%}"),
        _shown(row["missed_steady"], "{:.1%}"),
        _wrong(row),
        str(row["undecided"]),
        str(row["withheld"]),
    ]


def write_csv(rows: Sequence[Row], stream: TextIO) -> None:
    """One line a cell; of the budget its largest line."""
    writer = csv.writer(stream, lineterminator="\n")
    plain = [{**row, "budget": row["budget"][0]["source"] if row["budget"] else None} for row in rows]
    if plain:
        writer.writerow(plain[0])
    for row in plain:
        writer.writerow("" if value is None else value for value in row.values())
