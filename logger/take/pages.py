"""What is not the walk itself: the start with its cautions, the help, the end; and the lines below."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.text import Text

from logger.config.quantities import Dimension
from logger.core.traverse import DuctShape
from logger.safety import CAUTIONS, SHORT_CAUTION
from logger.screen.format import DASH, clean, number
from logger.screen.glyphs import Glyphs
from logger.take import words
from logger.take.view import TakeView

TALL = 30  # rows from which the help has room for every caution
WARN = "bold reverse"

KEY_WORDS: tuple[tuple[str, str], ...] = (
    ("Enter, Space", "take the average shown; refused while the value moves"),
    ("0-9", "type the value instead, with its unit: fpm, m/s, in.wg, Pa"),
    ("r", "redo the point captured last; it keeps its value until then"),
    ("s", "skip this point, or keep its value and go on"),
    ("b", "back by one point"),
    ("u", "us or si units"),
    ("q, Ctrl-C", "save and leave; take --resume FILE goes on"),
)
STAGE_HELP: tuple[tuple[str, str], ...] = (
    ("HOLD STILL", "the value moves, or there are too few readings here yet"),
    ("STEADY", "the mean beside the value is what a key takes; wait: surer"),
    ("UNSTEADY AIR", "it only swings: the mean of the last half minute can do"),
    ("LOOK AGAIN", "no flow or reverse flow: taken only when asked for twice"),
    ("SILENT", "no reading for some seconds: nothing is taken"),
)


def bottom_block(view: TakeView, width: int, glyphs: Glyphs) -> list[Text]:
    """What is saved, what is wrong, and what the last key did."""
    saved = clean(words.saved_text(view.saved, Path(view.path), view.state.count))
    lines = [Text(glyphs.cut(saved, width), style="dim")]
    if view.trouble:
        lines = [Text(f"! {part}", style=WARN) for part in glyphs.wrap(clean(view.trouble), width - 2, 2)]
    said = glyphs.wrap(clean(view.state.said), width, 2) or [""]
    style = "bold" if view.state.refused else ""
    return [*lines, *(Text(part, style=style) for part in said)]


def end_block(view: TakeView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """The walk is over: what is missing, the drift, the airflow, and all values as they lie."""
    state = view.state
    lines: list[Text] = []
    missing = words.open_text(state)
    text = (
        f"{missing[:1].upper()}{missing[1:]}: [b]ack leads there." if missing else "Every point is captured."
    )
    lines.append(Text.assemble((" END OF THE WALK ", WARN), f" {glyphs.cut(text, width - 18)}"))
    lines.append(Text(""))
    body: list[str] = []
    drift = words.drift_text(state, view.units, view.drift)
    body.append(f"Drift: {drift}." if drift else "Drift: not known, the first point was not repeated.")
    body += view.result
    table = _table(view, width)
    wrapped = [part for text in body for part in glyphs.wrap(text, width, 6, indent=2)]
    lines += [Text(part) for part in wrapped]
    bottom = bottom_block(view, width, glyphs)
    if table and len(lines) + len(table) + 1 <= rows - len(bottom):
        lines += [Text(""), *(Text(glyphs.cut(row, width)) for row in table)]
    lines = (lines + [Text("")] * rows)[: rows - len(bottom)]
    return [*lines, *bottom]


def _table(view: TakeView, width: int) -> list[str]:
    """The captured values as they lie in the duct; one line to a diameter where it is round."""
    plan = view.plan
    rows: dict[float, list[tuple[float, str]]] = {}
    for planned, taken in zip(plan.points, view.state.taken, strict=True):
        point = planned.point
        row = point.diameter if plan.duct.shape is DuctShape.ROUND else point.y
        text = DASH if taken is None else words.velocity_text(taken.entry, view.units).rsplit(" ", 1)[0]
        if taken is not None and taken.entry.temperature_c is not None:
            text = number(taken.entry.temperature_c, Dimension.TEMPERATURE, view.units)
        rows.setdefault(row, []).append((point.x, text))
    lines = ["".join(f"{text:>7}" for _, text in sorted(row)) for _, row in sorted(rows.items())]
    if plan.duct.shape is DuctShape.ROUND:
        lines = [f"diameter {n + 1} {line}" for n, line in enumerate(lines)]
    return lines if max(map(len, lines)) <= width else []


def page_block(view: TakeView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """The start with its cautions, or the help."""
    lines = [Text("")]
    if view.page == "help":
        lines.append(Text("KEYS", style="bold"))
        lines += _named(KEY_WORDS, width, glyphs)
        lines += [Text(""), Text("WORDS", style="bold"), *_named(STAGE_HELP, width, glyphs), Text("")]
    cautions = CAUTIONS if view.page == "start" or rows >= TALL else SHORT_CAUTION.splitlines()
    lines.append(Text("BEFORE YOU START" if view.page == "start" else "CAUTIONS", style="bold"))
    for text in cautions:
        lines += [Text(f" {part}") for part in glyphs.wrap(text, width - 1, 4)]
    if view.page == "start" and view.start:
        lines.append(Text(""))
        for text in view.start:
            lines += [Text(f" {part}") for part in glyphs.wrap(clean(text), width - 1, 3)]
    if len(lines) > rows:
        lines = [*lines[: rows - 1], Text(glyphs.cut("… more on a taller screen", width), style="dim")]
    return lines


def _named(texts: Sequence[tuple[str, str]], width: int, glyphs: Glyphs) -> list[Text]:
    lines: list[Text] = []
    for name, text in texts:
        first, *more = glyphs.wrap(text, width - 14, 3) or [""]
        lines += [Text(f" {name:<13}{first}"), *(Text(" " * 14 + part) for part in more)]
    return lines
