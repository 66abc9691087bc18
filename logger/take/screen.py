"""The take as a pure function: one frame from one view, exactly as large as the terminal."""

from __future__ import annotations

from rich.console import Group
from rich.text import Text

from logger.screen.format import clean
from logger.screen.glyphs import UNICODE, Glyphs
from logger.screen.heat_blocks import heading, joined
from logger.take import words
from logger.take.pages import WARN, bottom_block, end_block, page_block
from logger.take.plan_map import draw, legend
from logger.take.value_block import PLOT_ROWS, trace_block, value_block
from logger.take.view import TakeView
from logger.take.walk import NOTHING, deciding, stage_of
from logger.take.watch import Stage

MARGIN = 1  # cells at the left and at the right
MAP_WIDTH, MAP_ROWS = 31, 13  # cells of the cross-section
TWO_COLUMNS = 72  # cells from which the cross-section stands beside the value

KEYS_PROBE = (
    "[Enter] take  type a value  [r]edo  [s]kip  [b]ack  [h]elp  [q] save, leave",
    "[Enter] take  [h]elp  [q] save, leave",
)
KEYS_TYPED = (
    "type the value, [Enter]  [r]edo  [s]kip  [b]ack  [h]elp  [q] save and leave",
    "type, [Enter]  [h]elp  [q] save, leave",
)
KEYS_END = (
    "[Enter] finish  [r]edo  [b]ack  [u]nits  [h]elp  [q] save and leave",
    "[Enter] end  [b]ack  [q] save, leave",
)
KEYS_PAGE = ("[Enter] go on  [q] save and leave",)
"""Keys in full, and the ones that lead to the others where there is no room."""


def take_frame(view: TakeView, width: int, height: int, glyphs: Glyphs = UNICODE) -> Group:
    """One frame of ``height`` lines, none wider than ``width`` cells."""
    inner = max(width - 2 * MARGIN, 1)
    rows = max(height - 1, 0)
    if view.page:
        head = _header(view, inner, glyphs)
        lines = [head, *page_block(view, inner, rows - 1, glyphs)]
    elif view.state.ended:
        head = _header(view, inner, glyphs)
        lines = [head, *end_block(view, inner, rows - 1, glyphs)]
    else:
        lines = _walk(view, inner, rows, glyphs)
    lines = (lines + [Text("")] * rows)[:rows]
    if height > 0:
        lines.append(_footer(view, inner, glyphs))
    return Group(*(_framed(line, width) for line in lines))


def _framed(line: Text, width: int) -> Text:
    framed = Text(" " * MARGIN, no_wrap=True, overflow="crop", end="\n").append_text(line)
    framed.truncate(max(width, 0), overflow="crop")
    return framed


def _header(view: TakeView, width: int, glyphs: Glyphs) -> Text:
    speed = "" if view.speed in (1.0, None) else f" ×{view.speed:g}"
    mark = f"SIMULATED{speed}   " if view.simulated else ""
    done = view.state.count - len(view.state.open)
    left = f"{mark}traverse   {words.duct_text(view.plan, view.units)}"
    return Text(joined(left, f"{done} of {view.state.count} captured", width, glyphs), style="bold")


def _stage_line(view: TakeView, width: int, glyphs: Glyphs) -> list[Text]:
    """The stage as a word, then in a sentence of at most two rows."""
    stage = stage_of(view.state, view.moment)
    word = f" {words.STAGE_WORDS[stage]} "
    first, *more = glyphs.wrap(stage_sentence(view, stage), width - len(word) - 1, 2) or [""]
    lines = [Text.assemble((word, WARN), f" {first}")]
    return [*lines, Text(" " * (len(word) + 1) + (more[0] if more else ""))]


def stage_sentence(view: TakeView, stage: Stage) -> str:
    """What to do now."""
    look = deciding(view.state, view.moment)
    text = "" if look is None else clean(look.text)
    if stage is Stage.TYPED:
        what = (
            "Temperature and velocity" if view.moment.needs_temperature else "Velocity or velocity pressure"
        )
        return f"{what}, with the unit: such as {_example(view)}."
    if stage is Stage.STEADY:
        return f"{text.rstrip('.')}: [Enter] takes the average."
    if stage is Stage.UNSTEADY:
        return f"{text} [Enter] takes the average of the air as it is."
    if view.state.doubted != NOTHING:
        typed = words.velocity_text(view.state.doubted, view.units)
        return f"{typed} was typed: [Enter] once more takes it as it is, or type another value."
    if stage is Stage.ASKING:
        return f"{text} [Enter] once more takes it as it is."
    if stage is Stage.LACKING:
        return "This point's velocity is missing: type it with its unit, then take the temperature."
    return text


def _example(view: TakeView) -> str:
    flow = "812 fpm or 0.041 in.wg" if view.units == "us" else "4.12 m/s or 10.2 Pa"
    if not view.moment.needs_temperature:
        return flow
    temperature = "118 F" if view.units == "us" else "48 C"
    return f"{temperature} {flow.split(' or ', maxsplit=1)[0]}"


def _walk(view: TakeView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    top = [_header(view, width, glyphs), *_stage_line(view, width, glyphs)]
    bottom = bottom_block(view, width, glyphs)
    room = rows - len(top) - len(bottom)
    picture = draw(view.plan, view.state, MAP_WIDTH, min(MAP_ROWS, room - 1), glyphs) if room > 1 else []
    if width < TWO_COLUMNS or not picture:
        return [*top, *_left(view, width, room, glyphs), *bottom]
    right = [*picture, Text(legend(glyphs), style="dim")]
    left = _left(view, width - MAP_WIDTH - 2, room, glyphs)
    left = (left + [Text("")] * room)[:room]
    right = (right + [Text("")] * room)[:room]
    return [
        *top,
        *(_beside(a, b, width - MAP_WIDTH, glyphs) for a, b in zip(left, right, strict=True)),
        *bottom,
    ]


def _beside(left: Text, right: Text, column: int, glyphs: Glyphs) -> Text:
    left = left.copy()
    left.truncate(column - 1, overflow="crop")
    left.pad_right(column - left.cell_len)
    return left.append_text(right)


def _left(view: TakeView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """Where to go, the value, its trace, and the last points."""
    lines = [*_where(view, width, glyphs), Text("")]
    lines += value_block(view, width, glyphs)
    if view.moment.looks and len(view.trace) > 1 and rows - len(lines) >= PLOT_ROWS + 3:
        lines += [Text(""), *trace_block(view, width, glyphs)]
    left = rows - len(lines) - 1
    return lines + _last_points(view, width, left, glyphs) if left > 1 else lines


def _where(view: TakeView, width: int, glyphs: Glyphs) -> list[Text]:
    state = view.state
    name = f"Point {state.here + 1} of {state.count}" + (
        " ONCE MORE, for the drift" if state.repeating else ""
    )
    place = words.way_text(view.plan, state.here, view.units)
    before = state.repeat if state.repeating else state.taken[state.here]
    if before is not None:
        name += f"   (has {words.taken_text(before, view.units)})"
    return [
        Text(glyphs.cut(name, width)),
        Text(glyphs.cut(place[:1].upper() + place[1:], width), style="bold"),
    ]


def _last_points(view: TakeView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """The newest points in walking order, the last one at the bottom."""
    state = view.state
    upto = state.count if state.repeating else state.at
    rows_of = [
        f"{i + 1:>3}  {_short_place(view, i):<20} {_row_value(view, i)}"
        for i in range(state.count)
        if i < upto and (state.taken[i] is not None or i in state.skipped)
    ]
    if not rows_of:
        return []
    title = Text(heading("captured", width, glyphs), style="dim")
    return [title, *(Text(glyphs.cut(row, width)) for row in rows_of[-rows:])]


def _short_place(view: TakeView, index: int) -> str:
    return words.place_text(view.plan, index, view.units).replace("mark ", "")


def _row_value(view: TakeView, index: int) -> str:
    taken = view.state.taken[index]
    return "skipped" if taken is None else words.taken_text(taken, view.units)


def _footer(view: TakeView, width: int, glyphs: Glyphs) -> Text:
    """The keys, or the value being typed."""
    texts: tuple[str, ...] = KEYS_PROBE if view.moment.looks else KEYS_TYPED
    if view.typing is not None and not view.page:
        unit = f" {view.typing_unit}" if view.typing_unit else ""
        value = f"value: {clean(view.typing)}_{unit}"
        texts = (f"{value}   [Enter] take it  [Esc] drop it", f"{value}  [Enter]  [Esc]")
    elif view.page:
        texts = KEYS_PAGE
    elif view.state.ended:
        texts = KEYS_END
    text = next((text for text in texts if len(text) <= width), texts[-1])
    return Text(glyphs.fit(text, width), style="reverse")
