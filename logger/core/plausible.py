"""What a steady stretch shows that cannot be, or must not be: each with its probability.

Told at more than 95 %, never at the bare number: a doubt that the probes' own uncertainty explains is
none. The alarms that must not wait for a steady stretch stand in ``limits``.
Not told: a supply probe in sight of the heat exchanger. Radiation raises its reading with the flame as
convection does, so one probe's readings alone do not show it; a second one does, by disagreeing.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import hypot, inf
from typing import NamedTuple

from logger.core.efficiency import gas_warnings
from logger.core.firing import SteadyStretch
from logger.core.gas import GasInput
from logger.core.kind_words import COLD_ELSE, COLD_ENTERING, TOO_LITTLE, TOO_MUCH
from logger.core.params import JobParams
from logger.core.probe_doubts import Doubt, entering_apart, moisture, sides_of, supply_apart
from logger.core.probe_lines import Side, gain_u_k, mean_own_u, placement
from logger.core.student import t_cdf
from logger.core.texts import difference_text, probability_text, temperature_text

SURE = 0.95  # probability from which a doubt is told (design)


def doubts(job: JobParams, stretch: SteadyStretch) -> Iterator[Doubt]:
    """All that is doubtful in a stretch."""
    for check in (_rise, _supply, _entering, supply_apart, entering_apart, moisture):
        found = check(job, stretch)
        if found is not None:
            yield found
    if isinstance(stretch.gas, GasInput):
        warnings = gas_warnings(job, stretch.means.output_w, stretch.combined, stretch.gas)
        yield from (Doubt(code, text) for code, text in warnings)


def _u_k(side: Side, stretch: SteadyStretch) -> float:
    """Standard uncertainty of one side's temperature as read: own error, gain, place in the stream."""
    rise_k = stretch.means.rise_k
    place = placement(side.probes, stretch.line, rise_k)
    spot = side.name == "supply" or len(side.probes) > 1 or not place.assumed
    return hypot(mean_own_u(side.probes), gain_u_k(side), place.u * rise_k if spot else 0.0)


def _probability(beyond: float, u: float) -> float:
    """Probability that a value truly lies beyond a limit that it is read ``beyond``."""
    return t_cdf(beyond / u, inf) if u > 0.0 else float(beyond > 0.0)


def rise_in_window(job: JobParams, stretch: SteadyStretch) -> tuple[bool | None, bool | None]:
    """Whether the steady rise lies in the plate's window, and whether that is sure; None without one."""
    window_k = job.unit.rise_window_k
    if window_k is None:
        return None, None
    under, over, _ = _beyond(job, stretch, window_k)
    fits = window_k[0] <= stretch.means.rise_k <= window_k[1]
    return fits, (1.0 - under - over if fits else max(under, over)) > SURE


def _beyond(
    job: JobParams, stretch: SteadyStretch, window_k: tuple[float, float]
) -> tuple[float, float, float]:
    """Probability that the rise lies below the window, and above it; the rise's standard uncertainty, K."""
    rise_k = stretch.means.rise_k
    u_k = hypot(*(_u_k(side, stretch) for side in sides_of(job, stretch)))
    return _probability(window_k[0] - rise_k, u_k), _probability(rise_k - window_k[1], u_k), u_k


def _rise(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    window_k = job.unit.rise_window_k
    if window_k is None:
        return None
    rise_k = stretch.means.rise_k
    under, over, u_k = _beyond(job, stretch, window_k)
    if max(over, under) <= SURE:
        return None
    read = f"The steady rise of {difference_text(rise_k)} ± {difference_text(2.0 * u_k)}"
    if over > SURE:
        text = (
            f"{read} is above the plate's {difference_text(window_k[1])} with {probability_text(over)} "
            "probability: stop and follow the maker's instructions; too little air or "
            f"{TOO_MUCH[job.unit.kind]}."
        )
        return Doubt("rise-above-plate", text)
    text = (
        f"{read} is below the plate's {difference_text(window_k[0])} with {probability_text(under)} "
        f"probability: follow the maker's instructions; too much air, {TOO_LITTLE[job.unit.kind]}, or a part "
        "load."
    )
    return Doubt("rise-below-plate", text)


class _Limit(NamedTuple):
    """A limit of the plate on one side's air; ``sign`` is 1 for a maximum, -1 for a minimum."""

    code: str
    side: int  # place in ``sides_of``
    sign: float
    read: str
    words: str
    todo: str


_SUPPLY = _Limit(
    *("supply-above-plate", 0, 1.0, "The steady supply air of", "is above the plate's maximum of"),
    "stop and follow the maker's instructions; look for too little airflow first.",
)
_ENTERING = _Limit(
    *("entering-below-plate", 1, -1.0, "The entering air of", "is below the plate's minimum of"),
    "",  # by the kind
)


def _supply(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    return _past(job, stretch, _SUPPLY, job.unit.max_supply_c)


def _entering(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    return _past(job, stretch, _ENTERING, job.unit.min_entering_c)


def _past(job: JobParams, stretch: SteadyStretch, limit: _Limit, limit_c: float | None) -> Doubt | None:
    """Whether one side's air lies beyond a limit of the plate, None where there is none."""
    if limit_c is None:
        return None
    side = sides_of(job, stretch)[limit.side]
    beyond = _probability(limit.sign * (side.now_c - limit_c), _u_k(side, stretch))
    if beyond <= SURE:
        return None
    text = (
        f"{limit.read} {temperature_text(side.now_c)} {limit.words} {temperature_text(limit_c)} with "
        f"{probability_text(beyond)} probability: "
        f"{limit.todo or COLD_ENTERING.get(job.unit.kind, COLD_ELSE)}"
    )
    return Doubt(limit.code, text)
