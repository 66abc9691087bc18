"""The uncertainty budget: independent lines combined by the GUM.

Source: JCGM 100:2008 (GUM) 5.1.2 eq. (10) for the combined uncertainty, annex G.4.1 eq. (G.2b)
(Welch-Satterthwaite) for its degrees of freedom. Both hold for independent inputs only: whoever
writes the lines first expresses correlated inputs by independent ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from logger.core.student import t_quantile


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One independent source of doubt.

    ``u_w``: its standard uncertainty times its sensitivity, in W of the result, never negative.
    ``nu``: its degrees of freedom, inf where the size itself is not in doubt.
    ``assumed``: the size is ours, nobody measured or stated it.
    """

    source: str
    u_w: float
    nu: float = math.inf
    assumed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Combined:
    """What the lines come to. ``u95_w`` = ``k`` x ``u_w``, for 95 %.

    ``shares``: share of the variance, one per line in the same order; they add up to 1, or are
    all 0 where nothing is in doubt.
    """

    u_w: float
    nu_eff: float
    k: float
    u95_w: float
    shares: tuple[float, ...]


def combine(lines: Sequence[BudgetLine]) -> Combined:
    """Combine independent lines; no line, or none above zero, is no uncertainty.

    Raises ValueError on a line whose ``u_w`` is negative or not finite, or whose ``nu`` is not
    positive.

    >>> both = combine([BudgetLine("supply temperature", 300.0), BudgetLine("airflow", 400.0)])
    >>> both.u_w, [round(share, 6) for share in both.shares]
    (500.0, [0.36, 0.64])
    """
    for line in lines:
        _check(line)
    u_w, nu_eff = standard(lines)
    k = t_quantile(0.975, nu_eff)
    shares = tuple((line.u_w / u_w) ** 2 if u_w > 0.0 else 0.0 for line in lines)
    return Combined(u_w=u_w, nu_eff=nu_eff, k=k, u95_w=k * u_w, shares=shares)


def standard(lines: Sequence[BudgetLine]) -> tuple[float, float]:
    """Standard uncertainty of checked lines, W, and its degrees of freedom."""
    largest = max((line.u_w for line in lines), default=0.0)
    if largest == 0.0:
        return 0.0, math.inf
    # relative to the largest line: squares and fourth powers stay in range
    squares = [(line.u_w / largest) ** 2 for line in lines]
    total = math.fsum(squares)
    doubt = math.fsum(square * square / line.nu for square, line in zip(squares, lines, strict=True))
    return largest * math.sqrt(total), total * total / doubt if doubt > 0.0 else math.inf


def _check(line: BudgetLine) -> None:
    if not (math.isfinite(line.u_w) and line.u_w >= 0.0):
        raise ValueError(f"budget line {line.source!r}: u = {line.u_w} W must be finite and not negative")
    if not line.nu > 0.0:
        raise ValueError(f"budget line {line.source!r}: {line.nu} degrees of freedom must be positive")
