"""The take as a pure function: one frame from one view, exactly as large as the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rich.console import Group
from rich.text import Text

from logger.config.quantities import Dimension, from_si
from logger.core.readings import NS_PER_S, Quantity
from logger.core.traverse import DuctShape
from logger.core.traverse_plan import Plan
from logger.safety import CAUTIONS, SHORT_CAUTION
from logger.screen.format import DASH, clean, number, percent, scale_of, show
from logger.screen.glyphs import DIGIT_ROWS, UNICODE, Glyphs, large_digits
from logger.screen.heat_blocks import heading, joined
from logger.screen.plot import Series, frame_of, plot
from logger.take import words
from logger.take.plan_map import draw, legend
from logger.take.walk import Moment, State, asked, stage_of
from logger.take.watch import Look, Stage

MARGIN = 1  # cells at the left and at the right
MAP_WIDTH, MAP_ROWS = 31, 13  # cells of the cross-section
TWO_COLUMNS = 72  # cells from which the cross-section stands beside the value
PLOT_ROWS = 5
TALL = 30  # rows from which the help has room for every caution
PANEL = 20  # cells beside the large digits
LEAST_SPAN = {
    Quantity.VELOCITY: 0.5,
    Quantity.TEMPERATURE: 1.0,
}  # m/s, K: so that noise is no mountain; assumed
DIMENSIONS = {Quantity.VELOCITY: Dimension.VELOCITY, Quantity.TEMPERATURE: Dimension.TEMPERATURE}
WARN = "bold reverse"

KEYS_PROBE = "[Enter] take  type a value  [r]edo  [s]kip  [b]ack  [h]elp  [q] save, leave"
KEYS_TYPED = "type the value, [Enter]  [r]edo  [s]kip  [b]ack  [h]elp  [q] save and leave"
KEYS_END = "[Enter] finish  [r]edo  [b]ack  [u]nits  [h]elp  [q] save and leave"
KEYS_PAGE = "[Enter] go on  [q] save and leave"

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


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeView:
    """All of one frame. ``trace``: (reading time in ns, SI value) of the main probe, oldest first.

    ``page`` is "start", "help" or "" for the walk; ``typing`` is the text being typed, if any, and
    ``typing_unit`` the unit that a bare number is given.
    """

    plan: Plan
    state: State
    moment: Moment
    units: str = "us"
    page: str = ""
    typing: str | None = None
    typing_unit: str = ""
    trace: Sequence[tuple[int, float]] = ()
    path: str = ""
    saved: int = 0
    trouble: str = ""  # saving, or a driver
    simulated: bool = False
    speed: float | None = 1.0
    result: tuple[str, ...] = ()  # at the end: the airflow in lines
    start: tuple[str, ...] = ()  # sentences of the start page beside the cautions


def take_frame(view: TakeView, width: int, height: int, glyphs: Glyphs = UNICODE) -> Group:
    """One frame of ``height`` lines, none wider than ``width`` cells."""
    inner = max(width - 2 * MARGIN, 1)
    rows = max(height - 1, 0)
    if view.page:
        lines = _page(view, inner, rows, glyphs)
    elif view.state.ended:
        lines = _end(view, inner, rows, glyphs)
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
    look = _deciding(view)
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


def _deciding(view: TakeView) -> Look | None:
    from logger.take.walk import deciding  # noqa: PLC0415

    return deciding(view.state, view.moment)


def _walk(view: TakeView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    top = [_header(view, width, glyphs), *_stage_line(view, width, glyphs)]
    bottom = _bottom(view, width, glyphs)
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
    lines += _value(view, width, glyphs)
    if view.moment.looks and len(view.trace) > 1 and rows - len(lines) >= PLOT_ROWS + 3:
        lines += [Text(""), *_trace(view, width, glyphs)]
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


def _value(view: TakeView, width: int, glyphs: Glyphs) -> list[Text]:
    """The live value, large, with the average beside it; what is typed where nothing is measured."""
    looks = asked(view.state, view.moment)
    if not looks:
        return _typed_value(view, width, glyphs)
    look = looks[0]
    dimension = DIMENSIONS[look.quantity]
    text = number(look.value, dimension, view.units)
    digits = large_digits(text, width - PANEL - 2, DIGIT_ROWS, glyphs)
    panel = _panel(view, look, dimension)
    if digits is None:
        digits = [glyphs.fit(text, 8)] + [" " * 8] * (len(panel) - 1)
    panel = [Text(glyphs.cut(p.plain, width - len(digits[0]) - 2), style=p.style) for p in panel]
    panel += [Text("")] * (len(digits) - len(panel))
    lines = [Text.assemble((dots, "bold"), "  ", small) for dots, small in zip(digits, panel, strict=False)]
    return [*lines, *(Text(glyphs.cut(_other(view, other), width)) for other in looks[1:])]


def _other(view: TakeView, look: Look) -> str:
    """The second probe of a point, in a line."""
    dimension = DIMENSIONS[look.quantity]
    mean = "" if look.tail is None else f", mean {show(look.tail.mean, dimension, view.units)}"
    stage = words.STAGE_WORDS[look.stage].lower()
    return f"{look.quantity.value} {show(look.value, dimension, view.units)}{mean}, {stage}"


def _panel(view: TakeView, look: Look, dimension: Dimension) -> list[Text]:
    unit = scale_of(dimension, view.units).unit
    lines = [Text(unit, style="bold"), Text("now")]
    tail = look.tail
    if tail is not None:
        mean = show(tail.mean, dimension, view.units)
        spread = Dimension.DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension
        share = (
            f" ({percent(tail.scatter / abs(tail.mean), 0)})"
            if dimension is Dimension.VELOCITY and tail.mean
            else ""
        )
        lines += [
            Text(f"mean {mean}", style="bold"),
            Text(f"± {number(tail.scatter, spread, view.units)}{share}"),
            Text(f"{tail.span_s:.0f} s, {tail.count} readings"),
        ]
    return lines


def _typed_value(view: TakeView, width: int, glyphs: Glyphs) -> list[Text]:
    typed = view.state.typed
    have = []
    if typed.temperature_c is not None:
        have.append(f"temperature {show(typed.temperature_c, Dimension.TEMPERATURE, view.units)}")
    if typed.has_velocity:
        have.append(words.velocity_text(typed, view.units))
    text = f"noted: {', '.join(have)}" if have else ""
    typing = clean(view.typing or "")
    head, _, unit = typing.partition(" ")
    digits = large_digits(head, width - PANEL - 2, DIGIT_ROWS, glyphs) if head else None
    if digits is None:
        digits, unit = [f"{typing}_", *[""] * (DIGIT_ROWS - 1)], ""
    beside = f"  {unit or view.typing_unit}"
    lines = [
        Text(glyphs.cut(f"{line}{beside if row == 0 else ''}", width), style="bold")
        for row, line in enumerate(digits)
    ]
    return [*lines, Text(glyphs.cut(text, width))] if text else lines


def _trace(view: TakeView, width: int, glyphs: Glyphs) -> list[Text]:
    look = view.moment.looks[0]
    dimension = DIMENSIONS[look.quantity]
    unit = scale_of(dimension, view.units).unit
    end_ns = view.trace[-1][0]
    points = [((t - end_ns) / NS_PER_S, from_si(v, unit, dimension)) for t, v in view.trace]
    least = from_si(LEAST_SPAN[look.quantity], unit, dimension) - from_si(0.0, unit, dimension)
    series = [Series("", points)]
    frame = frame_of(series, min(points[0][0], -10.0), 0.0, least)
    title = heading(f"last {-points[0][0]:.0f} s, {unit}", width, glyphs)
    return [Text(title, style="dim"), *(Text(line) for line in plot(series, frame, width, PLOT_ROWS, glyphs))]


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


def _bottom(view: TakeView, width: int, glyphs: Glyphs) -> list[Text]:
    saved = f"{view.saved} of {view.state.count} points are saved in {clean(view.path)}"
    lines = [Text(glyphs.cut(saved, width), style="dim")]
    if view.trouble:
        lines = [Text(f"! {part}", style=WARN) for part in glyphs.wrap(clean(view.trouble), width - 2, 2)]
    said = glyphs.wrap(clean(view.state.said), width, 2) or [""]
    style = "bold" if view.state.refused else ""
    return [*lines, *(Text(part, style=style) for part in said)]


def _end(view: TakeView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    state = view.state
    lines = [_header(view, width, glyphs)]
    missing = words.open_text(state)
    text = (
        f"{missing[:1].upper()}{missing[1:]}: [b]ack leads there." if missing else "Every point is captured."
    )
    lines.append(Text.assemble((" END OF THE WALK ", WARN), f" {glyphs.cut(text, width - 18)}"))
    lines.append(Text(""))
    body: list[str] = []
    drift = words.drift_text(state, view.units)
    body.append(f"Drift: {drift}." if drift else "Drift: not known, the first point was not repeated.")
    body += view.result
    table = _table(view, width)
    wrapped = [part for text in body for part in glyphs.wrap(text, width, 6, indent=2)]
    lines += [Text(part) for part in wrapped]
    bottom = _bottom(view, width, glyphs)
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


def _page(view: TakeView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """The start with its cautions, or the help."""
    lines = [_header(view, width, glyphs), Text("")]
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


def _footer(view: TakeView, width: int, glyphs: Glyphs) -> Text:
    """The keys, or the value being typed."""
    if view.typing is not None and not view.page:
        unit = f" {view.typing_unit}" if view.typing_unit else ""
        text = f"value: {clean(view.typing)}_{unit}   [Enter] take it  [Esc] drop it"
    elif view.page:
        text = KEYS_PAGE
    elif view.state.ended:
        text = KEYS_END
    else:
        text = KEYS_PROBE if view.moment.looks else KEYS_TYPED
    return Text(glyphs.fit(text, width), style="reverse")


def with_units(view: TakeView, units: str) -> TakeView:
    """The view in other units."""
    return replace(view, units=units)
