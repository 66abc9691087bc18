"""One stream's habits: how often it speaks, how finely, and whether it repeats one value."""

from __future__ import annotations

from collections import deque
from math import ceil

from logger.core.align import NEVER_NS
from logger.core.readings import NS_PER_S

INTERVALS = 9  # readings whose median tells a probe's update interval
SLACK_NS = 150_000_000  # ns: a probe of nominally 1 s that is a little late is still one of 1 s
PROMPT_NS = NS_PER_S + SLACK_NS  # ns: so soon after the last one, a reading keeps the pace of 1 s
FROZEN_STEPS = 3.0  # steps its partner must move while a probe repeats one value (design)
FROZEN_TICKS = 60  # s for so long (design choice)
LEAST_STEP_K = 0.1  # K: a partner's step where it is finer or not known yet (assumed)
FINE_STEP_K = 0.02  # K: a probe this fine shows the air's own unrest (assumed)
FINE_FROZEN_TICKS = 120  # s of one value that such a probe never shows in moving air (assumed)


class Stream:
    """One stream's habits: update interval, step, and how long it has repeated one value."""

    __slots__ = (
        "_gaps",
        "_unusual",
        "changed_tick",
        "count",
        "frozen",
        "interval_s",
        "last_ns",
        "partner_c",
        "step",
        "value",
    )

    def __init__(self) -> None:
        self._gaps: deque[int] = deque([1] * INTERVALS, maxlen=INTERVALS)
        self._unusual = False  # another pace than 1 s, or no even one
        self.interval_s = 1
        self.last_ns = NEVER_NS
        self.count = 0
        self.value = float("nan")
        self.step = 0.0  # smallest change seen; 0 until there was one
        self.changed_tick = 0
        self.partner_c: float | None = None  # the other side's value at the last change
        self.frozen = False  # until the value changes

    def see(self, tick: int, value: float, t_ns: int, count: int) -> None:
        """Take the newest value; ``count`` readings have come so far, some since the last tick."""
        new = count - self.count
        if new != 1 or self._unusual or t_ns - self.last_ns > PROMPT_NS:
            self._pace(t_ns, new)
        self.last_ns, self.count = t_ns, count
        if value != self.value:
            change = abs(value - self.value)
            if change < self.step or not self.step:
                self.step = change if change == change else 0.0  # noqa: PLR0124 - nan: no value before
            self.value = value
            self.changed_tick = tick
            self.partner_c = None
            self.frozen = False

    def _pace(self, t_ns: int, new: int) -> None:
        """Keep the update interval, the median of the last few; called when it may change."""
        if not self.count:
            return
        gap = max(ceil(((t_ns - self.last_ns) / new - SLACK_NS) / NS_PER_S), 1)
        self._gaps.append(gap)
        self.interval_s = sorted(self._gaps)[INTERVALS // 2]
        self._unusual = self.interval_s != 1 or len(set(self._gaps)) > 1

    def check_frozen(self, tick: int, partner_c: float, partner_step: float) -> None:
        """Find whether this supply probe, at one value for ``FROZEN_TICKS``, repeats it where it must move.

        It must when the entering air moves on (the supply air follows it), and a fine probe
        always must: no duct holds a hundredth of a kelvin for minutes. Source: derivation.
        """
        held_ticks = tick - self.changed_tick
        if 0.0 < self.step <= FINE_STEP_K and held_ticks >= FINE_FROZEN_TICKS:
            self.frozen = True
        elif self.partner_c is None:
            self.partner_c = partner_c
        else:
            moved_k = abs(partner_c - self.partner_c)
            self.frozen = moved_k > FROZEN_STEPS * max(self.step, partner_step, LEAST_STEP_K)
