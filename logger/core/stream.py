"""One stream's habits: how often it speaks, how finely, and whether it repeats one value."""

from __future__ import annotations

from math import inf, nan

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from logger.core.align import NEVER_NS, Bools, Ints, Rows
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
    """The habits of the stream at ``place`` of every row: update interval, step, and since when it has
    repeated one value.

    ``take`` looks at the rows of a block at once; ``interval_s``, ``step`` and ``changed`` are lists of what
    stands after so many of them, first after none.
    """

    __slots__ = (
        "_gaps",
        "_last",
        "_paced",
        "_rows",
        "changed",
        "interval_s",
        "place",
        "step",
    )

    def __init__(self, place: int) -> None:
        self.place = place
        self._rows: Rows | None = None
        self._gaps = np.ones(INTERVALS, dtype=np.int64)  # s: the last few before the block, then those within
        self._paced: Ints | None = None  # how many of those within had come after each row; None: even, 1 s
        self._last = (nan, NEVER_NS, 0)  # value, time and count before the block
        self.interval_s: list[int] = [1]
        self.step: list[float] = [0.0]  # smallest change seen; 0 until there was one
        self.changed: list[int] = [0]  # tick of the last change

    def take(self, rows: Rows, read: int) -> None:
        """Look at the next rows; of those before, the run has come through so many."""
        if self._rows is not None:
            self._go_on(self._rows, read)
        self._rows = rows
        place, (value, last_ns, count) = self.place, self._last
        counts = rows.counts[:, place]
        new = np.diff(counts, prepend=count)
        come = new > 0
        values = np.concatenate(([value], np.where(counts > 0, rows.values[:, place], nan)))
        change = np.abs(values[1:] - values[:-1])
        steps = np.concatenate(([self.step[0] or inf], np.where(change > 0.0, change, inf)))
        steps = np.minimum.accumulate(steps)
        self.step = np.where(steps < inf, steps, 0.0).tolist()
        changed = np.where(come & (values[1:] != values[:-1]), rows.ticks, 0)
        self.changed = np.maximum.accumulate(np.concatenate((self.changed[:1], changed))).tolist()
        self._pace(rows.times[:, place], new, come, last_ns if count else None)

    def _pace(self, times: Ints, new: Ints, come: Bools, last_ns: int | None) -> None:
        """Update interval after each row: the median of the last few gaps; the first reading has none."""
        at = np.flatnonzero(come)
        if last_ns is None:
            last_ns, at = int(times[at[0]]) if len(at) else NEVER_NS, at[1:]
        gaps_ns = np.diff(times[at], prepend=last_ns)
        self._paced = None
        if self._gaps.max() == 1 and new[at].max(initial=1) == 1 and gaps_ns.max(initial=0) <= PROMPT_NS:
            self.interval_s = [1] * (len(times) + 1)
            return
        gaps = np.maximum(np.ceil((gaps_ns / new[at] - SLACK_NS) / NS_PER_S), 1.0).astype(np.int64)
        self._gaps = np.concatenate((self._gaps, gaps))
        medians = np.sort(sliding_window_view(self._gaps, INTERVALS), axis=1)[:, INTERVALS // 2]
        paced = np.zeros(len(times) + 1, dtype=np.int64)
        paced[at + 1] = 1
        self._paced = np.cumsum(paced)
        self.interval_s = medians[self._paced].tolist()

    def _go_on(self, rows: Rows, read: int) -> None:
        """What the next rows are held against: what stands after so many of these."""
        come = 0 if self._paced is None else int(self._paced[read])
        self._gaps = self._gaps[come : come + INTERVALS]
        self.changed, self.step = self.changed[read : read + 1], self.step[read : read + 1]
        count = int(rows.counts[read - 1, self.place])
        if read and count:
            self._last = (
                float(rows.values[read - 1, self.place]),
                int(rows.times[read - 1, self.place]),
                count,
            )


class SupplyStream(Stream):
    """A supply probe's, which must follow the air that moves."""

    __slots__ = ("_frozen", "_partner_c", "_since")

    def __init__(self, place: int) -> None:
        super().__init__(place)
        self._partner_c: float | None = None  # the other side's value since the last change
        self._since = 0
        self._frozen = False  # until the value changes

    def lasting(self) -> Bools:
        """After which of the rows a value stands that lasts, or is the last one: only that may be frozen."""
        changed = np.array(self.changed)
        last = np.searchsorted(changed, changed, side="right")
        until: Ints = np.append(changed, np.iinfo(np.int64).max)[last]
        long: Bools = until - changed > FROZEN_TICKS
        return long

    def is_frozen(self, read: int, tick: int, partner_c: float, partner: Stream) -> bool:
        """Find whether this probe, at one value for ``FROZEN_TICKS``, repeats it where it must move.

        It must when the entering air moves on (the supply air follows it), and a fine probe
        always must: no duct holds a hundredth of a kelvin for minutes. Source: derivation.
        """
        since = self.changed[read]
        if since != self._since:
            self._since, self._partner_c, self._frozen = since, None, False
        held_ticks = tick - since
        if self._frozen or (held_ticks < FROZEN_TICKS and self._partner_c is not None):
            return self._frozen
        if 0.0 < self.step[read] <= FINE_STEP_K and held_ticks >= FINE_FROZEN_TICKS:
            self._frozen = True
        elif self._partner_c is None:
            self._partner_c = partner_c
        elif held_ticks >= FROZEN_TICKS:
            moved_k = abs(partner_c - self._partner_c)
            self._frozen = moved_k > FROZEN_STEPS * max(self.step[read], partner.step[read], LEAST_STEP_K)
        return self._frozen

    def stays_frozen(self, read: int) -> bool:
        """Whether it was found so, and has not changed since."""
        return self._frozen and self.changed[read] == self._since
