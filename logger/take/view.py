"""What the take's screen shows: one frame as a frozen value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from logger.core.traverse_plan import Plan
from logger.take.walk import Moment, State


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeView:
    """All of one frame. ``trace``: (reading time in ns, SI value) of the main probe, oldest first.

    ``page`` is "start", "help" or "" for the walk; ``typing`` is the text being typed, if any, and
    ``typing_unit`` the unit that a bare number is given.
    """

    plan: Plan
    state: State
    moment: Moment
    units: str = "us"
    page: str = ""
    typing: str | None = None
    typing_unit: str = ""
    trace: Sequence[tuple[int, float]] = ()
    path: str = ""
    saved: int = 0
    trouble: str = ""  # saving, or a driver
    simulated: bool = False
    speed: float | None = 1.0
    result: tuple[str, ...] = ()  # at the end: the airflow in lines
    drift: float | None = None  # at the end: change of the first point, a fraction; None: not known
    start: tuple[str, ...] = ()  # sentences of the start page beside the cautions
