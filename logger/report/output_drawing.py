"""The picture of the answer: the measured output against its plate and the tolerance."""

from __future__ import annotations

import operator
from functools import partial
from typing import TYPE_CHECKING, Any

from logger.config.quantities import Dimension, from_si
from logger.report.canvas import BOX, INK, PLATE, PLATE_DASH, Plate, canvas, in_unit, thousands, unit_of
from logger.report.svg import Drawing, drawing
from logger.report.values import Numbers, plain
from logger.screen.format import number, percent, show

if TYPE_CHECKING:
    from matplotlib.axes import Axes

OUTPUT_IN = 1.4  # inches


def output_figure(numbers: Numbers, plate: Plate) -> Drawing | None:
    """The measured output with its u95, the plate's and the tolerance; None without an output."""
    output_w, u95_w = numbers.get("firing.output_w"), numbers.get("firing.output_u95_w")
    if output_w is None or u95_w is None:
        return None
    title = "Measured output against the nameplate"
    with canvas(OUTPUT_IN) as figure:
        axes = figure.add_subplot()
        _draw_output(axes, numbers, plate, (output_w, u95_w))
        return drawing(figure, "output", title, _output_words(numbers, plate))


def _draw_output(axes: Axes, numbers: Numbers, plate: Plate, measured: tuple[float, float]) -> None:
    """Two rows, each named at the left: what was measured, and above it what the plate says."""
    units, power = numbers.units, Dimension.POWER
    y, u95 = (in_unit(value, power, units) for value in measured)
    edges, names = [y - u95, y + u95], ["measured, ± u95"]
    if plate.output_w is not None:
        n = in_unit(plate.output_w, power, units)
        half = n * (plate.tolerance or 0.0)
        edges += [n - half, n + half]
        names.append(f"nameplate ± {percent(plate.tolerance)}" if half else "nameplate")
        if half:
            look: dict[str, Any] = {"facecolor": "#ffffff", "edgecolor": "#8c8c8c", "hatch": "///", "lw": 0.8}
            axes.axvspan(n - half, n + half, ymax=0.9, **look)
        axes.axvline(n, ymax=0.9, color=PLATE, ls=PLATE_DASH, lw=1.4)
        axes.text(n, 1.0, show(plate.output_w, power, units), ha="center", va="center", bbox=BOX)
    axes.errorbar([y], [0.1], xerr=[[u95], [u95]], fmt="o", color=INK, ms=6, capsize=5, lw=1.8, capthick=1.8)
    text = plain(numbers.spread("firing.output_w", "firing.output_u95_w", power))
    axes.text(y, -0.5, text, ha="center", va="center", weight="bold", bbox=BOX)
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
    unit, other = (unit_of(Dimension.POWER, units) for units in numbers.systems)
    ratio = from_si(1.0, other, Dimension.POWER) / from_si(1.0, unit, Dimension.POWER)
    both_ways = (partial(operator.mul, ratio), partial(operator.mul, 1.0 / ratio))
    axes.xaxis.set_major_formatter(thousands)
    axes.set_xlabel(f"output, {unit}")
    above = axes.secondary_xaxis("top", functions=both_ways)
    above.xaxis.set_major_formatter(thousands)
    above.set_xlabel(f"output, {other}")


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
    unit = unit_of(Dimension.POWER, numbers.units)
    return f"{text}, its tolerance reaches from {low} to {high} {unit}."
