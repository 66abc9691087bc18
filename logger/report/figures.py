"""The two pictures: the output against its plate, and the trace of the run.

Nothing is told by colour alone: lines differ by dash and carry their names, areas by hatching.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from logger.config.quantities import Dimension, from_si
from logger.report.svg import Drawing, drawing
from logger.report.trace import Trace
from logger.report.values import Numbers, plain
from logger.screen.format import clock, number, percent, scale_of, show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, MUTED, SUPPLY, RETURN, BAND = "#1a1a1a", "#595959", "#a3241d", "#1b4f8a", "#d9d9d9"
PLATE, PLATE_DASH = "#6b3fa0", (0, (4, 2))
WIDTH_IN = 7.3  # inches: the width of the text on A4 and Letter
MINUTES = "minutes from the start of the run"
LETTER = 0.0135  # of the trace's width: one letter of a phase's name
OUTPUT_IN, TRACE_IN = 1.4, 2.9  # inches: with the numbers they fill the first page
_PHASE_LOOKS: dict[str, tuple[str, str]] = {  # phase: fill, hatch
    "off": ("#ffffff", ""),
    "fan": ("#ffffff", "...."),
    "warm-up": ("#ffffff", "////"),
    "steady": ("#d9d9d9", ""),
    "cool-down": ("#ffffff", "\\\\\\\\"),
}
_BOX = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 1.2}  # keeps a number legible on a hatch
_STYLE: dict[Any, Any] = {  # the library types its keys as literals
    "svg.fonttype": "none",  # text stays text: it can be read, searched and copied
    "svg.hashsalt": "riselog",  # the same run gives the same bytes
    "font.family": ["DejaVu Sans", "sans-serif"],
    "font.size": 7.5,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "axes.linewidth": 0.6,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "hatch.linewidth": 0.4,
    "lines.linewidth": 1.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.useoffset": False,
    "axes.unicode_minus": False,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """What the output is held against, W and fractions."""

    output_w: float | None
    tolerance: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One column of the trace as it is drawn."""

    column: str
    name: str
    colour: str
    dash: str | tuple[float, tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One of the trace's pictures above each other."""

    name: str
    dimension: Dimension
    lines: tuple[Line, ...]


PANELS = (
    Panel(
        name="air",
        dimension=Dimension.TEMPERATURE,
        lines=(
            Line(column="supply_c", name="supply", colour=SUPPLY, dash="-"),
            Line(column="return_c", name="return", colour=RETURN, dash=(0, (5, 1.5))),
        ),
    ),
    Panel(
        name="rise",
        dimension=Dimension.DIFFERENCE,
        lines=(Line(column="rise_k", name="rise", colour=INK, dash="-"),),
    ),
    Panel(
        name="output",
        dimension=Dimension.POWER,
        lines=(Line(column="output_w", name="output", colour=INK, dash="-"),),
    ),
)


@contextmanager
def _canvas(height_in: float) -> Iterator[Figure]:
    """A figure in our own style, whatever the user's settings of the library are."""
    import logging  # noqa: PLC0415 - as below

    import matplotlib as mpl  # noqa: PLC0415 - costs start-up time
    from matplotlib.figure import Figure  # noqa: PLC0415

    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # how its caches fare is no news to the user
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield Figure(figsize=(WIDTH_IN, height_in), layout="constrained")


def _unit(dimension: Dimension, units: str) -> str:
    return scale_of(dimension, units).unit


def _in(value: float, dimension: Dimension, units: str) -> float:
    return from_si(value, _unit(dimension, units), dimension)


def output_figure(numbers: Numbers, plate: Plate) -> Drawing | None:
    """The measured output with its u95, the plate's and the tolerance; None without an output."""
    output_w, u95_w = numbers.get("firing.output_w"), numbers.get("firing.output_u95_w")
    if output_w is None or u95_w is None:
        return None
    title = "Measured output against the nameplate"
    with _canvas(OUTPUT_IN) as figure:
        axes = figure.add_subplot()
        _draw_output(axes, numbers, plate, (output_w, u95_w))
        return drawing(figure, "output", title, _output_words(numbers, plate))


def _draw_output(axes: Axes, numbers: Numbers, plate: Plate, measured: tuple[float, float]) -> None:
    """Two rows, each named at the left: what was measured, and above it what the plate says."""
    units, power = numbers.units, Dimension.POWER
    y, u95 = (_in(value, power, units) for value in measured)
    edges, names = [y - u95, y + u95], ["measured, ± u95"]
    if plate.output_w is not None:
        n = _in(plate.output_w, power, units)
        half = n * (plate.tolerance or 0.0)
        edges += [n - half, n + half]
        names.append(f"nameplate ± {percent(plate.tolerance)}" if half else "nameplate")
        if half:
            look: dict[str, Any] = {"facecolor": "#ffffff", "edgecolor": "#8c8c8c", "hatch": "///", "lw": 0.8}
            axes.axvspan(n - half, n + half, ymax=0.9, **look)
        axes.axvline(n, ymax=0.9, color=PLATE, ls=PLATE_DASH, lw=1.4)
        axes.text(n, 1.0, show(plate.output_w, power, units), ha="center", va="center", bbox=_BOX)
    axes.errorbar([y], [0.1], xerr=[[u95], [u95]], fmt="o", color=INK, ms=6, capsize=5, lw=1.8, capthick=1.8)
    text = plain(numbers.spread("firing.output_w", "firing.output_u95_w", power))
    axes.text(y, -0.5, text, ha="center", va="center", weight="bold", bbox=_BOX)
    low, high = min(edges), max(edges)
    margin = 0.3 * (high - low) or 0.1 * abs(high) or 1.0
    axes.set_xlim(low - margin, high + margin)
    axes.set_ylim(-0.85, 1.5)
    axes.set_yticks([0.1, 1.0][: len(names)], names)
    axes.tick_params(axis="y", length=0.0)
    axes.spines["left"].set_visible(False)
    _power_scales(axes, numbers)


def _power_scales(axes: Axes, numbers: Numbers) -> None:
    """The job's unit below, the other above."""
    unit, other = (_unit(Dimension.POWER, units) for units in numbers.systems)
    ratio = from_si(1.0, other, Dimension.POWER) / from_si(1.0, unit, Dimension.POWER)
    both_ways = (partial(operator.mul, ratio), partial(operator.mul, 1.0 / ratio))
    axes.xaxis.set_major_formatter(_thousands)
    axes.set_xlabel(f"output, {unit}")
    above = axes.secondary_xaxis("top", functions=both_ways)
    above.xaxis.set_major_formatter(_thousands)
    above.set_xlabel(f"output, {other}")


def _thousands(value: float, _: float | None = None) -> str:
    return f"{value:,.10g}"


def _output_words(numbers: Numbers, plate: Plate) -> str:
    measured = plain(numbers.spread("firing.output_w", "firing.output_u95_w", Dimension.POWER))
    text = f"The measured output is {measured.replace('±', 'plus or minus')}."
    if plate.output_w is None:
        return f"{text} There is no nameplate output to hold it against."
    text += f" The nameplate's is {show(plate.output_w, Dimension.POWER, numbers.units)}"
    if not plate.tolerance:
        return text + "."
    low, high = (
        number(
            plate.output_w * (1.0 + sign * plate.tolerance),
            Dimension.POWER,
            numbers.units,
            like=plate.output_w,
        )
        for sign in (-1, 1)
    )
    unit = _unit(Dimension.POWER, numbers.units)
    return f"{text}, its tolerance reaches from {low} to {high} {unit}."


def trace_figure(numbers: Numbers, plate: Plate, trace: Trace) -> Drawing | None:
    """Temperatures, rise, output and phases over the run; None where nothing was traced."""
    if not trace.t_s:
        return None
    with _canvas(TRACE_IN) as figure:
        rows = figure.subplots(4, 1, sharex=True, gridspec_kw={"height_ratios": [3, 2.2, 2.6, 0.55]})
        *panels, phases = rows
        for axes, panel in zip(panels, PANELS, strict=True):
            _draw_lines(axes, trace, panel, numbers.units)
        if plate.output_w is not None:
            level = _in(plate.output_w, Dimension.POWER, numbers.units)
            panels[-1].axhline(level, color=PLATE, ls=PLATE_DASH, lw=1.2, label="nameplate")
        for axes in panels:
            axes.yaxis.set_major_formatter(_thousands)
            axes.set_xlim(trace.t_s[0] / 60.0, max(trace.t_s[-1] / 60.0, trace.t_s[0] / 60.0 + 0.1))
            _shade(axes, numbers)
            axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), frameon=False, handlelength=3.2)
        _phase_strip(phases, trace)
        steady = numbers.get("firing.steady_start_s") is not None
        phases.set_xlabel(
            f"{MINUTES}; grey: the steady stretch that the result is the mean of" if steady else MINUTES
        )
        return drawing(figure, "trace", "Trace of the run", _trace_words(numbers, trace))


def _draw_lines(axes: Axes, trace: Trace, panel: Panel, units: str) -> None:
    minutes = [t / 60.0 for t in trace.t_s]
    for line in panel.lines:
        values = trace.columns[line.column]
        if any(value is not None for value in values):
            shown = [math.nan if value is None else _in(value, panel.dimension, units) for value in values]
            axes.plot(minutes, shown, color=line.colour, ls=line.dash, label=line.name)
    axes.set_ylabel(f"{panel.name},\n{_unit(panel.dimension, units)}")
    axes.grid(visible=True, axis="y", color="#cccccc", lw=0.4)


def _shade(axes: Axes, numbers: Numbers) -> None:
    """The stretch that the result is the mean of."""
    start, end = numbers.get("firing.steady_start_s"), numbers.get("firing.steady_end_s")
    if start is not None and end is not None:
        axes.axvspan(start / 60.0, end / 60.0, facecolor=BAND, edgecolor=MUTED, lw=0.6, alpha=0.6, zorder=0)


def _phase_strip(axes: Axes, trace: Trace) -> None:
    """The phases as hatched fields with their names inside, or beside where there is no room."""
    from matplotlib.patches import Patch  # noqa: PLC0415 - as above

    span_s = (trace.t_s[-1] - trace.t_s[0]) or 1.0
    beside: dict[str, Patch] = {}
    named: set[str] = set()
    for name, start, end in trace.phases:
        fill, hatch = _PHASE_LOOKS.get(name, ("#ffffff", ""))
        look: dict[str, Any] = {"facecolor": fill, "edgecolor": "#8c8c8c", "hatch": hatch, "lw": 0.5}
        axes.axvspan(start / 60.0, end / 60.0, **look)
        if (end - start) / span_s > LETTER * (len(name) + 1):
            named.add(name)
            middle = (start + end) / 120.0
            axes.text(middle, 0.5, name, ha="center", va="center", bbox={**_BOX, "facecolor": fill})
        else:
            beside[name] = Patch(label=name, **look)
    for name in named:
        beside.pop(name, None)
    if beside:
        axes.legend(
            handles=list(beside.values()),
            loc="center left",
            bbox_to_anchor=(1.0, 0.5),
            frameon=False,
            ncols=2,
            fontsize=6.5,
            handlelength=1.6,
            columnspacing=0.8,
        )
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.set_ylabel("phase", rotation=0, ha="right", va="center")


def _trace_words(numbers: Numbers, trace: Trace) -> str:
    """What the picture shows, in numbers."""
    spans = "; ".join(f"{name} from {clock(start)} to {clock(end)}" for name, start, end in trace.phases)
    parts = [f"The run's phases were: {spans}."]
    for dimension, line in ((panel.dimension, line) for panel in PANELS for line in panel.lines):
        values = [value for value in trace.columns[line.column] if value is not None]
        if values:
            low, high = (show(value, dimension, numbers.units) for value in (min(values), max(values)))
            parts.append(f"{line.name.capitalize()} lay between {low} and {high}.")
    start, end = numbers.get("firing.steady_start_s"), numbers.get("firing.steady_end_s")
    if start is None:
        parts.append("No steady stretch was found.")
    else:
        parts.append(f"The steady stretch is from {clock(start)} to {clock(end)}.")
    return " ".join(parts)
