"""The plate's limits besides the output: told at once, in warm-up too. One table."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from logger.core.params import JobParams, UnitParams
from logger.core.probe_lines import mean_own_u
from logger.core.snapshot import Phase
from logger.core.student import Z95
from logger.core.texts import Say, difference_text, temperature_text

STAY_S = 5  # s a limit must be broken: one wild reading cries no wolf (design choice)
FIRING = (Phase.WARM_UP, Phase.STEADY)


class Limit(NamedTuple):
    """One limit: what is compared (rise K, supply degC, entering degC), and what is said."""

    code: str
    broken: Callable[[float, float, float], bool]
    text: str


def plate_limits(unit: UnitParams, entering_u_k: float = 0.0) -> tuple[Limit, ...]:
    """The limits that the plate gives.

    Too hot is an alarm at the bare number; too cold an entering air is told where it is surely so,
    ``entering_u_k`` being its probes' standard uncertainty.
    """
    limits = []
    if unit.rise_window_k is not None:
        most_k = unit.rise_window_k[1]
        text = (
            f"Rise above the plate's {difference_text(most_k)}: stop and follow the maker's "
            "instructions; look for a dirty filter, closed dampers or a slipping belt."
        )
        limits.append(Limit("rise-above-window", lambda rise, _s, _e: rise > most_k, text))
    if unit.max_supply_c is not None:
        most_c = unit.max_supply_c
        text = (
            f"Supply air above the plate's maximum of {temperature_text(most_c)}: stop and follow the "
            "maker's instructions; look for too little airflow first."
        )
        limits.append(Limit("supply-above-maximum", lambda _r, supply, _e: supply > most_c, text))
    if unit.min_entering_c is not None:
        least_c = unit.min_entering_c
        surely_c = least_c - Z95 * entering_u_k
        text = (
            f"Entering air below the plate's minimum of {temperature_text(least_c)}: flue gas may condense "
            "in the heat exchanger; follow the maker's instructions, look at the outdoor-air damper."
        )
        limits.append(Limit("entering-below-minimum", lambda _r, _s, entering: entering < surely_c, text))
    return tuple(limits)


class LimitWatch:
    """Says once when a limit is broken, and again only after it has been kept."""

    def __init__(self, job: JobParams, say: Say) -> None:
        self._say = say
        self._limits = plate_limits(job.unit, mean_own_u(job.entering_probes()))
        self._broken_s = [0] * len(self._limits)

    def tick(self, tick: int, phase: Phase, rise_k: float, supply_c: float, entering_c: float) -> None:
        """Compare one tick's state with every limit; outside a firing nothing is broken."""
        for number, limit in enumerate(self._limits):
            if phase in FIRING and limit.broken(rise_k, supply_c, entering_c):
                self._broken_s[number] += 1
                if self._broken_s[number] == STAY_S:
                    self._say(tick, limit.code, limit.text)
            else:
                self._broken_s[number] = 0
