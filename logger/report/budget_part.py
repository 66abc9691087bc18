"""The uncertainty budget as bars: the largest first, the smallest named together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.config.quantities import Dimension
from logger.report.values import Numbers, Part, as_number, items, words
from logger.screen.format import percent, show

SMALL = 0.005  # share of the variance below which a line has no bar: it moves nothing; assumed


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One line of the budget; ``width`` is the bar's, of 100 for the largest."""

    source: str
    assumed: bool
    u: Part
    share: Part
    width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetPart:
    """The bars, and a sentence on the lines without one."""

    bars: tuple[Bar, ...]
    smaller: str


def budget_part(numbers: Numbers) -> BudgetPart | None:
    """The section; None where there is no budget."""
    lines = sorted(items(numbers.raw("budget")), key=_share, reverse=True)
    if not lines:
        return None
    large = [line for line in lines if _share(line) >= SMALL]
    small = [line for line in lines if _share(line) < SMALL]
    names = ", ".join(
        f"{words(s.get('source'))}{' (assumed)' if s.get('assumed') is True else ''}" for s in small
    )
    together = percent(sum(map(_share, small)), 1)
    return BudgetPart(
        bars=tuple(_bar(line, numbers.units, _share(large[0])) for line in large),
        smaller=f"Below {percent(SMALL)} each, together {together}: {names}." if small else "",
    )


def _share(line: Mapping[str, Any]) -> float:
    return max(as_number(line.get("share")) or 0.0, 0.0)


def _bar(line: Mapping[str, Any], units: str, largest: float) -> Bar:
    source, u_w, share = words(line.get("source")), as_number(line.get("u_w")), as_number(line.get("share"))
    return Bar(
        source=source,
        assumed=line.get("assumed") is True,
        u=Part(show(u_w, Dimension.POWER, units), f"budget.{source}.u_w", u_w),
        share=Part(percent(share, 1), f"budget.{source}.share", share),
        width=round(100.0 * _share(line) / largest, 1),
    )
