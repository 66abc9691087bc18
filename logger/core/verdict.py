"""Does the output meet the plate? Conformity by probability, with the uncertainty taken in.

Source: JCGM 106:2012 clause 7 (probability of conformity, one and two limits), clause 8 (decision
rules). The result is taken to be t distributed about the measured value (JCGM 100:2008 annex G.3).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from logger.core.budget import BudgetLine, standard
from logger.core.student import Z95, t975, t_cdf, t_quantile

RISK = 0.05  # probability of a wrong `meets`, at either limit: design, as JCGM 106 leaves it free
_WALK = 20  # steps in which the parts of a line are walked through (design choice)
_HALVINGS = 45  # then of the search between two of them: to double precision

MEETS = "meets"
BELOW = "below"
ABOVE = "above"
UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """A judgement and the probabilities behind it; they add up to 1.

    ``decidable_tolerance``: the smallest tolerance (a fraction of the plate) with which this
    uncertainty has a fair chance of `meets`.
    """

    verdict: str
    p_low: float
    p_high: float
    p_meets: float
    decidable_tolerance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Deciding:
    """The line that decides an undecided budget, and how many times smaller it would have to be.

    ``shrink`` (above 1) is None where none alone, even perfect, decides; ``source`` is the largest then.
    """

    source: str
    shrink: float | None


def probability_below(limit_w: float, y_w: float, u_w: float, nu: float) -> float:
    """Probability that the true value lies below a limit. JCGM 106 clause 7.

    Without uncertainty it is 0 or 1; a value at the limit is not below it.

    >>> round(probability_below(-5.40, -5.47, 0.05, math.inf), 4)
    0.9192
    """
    if u_w == 0.0:
        return 1.0 if y_w < limit_w else 0.0
    return t_cdf((limit_w - y_w) / u_w, nu)


def judge(y_w: float, u_w: float, nu: float, plate_w: float, tolerance: float) -> Verdict:
    """Judge output ``y_w`` with standard uncertainty ``u_w`` against plate x (1 -+ tolerance).

    Raises ValueError where the numbers cannot be judged: not finite, negative uncertainty or
    tolerance, no plate, ``nu`` not positive.
    """
    _check(y_w, u_w, nu, plate_w, tolerance)
    p_low = probability_below(plate_w * (1.0 - tolerance), y_w, u_w, nu)
    p_high = _probability_above(plate_w * (1.0 + tolerance), y_w, u_w, nu)
    return Verdict(
        verdict=_decide(p_low, p_high),
        p_low=p_low,
        p_high=p_high,
        p_meets=max(0.0, 1.0 - p_low - p_high),
        decidable_tolerance=decidable_tolerance(t975(nu) * u_w, plate_w),
    )


def margin_w(probability: float, u_w: float, nu: float) -> float:
    """How far an output that is `below` or `above` with ``probability`` is from being undecided, W.

    >>> round(margin_w(0.975, 100.0, math.inf), 1)
    31.5
    """
    if u_w == 0.0:
        return math.inf
    return (t_quantile(probability, nu) - t_quantile(1.0 - RISK, nu)) * u_w


def decidable_tolerance(u95_w: float, plate_w: float) -> float:
    """Smallest tolerance, a fraction of the plate, with a fair chance of `meets`.

    `meets` needs the output 1.645 u inside both limits; with u95 = 2 u the two just leave room
    for it at the middle when tolerance x plate = 1.645 / 2 x u95.
    """
    return 0.5 * Z95 * u95_w / plate_w


def deciding_line(
    lines: Sequence[BudgetLine], y_w: float, plate_w: float, tolerance: float
) -> Deciding | None:
    """Name the line of an undecided budget that decides it with the least shrink, alone.

    The output is taken to stay where it is. None where the verdict is decided already.
    """
    if _is_decided(lines, y_w, plate_w, tolerance):
        return None
    largest = max(lines, key=lambda line: line.u_w)
    best = Deciding(source=largest.source, shrink=None)
    most = 0.0  # largest part of a line that decides, so far
    for number, line in enumerate(lines):

        def decided_at(part: float, number: int = number, line: BudgetLine = line) -> bool:
            smaller = replace(line, u_w=part * line.u_w)
            return _is_decided([*lines[:number], smaller, *lines[number + 1 :]], y_w, plate_w, tolerance)

        part = _largest_part(decided_at, most)
        if part is not None and part > most:
            best, most = Deciding(source=line.source, shrink=1.0 / part), part
    return best


def _largest_part(decided_at: Callable[[float], bool], least: float) -> float | None:
    """The largest part above ``least`` of a line's uncertainty that decides, below 1; None if there is none.

    Walked down first: a line of few degrees of freedom can undo by its k what it gives by its size.
    """
    undecided = 1.0
    for step in range(_WALK - 1, -1, -1):
        part = step / _WALK
        if part < least:
            return None
        if decided_at(part):
            break
        undecided = part
    else:
        return None
    decided = part
    for _ in range(_HALVINGS):
        middle = 0.5 * (decided + undecided)
        if decided_at(middle):
            decided = middle
        else:
            undecided = middle
    return decided


def _is_decided(lines: Sequence[BudgetLine], y_w: float, plate_w: float, tolerance: float) -> bool:
    u_w, nu = standard(lines)
    p_low = probability_below(plate_w * (1.0 - tolerance), y_w, u_w, nu)
    p_high = _probability_above(plate_w * (1.0 + tolerance), y_w, u_w, nu)
    return _decide(p_low, p_high) != UNDECIDED


def _probability_above(limit_w: float, y_w: float, u_w: float, nu: float) -> float:
    return probability_below(-limit_w, -y_w, u_w, nu)  # the distribution is symmetric


def _decide(p_low: float, p_high: float) -> str:
    if p_low < RISK and p_high < RISK:
        return MEETS
    if p_low > 1.0 - RISK:
        return BELOW
    if p_high > 1.0 - RISK:
        return ABOVE
    return UNDECIDED


def _check(y_w: float, u_w: float, nu: float, plate_w: float, tolerance: float) -> None:
    if not all(math.isfinite(x) for x in (y_w, u_w, plate_w, tolerance)):
        raise ValueError("a verdict needs finite numbers")
    if u_w < 0.0 or tolerance < 0.0 or plate_w <= 0.0 or not nu > 0.0:
        raise ValueError(
            f"no verdict from u = {u_w} W, nu = {nu}, plate = {plate_w} W, tolerance = {tolerance}: "
            "plate and nu must be positive, u and tolerance not negative"
        )
