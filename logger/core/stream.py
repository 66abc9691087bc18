"""The habits of streams: how often each speaks, how finely, and whether it repeats one value."""

from __future__ import annotations

from collections.abc import Sequence
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


class Streams:
    """The habits of the streams at some places of every row.

    ``take`` looks at the rows of many ticks at once. ``interval_s``, ``step`` and ``changed`` are lists, one
    for each stream, of what stands after so many of these rows, first after none: update interval, s;
    smallest change seen, 0 until there was one; tick of the last change.
    """

    def __init__(self, places: Sequence[int]) -> None:
        self.places = list(places)
        many = len(self.places)
        self.interval_s, self.step, self.changed = [[1]] * many, [[0.0]] * many, [[0]] * many
        self._values = np.full((1, many), nan)  # ahead of the rows, then with them; nan: none has come
        self._times = np.full((1, many), NEVER_NS)
        self._counts = np.zeros((1, many), dtype=np.int64)
        self._steps = np.full((1, many), inf)
        self._changed = np.zeros((1, many), dtype=np.int64)
        self._gaps: list[Ints] = [np.ones(INTERVALS, dtype=np.int64)] * many  # s, and the rows'
        self._paced: list[Ints | None] = [None] * many  # how many of the rows' there are; None: all are 1 s

    def take(self, rows: Rows, read: int) -> None:
        """Look at the next rows; of those before, the run has come through so many."""
        self._go_on(read)
        here = self.places
        counts = np.concatenate((self._counts, rows.counts[:, here]))
        values = np.concatenate((self._values, np.where(counts[1:] > 0, rows.values[:, here], nan)))
        times = np.concatenate((self._times, rows.times[:, here]))
        come = counts[1:] > counts[:-1]
        change = np.abs(values[1:] - values[:-1])
        steps = np.concatenate((self._steps, np.where(change > 0.0, change, inf)))
        steps = np.minimum.accumulate(steps)
        changed = np.where(come & (values[1:] != values[:-1]), rows.ticks[:, None], 0)
        changed = np.maximum.accumulate(np.concatenate((self._changed, changed)))
        self._counts, self._values, self._times = counts, values, times
        self._steps, self._changed = steps, changed
        self.step = np.where(steps < inf, steps, 0.0).T.tolist()
        self.changed = changed.T.tolist()
        self._pace(come)

    def lasting(self, stream: int) -> list[bool]:
        """After which rows a value stands that lasts, or is the last one: only that may be frozen."""
        changed = self._changed[:, stream]
        last = np.searchsorted(changed, changed, side="right")
        until = np.append(changed, np.iinfo(np.int64).max)[last]
        long: list[bool] = (until - changed > FROZEN_TICKS).tolist()
        return long

    def _go_on(self, read: int) -> None:
        """What the next rows are held against: what stands after so many of these."""
        kept = slice(read, read + 1)
        self._counts, self._values, self._times = self._counts[kept], self._values[kept], self._times[kept]
        self._steps, self._changed = self._steps[kept], self._changed[kept]
        for stream, paced in enumerate(self._paced):
            if paced is not None:
                come = int(paced[read])
                self._gaps[stream] = self._gaps[stream][come : come + INTERVALS]

    def _pace(self, come: Bools) -> None:
        """Update interval after each row: the median of the last few gaps; the first reading has none."""
        gaps_ns, new = np.diff(self._times, axis=0), np.diff(self._counts, axis=0)
        gap = come & (self._counts[:-1] > 0)
        odd = gap & ((new > 1) | (gaps_ns > PROMPT_NS))
        one_s = [1] * len(self._counts)
        for stream, is_odd in enumerate(np.any(odd, axis=0).tolist()):
            gaps = self._gaps[stream]
            if not is_odd and gaps.max() == 1:
                self._paced[stream], self.interval_s[stream] = None, one_s
                continue
            at = gap[:, stream]
            some_s = (gaps_ns[at, stream] / new[at, stream] - SLACK_NS) / NS_PER_S
            gaps = np.concatenate((gaps, np.maximum(np.ceil(some_s), 1.0).astype(np.int64)))
            paced = np.concatenate(([0], np.cumsum(at)))
            medians = np.sort(sliding_window_view(gaps, INTERVALS), axis=1)[:, INTERVALS // 2]
            self._gaps[stream], self._paced[stream] = gaps, paced
            self.interval_s[stream] = medians[paced].tolist()


class FrozenWatch:
    """Whether a supply probe, one of ``streams``, follows the air that moves."""

    def __init__(self, streams: Streams, stream: int, beside: int) -> None:
        self._streams = streams
        self._stream = stream
        self._beside = beside  # what it is held against: a stream of the entering air
        self._partner_c: float | None = None  # the other side's value since the last change
        self._since = 0
        self._frozen = False  # until the value changes

    @property
    def place(self) -> int:
        """Its place in every row."""
        return self._streams.places[self._stream]

    def since(self, read: int) -> int:
        """Tick from which it has repeated its value."""
        return self._streams.changed[self._stream][read]

    def is_frozen(self, read: int, tick: int, partner_c: float) -> bool:
        """Find whether this probe, at one value for ``FROZEN_TICKS``, repeats it where it must move.

        It must when the entering air moves on (the supply air follows it), and a fine probe
        always must: no duct holds a hundredth of a kelvin for minutes. Source: derivation.
        """
        since = self.since(read)
        if since != self._since:
            self._since, self._partner_c, self._frozen = since, None, False
        held_ticks = tick - since
        if self._frozen or (held_ticks < FROZEN_TICKS and self._partner_c is not None):
            return self._frozen
        step, beside = (self._streams.step[stream][read] for stream in (self._stream, self._beside))
        if 0.0 < step <= FINE_STEP_K and held_ticks >= FINE_FROZEN_TICKS:
            self._frozen = True
        elif self._partner_c is None:
            self._partner_c = partner_c
        elif held_ticks >= FROZEN_TICKS:
            self._frozen = abs(partner_c - self._partner_c) > FROZEN_STEPS * max(step, beside, LEAST_STEP_K)
        return self._frozen

    def stays_frozen(self, read: int) -> bool:
        """Whether it was found so, and has not changed since."""
        return self._frozen and self.since(read) == self._since
