"""Holds the live airflow against the traverse's: a fan that changed its speed shows here."""

from __future__ import annotations

from math import hypot

from logger.core.flow import AirflowLaw
from logger.core.moment import Moment
from logger.core.params import AirflowParams, FanDrive, JobParams, Role
from logger.core.texts import Say

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

    What the two have in common, the duct's area for one, would cancel: rather too wide than a
    false alarm.
    """
    probes = [p.u95 for p in job.probes_of(Role.VELOCITY) if p.name == job.airflow.probe]
    return hypot(job.airflow.u95, reference.u95, *probes)
