"""Hold still: whether the last readings at a point stand, by their scatter and their slope.

Pure: time comes in as an argument. Tails of several lengths are judged, the longest that stands is
what a key would take: who waits longer gets the better average, and what was read while the probe
moved is in no tail that stands.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from logger.core.readings import NS_PER_S

TAILS_S = (
    5.0,
    8.0,
    12.0,
    20.0,
    30.0,
)  # s; assumed: a hand holds a probe still for 5 s, hardly for longer than 30
LEAST_READINGS = 4  # in a tail; assumed: fewer tell no slope from scatter
GAP_S = 4.0  # s without a reading that break a tail, or 2.5 update intervals; assumed
GAP_INTERVALS = 2.5  # assumed
SAME_MEAN = 0.33  # of the drift's limit; assumed: beyond it the longer tail has seen another place
PATIENCE_S = 20.0  # s of swinging without drift, after which the unrest is the air's own; assumed


SWINGS = "the value swings"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What counts as still: the larger of a share of the mean and an absolute amount."""

    scatter_share: float
    drift_share: float
    least: float


# assumed: a duct's own turbulence is 5 to 10 %, a probe on the way from wall to core moves by 20 % and more
VELOCITY_LIMITS = Limits(scatter_share=0.10, drift_share=0.06, least=0.06)  # least in m/s
# assumed: a temperature has no natural zero, so amounts alone count
TEMPERATURE_LIMITS = Limits(scatter_share=0.0, drift_share=0.0, least=0.3)  # least in K


@dataclass(frozen=True, slots=True, kw_only=True)
class Tail:
    """Average of the last ``span_s`` seconds; units of the readings.

    ``scatter`` is the standard deviation about the mean, ``drift`` the change along the fitted line.
    """

    mean: float
    scatter: float
    drift: float
    span_s: float
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """How still it is: ``tail`` is the longest that stands, or what there is; None before it.

    ``restless``: long enough here, and only swinging: the air itself does not stand.
    """

    steady: bool
    restless: bool = False
    tail: Tail | None
    waited_s: float  # since the point's first reading
    reason: str = ""  # in words, where it is not steady


class HoldStill:
    """Readings at one point: ``update`` with each, ``get`` judges, ``restart`` at the next point."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._kept: deque[tuple[int, float]] = deque()
        self._since_ns: int | None = None
        self._interval_s = 0.0  # the longest seen lately

    def restart(self) -> None:
        """The probe moves on: what was read so far is of another place."""
        self._kept.clear()
        self._since_ns = None

    def update(self, t_ns: int, value: float) -> None:
        """One usable reading. A gap starts anew: nobody knows what happened in it."""
        if self._kept:
            step_s = (t_ns - self._kept[-1][0]) / NS_PER_S
            if step_s > max(GAP_S, GAP_INTERVALS * self._interval_s):
                self._kept.clear()
            else:
                self._interval_s = max(step_s, 0.8 * self._interval_s)
        if self._since_ns is None:
            self._since_ns = t_ns
        self._kept.append((t_ns, value))
        oldest_ns = t_ns - round((TAILS_S[-1] + self._interval_s) * NS_PER_S)
        while self._kept[0][0] < oldest_ns:
            self._kept.popleft()

    def get(self) -> Held:
        """The longest tail that stands; where none does, the longest there is and what moves."""
        if not self._kept or self._since_ns is None:
            return Held(steady=False, tail=None, waited_s=0.0, reason="waiting for a reading")
        waited_s = (self._kept[-1][0] - self._since_ns) / NS_PER_S
        tails = [tail for length_s in TAILS_S if (tail := self._tail(length_s)) is not None]
        if not tails:
            left_s = math.ceil(max(TAILS_S[0] - self._covered_s(), 1.0))
            return Held(steady=False, tail=None, waited_s=waited_s, reason=f"{left_s} s more at rest")
        standing = self._standing(tails)
        if standing is not None:
            return Held(steady=True, tail=standing, waited_s=waited_s)
        longest = tails[-1]
        restless = longest.span_s >= 0.9 * PATIENCE_S and not self._drifts(longest)
        return Held(
            steady=False,
            restless=restless,
            tail=longest if restless else tails[0],
            waited_s=waited_s,
            reason=SWINGS if restless else self._moves(tails[0]),
        )

    def _standing(self, tails: list[Tail]) -> Tail | None:
        """The first tail that stands, lengthened as long as the longer one stands at the same mean."""
        found: Tail | None = None
        for tail in tails:
            if self._moves(tail):
                if found is not None:
                    break
                continue
            if found is not None and abs(tail.mean - found.mean) > SAME_MEAN * self._drift_limit(found.mean):
                break
            found = tail
        return found

    def _drift_limit(self, mean: float) -> float:
        return max(self._limits.drift_share * abs(mean), self._limits.least)

    def _covered_s(self) -> float:
        return (self._kept[-1][0] - self._kept[0][0]) / NS_PER_S

    def _tail(self, length_s: float) -> Tail | None:
        """The last readings that span the length, or None where they do not yet."""
        end_ns = self._kept[-1][0]
        reach_ns = round(length_s * NS_PER_S)
        kept = [(t, v) for t, v in self._kept if end_ns - t <= reach_ns]
        covered_s = (end_ns - kept[0][0]) / NS_PER_S
        if len(kept) < LEAST_READINGS or covered_s < length_s - max(self._interval_s, 0.1 * length_s):
            return None
        mean_s = math.fsum((t - end_ns) / NS_PER_S for t, _ in kept) / len(kept)
        mean = math.fsum(v for _, v in kept) / len(kept)
        times = [(t - end_ns) / NS_PER_S - mean_s for t, _ in kept]
        spread = math.fsum(t * t for t in times)
        slope = math.fsum(t * (v - mean) for t, (_, v) in zip(times, kept, strict=True)) / spread
        scatter = math.sqrt(math.fsum((v - mean) ** 2 for _, v in kept) / (len(kept) - 1))
        return Tail(mean=mean, scatter=scatter, drift=slope * covered_s, span_s=covered_s, count=len(kept))

    def _drifts(self, tail: Tail) -> bool:
        return abs(tail.drift) > self._drift_limit(tail.mean)

    def _moves(self, tail: Tail) -> str:
        """What is not still, in words; empty where all is."""
        limits = self._limits
        if self._drifts(tail):
            return "the value rises" if tail.drift > 0 else "the value falls"
        return SWINGS if tail.scatter > max(limits.scatter_share * abs(tail.mean), limits.least) else ""
