"""What a study says: the JSON document, what no table has a column for, the CSV."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from typing import Any, TextIO

from simulators.study.questions import answered
from simulators.study.setting import cell_name
from simulators.study.summary import Row

SCHEMA = "riselog.study/1"
NOTE = "All of it is simulated: unit, probes, errors are invented; nothing was measured."


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


def write_csv(rows: Sequence[Row], stream: TextIO) -> None:
    """One line a cell; of the budget its largest line."""
    writer = csv.writer(stream, lineterminator="\n")
    plain = [{**row, "budget": row["budget"][0]["source"] if row["budget"] else None} for row in rows]
    if plain:
        writer.writerow(plain[0])
    for row in plain:
        writer.writerow("" if value is None else value for value in row.values())
