"""A study as one HTML page that loads nothing."""

from __future__ import annotations

from collections.abc import Sequence

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from simulators.study.document import NOTE, beside, parted
from simulators.study.drawings import coverage_figure, wait_figure
from simulators.study.questions import answered, with_command
from simulators.study.setting import cell_name
from simulators.study.summary import Row
from simulators.study.tables import TABLES
from simulators.study.words import METHOD, TERMS, UNSEEN, undone


def render(rows: Sequence[Row], *, seed: int, interrupted: bool) -> str:
    """The whole page; the same rows give the same bytes."""
    environment = Environment(
        loader=ChoiceLoader(
            [PackageLoader("simulators.study", "."), PackageLoader("logger.report", "templates")]
        ),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    ended = undone(rows) if interrupted else ""
    stated, unseen = parted([row for row in rows if row["trials"]])
    rows = [*stated, *unseen]
    tables = [
        (
            table.title,
            [column.head for column in table.columns],
            [(cell_name(row), [column.text(row) for column in table.columns]) for row in table.of(rows)],
            len(table.of(stated)),
        )
        for table in TABLES
        if table.of(rows)
    ]
    figures = [figure for figure in (coverage_figure(rows), wait_figure(rows)) if figure is not None]
    return environment.get_template(
        "study.html"
    ).render(
        note=NOTE,
        seed=seed,
        ended=ended,
        questions=[(q, [with_command(sentence) for sentence in text]) for q, text in answered(rows)],
        tables=tables,
        unseen=UNSEEN,
        beside=list(beside(rows)),
        figures=[(figure.title, Markup(figure.svg)) for figure in figures],  # ours; its texts are escaped
        budgets=[(cell_name(row), row["budget"][:3]) for row in rows if row["budget"]],
        terms=TERMS,
        method=METHOD,
    )
