"""A wall clock that may let things go by their age: one that has shown that it goes right. Pure.

A host without a battery for its clock wakes at some old date, a typing error sets it a year ahead, a time
server sets it right: what is dropped because of such a date is gone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logger.clock import utc_date
from logger.core.readings import NS_PER_S, NS_PER_US

AGREED_S = 600.0  # elapsed time over which every look must agree; assumed: a time server has answered by then
AGREE_S = 5.0  # wall against elapsed time from look to look; assumed: above any slewing, below a set clock
AGREE_SHARE = (
    1e-3  # and that share of the time between them: twice the 500 ppm that adjtimex(2) slews at most
)
LEAP_S = (
    200 * 86_400.0
)  # nothing recorded for longer is doubted; assumed: a summer, and less than a wrong year
FALL_S = 86_400.0  # set back by more is doubted; assumed: no time server and no zone does that
_US_PER_S = NS_PER_S // NS_PER_US


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Wall time between two steps of the clock, or two runs."""

    first_utc_us: int
    last_utc_us: int


class BelievedClock:
    """Wall time for what is let go once it is older than ``keep_s``.

    ``known`` is what the store has of other runs, in their order: real ones that are no replays. After a
    leap or a fall of the clock nobody knows how old what lies before it is, only that it is older than the
    time since: so the clock is believed again when ``keep_s`` have passed. Nothing of the present run is
    older than its elapsed time, whatever its stamps say: who lets go of those looks at that.
    """

    def __init__(self, known: Sequence[Stretch], keep_s: float) -> None:
        self._keep_us = round(keep_s * _US_PER_S)
        self._newest_us: int | None = None
        self._break: tuple[int, int] | None = None  # the last leap or fall: from, to
        for stretch in known:
            self._reach(stretch)
        self._last: tuple[int, int] | None = None  # the look before this one, both in us
        self._first_us = self._agreed_from_us = 0  # elapsed
        self.doubt = ""

    def _reach(self, stretch: Stretch) -> None:
        newest = self._newest_us
        if broken := _breaks(newest, stretch.first_utc_us):
            self._break, newest = broken, None
        self._newest_us = max(stretch.last_utc_us, stretch.first_utc_us, newest or stretch.first_utc_us)

    def look(self, utc_us: int, elapsed_ns: int) -> int | None:
        """The wall time where it is believed; else None, and ``doubt`` says why where a person can mend it.

        To be called now and then, at least once an ``AGREED_S``: every look counts.
        """
        elapsed_us = elapsed_ns // NS_PER_US
        if self._last is None:
            self._first_us = self._agreed_from_us = elapsed_us
        elif not _agree(self._last, (utc_us, elapsed_us)):
            self._agreed_from_us = elapsed_us
        self._last = utc_us, elapsed_us
        broken, new = self._break_before(utc_us - (elapsed_us - self._first_us))
        since_us = elapsed_us - self._first_us if new else utc_us - broken[1] if broken else self._keep_us
        self.doubt = self._doubted(broken, utc_us - since_us) if broken and since_us < self._keep_us else ""
        settled = elapsed_us - self._agreed_from_us >= AGREED_S * _US_PER_S
        behind = not new and self._newest_us is not None and utc_us < self._newest_us
        return None if self.doubt or behind or not settled else utc_us

    def _break_before(self, run_utc_us: int) -> tuple[tuple[int, int] | None, bool]:
        """The last leap or fall as this run's clock has it, and whether it lies before this run."""
        broken = _breaks(self._newest_us, run_utc_us)
        return (broken, True) if broken else (self._break, False)

    def _doubted(self, broken: tuple[int, int], since_utc_us: int) -> str:
        before, after = (utc_date(us).isoformat() for us in broken)
        until = utc_date(since_utc_us + self._keep_us).isoformat()
        return (
            f"the clock says {after} and the store's newest record before it is of {before}: nothing goes by "
            f"age before {until}; set the clock if one of the two is wrong"
        )


def _breaks(newest_us: int | None, next_us: int) -> tuple[int, int] | None:
    """From and to, where the way is no usual pause."""
    if newest_us is None or -FALL_S * _US_PER_S <= next_us - newest_us <= LEAP_S * _US_PER_S:
        return None
    return newest_us, next_us


def _agree(one: tuple[int, int], other: tuple[int, int]) -> bool:
    wall_us, elapsed_us = other[0] - one[0], other[1] - one[1]
    return abs(wall_us - elapsed_us) <= AGREE_S * _US_PER_S + AGREE_SHARE * elapsed_us
