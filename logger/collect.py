"""The one place that stamps: samples, shell events and ticks enter ONE ordered queue here.

What leaves the queue is the run, in order: a replay that feeds the same records in the same
order gives the same numbers.
"""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from logger.clock import Clock
from logger.core.readings import NS_PER_S, NS_PER_US, USABLE_FLAGS, Flag, Quantity, Reading, Sample, in_range
from logger.core.snapshot import Event
from logger.driver_api import LinkState
from logger.text import clean_text

CLOCK_JUMP_NS = NS_PER_S  # UTC against elapsed time: design, 1 s
SUSPEND_NS = 2 * NS_PER_S  # elapsed against awake time; assumed: above any scheduling delay
TEXT_LIMIT = 300  # characters of a text from outside; assumed
DEVICE = "probe-device"  # event: what a probe says of its make
LOW_BATTERY_PCT = (15.0, 5.0)  # %; assumed: a visit's time before the probe falls silent


def device_says(probe: str) -> str:
    """How the text of an event ``DEVICE`` begins."""
    return f"probe '{probe}' by its own word: "


class Noted(NamedTuple):
    """A shell event with its place in the run."""

    seq: int
    utc_us: int
    event: Event


class Tick(NamedTuple):
    """Time moved on without a reading; not a record of the run, and not stored."""

    t_ns: int


Record = Reading | Noted | Tick


class Collector:
    """Stamps what drivers deliver; ``take`` empties the queue in order.

    A value that is not finite, or a probe that is not in the config, is a fault of the driver:
    such a sample has no place in the store, so it is counted in ``refused`` and told by the
    event ``driver-fault``, once for each probe and quantity.
    """

    def __init__(self, clock: Clock, probes: Iterable[str], wake: Callable[[], None] | None = None) -> None:
        self._clock = clock
        self._probes = frozenset(probes)
        self._wake = wake or (lambda: None)
        self._queue: deque[Record] = deque()
        self._seq = 0
        self._zero_ns: int | None = None
        self._last_t_ns = 0
        self._utc_offset_ns: int | None = None
        self._awake_ns: Callable[[], int] | None = getattr(clock, "awake_ns", None)
        self._slept_ns = self._sleep_so_far_ns(clock.now_ns())
        self._faults: set[tuple[str, str]] = set()
        self._devices: dict[str, str] = {}
        self._batteries: dict[str, int] = {}  # limits told
        self._told: dict[str, tuple[LinkState, frozenset[str]]] = {}  # state and texts told last
        self.refused = 0
        self.start_utc_us: int | None = None

    def next_seq(self) -> int:
        """The run-wide counter, shared by readings, events and results."""
        self._seq += 1
        return self._seq - 1

    def elapsed_ns(self) -> int:
        """Time since the run's first reading; 0 before it."""
        return 0 if self._zero_ns is None else max(0, self._clock.now_ns() - self._zero_ns)

    def take(self) -> list[Record]:
        """Everything that waits, in order."""
        records = []
        while self._queue:
            records.append(self._queue.popleft())
        return records

    def emit(self, sample: Sample) -> None:
        """Stamp one sample and queue it."""
        if sample.probe not in self._probes or not _storable(sample):
            self._refuse(sample)
            return
        now_ns, utc_us = self._clock.now_ns(), self._clock.utc_us()
        if self._zero_ns is None:
            self._zero_ns, self.start_utc_us = now_ns, utc_us
        t_ns = now_ns - self._zero_ns
        self._look_for_suspend(now_ns, t_ns)
        flag = self._flag(sample, t_ns, self._look_for_jump(now_ns, utc_us, t_ns))
        self._last_t_ns = max(self._last_t_ns, t_ns)
        self._put(
            Reading(self.next_seq(), t_ns, sample.probe, sample.quantity, sample.value, flag, utc_us, t_ns)
        )
        if sample.quantity is Quantity.BATTERY and flag in USABLE_FLAGS:
            self._look_at_battery(sample)

    def _look_at_battery(self, sample: Sample) -> None:
        """Tell it at each limit once."""
        told = self._batteries.get(sample.probe, 0)
        passed = sum(sample.value <= limit for limit in LOW_BATTERY_PCT)
        if passed > told:
            self._batteries[sample.probe] = passed
            self.note(
                "battery-low",
                f"probe '{sample.probe}': its battery is at {sample.value:.0f} %; change it before the next "
                "measurement",
                sample.probe,
            )

    def _flag(self, sample: Sample, t_ns: int, jumped: bool) -> Flag:  # noqa: FBT001 - private
        """The driver's own flag first, then what the collector sees."""
        if sample.flag is not Flag.OK:
            return sample.flag
        if not in_range(sample.quantity, sample.value):
            return Flag.OUT_OF_RANGE
        if t_ns < self._last_t_ns:
            return Flag.LATE
        return Flag.CLOCK_JUMP if jumped else Flag.OK

    def _refuse(self, sample: Sample) -> None:
        self.refused += 1
        key = (str(sample.probe), str(sample.quantity))
        if key in self._faults:
            return
        self._faults.add(key)
        probe = clean_text(str(sample.probe), TEXT_LIMIT)
        gave = clean_text(f"gave {sample.value} with the flag '{sample.flag}'", TEXT_LIMIT)
        what = "is not in the config" if sample.probe not in self._probes else gave
        self.note(
            "driver-fault",
            f"probe '{probe}' {what} ({clean_text(str(sample.quantity), TEXT_LIMIT)}): its driver is at "
            "fault; such values are counted and not stored; report it to the driver's author",
            sample.probe if sample.probe in self._probes else None,
        )

    def sum_up(self) -> None:
        """At the end: how many values had no place in the run; the first of each kind was told at once."""
        if self.refused > 1:
            self.note(
                "driver-fault",
                f"{self.refused} values in all were refused: no finite number, no known quantity or flag, "
                "or no probe of this config; "
                "report it to the driver's author",
            )

    def note(self, code: str, text: str, probe: str | None = None) -> None:
        """Queue a shell event, stamped now; before the first reading its time is 0."""
        self._note(self.elapsed_ns(), code, text, probe)

    def _note(self, t_ns: int, code: str, text: str, probe: str | None = None) -> None:
        event = Event(t_ns=t_ns, code=code, text=clean_text(text, TEXT_LIMIT), probe=probe, origin="shell")
        self._put(Noted(self.next_seq(), self._clock.utc_us(), event))

    def tick(self) -> None:
        """Let time move on where no reading comes; nothing before the first reading."""
        if self._zero_ns is None:
            return
        now_ns = self._clock.now_ns()
        t_ns = max(0, now_ns - self._zero_ns)
        self._look_for_suspend(now_ns, t_ns)
        self._put(Tick(t_ns))

    def link(self, probe: str, state: LinkState, text: str) -> None:
        """A probe's link changed: an event on a change that matters, not one for each retry: while the
        state stays, only a text that was not told yet."""
        if state in (LinkState.SEARCHING, LinkState.CONNECTING):
            return
        before, texts = self._told.get(probe, (None, frozenset()))
        text = clean_text(text, TEXT_LIMIT)
        if state is before and (not text or text in texts):
            return
        self._told[probe] = (state, texts | {text} if state is before else frozenset({text}))
        code = "probe-note" if state is before else f"probe-{state.value}"
        self.note(code, text or f"probe '{probe}' is {state.value}", probe)

    def about(self, probe: str, facts: Mapping[str, str]) -> None:
        """What a probe says of its make: an event, once and whenever it changes (another device)."""
        text = ", ".join(f"{fact} {what}" for fact, what in facts.items())
        if probe in self._probes and text and self._devices.get(probe) != text:
            self._devices[probe] = text
            self.note(DEVICE, device_says(probe) + text, probe)

    def _put(self, record: Record) -> None:
        self._queue.append(record)
        self._wake()

    def _sleep_so_far_ns(self, now_ns: int) -> int:
        return 0 if self._awake_ns is None else now_ns - self._awake_ns()

    def _look_for_suspend(self, now_ns: int, t_ns: int) -> None:
        slept_ns = self._sleep_so_far_ns(now_ns)
        grown_ns, self._slept_ns = slept_ns - self._slept_ns, slept_ns
        if grown_ns > SUSPEND_NS:
            self._note(
                t_ns,
                "suspended",
                f"the computer slept for {grown_ns / NS_PER_S:.0f} s: the steadiness windows start anew; "
                "keep it awake while the unit is on",
            )

    def _look_for_jump(self, now_ns: int, utc_us: int, t_ns: int) -> bool:
        offset_ns = utc_us * NS_PER_US - now_ns
        moved_ns = 0 if self._utc_offset_ns is None else offset_ns - self._utc_offset_ns
        self._utc_offset_ns = offset_ns
        if abs(moved_ns) <= CLOCK_JUMP_NS:
            return False
        self._note(
            t_ns,
            "clock-jump",
            f"the computer's clock was set by {moved_ns / NS_PER_S:+.1f} s: times of day before and after "
            "do not match; the arithmetic uses elapsed time and is not touched",
        )
        return True


def _storable(sample: Sample) -> bool:
    """Whether it is what the interface asks for: a finite number of a known quantity and flag."""
    kinds = isinstance(sample.quantity, Quantity) and isinstance(sample.flag, Flag)
    if not kinds or not isinstance(sample.value, float | int):
        return False
    return abs(sample.value) <= sys.float_info.max  # false for nan too
