"""Readings onto the one-second grid: each tick sees the newest usable value of every stream.

Tick k stands at k s after the run's first reading and sees readings with t < k s. Nothing is
interpolated: a value is held until the next one and carries its time, so that whoever uses it
can tell how old it is. Live readings come one by one, stored ones in blocks; both give the same
rows (a property test compares them).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from logger.core.params import MAIN_QUANTITY, JobParams, Role
from logger.core.readings import FLAG_CODES, NS_PER_S, USABLE_FLAGS, Quantity, Reading, ReadingBlock

NEVER_NS = -(10**18)  # time of a value that never came: far older than any max_age
SIDE_QUANTITIES: dict[Role, tuple[Quantity, ...]] = {
    Role.RETURN: (Quantity.HUMIDITY,),
    Role.MIXED: (Quantity.HUMIDITY,),
    Role.SUPPLY: (Quantity.HUMIDITY,),
    Role.OUTDOOR: (Quantity.HUMIDITY,),
}
"""What a probe of a role is used for beside its main quantity."""

_CHUNK_TICKS = 512  # rows made at once: bounds memory, and what is made in vain where nobody reads on
_USABLE_CODES = np.array([flag in USABLE_FLAGS for flag in FLAG_CODES])
Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Held = tuple[list[float], list[int], list[int]]


class Rows(NamedTuple):
    """Some ticks in a row, a line for each: of each slot, a column, the newest value, its time in ns, and
    how many have come so far."""

    ticks: Ints
    values: Floats
    times: Ints
    counts: Ints


class Row:
    """One tick of them; made into plain numbers for who asks, as seldom anybody does (cost)."""

    __slots__ = ("_at", "_rows", "tick")

    def __init__(self, tick: int, rows: Rows, at: int) -> None:
        self.tick = tick
        self._rows = rows
        self._at = at

    @property
    def values(self) -> list[float]:
        """The newest value of each slot."""
        newest: list[float] = self._rows.values[self._at].tolist()
        return newest

    @property
    def times(self) -> list[int]:
        """When it came, ns."""
        come: list[int] = self._rows.times[self._at].tolist()
        return come

    @property
    def counts(self) -> list[int]:
        """How many have come."""
        many: list[int] = self._rows.counts[self._at].tolist()
        return many


Look = Callable[[Rows], None]


class Slots:
    """The streams the core computes with, each at a fixed place in every row."""

    def __init__(self, job: JobParams) -> None:
        self.place: dict[tuple[str, Quantity], int] = {}
        self.scale: list[float] = []
        self.shift: list[float] = []
        for probe in job.probes:
            main = MAIN_QUANTITY[probe.role]
            for quantity in (main, *SIDE_QUANTITIES.get(probe.role, ())):
                self.place[probe.name, quantity] = len(self.scale)
                scale, shift = probe.correction(quantity)
                self.scale.append(scale)
                self.shift.append(shift)

    def __len__(self) -> int:
        return len(self.scale)


class Grid:
    """Holds the newest value of each slot and tells which ticks have become due.

    A tick is due when a reading at or after it has come: silence alone computes nothing, so a
    replay, which knows no silence after the last reading, gives the same rows.
    """

    def __init__(self, slots: Slots) -> None:
        self._slots = slots
        self._values = [0.0] * len(slots)
        self._times = [NEVER_NS] * len(slots)
        self._counts = [0] * len(slots)
        self._row: Row | None = None  # what stands in its place while the rows of a block are given
        self.next_tick = 1
        self.last_ns: int | None = None  # of the last reading; readings never go back

    def silence_ns(self, t_ns: int) -> int:
        """How long nothing has come, at ``t_ns``; a run's time starts with its first reading."""
        return t_ns if self.last_ns is None else t_ns - self.last_ns

    def skip_to(self, t_ns: int) -> None:
        """Leave out the ticks of a silence: the next one stands after ``t_ns``."""
        self.next_tick = t_ns // NS_PER_S + 1
        self.last_ns = t_ns

    def due(self, t_ns: int, look: Look) -> Iterator[Row]:
        """Rows of the ticks up to ``t_ns``, before the reading of that time is latched.

        ``look`` is shown some at once, each time before the first of them is given.
        """
        self._settle()
        while self.next_tick * NS_PER_S <= t_ns:
            ticks = self._some_ticks(t_ns)
            held = [np.array([part] * len(ticks)) for part in (self._values, self._times, self._counts)]
            rows = Rows(ticks, *held)
            look(rows)
            for at, tick in enumerate(ticks.tolist()):
                self.next_tick = tick + 1
                yield Row(tick, rows, at)

    @property
    def times(self) -> list[int]:
        """When the newest value of each slot came, ns."""
        return self._times if self._row is None else self._row.times

    def _settle(self) -> None:
        """A block was left before its end: what its last row had is what stands."""
        if self._row is not None:
            row, self._row = self._row, None
            self._values, self._times, self._counts = row.values, row.times, row.counts

    def _some_ticks(self, t_ns: int) -> Ints:
        """Those that are looked at together, of all that are due at ``t_ns``."""
        first = self.next_tick
        return np.arange(first, min(first + _CHUNK_TICKS, t_ns // NS_PER_S + 1), dtype=np.int64)

    def latch(self, reading: Reading) -> None:
        """Take a reading as the newest of its slot, if its flag lets it enter arithmetic."""
        self._settle()
        t_ns = reading.t_ns if self.last_ns is None else max(reading.t_ns, self.last_ns)
        self.last_ns = t_ns
        if reading.flag in USABLE_FLAGS:
            place = self._slots.place.get((reading.probe, reading.quantity))
            if place is not None:
                self._values[place] = self._slots.scale[place] * reading.value - self._slots.shift[place]
                self._times[place] = t_ns
                self._counts[place] += 1

    def due_in(self, block: ReadingBlock, look: Look) -> Iterator[Row]:
        """Rows of all ticks that fall due in a block, its readings latched on the way.

        ``look`` is shown them as in ``due``. The block has no silence longer than the core allows (the
        caller cuts it there). Who stops between two rows leaves the grid at the one that was given last.
        """
        t_ns = np.maximum.accumulate(np.maximum(block.t_ns, 0 if self.last_ns is None else self.last_ns))
        last_ns = int(t_ns[-1])
        usable = _USABLE_CODES[block.flag]
        slots = []
        for number, channel in enumerate(block.channels):
            place = self._slots.place.get(channel)
            here = usable & (block.channel == number)
            if place is not None and here.any():
                scale, shift = self._slots.scale[place], self._slots.shift[place]
                slots.append((place, t_ns[here], scale * block.value[here] - shift))
        self._settle()
        held = self._values, self._times, self._counts
        while self.next_tick * NS_PER_S <= last_ns:
            rows = self._rows(self._some_ticks(last_ns), held, slots)
            look(rows)
            for at, tick in enumerate(rows.ticks.tolist()):
                self._row = row = Row(tick, rows, at)
                self.next_tick, self.last_ns = tick + 1, tick * NS_PER_S
                yield row
        self._row = None
        values, times, counts = list(held[0]), list(held[1]), list(held[2])
        for place, slot_ns, slot_values in slots:
            values[place] = float(slot_values[-1])
            times[place] = int(slot_ns[-1])
            counts[place] += len(slot_ns)
        self._values, self._times, self._counts = values, times, counts
        self.last_ns = last_ns
        self.next_tick = last_ns // NS_PER_S + 1

    def _rows(self, ticks: Ints, held: Held, slots: list[tuple[int, Ints, Floats]]) -> Rows:
        """Rows of some ticks of a block: what each slot held before it, and what came within it."""
        values = np.empty((len(ticks), len(self._slots)))
        times = np.empty((len(ticks), len(self._slots)), dtype=np.int64)
        counts = np.empty_like(times)
        values[:], times[:], counts[:] = held
        edges_ns = ticks * NS_PER_S
        for place, slot_ns, slot_values in slots:
            come = np.searchsorted(slot_ns, edges_ns, side="left")
            values[:, place] = np.concatenate((held[0][place : place + 1], slot_values))[come]
            times[:, place] = np.concatenate((held[1][place : place + 1], slot_ns))[come]
            counts[:, place] += come
        return Rows(ticks, values, times, counts)
