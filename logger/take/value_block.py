"""The value at the point in hand: large, with its average, its trace, or what is being typed."""

from __future__ import annotations

from rich.text import Text

from logger.config.quantities import Dimension, from_si
from logger.core.readings import NS_PER_S, Quantity
from logger.screen.format import clean, number, percent, scale_of, show
from logger.screen.glyphs import DIGIT_ROWS, Glyphs, large_digits
from logger.screen.heat_blocks import heading
from logger.screen.plot import Series, frame_of, plot
from logger.take import words
from logger.take.view import TakeView
from logger.take.walk import asked
from logger.take.watch import Look

PLOT_ROWS = 5
PANEL = 20  # cells beside the large digits
LEAST_SPAN = {
    Quantity.VELOCITY: 0.5,
    Quantity.TEMPERATURE: 1.0,
}  # m/s, K: so that noise is no mountain; assumed
DIMENSIONS = {Quantity.VELOCITY: Dimension.VELOCITY, Quantity.TEMPERATURE: Dimension.TEMPERATURE}


def value_block(view: TakeView, width: int, glyphs: Glyphs) -> list[Text]:
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


def trace_block(view: TakeView, width: int, glyphs: Glyphs) -> list[Text]:
    """The last minute of the main probe."""
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
