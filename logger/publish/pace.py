"""How long to wait before the broker is tried again. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """Waiting times in seconds of wall time; all assumed."""

    first_s: float = 1.0
    most_s: float = 60.0
    parked_s: float = 600.0  # design: refused records are tried again every 10 min
    answer_s: float = 30.0  # a record that is not acknowledged for so long is sent over a new connection
    old_s: float = 3600.0  # readings that have waited too long are looked for as often
    fault_s: float = 60.0  # after a fault of ours, doubled each time
    faults: int = 5  # of ours within a day; then nothing more is published
    farewell_s: float = 10.0  # what a run that has ended waits for its last records to go out


def delay_s(pace: Pace, attempt: int, rng: Callable[[], float]) -> float:
    """Wait before attempt ``attempt`` (0 is the first repeat): doubled each time up to a limit, then
    spread over the upper half so that many loggers do not come back at once; ``rng`` gives 0 to 1.

    >>> [delay_s(Pace(), attempt, lambda: 1.0) for attempt in (0, 1, 5, 6, 10_000)]
    [1.0, 2.0, 32.0, 60.0, 60.0]
    >>> delay_s(Pace(), 3, lambda: 0.0)
    4.0
    """
    doublings = min(max(attempt, 0), 30)  # enough for any limit, and no overflow
    longest = min(pace.most_s, pace.first_s * 2.0**doublings)
    return longest * (0.5 + 0.5 * rng())
