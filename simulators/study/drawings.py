"""The page's pictures: coverage and bias, and the wait, a row a cell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from logger.report.canvas import BAND, INK, MUTED, canvas
from logger.report.svg import Drawing, drawing
from simulators.study.setting import cell_name
from simulators.study.summary import Row

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BASE_IN, ROW_IN = 0.8, 0.24  # inches: axis and title, and each cell
STATED = 95.0  # %


def coverage_figure(rows: Sequence[Row]) -> Drawing | None:
    """How often the stated u95 held the truth, with its 99 % limits; and the bias, with its own."""
    shown = [row for row in rows if row["coverage"] is not None]
    if not shown:
        return None
    with canvas(BASE_IN + ROW_IN * len(shown)) as figure:
        left, right = figure.subplots(1, 2, sharey=True)
        covered = [100.0 * row["coverage"] for row in shown]
        limits = [(100.0 * row["coverage_low"], 100.0 * row["coverage_high"]) for row in shown]
        _points(left, covered, limits)
        left.axvline(STATED, color=MUTED, ls=(0, (4, 2)))
        left.set_xlabel("coverage of u95, % (dashed: 95 %)")
        bias = [row["bias_percent"] for row in shown]
        known = [
            (b, b) if r["bias_low"] is None else (r["bias_low"], r["bias_high"])
            for b, r in _with(bias, shown)
        ]
        _points(right, bias, known)
        right.axvline(0.0, color=MUTED, ls=(0, (4, 2)))
        right.set_xlabel("bias of the output, %")
        return _drawn(figure, left, shown, "coverage", "Coverage and bias, with 99 % limits")


def wait_figure(rows: Sequence[Row]) -> Drawing | None:
    """From when the unit came on: the least possible, then a steady stretch, then a settled one."""
    shown = [row for row in rows if row["least_s"] is not None and row["decision_s_median"] is not None]
    if not shown:
        return None
    with canvas(BASE_IN + ROW_IN * len(shown)) as figure:
        axes = figure.add_subplot()
        for place, row in enumerate(shown):
            axes.barh(place, row["least_s"] / 60.0, color=BAND, edgecolor=MUTED, hatch="//", lw=0.6)
            axes.plot(
                [row["decision_s_median"] / 60.0, row["decision_s_95"] / 60.0], [place, place], color=INK
            )
            axes.plot(row["decision_s_median"] / 60.0, place, "o", color=INK, ms=4)
            if row["settled_s_median"] is not None:
                axes.plot(row["settled_s_median"] / 60.0, place, "s", color=INK, ms=4, mfc="none")
        axes.set_xlim(left=0.0)
        axes.set_xlabel(
            "minutes since it came on (hatched: not as near as asked; dot: steady, to 95 %; square: settled)"
        )
        return _drawn(figure, axes, shown, "wait", "How long it takes")


def _with(values: Sequence[float], rows: Sequence[Row]) -> list[tuple[float, Row]]:
    return list(zip(values, rows, strict=True))


def _points(axes: Axes, values: Sequence[float], limits: Sequence[tuple[float, float]]) -> None:
    below = [value - low for value, (low, _) in zip(values, limits, strict=True)]
    above = [high - value for value, (_, high) in zip(values, limits, strict=True)]
    spans = [[max(b, 0.0) for b in below], [max(a, 0.0) for a in above]]
    axes.errorbar(values, range(len(values)), xerr=spans, fmt="o", color=INK, ms=4, capsize=3)


def _drawn(figure: Figure, axes: Axes, rows: Sequence[Row], name: str, title: str) -> Drawing:
    names = [cell_name(row) for row in rows]
    axes.set_yticks(range(len(rows)), names)
    axes.set_ylim(len(rows) - 0.4, -0.6)  # the first cell at the top
    return drawing(figure, f"study-{name}", title, f"{title}; the table has the numbers: {'; '.join(names)}.")
