"""The plate's limits besides the output: told at once, in warm-up too. And a rise of the wrong sign.

An alarm needs no more than what it speaks of: the supply's maximum is tried on every supply probe
alone, whatever the phase and whether or not the other side speaks; only the rise needs both.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import inf
from typing import NamedTuple

from logger.core.align import Floats, Row, Rows, Slots
from logger.core.cycles import SMOOTH_TICKS
from logger.core.kind_words import COLD_ELSE, COLD_ENTERING
from logger.core.params import JobParams, Role, UnitKind, UnitParams
from logger.core.probe_lines import WRONG_WAY_K, mean_own_u
from logger.core.readings import NS_PER_S, Quantity
from logger.core.snapshot import Phase
from logger.core.student import Z95
from logger.core.texts import Say, difference_text, temperature_text

STAY_S = 5  # s a limit must be broken: one wild reading cries no wolf (design choice)
WRONG_WAY_S = 300  # s; assumed: longer than any start
DEFROST_S = 1200  # s; assumed: longer than a heat pump cools the air while it defrosts
FIRING = frozenset({Phase.WARM_UP, Phase.STEADY})
MOVING = frozenset(Phase) - {Phase.OFF}  # a duct in still air says nothing of the entering air
EVERY = frozenset(Phase)  # a burner may go on where the fan has failed


class Limit(NamedTuple):
    """One limit: the phases it is tried in, the place of what is tried (0 rise, 1 supply, 2 entering air)
    and what is said. It is broken above ``bound``, or with ``sign`` -1 below it."""

    code: str
    phases: frozenset[Phase]
    place: int
    sign: float
    bound: float
    text: str
    stay_s: int = STAY_S


def plate_limits(unit: UnitParams, entering_u_k: float = 0.0) -> tuple[Limit, ...]:
    """The limits that the plate gives.

    Too hot is an alarm at the bare number; too cold an entering air is told where it is surely so,
    ``entering_u_k`` being its probes' standard uncertainty.
    """
    limits = [_wrong_way(unit.kind)]
    if unit.rise_window_k is not None:
        most_k = unit.rise_window_k[1]
        text = (
            f"Rise above the plate's {difference_text(most_k)}: stop and follow the maker's "
            "instructions; look for a dirty filter, closed dampers or a slipping belt."
        )
        limits.append(Limit("rise-above-window", FIRING, 0, 1.0, most_k, text))
    if unit.max_supply_c is not None:
        most_c = unit.max_supply_c
        text = (
            f"Supply air above the plate's maximum of {temperature_text(most_c)}: stop and follow the "
            "maker's instructions; look for too little airflow first."
        )
        limits.append(Limit("supply-above-maximum", EVERY, 1, 1.0, most_c, text))
    if unit.min_entering_c is not None:
        least_c = unit.min_entering_c
        surely_c = least_c - Z95 * entering_u_k
        text = (
            f"Entering air below the plate's minimum of {temperature_text(least_c)}: "
            f"{COLD_ENTERING.get(unit.kind, COLD_ELSE)}"
        )
        limits.append(Limit("entering-below-minimum", MOVING, 2, -1.0, surely_c, text))
    return tuple(limits)


def _wrong_way(kind: UnitKind) -> Limit:
    """Of no plate: a unit that heats makes no cooler air, one that cools no warmer air."""
    side, does = ("warmer", "cools") if kind.cools else ("cooler", "heats")
    text = (
        f"Supply air has been more than {difference_text(WRONG_WAY_K)} {side} than the entering air for "
        f"minutes, which no unit that {does} makes: see whether the probes of return and supply were swapped."
    )
    stay_s = DEFROST_S if kind is UnitKind.HEAT_PUMP else WRONG_WAY_S
    return Limit("rise-wrong-way", EVERY, 0, -1.0, -WRONG_WAY_K, text, stay_s)


class LimitWatch:
    """Says once when a limit is broken, and again only after it has been kept."""

    def __init__(self, job: JobParams, slots: Slots, say: Say) -> None:
        self._say = say
        self._limits = plate_limits(job.unit, mean_own_u(job.entering_probes()))
        self._broken_s = [0] * len(self._limits)
        self._phase: Phase | None = None
        self._tried: tuple[tuple[int, int, float, float], ...] = ()  # number, place, sign, sign x bound
        # of the ticks that were looked at: none breaks a limit, nor does what came right before them
        self._calm = self._calm_yet = False
        self._tame = [_between(limit for limit in self._limits if limit.place == place) for place in range(3)]
        self._supply = tuple(
            (slots.place[p.name, Quantity.TEMPERATURE], round(p.max_age_s * NS_PER_S), p.name)
            for p in job.probes_of(Role.SUPPLY)
        )
        self._several = len(self._supply) > 1
        # one probe whose rise is the stream's reads nothing else than the stream has
        self._apart = self._several or any(p.rise_factor != 1.0 for p in job.probes_of(Role.SUPPLY))

    def look(self, rows: Rows, entering_c: Floats, supply_c: Floats, rise_k: Floats) -> None:
        """See whether the next ticks come near any limit, in any phase: mostly they do not.

        The rise that is tried is a median of the last few, so it lies among them.
        """
        hot_c = [supply_c, *(rows.values[:, place] for place, *_ in self._supply)]
        tame = all(_lie(column, *self._tame[1]) for column in hot_c)
        tame = tame and _lie(entering_c, *self._tame[2]) and _lie(rise_k, *self._tame[0])
        self._calm = tame and self._calm_yet and not any(self._broken_s)
        self._calm_yet = tame and len(rows.ticks) >= SMOOTH_TICKS

    def tick(
        self,
        row: Row,
        phase: Phase,
        rise_k: float | None,
        supply_c: float | None,
        entering_c: float | None,
    ) -> None:
        """Compare one tick's state with every limit; ``supply_c`` is the whole stream's.

        What is not fresh (None) is neither broken nor kept.
        """
        if self._calm:
            return
        hot_c, probe = supply_c, None
        if self._apart or supply_c is None:
            hot_c, probe = self._hottest(row, supply_c)
        if phase is not self._phase:
            self._enter(phase)
        tried, broken_s = (rise_k, hot_c, entering_c), self._broken_s
        for number, place, sign, bound in self._tried:
            value = tried[place]
            if value is None:
                continue
            if sign * value > bound:
                broken_s[number] += 1
                limit = self._limits[number]
                if broken_s[number] == limit.stay_s:
                    self._say(row.tick, limit.code, limit.text, probe if place == 1 else None)
            else:
                broken_s[number] = 0

    def _enter(self, phase: Phase) -> None:
        """Another phase, other limits; what is not tried is kept."""
        self._phase = phase
        here = [(number, limit) for number, limit in enumerate(self._limits) if phase in limit.phases]
        self._tried = tuple((n, limit.place, limit.sign, limit.sign * limit.bound) for n, limit in here)
        tried = {number for number, _ in here}
        self._broken_s = [s if number in tried else 0 for number, s in enumerate(self._broken_s)]

    def _hottest(self, row: Row, supply_c: float | None) -> tuple[float | None, str | None]:
        """The hottest fresh supply probe, as it reads itself: a mean hides the one in the hot stream."""
        values, times, now_ns = row.values, row.times, row.tick * NS_PER_S
        hot_c, probe = supply_c, None
        for place, max_age_ns, name in self._supply:
            if now_ns - times[place] <= max_age_ns and (hot_c is None or values[place] > hot_c):
                hot_c, probe = values[place], name if self._several else None
        return hot_c, probe


def _between(limits: Iterable[Limit]) -> tuple[float, float]:
    """The lowest and the highest value that break none."""
    bounds = [(limit.bound, limit.sign) for limit in limits]
    low = max((bound for bound, sign in bounds if sign < 0), default=-inf)
    return low, min((bound for bound, sign in bounds if sign > 0), default=inf)


def _lie(column: Floats, low: float, high: float) -> bool:
    """Whether all lie between, those that are not there left out."""
    return not bool(((column < low) | (column > high)).any())
