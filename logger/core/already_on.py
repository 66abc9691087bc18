"""A unit that is on when the log begins: which rise no fan makes, and what is said of it."""

from __future__ import annotations

from logger.core.fan_phase import UNSEEN_S
from logger.core.firing import Firing
from logger.core.flow import AirflowLaw
from logger.core.kind_words import CHANGE, SPELL, STARTER
from logger.core.params import AirflowSource, FanHeatMode, JobParams, OutdoorAir, Role, UnitKind
from logger.core.texts import difference_text, duration_text

CODE = "on-already"
PART = 0.4  # of what the least stage makes of the air: part load, a cold day's heat pump (assumed)
LEAST_K = 5.0  # K: a fan of 3 K, and sun on a duct or outdoor air of a few more (assumed)
MOST_K = 10.0  # K: a standing rise so high is never a fan's, whatever the plate says (assumed)
CP_J_KG_K = 1_018.0  # J/kg K of moist air at 20 degC, 50 %
SENSIBLE = 0.7  # of what a coil takes out (assumed)
USUAL_K = {
    "gas": 25.0,
    "electric": 25.0,
    "heat-pump": 12.0,
    "cooling": 10.0,
}  # K, without any plate (assumed)


def on_rise_k(job: JobParams, zero_u95_k: float) -> float:
    """Rise (the drop, where the unit cools) that stands in moving air only while the unit is on, K.

    A part of what its least stage makes by plate and airflow; else by the plate's window, or the usual.
    ``zero_u95_k``: what the probes may differ by in the same air. Where outdoor air is let in and nothing
    measures the mixed air, no less than ``MOST_K`` tells anything.
    """
    if job.unit.outdoor_air is OutdoorAir.OPEN and not job.probes_of(Role.MIXED):
        return MOST_K
    return min(max(PART * _full_k(job), LEAST_K + zero_u95_k), MOST_K)


def _full_k(job: JobParams) -> float:
    """What the unit's least stage makes of its air, K."""
    unit, flow = job.unit, job.airflow
    plate_w, least_w = unit.plate_output_w, min(unit.stage_output_w, default=None)
    least = least_w / plate_w if plate_w and least_w else 1.0 / unit.stages
    if plate_w and flow.source is not AirflowSource.PROBE:
        kg_s = AirflowLaw(job).dry_air(20.0, 20.0, 0.0073, job.pressure_pa, None, 20.0)  # a room's air
        if kg_s:
            sensible = SENSIBLE if unit.kind is UnitKind.COOLING else 1.0
            return sensible * least * plate_w * unit.derate_factor / (kg_s * CP_J_KG_K)
    if unit.rise_window_k is not None:
        return least * sum(unit.rise_window_k) / 2.0
    return least * USUAL_K[unit.kind]


def _again(job: JobParams) -> str:
    """What makes a firing whose beginning is seen."""
    unseen_s = 0 if job.probes_of(Role.VELOCITY) else UNSEEN_S
    alone, change = duration_text(job.cycles.min_fan_phase_s + unseen_s), CHANGE[job.unit.kind]
    return (
        f"end the call at the thermostat, let the fan run alone for {alone} once the {change} is gone, and "
        "call again"
    )


def lacks_fan_heat(job: JobParams, firing: Firing) -> bool:
    """Whether a fan phase would have given the fan heat, and there was none in this run."""
    return job.unit.kind.fan_apart and job.unit.fan_heat is FanHeatMode.MEASURED and firing.fan is None


def falls_behind(job: JobParams, firing: Firing) -> bool:
    """Whether a firing is no result where there is one whose beginning was seen."""
    return firing.on_already and (not firing.onset_seen or lacks_fan_heat(job, firing))


def on_text(job: JobParams, firing: Firing, rise_k: float) -> str:
    """Said as soon as it shows."""
    kind = job.unit.kind
    so = "Its fan heat is assumed" if lacks_fan_heat(job, firing) else "It is judged without a fan phase"
    if firing.fan is not None:
        so = "The last fan phase of this run is used"
    if not firing.onset_seen:
        so = "Without a velocity probe it has no verdict"
    outdoor = " (or outdoor air comes in)" if kind.cools else ""
    return (
        f"The unit seems to be on already{outdoor}: a {CHANGE[kind]} of {difference_text(rise_k)} from the "
        f"first on is more than a fan makes. {so}; for a whole {SPELL[kind]} {_again(job)}."
    )


def maybe_text(job: JobParams, rise_k: float) -> str:
    """The same where nothing shows that air moves and the rise may be that of a duct in still air."""
    kind = job.unit.kind
    return (
        f"A {CHANGE[kind]} of {difference_text(rise_k)} from the first on, and no velocity probe shows that "
        f"air moves: if the {STARTER[kind]} is on already, {_again(job)}; if not, it is a duct in still air."
    )


def judged_text(job: JobParams, firing: Firing) -> str:
    """What follows a verdict on a firing whose beginning was not seen."""
    if lacks_fan_heat(job, firing):
        return (
            " The unit was on already when the log began or went on, so the fan heat is assumed; to measure "
            f"it, {_again(job)}."
        )
    return " The unit was on already when the log began or went on."
