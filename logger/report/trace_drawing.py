"""The picture of the run: temperatures, rise, output and phases over time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from logger.config.quantities import Dimension
from logger.core.kind_words import CHANGE, kind_of, told_code
from logger.report.canvas import (
    BAND,
    BOX,
    INK,
    MUTED,
    PLATE,
    PLATE_DASH,
    RETURN,
    SUPPLY,
    Plate,
    canvas,
    in_unit,
    thousands,
    unit_of,
)
from logger.report.svg import Drawing, drawing
from logger.report.trace import Span, Trace, with_pauses
from logger.report.values import Numbers, as_number, items, words
from logger.screen.format import clock, show

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TRACE_IN = 2.9  # inches: with answer and numbers it fills the first page
MINUTES = "minutes from the start of the run"
UNTOLD_OUTPUT = "the stretch's mean alone, for the airflow is known only with the stage that is on"
LETTER = 0.0135  # of the trace's width: one letter of a phase's name
_PHASE_LOOKS: dict[str, tuple[str, str]] = {  # phase: fill, hatch
    "off": ("#ffffff", ""),
    "fan": ("#ffffff", "----"),
    "warm-up": ("#ffffff", "////"),
    "steady": ("#d9d9d9", ""),
    "cool-down": ("#ffffff", "\\\\\\\\"),
    "settling": ("#ffffff", "////"),
    "ending": ("#ffffff", "\\\\\\\\"),
    "heat-falling": ("#ffffff", "\\\\\\\\"),
    "defrost": ("#ffffff", "xxxx"),
    "pause": ("#ffffff", "...."),
}


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


def panels_of(kind: str) -> tuple[Panel, ...]:
    """The panels in the words of the unit's kind."""
    change = CHANGE[kind]
    return tuple(
        replace(panel, name=change, lines=tuple(replace(line, name=change) for line in panel.lines))
        if panel.name == "rise"
        else panel
        for panel in PANELS
    )


def _in_words(trace: Trace, kind: str, pauses: Sequence[Span]) -> Trace:
    """Phases by the names that people read, a heat pump's pauses by theirs, and a drop without its sign."""
    columns = dict(trace.columns)
    if CHANGE[kind] == "drop":
        columns["rise_k"] = tuple(None if k is None else -k for k in columns["rise_k"])
    phases = tuple(
        (told_code(name, kind), start, end) for name, start, end in with_pauses(trace.phases, pauses)
    )
    return replace(trace, columns=columns, phases=phases)


def trace_figure(numbers: Numbers, plate: Plate, trace: Trace) -> Drawing | None:
    """Temperatures, rise, output and phases over the run; None where nothing was traced."""
    if not trace.t_s:
        return None
    with canvas(TRACE_IN) as figure:
        rows = figure.subplots(4, 1, sharex=True, gridspec_kw={"height_ratios": [3, 2.2, 2.6, 0.55]})
        *panels, phases = rows
        kind = kind_of(numbers.raw("nameplate.kind"))
        trace = _in_words(trace, kind, _pauses(numbers))
        for axes, panel in zip(panels, panels_of(kind), strict=True):
            _draw_lines(axes, trace, panel, numbers.units)
        untold = _untold_output(numbers, trace)
        if untold:
            _draw_mean(panels[-1], numbers)
        if plate.output_w is not None:
            level = in_unit(plate.output_w, Dimension.POWER, numbers.units)
            panels[-1].axhline(level, color=PLATE, ls=PLATE_DASH, lw=1.2, label="nameplate")
        for axes in panels:
            axes.yaxis.set_major_formatter(thousands)
            axes.set_xlim(trace.t_s[0] / 60.0, max(trace.t_s[-1] / 60.0, trace.t_s[0] / 60.0 + 0.1))
            _shade(axes, numbers)
            axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), frameon=False, handlelength=3.2)
        _phase_strip(phases, trace)
        steady = numbers.get("firing.steady_start_s") is not None
        says = [MINUTES]
        if steady:
            says.append("grey: the steady stretch that the result is the mean of")
        if untold:
            says.append("output: " + untold)
        phases.set_xlabel(";\n".join(["; ".join(says[:2]), *says[2:]]))
        return drawing(figure, "trace", "Trace of the run", _trace_words(numbers, trace, kind))


def _untold_output(numbers: Numbers, trace: Trace) -> str:
    """Why no tick has an output where the stretch has one: its airflow is known with its stage alone."""
    told = any(value is not None for value in trace.columns["output_w"])
    return "" if told or numbers.get("firing.output_w") is None else UNTOLD_OUTPUT


def _draw_mean(axes: Axes, numbers: Numbers) -> None:
    """The mean of the steady stretch, in place of an output of every moment."""
    ends = [numbers.get(f"firing.{key}") for key in ("steady_start_s", "steady_end_s", "output_w")]
    start, end, output_w = (value or 0.0 for value in ends)
    level = in_unit(output_w, Dimension.POWER, numbers.units)
    axes.plot([start / 60.0, end / 60.0], [level, level], color=INK, lw=2.0, label="mean output")


def _pauses(numbers: Numbers) -> list[Span]:
    """Where a heat pump's heat was off, with what is known of it."""
    found = [pause for cycle in items(numbers.raw("cycles")) for pause in items(cycle.get("pauses"))]
    return [
        (
            words(pause.get("code")),
            as_number(pause.get("start_s")) or 0.0,
            as_number(pause.get("end_s")) or 0.0,
        )
        for pause in found
    ]


def _draw_lines(axes: Axes, trace: Trace, panel: Panel, units: str) -> None:
    minutes = [t / 60.0 for t in trace.t_s]
    for line in panel.lines:
        values = trace.columns[line.column]
        if any(value is not None for value in values):
            shown = [
                math.nan if value is None else in_unit(value, panel.dimension, units) for value in values
            ]
            axes.plot(minutes, shown, color=line.colour, ls=line.dash, label=line.name)
    axes.set_ylabel(f"{panel.name},\n{unit_of(panel.dimension, units)}")
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
            axes.text(middle, 0.5, name, ha="center", va="center", bbox={**BOX, "facecolor": fill})
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


def _trace_words(numbers: Numbers, trace: Trace, kind: str) -> str:
    """What the picture shows, in numbers."""
    spans = "; ".join(f"{name} from {clock(start)} to {clock(end)}" for name, start, end in trace.phases)
    parts = [f"The run's phases were: {spans}."]
    for dimension, line in ((panel.dimension, line) for panel in panels_of(kind) for line in panel.lines):
        values = [value for value in trace.columns[line.column] if value is not None]
        if values:
            low, high = (show(value, dimension, numbers.units) for value in (min(values), max(values)))
            parts.append(f"{line.name.capitalize()} lay between {low} and {high}.")
    untold = _untold_output(numbers, trace)
    if untold:
        parts.append(f"Output: {untold}.")
    start, end = numbers.get("firing.steady_start_s"), numbers.get("firing.steady_end_s")
    if start is None:
        parts.append("No steady stretch was found.")
    else:
        parts.append(f"The steady stretch is from {clock(start)} to {clock(end)}.")
    return " ".join(parts)
