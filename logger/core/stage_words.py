"""What is said of levels that may be the unit's stages or a change of its airflow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from logger.core.kind_words import FULL
from logger.core.params import AirflowSource, JobParams, Role, UnitKind

SLOW = (
    "the rise went from one level to the next more slowly than it came up when the burner lit, as it does "
    "where the airflow falls (belt, damper, filter, fan speed) and not where a stage comes on; take one "
    "traverse point again, or leave a velocity probe in the duct"
)
CHANGED = (
    "the velocity probe shows that the airflow changed, so the levels need not be stages; look at the fan's "
    "speed, belt, filter and dampers, then take the traverse again"
)
SAME_GAS = (
    "the gas input was the same at two of the levels, so it was the airflow that changed and no stage that "
    "came on; look at the fan's speed, belt, filter and dampers, then take the traverse again"
)
_ALIKE = "a change of the airflow (belt, damper, fan speed) by as much looks the same"
BY_RATIO = (
    f"told as stages by the ratio of the levels alone: {_ALIKE}; {{shows}}, or take one traverse point again"
)
BY_ONE = (
    f"told by its output alone, which lies nearest to that stage's plate: {_ALIKE}; {{shows}}, or let the "
    "other stages settle too"
)
BY_OUTPUT = "a lower stage with less air (belt, damper, fan speed) looks the same"
HELD: dict[UnitKind, str] = {  # a burner's stage has its own manifold pressure: common practice, no source
    UnitKind.GAS: "hold full fire (see the manifold pressure)",
}
HELD_ELSE = "hold the full load"
_LIVE = 'airflow.source = "probe"'


def shows_stages(job: JobParams) -> str:
    """What of the two would show the stages of this unit, as the next step."""
    probe = "leave a velocity probe in the duct"
    if job.probes_of(Role.VELOCITY):
        probe = f"set {_LIVE}"
    elif job.airflow.stage_volume_m3_s and job.airflow.source is not AirflowSource.PROBE:
        probe = f"{probe} and set {_LIVE}"
    return f"measure the gas input at each level, {probe}" if job.unit.kind is UnitKind.GAS else probe


def not_shown_full(job: JobParams, size: str) -> str:
    """Why a level that its output alone makes the highest stage is not judged, and what tells both apart.

    ``size``: what it would be of the plate, as a sentence without its end.
    """
    kind = job.unit.kind
    return (
        f"{size} if this was {FULL[kind]}; {BY_OUTPUT}. To tell them apart "
        f"{shows_stages(job)}, or {HELD.get(kind, HELD_ELSE)} and set visit.stage_forced."
    )


def only_if(verdict: object, rows: Sequence[Mapping[str, Any]]) -> str:
    """Under which condition a result's output is one, from its verdict and ``stage_results``.

    >>> only_if(None, [{"stage": 2, "output_w": 31_500.0, "doubt": "Told by its output alone."}])
    'if stage 2 was on'
    """
    known = [row for row in rows if row.get("output_w") is not None]
    full = max(known, key=lambda row: float(row["output_w"]), default=None)
    if verdict is not None or full is None or not full.get("doubt"):
        return ""
    return f"if stage {full.get('stage')} was on"
