"""Phases of a cycle from the streams alone: one transition table, and the signs that drive it.

The tool never sees the burner or the fan: it sees a rise and, where there is one, a velocity.
Thresholds are changes of the rise against the fan phase, with hysteresis (``fire`` > ``end``).
"""

from __future__ import annotations

from collections import deque
from enum import IntEnum
from math import inf
from typing import NamedTuple

from logger.core.params import CycleParams
from logger.core.probe_lines import WRONG_WAY_K
from logger.core.snapshot import Phase


class Sign(IntEnum):
    """What the streams show at one tick."""

    NONE = 0  # nothing that changes the phase
    FAN = 1  # air moves: by the velocity, or by a flat rise that only a fan makes
    FIRE = 2  # the rise climbs off the fan phase by more than ``fire``
    SETTLED = 3  # the steady detector says so
    UNSETTLED = 4
    FALL = 5  # the rise breaks down
    LEVEL = 6  # a falling rise has found a new level
    OUT = 7  # the rise is back at the fan phase, within ``end``
    STILL = 8  # no air moves


TABLE: dict[Phase, dict[Sign, Phase]] = {
    Phase.OFF: {
        Sign.FAN: Phase.FAN,
        Sign.FIRE: Phase.WARM_UP,
    },
    Phase.FAN: {
        Sign.FIRE: Phase.WARM_UP,
        Sign.STILL: Phase.OFF,
    },
    Phase.WARM_UP: {
        Sign.SETTLED: Phase.STEADY,
        Sign.FALL: Phase.COOL_DOWN,
        Sign.OUT: Phase.FAN,
        Sign.STILL: Phase.OFF,
    },
    Phase.STEADY: {
        Sign.UNSETTLED: Phase.WARM_UP,
        Sign.FALL: Phase.COOL_DOWN,
        Sign.OUT: Phase.FAN,
        Sign.STILL: Phase.OFF,
    },
    Phase.COOL_DOWN: {
        Sign.FIRE: Phase.WARM_UP,  # lit again: a new firing
        Sign.LEVEL: Phase.WARM_UP,  # a lower stage: the same firing
        Sign.OUT: Phase.FAN,
        Sign.STILL: Phase.OFF,
    },
}
"""Every change of phase there is; a sign that stands in no row leaves the phase as it is, and
``CycleWatch`` reads only signs of the phase's own row (a test walks all pairs)."""

SMOOTH_TICKS = 5  # s: thresholds are tried on a median of so many ticks (design choice)
PERSIST_TICKS = 3  # s a sign must last
STILL_TICKS = 15  # s without flow that end a firing: a velocity probe may skip a beat (design choice)
PERSIST: dict[Sign, int] = {Sign.SETTLED: 1, Sign.UNSETTLED: 1, Sign.STILL: STILL_TICKS}
"""Ticks a sign must last, where it is not ``PERSIST_TICKS``."""
ABSENT_TICKS = 10  # s without a rise after which the past says nothing of the present
LOOK_BACK = 45  # s over which a rise is seen to climb or fall: a plant of 300 s moves 14 % in it
LEVEL_OVER = 90  # s over which a level is judged
LEVEL_CHANGE = 0.03  # of the rise: no plant of the trade cools so slowly (assumed)
LEVEL_KNOWN = 0.9  # of a rise that was steady before: the same level again (design: stages lie 10 % apart)
LEVEL_LEAST = 0.3  # of the firing's highest rise: below it a level is a tail
ONSET_K = 0.3  # K off the level before: where a climb or a fall is dated to
PLAIN_FIRE_K = 10.0  # K: a rise that is simply there from the start and so high is a firing (assumed)
STAND_S = 120  # s that a lower one must stand: what a unit of 600 s gives back falls by 18 % in it
FAN_FLAT_K = 0.3  # K over a minute: flat enough to be air that moves
FAN_MOST_K = 1.5  # K: no supply fan of the trade heats its air more (common practice, no source)
FAN_DRIFT_K = 0.5  # K: a fan's rise stays; one that creeps up further is a duct in still air (assumed)
REVERSE_K = 1.0  # K below the fan phase: no heat is there, heat is taken (assumed)
FAN_STEP_K = 1.0  # K: a supply probe that jumped so far in a minute and then lies flat: the fan started
MINUTE = 60
HISTORY = 150  # ticks of smoothed rise kept


_NO_SIGN, _SETTLED = Sign.NONE, Sign.SETTLED  # looked up once: every tick asks
_OFF, _FAN, _WARM_UP = Phase.OFF, Phase.FAN, Phase.WARM_UP
_STEADY, _COOL_DOWN = Phase.STEADY, Phase.COOL_DOWN


class Transition(NamedTuple):
    """A change of phase, dated back to where it began (s since the run's start)."""

    old: Phase
    new: Phase
    since_s: int
    new_firing: bool
    onset_seen: bool = True  # of a firing: False where a high rise was simply there, in air that may be still
    on_already: bool = False  # of a firing: it was there before any fan phase was seen
    paused: bool = False  # the heat is back after a pause that belongs to the firing
    reversed: bool = False  # of a pause: the air was colder meanwhile than a fan alone makes it
    partly: bool = False  # of a pause: part of the rise stayed


class CycleWatch:
    """Reads the signs and walks the table. Ticks are whole seconds, one call each."""

    def __init__(
        self,
        params: CycleParams,
        zero_u95_k: float,
        pause_s: int = 0,
        sign: int = 1,
        on_k: float = PLAIN_FIRE_K,
    ) -> None:
        self._params = params
        self._on_k = max(on_k, params.fire_k)  # K off the fan phase that in moving air only the unit makes
        self._plain_k = max(PLAIN_FIRE_K, params.fire_k)  # K: the same where nothing shows that air moves
        self._sign = sign  # of a rise as ``update`` is told it: -1 where the unit cools
        self._pause_s = pause_s  # s without heat, the fan on, that a firing outlasts: a defrost
        self._level_s = max(
            pause_s, LEVEL_OVER + LOOK_BACK
        )  # s: a lower level may be a defrost with aux heat
        self._zero_u95_k = zero_u95_k  # K: what two unmatched probes may differ by
        self.phase = Phase.OFF
        self.since_s = 0
        self.clear()

    def clear(self) -> None:
        """Forget the past: a gap or a suspend. The phase falls back to off."""
        self.phase = Phase.OFF
        self.base_k = 0.0  # rise of the fan phase: fan heat and the probes' zero difference
        self.has_base = False
        self._fired_s = 0
        self._plain = self._moving = self._on_already = self._odd = self._wrong_way = False
        self._absent = 0
        self._recent: deque[float] = deque(maxlen=SMOOTH_TICKS)
        self._past: deque[tuple[int, float]] = deque(maxlen=HISTORY)
        self._streak_sign = Sign.NONE
        self._streak = 0
        self._high_k = 0.0
        self._low_k = 0.0
        self._stepped = False
        self._settled_k = inf  # lowest rise that was steady in this firing: a level that is no pause
        self._out_s: int | None = None  # in a pause: where the rise was back at the fan phase
        self.smooth_k: float | None = None

    def over_s(self, end_s: int) -> int:
        """Where a firing that is cut off at ``end_s`` ended: no later than its heat."""
        return end_s if self._out_s is None else min(end_s, self._out_s)

    def update(self, t_s: int, rise_k: float | None, flow: bool | None, steady: bool) -> Transition | None:  # noqa: FBT001 - evidence
        """Take one tick: the rise (the fall, where the unit cools), whether air moves, whether it is steady.

        The rise is smoothed by a median: one wild reading is no sign.
        """
        if rise_k is not None:
            if self._absent > ABSENT_TICKS:
                self._recent.clear()
                self._past.clear()
            self._absent = 0
            self._recent.append(rise_k)
            self.smooth_k = sorted(self._recent)[len(self._recent) // 2]
            if self.phase is _FAN and self.smooth_k < -WRONG_WAY_K:
                self._wrong_way, self.base_k, self.has_base = True, 0.0, False
                self._past.clear()  # no level that a rise climbs from
            self._past.append((t_s, self.smooth_k))
        else:
            self._absent += 1
        sign = self._read(t_s, flow, steady)
        if sign is _NO_SIGN:
            self._streak_sign = sign
            return None
        if sign is not self._streak_sign:
            self._streak_sign, self._streak = sign, 0
        self._streak += 1
        if self._streak < PERSIST.get(sign, PERSIST_TICKS):
            return None
        return self._go(t_s, sign)

    def _go(self, t_s: int, sign: Sign) -> Transition | None:
        new = TABLE[self.phase].get(sign)
        self._streak_sign = Sign.NONE
        if new is None:
            return None
        since_s = self._date(t_s, sign)
        old = self.phase
        paused = self._pause_s > 0 and old is Phase.COOL_DOWN and sign is Sign.FIRE
        cold = paused and self.reversed
        partly = paused and self._low_k - self.base_k > self._params.end_k
        self._out_s = None
        self.phase, self.since_s = new, since_s
        self._stepped = False
        smooth_k = self.smooth_k or 0.0
        if sign is _SETTLED:
            self._settled_k = min(self._settled_k, smooth_k)
        if sign is Sign.FIRE:
            self._high_k, self._fired_s = smooth_k, since_s
            if not paused:
                self._settled_k = inf
        self._low_k = self._sign * smooth_k if new is Phase.FAN else smooth_k
        fired = sign is Sign.FIRE and not paused
        plain = self._plain and old is not Phase.COOL_DOWN
        if fired:
            self._on_already = plain and not self.has_base
        return Transition(
            *(old, new, since_s, fired, self._moving or not plain, fired and self._on_already),
            *(paused, cold, partly),
        )

    @property
    def beyond_fan(self) -> bool:
        """Whether the rise lies so far above the fan phase that no fan makes it."""
        return self.smooth_k is not None and self.smooth_k - self.base_k > self._on_k

    def may_be_zero(self, mean_k: float) -> bool:
        """Whether the mean rise of a fan phase up to now may be the fan's.

        One that no fan makes is not: the unit is on, or the log began in a defrost. What follows it before
        there is any zero must lie flat first; later a rise that climbs is the fan's no more.
        """
        if self.has_base:
            return not self.climbs() and not self.beyond_fan and mean_k - self.base_k <= self._on_k
        cold = self._pause_s > 0 and (self.smooth_k or 0.0) < -REVERSE_K - self._zero_u95_k
        falls = self._pause_s > 0 and self._moved(MINUTE) < -FAN_STEP_K
        self._odd = self._odd or cold or falls or self.beyond_fan
        flat = abs(self._moved(MINUTE, full=True)) < FAN_FLAT_K
        return not self._odd or (flat and not cold and not self.beyond_fan)

    def may_be_on(self) -> bool:
        """Whether a rise stands that was there before any fan phase; in moving air it is a firing."""
        if self.phase is not _OFF or self.has_base or self._absent or not self.beyond_fan:
            return False
        return abs(self._moved(STAND_S, full=True)) < LEVEL_CHANGE * (self.smooth_k or 0.0)

    @property
    def reversed(self) -> bool:
        """Whether the air has been colder, since the rise broke down, than a fan alone makes it."""
        cold_k = self.base_k - REVERSE_K - (0.0 if self.has_base else self._zero_u95_k)
        return self.phase is _COOL_DOWN and self._low_k < cold_k

    def _read(self, t_s: int, flow: bool | None, steady: bool) -> Sign:  # noqa: FBT001
        if flow is False:
            return Sign.NONE if self.phase is Phase.OFF else Sign.STILL
        smooth_k = self.smooth_k
        if smooth_k is None:
            return Sign.NONE
        phase, above_k = self.phase, smooth_k - self.base_k
        if phase is _OFF or phase is _FAN:
            return self._read_idle(above_k, flow)
        if phase is _COOL_DOWN:
            return self._read_cooling(t_s, above_k)
        self._high_k = max(self._high_k, smooth_k)
        if above_k < self._params.end_k:
            # A firing that has hardly begun is not over yet; one that may pause is not either.
            over = Sign.FALL if self._pause_s else Sign.OUT
            return over if self._high_k - self.base_k > self._params.fire_k else Sign.NONE
        if steady and phase is _WARM_UP:
            return _SETTLED
        fall_k = self._high_k - smooth_k
        if fall_k > self._params.fire_k and self._moved(LOOK_BACK) < -self._params.fire_k / 2:
            return Sign.FALL
        return Sign.UNSETTLED if phase is _STEADY and not steady else _NO_SIGN

    def _read_idle(self, above_k: float, flow: bool | None) -> Sign:  # noqa: FBT001
        fire_k = self._params.fire_k
        self._plain = False
        if above_k > fire_k and self._moved(LOOK_BACK) > fire_k / 2:
            self._plain, self._moving = self._steps_up(), False
            return Sign.FIRE
        if above_k > self._on_k and self._stands(above_k, flow):
            self._plain, self._moving = True, bool(flow)
            return Sign.FIRE
        if self.phase is Phase.FAN:
            return Sign.STILL if flow is None and self._fan_lost() else Sign.NONE
        return Sign.FAN if flow or self._fan_shows() else Sign.NONE

    def _steps_up(self) -> bool:
        """Whether a climb is a further stage of a unit that was on before any fan phase: no beginning."""
        past = self._past
        if self.phase is not _OFF or self.has_base or len(past) <= LOOK_BACK + MINUTE:
            return False
        before_k, earlier_k = past[-1 - LOOK_BACK][1], past[-1 - LOOK_BACK - MINUTE][1]
        return before_k > self._on_k and abs(before_k - earlier_k) < LEVEL_CHANGE * before_k

    def _stands(self, above_k: float, flow: bool | None) -> bool:  # noqa: FBT001
        """Whether a high rise is simply there, and not what a unit just off still gives back."""
        if above_k > self._plain_k and self._moved(MINUTE, full=True) > -FAN_FLAT_K:
            return True
        return bool(flow) and self._moved(STAND_S, full=True) > -LEVEL_CHANGE * above_k

    def _fan_shows(self) -> bool:
        """Whether the rise alone tells of a fan: flat and small after a jump that moving air makes.

        A small flat rise without the jump proves nothing: a duct in still air does the same.
        """
        smooth_k, moved_k = self.smooth_k, self._moved(MINUTE, full=True)
        if smooth_k is None or moved_k != moved_k:  # noqa: PLR0124 - nan: not a minute of it yet
            return False
        if abs(moved_k) > FAN_STEP_K:
            self._stepped = True
        flat = abs(moved_k) < FAN_FLAT_K and abs(smooth_k) < FAN_MOST_K + self._zero_u95_k
        return flat and self._stepped

    def _fan_lost(self) -> bool:
        """Whether the rise has left what a fan makes: the duct goes its own way in still air."""
        smooth_k = self._sign * (self.smooth_k or 0.0)
        below = smooth_k < -self._zero_u95_k - FAN_FLAT_K
        self._low_k = min(self._low_k, smooth_k)
        most_k = min(FAN_MOST_K + self._zero_u95_k, self._low_k + FAN_DRIFT_K)
        above = smooth_k > most_k and 0.0 <= self._sign * self._moved(MINUTE) < FAN_FLAT_K
        return below or above

    def _read_cooling(self, t_s: int, above_k: float) -> Sign:
        smooth_k = above_k + self.base_k
        self._low_k = min(self._low_k, smooth_k)
        if above_k < self._params.end_k or (self._on_already and self._like_fan(above_k)):
            if self._pause_s and self._out_s is None:
                self._out_s = t_s
            return Sign.OUT if t_s - self.since_s >= self._pause_s else Sign.NONE
        if smooth_k - self._low_k > self._params.fire_k and self._moved(LOOK_BACK) > 0.0:
            return Sign.FIRE
        high_k = self._high_k - self.base_k
        known = above_k > LEVEL_KNOWN * (self._settled_k - self.base_k)
        level = (
            t_s - self.since_s > (LEVEL_OVER + LOOK_BACK if known else self._level_s)
            and abs(self._moved(LEVEL_OVER, full=True)) < LEVEL_CHANGE * above_k
        )
        return Sign.LEVEL if level and above_k > LEVEL_LEAST * high_k else Sign.NONE

    def wrong_way(self) -> bool:
        """Whether a fan phase is none, as it changes the air the other way, or has not been flat since."""
        self._wrong_way = self._wrong_way and not abs(self._moved(MINUTE, full=True)) < FAN_FLAT_K
        return self._wrong_way

    def _like_fan(self, above_k: float) -> bool:
        """Whether a rise may be the fan's, of which nothing is known yet: small, and flat."""
        most_k = FAN_MOST_K + self._zero_u95_k + self._params.end_k
        return above_k < most_k and abs(self._moved(STAND_S, full=True)) < FAN_FLAT_K

    def climbs(self) -> bool:
        """Whether the rise moves away from where it was a minute ago, upwards."""
        return self._moved(MINUTE) > FAN_FLAT_K

    def _moved(self, ticks: int, *, full: bool = False) -> float:
        """Change of the smoothed rise over so many ticks (or since the start; nan if ``full``)."""
        past = self._past
        if len(past) > ticks:
            return past[-1][1] - past[-1 - ticks][1]
        return float("nan") if full or not past else past[-1][1] - past[0][1]

    def _date(self, t_s: int, sign: Sign) -> int:
        """Where the change began: the last tick that still lay at the level before it."""
        if sign not in (Sign.FIRE, Sign.FALL):
            return self.over_s(t_s)
        past = list(self._past)
        if sign is Sign.FIRE and self._plain and not self.has_base and self.phase is not _COOL_DOWN:
            return max(past[0][0], self.since_s)
        before = past[-1 - LOOK_BACK][1] if len(past) > LOOK_BACK else past[0][1]
        if sign is Sign.FIRE and self.has_base and self.phase is Phase.FAN:
            before = self.base_k
        earliest = self.since_s if sign is Sign.FIRE else self._fired_s
        for at, smooth_k in reversed(past[:-1]):
            off = smooth_k - before if sign is Sign.FIRE else before - smooth_k
            if off < ONSET_K:
                return max(at - SMOOTH_TICKS // 2, earliest)
        return max(past[0][0], earliest)
