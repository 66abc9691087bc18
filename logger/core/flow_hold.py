"""Holds a velocity probe against itself: a fan that was to keep its speed, and does not, shows here.

Where the airflow is typed or measured once, a slipping belt or a closing damper reads as more output:
the rise goes up, the stated flow stays. One probe at one place cannot say how much air there is; how
much there is of what there was with the fan alone, it can, wherever it stands in the duct.
"""

from __future__ import annotations

from math import log
from typing import NamedTuple

from logger.core.flow import NO_FLOW_M_S
from logger.core.moment import Moment
from logger.core.params import AirflowSource, FanDrive, JobParams, Role
from logger.core.snapshot import Phase
from logger.core.units import ZERO_C_K

EVERY_S = 5  # s between looks (cost)
ROLLED_S = 30.0  # s: time constant over which the velocity is rolled (assumed)
SETTLE_S = 90  # s of firing before it is compared: fan and probe run up (assumed)
FOR_S = 60  # s the change must last: a gust is no belt (assumed)
CHANGE = 0.05  # of the velocity; half of what a result within 10 % can bear (assumed)
_SHARE = EVERY_S / ROLLED_S
FIRING = frozenset({Phase.WARM_UP, Phase.STEADY})


class FlowState(NamedTuple):
    """A velocity, m/s, and the air's temperatures with it, K."""

    velocity_m_s: float
    return_k: float
    supply_k: float
    inlet_k: float


class FlowHold:
    """Rolls the velocity and tells when it leaves what the same fan speed gives.

    It is held against that of the run's first firing, once the fan has run up: a fan alone may run at
    another speed. ``changed_s`` is the tick from which a firing's had left it, else None.
    """

    def __init__(self) -> None:
        self._first: FlowState | None = None
        self._velocity_m_s: float | None = None
        self._fired_s = 0
        self._off_s = 0
        self.share = 1.0  # of the velocity of the first firing
        self.changed_s: int | None = None

    def tick(self, tick: int, phase: Phase, now: Moment) -> bool:
        """Take the state of one tick in ``EVERY_S``; True where the change is found, once a firing."""
        if phase not in FIRING:
            self._velocity_m_s = self.changed_s = None
            self._fired_s = self._off_s = 0
            return False
        velocity = now.velocity_m_s
        if velocity is None or now.entering_c is None or now.supply_c is None or now.inlet_c is None:
            return False
        rolled = velocity if self._velocity_m_s is None else self._velocity_m_s
        self._velocity_m_s = rolled + (velocity - rolled) * _SHARE
        self._fired_s += EVERY_S
        if self._fired_s < SETTLE_S:
            return False
        entering_k, supply_k, inlet_k = (c + ZERO_C_K for c in (now.entering_c, now.supply_c, now.inlet_c))
        state = FlowState(self._velocity_m_s, entering_k, supply_k, inlet_k)
        if self._first is None and state.velocity_m_s > NO_FLOW_M_S:
            self._first = state
        return self.changed_s is None and self._first is not None and self._left(tick, self._first, state)

    def _left(self, tick: int, before: FlowState, state: FlowState) -> bool:
        """Whether it has been outside for long enough."""
        self.share = state.velocity_m_s / before.velocity_m_s
        low, high = expected_share(before, state)
        inside = low * (1.0 - CHANGE) < self.share < high * (1.0 + CHANGE)
        self._off_s = 0 if inside else self._off_s + EVERY_S
        if self._off_s < FOR_S:
            return False
        self.changed_s = tick - self._off_s
        return True


def held_by(job: JobParams) -> FlowHold | None:
    """What watches this job's airflow; None where it may change, is live, or no velocity is measured."""
    flow = job.airflow
    keeps = job.unit.fan_drive is FanDrive.CONSTANT_SPEED and not flow.stage_volume_m3_s
    if not keeps or flow.source is AirflowSource.PROBE or not job.probes_of(Role.VELOCITY):
        return None
    return FlowHold()


def expected_share(before: FlowState, now: FlowState) -> tuple[float, float]:
    """Least and most that the velocity may be of that before, the fan's speed being the same.

    The volume at the fan inlet stays, so the mass goes with 1 / T there (fan laws, ASHRAE Handbook HVAC
    Systems and Equipment, fans; recalled). A probe of actual velocity shows mass times T where it stands,
    one of standard velocity the mass; of which kind it is and where it stands is not asked.

    >>> cold, hot = FlowState(5.0, 294.0, 294.5, 294.0), FlowState(5.0, 294.0, 321.5, 294.0)
    >>> [round(share, 3) for share in expected_share(cold, hot)]
    [1.0, 1.092]
    """
    mass = before.inlet_k / now.inlet_k
    shares = (mass, mass * now.return_k / before.return_k, mass * now.supply_k / before.supply_k)
    return min(shares), max(shares)


def follows(before: FlowState, now: FlowState, ratio: float, apart: float) -> bool:
    """Whether the velocity went as a fan does whose volume is to be ``ratio`` of that before.

    ``apart``: logarithm by which it would have gone elsewhere, were the burner's stage another one.

    >>> low, high = FlowState(3.4, 294.0, 316.5, 294.0), FlowState(4.0, 294.0, 321.5, 294.0)
    >>> [follows(low, now, 1.0 / 0.85, apart=0.36) for now in (high, high._replace(velocity_m_s=2.8))]
    [True, False]
    """
    least, most = expected_share(before, now)
    if apart <= log(most / least) + CHANGE or before.velocity_m_s <= NO_FLOW_M_S:
        return False
    share = now.velocity_m_s / before.velocity_m_s / ratio
    return least * (1.0 - CHANGE) < share < most * (1.0 + CHANGE)


def change_text(share: float) -> str:
    """What the user is told."""
    return (
        f"The duct velocity is {share:.0%} of what it was before, so the airflow is not the one "
        "that was stated: look at the fan's speed, belt, filter and dampers, then take the traverse again. "
        "What is measured from then on has no verdict."
    )
