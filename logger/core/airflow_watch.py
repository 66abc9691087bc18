"""Holds the live airflow against the traverse's: a fan that changed its speed shows here."""

from __future__ import annotations

from math import hypot, sqrt

from logger.core.assess import CARRY_OVER_TORQUE_U, CARRY_OVER_U
from logger.core.flow import AirflowLaw
from logger.core.moment import Moment
from logger.core.params import AirflowParams, FanDrive, JobParams, Role
from logger.core.texts import Say
from logger.core.traverse_factor import FEW_READINGS, LONE_READING_U, PROFILE_U

FIXED_POINT_U95 = 2.0 * hypot(LONE_READING_U / sqrt(FEW_READINGS), PROFILE_U)  # of a factor (assumed)
AIRFLOW_LINES = frozenset(
    {"airflow", "velocity probe", "flow carry-over", "pressure", "fan inlet then", "burner not said"}
)
"""Lines of a budget that an output has from its airflow, beside those of a traverse."""
FLOW_TAU_S = 30.0  # s: time constant over which the live airflow is rolled (assumed)
FLOW_SETTLE_S = 60  # s of flow before it is compared: a fan that runs up is no fault (assumed)
FLOW_FOR_S = 60  # s the rolled airflow must be off: a fan that starts is not a fault (assumed)
NOT_HELD = (
    "The fan's speed is variable: the live airflow is not held against the traverse, which knows one speed."
)


class AirflowWatch:
    """Rolls the live airflow relative to the reference, and says when it leaves the u95 of both.

    A fan of variable speed is meant to leave it: that the two are not compared is said once.
    """

    def __init__(self, job: JobParams, reference: AirflowParams, say: Say) -> None:
        self._law = AirflowLaw(job, reference)
        self._u95 = difference_u95(job, reference)
        self._probe = job.airflow.probe
        self._say = say
        self._variable = job.unit.fan_drive is FanDrive.VARIABLE
        self._off: float | None = None  # rolled, a fraction of the reference
        self._off_s = 0
        self._flowing_s = 0
        self._said = False
        if self._variable:
            say(0, "airflow-not-compared", NOT_HELD, self._probe)

    def tick(self, tick: int, now: Moment) -> None:
        """Compare at the state of this moment; without flow the rolling starts anew."""
        if self._variable:
            return
        expected = None
        if now.entering_c is not None and now.supply_c is not None and now.inlet_c is not None:
            expected = self._law.dry_air(
                now.entering_c, now.supply_c, now.w, now.pressure_pa, None, now.inlet_c
            )
        if not expected or now.dry_air_kg_s is None:
            self._off, self._off_s, self._flowing_s = None, 0, 0
            return
        self._flowing_s += 1
        if self._flowing_s <= FLOW_SETTLE_S:
            return
        off = now.dry_air_kg_s / expected - 1.0
        before = off if self._off is None else self._off
        self._off = before + (off - before) / FLOW_TAU_S
        outside = abs(self._off) > self._u95
        self._off_s = self._off_s + 1 if outside is not self._said else 0
        if self._off_s < FLOW_FOR_S:
            return
        self._off_s, self._said = 0, outside
        self._tell(tick)

    def _tell(self, tick: int) -> None:
        if self._said:
            text = (
                f"The live airflow is {self._off or 0.0:+.1%} off the traverse, beyond the {self._u95:.1%} "
                "(u95) that both may be apart: look at fan speed, belt, filter and dampers, then take the "
                "traverse again."
            )
            self._say(tick, "airflow-off-traverse", text, self._probe)
        else:
            self._say(tick, "airflow-back", "The live airflow agrees with the traverse again.", self._probe)


def difference_u95(job: JobParams, reference: AirflowParams) -> float:
    """U95 of live airflow over reference, a fraction: both have errors (GUM 5.1.2).

    Where a factor is given, it is taken to come of this traverse, and what both have in common
    cancels: area, plane, yaw, sampling, the traverse's calibration. Left are the live probe itself, the
    fixed point's reading then, and what the fan may do on its own. Without a factor nothing is taken
    to cancel.
    """
    if job.airflow.factor == 1.0:
        return hypot(live_u95(job), reference.u95)
    torque = job.unit.fan_drive is FanDrive.TORQUE
    over_u95 = 2.0 * (CARRY_OVER_TORQUE_U if torque else CARRY_OVER_U)
    return hypot(velocity_u95(job), over_u95, FIXED_POINT_U95)


def live_u95(job: JobParams) -> float:
    """U95 of the airflow as it is had, a fraction; of a live one with its probe's own."""
    return hypot(job.airflow.u95, velocity_u95(job))


def is_airflow(source: str) -> bool:
    """Whether a line of an output's budget speaks of how much air there is.

    >>> [is_airflow(s) for s in ("airflow: area", "flow carry-over", "supply placement")]
    [True, True, False]
    """
    return source in AIRFLOW_LINES or source.startswith("airflow:")


def velocity_u95(job: JobParams) -> float:
    """U95 of the probe that gives the live airflow, a fraction; 0 where there is none."""
    return sum(p.u95 for p in job.probes_of(Role.VELOCITY) if p.name == job.airflow.probe)
