"""The dashboard as a pure function: one frame from one view, exactly as large as the terminal."""

from __future__ import annotations

from dataclasses import dataclass

from rich.console import Group
from rich.text import Text

from logger.screen import heat_blocks as heat
from logger.screen import state_blocks as state
from logger.screen.glyphs import DIGIT_ROWS, UNICODE, Glyphs
from logger.screen.model import DashboardView

MARGIN = 1  # cells at the left and at the right
TRACE_LEAST = 4  # rows: heading, two of curves, axis
TRACE_MOST = 30  # rows; assumed: taller says no more
TRACE_WIDTH = 56  # cells that two plots beside each other need
AIRY = 14  # rows left over from which the large number stands between empty rows; assumed
LEFT_MOST = 60  # cells of the steadiness table at most; assumed
EVENTS_LEAST, EVENTS_WANTED = 1, 2  # rows


@dataclass(frozen=True, slots=True)
class Block:
    """Lines that stay together; of two that do not both fit, the lower ``rank`` stays."""

    rank: int
    lines: list[Text]


def dashboard(view: DashboardView, width: int, height: int, glyphs: Glyphs = UNICODE) -> Group:
    """One frame of ``height`` lines, none wider than ``width`` cells."""
    inner = max(width - 2 * MARGIN, 1)
    rows = max(height - 1, 0)
    lines = _help(view, inner, rows, glyphs) if view.state.help_open else _body(view, inner, rows, glyphs)
    lines = (lines + [Text("")] * rows)[:rows]
    if height > 0:
        lines.append(state.footer(view.state, inner, glyphs))
    return Group(*(_framed(line, width) for line in lines))


def _framed(line: Text, width: int) -> Text:
    framed = Text(" " * MARGIN, no_wrap=True, overflow="crop", end="\n").append_text(line)
    framed.truncate(max(width, 0), overflow="crop")
    return framed


def _help(view: DashboardView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    top = [*heat.header(view, width, glyphs), *heat.output_line(view, width, glyphs)[:1]]
    return top + state.help_block(view.snapshot.kind, width, max(rows - len(top), 1), glyphs)


def _body(view: DashboardView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    digit_rows = 2 * DIGIT_ROWS if rows >= heat.TALL_SCREEN else DIGIT_ROWS
    top = [
        Block(0, heat.header(view, width, glyphs)),
        Block(1, heat.phase_line(view.snapshot, width, glyphs)),
        Block(2, heat.output_block(view, width, digit_rows, glyphs)),
        *_steadiness_and_air(view, width, glyphs),
    ]
    bottom = [
        Block(5, state.probes_block(view.snapshot.probes, view.state.units, width, glyphs)),
        Block(6, state.stores_block(view, width, glyphs)),
    ]
    left = rows - sum(len(block.lines) for block in (*top, *bottom))
    if left >= AIRY:
        gap = Block(9, [Text("")])
        top = [*top[:2], gap, top[2], gap, *top[3:]]
        left -= 2
    if left < EVENTS_LEAST:
        top[2] = Block(2, heat.output_line(view, width, glyphs))
        top, bottom, left = _fitting(top, bottom, rows)
    trace_rows, event_rows = _shares(left, len(view.events), width)
    middle = [Block(7, heat.trace_block(view, width, trace_rows, glyphs))] if trace_rows else []
    events = (
        state.events_block(view.events, view.snapshot.kind, width, event_rows, glyphs) if event_rows else []
    )
    blocks = [*top, *middle, *bottom, Block(8, events)]
    return [line for block in blocks for line in block.lines]


def _fitting(top: list[Block], bottom: list[Block], rows: int) -> tuple[list[Block], list[Block], int]:
    """The blocks that fit by rank, and the rows then left."""
    kept: set[int] = set()
    for block in sorted((*top, *bottom), key=lambda block: block.rank):
        if len(block.lines) <= rows:
            kept.add(block.rank)
            rows -= len(block.lines)
    return [b for b in top if b.rank in kept], [b for b in bottom if b.rank in kept], rows


def _shares(left: int, events: int, width: int) -> tuple[int, int]:
    """Rows of the trace and of the events."""
    if left <= 0:
        return 0, 0
    if width < TRACE_WIDTH or left < TRACE_LEAST + EVENTS_LEAST:
        return 0, left
    wanted = max(EVENTS_WANTED, min(2 * events, left // 3))
    trace = min(max(left - wanted, TRACE_LEAST), TRACE_MOST)
    return trace, left - trace


def _steadiness_and_air(view: DashboardView, width: int, glyphs: Glyphs) -> list[Block]:
    if width < heat.COLUMNS_WIDTH:
        steadiness = heat.steadiness_block(view.snapshot, width, glyphs)
        return [Block(3, steadiness), Block(4, heat.air_block(view, width, glyphs))]
    left = max(heat.COMPACT, min((width - 2) * 3 // 5, LEFT_MOST))
    steadiness = heat.steadiness_block(view.snapshot, left, glyphs)
    air = heat.air_block(view, width - 2 - left, glyphs)
    rows = max(len(steadiness), len(air))
    steadiness += [Text(" " * left)] * (rows - len(steadiness))
    air += [Text("")] * (rows - len(air))
    return [Block(3, [Text.assemble(a, "  ", b) for a, b in zip(steadiness, air, strict=True)])]
