"""The habits of streams, looked at for many ticks at once, against the same told reading by reading."""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from math import ceil, nan
from statistics import median

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.align import NEVER_NS, Rows
from logger.core.stream import Streams

NS = 10**9


class Plain:
    """One stream, in the words of its definition: one tick after the other."""

    def __init__(self) -> None:
        self.gaps_s: deque[int] = deque([1] * 9, maxlen=9)
        self.value, self.last_ns, self.count = nan, NEVER_NS, 0
        self.step, self.changed = 0.0, 0

    def see(self, tick: int, value: float, t_ns: int, count: int) -> None:
        if count == self.count:
            return
        if self.count:
            gap_ns = (t_ns - self.last_ns) / (count - self.count)
            self.gaps_s.append(max(ceil((gap_ns - 0.15 * NS) / NS), 1))
        if value != self.value:
            change = abs(value - self.value)
            if change > 0.0:
                self.step = min(self.step, change) if self.step else change
            self.changed = tick
        self.value, self.last_ns, self.count = value, t_ns, count

    def told(self) -> tuple[float, float, int]:
        return median(self.gaps_s), self.step, self.changed


@st.composite
def ticks(draw: st.DrawFn) -> list[list[tuple[float, int, int]]]:
    """Of two streams, tick by tick: value, its time and how many have come."""
    columns = []
    for _ in range(2):
        value, t_ns, count, column = 0.0, NEVER_NS, 0, []
        for tick in range(1, draw(st.just(60)) + 1):
            new = draw(st.sampled_from([1] * 6 + [0] * 4 + [2, 5]))
            if new:
                value = draw(st.sampled_from([20.0, 20.1, 20.1, 20.3, 20.31, 25.0]))
                t_ns = tick * NS - draw(st.integers(1, NS))
                count += new
            column.append((value, t_ns, count))
        columns.append(column)
    return [list(row) for row in zip(*columns, strict=True)]


@settings(max_examples=150, deadline=None)
@given(ticks(), st.lists(st.tuples(st.integers(1, 59), st.integers(0, 59)), max_size=4))
def test_many_ticks_at_once_tell_what_they_tell_one_by_one(
    table: list[list[tuple[float, int, int]]], stops: list[tuple[int, int]]
) -> None:
    """In blocks of any length, and where a block is left before its end."""
    plain = [Plain(), Plain()]
    expected = [[one.told() for one in plain]]
    for tick, row in enumerate(table, 1):
        for one, seen in zip(plain, row, strict=True):
            one.see(tick, *seen)
        expected.append([one.told() for one in plain])

    streams, read, done = Streams([1, 0]), 0, 0  # in another order than the rows have them
    edges = sorted({0, len(table), *(start for start, _ in stops)})
    beyond = dict(stops)
    for start, end in pairwise(edges):
        ahead = min(end + beyond.get(start, 0), len(table))  # looked at, and not come to
        streams.take(rows_of(table, start, ahead), read)
        read = end - start
        for after in range(read + 1):
            told = [
                (streams.interval_s[at][after], streams.step[at][after], streams.changed[at][after])
                for at in (1, 0)
            ]
            assert told == expected[start + after]
        done = end
    assert done == len(table)


def rows_of(table: list[list[tuple[float, int, int]]], start: int, end: int) -> Rows:
    part = table[start:end]
    return Rows(
        np.arange(start + 1, end + 1),
        np.array([[seen[0] for seen in row] for row in part]),
        np.array([[seen[1] for seen in row] for row in part]),
        np.array([[seen[2] for seen in row] for row in part]),
    )
