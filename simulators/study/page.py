"""A study as one HTML page that loads nothing."""

from __future__ import annotations

from collections.abc import Sequence

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from simulators.study.document import NOTE, beside, parted, table_of
from simulators.study.drawings import coverage_figure, wait_figure
from simulators.study.questions import answered
from simulators.study.summary import Row
from simulators.study.words import METHOD, TERMS, UNSEEN


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
    stated, unseen = parted(rows)
    rows = [*stated, *unseen]
    heads, body = table_of(rows)
    figures = [figure for figure in (coverage_figure(rows), wait_figure(rows)) if figure is not None]
    return environment.get_template(
        "study.html"
    ).render(
        note=NOTE,
        seed=seed,
        interrupted=interrupted,
        questions=answered(rows),
        heads=heads,
        body=body[: len(stated)],
        unseen=UNSEEN,
        unseen_body=body[len(stated) :],
        beside=list(beside(rows)),
        figures=[(figure.title, Markup(figure.svg)) for figure in figures],  # ours; its texts are escaped
        budgets=[
            (cells[0], row["budget"][:3]) for cells, row in zip(body, rows, strict=True) if row["budget"]
        ],
        terms=TERMS,
        method=METHOD,
    )
