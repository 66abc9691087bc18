"""What probes in the same air say of each other: offsets and gains, or why there are none.

Each probe reads T + own + noise; T is the air's, the same for all. A probe's difference d from
the mean of all cancels T, so the mean of d is its own error against the mean of all. What is
common to all probes stays unknown, and cancels in a rise.

u95 is stated so that two probes' errors add as independent ones, as the budget adds them. The
differences are not independent (they add up to 0): with V the variance of the mean of d, n probes,
and S = n / (n - 1) sum V the sum of the probes' own variances, that of probe i is
(n V_i - S / n) / (n - 2), and S / 2 for each of two, who cannot be told apart.
Source: GUM (JCGM 100) 4.2.3 (type A), 4.3.7 (rectangle), G.4 (Welch-Satterthwaite); effective number
of values as in ``core.line``; the separation is Grubbs 1948 (J. Am. Stat. Assoc. 43; recalled).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import median

from logger.core.line import Line
from logger.core.readings import Quantity
from logger.core.student import t975

LAG_S = 60.0  # s: a probe's time constant in moving air, at most (assumed)
LAG_GAP_S = 30.0  # s: by which the probes' time constants may differ (assumed)
TWO = 2  # probes: the least for a match, and too few to tell which of them is off
ROOT3, ROOT12 = sqrt(3.0), sqrt(12.0)  # half-width, whole width of a rectangle -> u (GUM 4.3.7)


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchLimits:
    """What is let pass, in the quantity's unit. ``step``: of a probe that never changed."""

    settled: float  # that a probe may still have to go
    apart: float  # from the median of all; beyond it a probe is broken or elsewhere
    uneven_u: float  # standard uncertainty: unevenness of one body of moving air
    step: float


LIMITS: dict[Quantity, MatchLimits] = {  # all assumed
    # apart: three times the 0.5 K (3 %) that probes of the trade promise
    Quantity.TEMPERATURE: MatchLimits(settled=0.05, apart=1.5, uneven_u=0.02, step=0.1),
    Quantity.HUMIDITY: MatchLimits(settled=0.5, apart=9.0, uneven_u=0.3, step=1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One probe over the stretch. ``line``: of its difference from the mean of all, per s.

    ``step``: smallest change seen, 0 where it repeated one value.
    """

    probe: str
    line: Line
    step: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeOffset:
    """One probe's answer. ``offset`` is to be taken off its readings; K, or % of humidity."""

    probe: str
    quantity: Quantity
    offset: float
    u95: float
    ok: bool
    text: str


def amount_text(quantity: Quantity, value: float, places: int = 2) -> str:
    """A difference, in both unit systems.

    >>> amount_text(Quantity.TEMPERATURE, 0.061)
    '0.06 K (0.11 °F)'
    """
    if quantity is Quantity.HUMIDITY:
        return f"{value:.1f} % RH"
    return f"{value:.{places}f} K ({value * 1.8:.{places}f} °F)"


def compare(quantity: Quantity, probes: Sequence[Compared], air: Line) -> tuple[ProbeOffset, ...]:
    """Offsets of two or more probes, each with its verdict; ``air`` is the line of their mean, per s.

    An offset that is not to be used has ``ok`` false and a text that says why.
    """
    limits = LIMITS[quantity]
    owns = own_variances([p.line.scatter**2 / p.line.n_eff for p in probes])
    found = []
    troubles = _troubles(quantity, probes, air)
    for probe, own, trouble in zip(probes, owns, troubles, strict=True):
        line, step = probe.line, probe.step or limits.step
        floor = step / ROOT12
        others = (abs(air.slope) * LAG_GAP_S / ROOT3) ** 2 + limits.uneven_u**2 + max(floor**2 - own, 0.0)
        u = sqrt(own + others)
        nu = max(line.n_eff - 2.0, 1.0) * (u * u / own) ** 2 if own > 0.0 else 1e9
        text = trouble or f"scatter {amount_text(quantity, line.scatter)}, {line.n} values"
        found.append(
            ProbeOffset(
                probe=probe.probe,
                quantity=quantity,
                offset=line.mean,
                u95=t975(nu) * u,
                ok=not trouble,
                text=text,
            )
        )
    return tuple(found)


def _troubles(quantity: Quantity, probes: Sequence[Compared], air: Line) -> list[str]:
    """Why each probe's offset is not to be used. The air is blamed only where no probe is."""
    middle = median(p.line.mean for p in probes)
    own = [
        _apart_trouble(quantity, probe, middle, len(probes)) or _moving_trouble(quantity, probe.probe, line)
        for probe, line in zip(probes, against_median([p.line for p in probes]), strict=True)
    ]
    return own if any(own) else [_air_trouble(quantity, air)] * len(own)


def own_variances(variances: Sequence[float]) -> list[float]:
    """Variance of each probe's own mean error, from those of the differences from the mean of all."""
    n = len(variances)
    total = n / (n - 1) * sum(variances)
    if n == TWO:
        return [total / 2.0] * n
    return [max((n * v - total / n) / (n - 2), v) for v in variances]


def settled(quantity: Quantity, line: Line) -> bool:
    """Whether a probe has arrived: an exponential approach has slope = rest / time constant.

    The slope must be shown to be small (equivalence), not merely fail to be shown large.
    """
    if line.slope_se is None:
        return False
    return (abs(line.slope) + _slope_u95(line)) * LAG_S <= LIMITS[quantity].settled


def _surely_moves(quantity: Quantity, line: Line) -> bool:
    """Whether a probe that had settled was moved since, or is too restless to tell."""
    if line.slope_se is None:
        return True
    return (abs(line.slope) - _slope_u95(line)) * LAG_S > LIMITS[quantity].settled


def _slope_u95(line: Line) -> float:
    return t975(max(line.n_eff - 2.0, 1.0)) * (line.slope_se or 0.0)


def air_drifts(quantity: Quantity, air: Line) -> bool:
    """Whether the air changes so fast that probes of different lag disagree for that alone."""
    return abs(air.slope) * LAG_GAP_S > LIMITS[quantity].settled


def _air_trouble(quantity: Quantity, air: Line) -> str:
    if not air_drifts(quantity, air):
        return ""
    rate = amount_text(quantity, abs(air.slope) * 60.0)
    word = "rises" if air.slope > 0.0 else "falls"
    return f"The air {word} by {rate} a minute: wait until it is even, or move all probes elsewhere."


def against_median(lines: Sequence[Line]) -> list[Line]:
    """The lines with their slopes against the median of them: one probe that moves shifts the mean of
    all, and so all the differences, but not the median."""
    middle = median(line.slope for line in lines) if lines else 0.0
    return [line._replace(slope=line.slope - middle) for line in lines]


def _apart_trouble(quantity: Quantity, probe: Compared, middle: float, n: int) -> str:
    """Why a probe cannot be in the same air as the others; empty where it can."""
    off, limit = probe.line.mean - middle, LIMITS[quantity].apart
    if n == TWO:  # the median is their middle: judge the whole gap
        off *= 2.0
    if abs(off) > limit:
        word = "above" if off > 0.0 else "below"
        than = "the other one" if n == TWO else "the median of all"
        return (
            f"Probe {probe.probe} reads {amount_text(quantity, abs(off))} {word} {than}, more than the "
            f"{amount_text(quantity, limit)} that sound probes in the same air can: put it beside the "
            "others, or replace it."
        )
    return ""


def _moving_trouble(quantity: Quantity, probe: str, line: Line) -> str:
    if not _surely_moves(quantity, line):
        return ""
    rate = amount_text(quantity, abs(line.slope) * 60.0, 3)
    return (
        f"Probe {probe} moved against the others while they were compared ({rate} a minute, or restless): "
        "hold them still in moving air and match again, for longer."
    )
