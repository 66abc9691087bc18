"""What shows that the levels of a run are the burner's stages, and what is said where nothing does.

Less air makes more rise, as more fire does. A velocity in the duct, and the gas input at each level, tell
them apart. Without both there are the plates: levels that do not fit them are no stages; levels that do
may still be a change of the airflow by just that ratio, and are told with that doubt. One trace of such a
change is left: with less air the heat exchanger follows more slowly, and a belt may slip slowly.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import log

from logger.core.firing import STAGE_CHANGE, Firing, SteadyStretch
from logger.core.flow_hold import held_by
from logger.core.gas import GasInput
from logger.core.params import AirflowSource, JobParams, Role, UnitKind
from logger.core.stage import OFF_PLATES, OFF_RATIO, UNLIKE, Seen, in_ratio, not_shown, on_plates, plates_w

SLOWER = 1.35  # times tau after lighting (assumed): 0.92 to 1.18 in 85 simulated steps to a higher stage
SLOW = (
    "the rise went from one level to the next more slowly than it came up when the burner lit, as it does "
    "where the airflow falls (belt, damper, filter, fan speed) and not where a stage comes on; take one "
    "traverse point again, or leave a velocity probe in the duct"
)
CHANGED = (
    "the velocity probe shows that the airflow changed, so the levels need not be stages; look at the fan's "
    "speed, belt, filter and dampers, then take the traverse again"
)
NO_STAGES = frozenset({UNLIKE, SLOW, CHANGED})
"""Doubts that the levels are no stages at all, so that none of them is the full plate's."""
_ALIKE = "a change of the airflow (belt, damper, fan speed) by as much looks the same"
BY_RATIO = (
    f"told as stages by the ratio of the levels alone: {_ALIKE}; {{shows}}, or take one traverse point again"
)
BY_ONE = (
    f"told by its output alone, which lies nearest to that stage's plate: {_ALIKE}; {{shows}}, or let the "
    "other stages settle too"
)
BY_OUTPUT = (
    "Its stage is told by the output alone, which a belt that slips can mimic: see the stages' remarks."
)
_LIVE = 'airflow.source = "probe"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One level: its longest stretch, its stage from 1, and why that (or the output) is not known."""

    stretch: SteadyStretch
    stage: int | None = None
    reason: str | None = None
    doubt: str = ""  # why the levels of the run do not show its stages, not even by their order
    unproven: str = ""  # by what alone its stage is told


def doubted(
    job: JobParams, firings: Sequence[Firing], speechless: Collection[str], found: Sequence[Level]
) -> list[Level]:
    """The levels, lowest first, without their stages where these may be a change of the airflow.

    ``speechless``: probes that never gave a usable reading.
    """
    told = [level.stretch for level in found]
    if _watched(job, firings, speechless) or _burnt(job, found):
        return list(found)
    doubt = _doubt(job, firings, found) if len(told) > 1 else ""
    if doubt:
        return [replace(level, stage=None, reason=doubt, doubt=doubt) for level in found]
    return [_unproven(job, level, len(found)) for level in found]


def shows_stages(job: JobParams) -> str:
    """What of the two would show the stages of this unit, as the next step."""
    probe = "leave a velocity probe in the duct"
    if job.probes_of(Role.VELOCITY):
        probe = f"set {_LIVE}"
    elif job.airflow.stage_volume_m3_s:
        probe = f"{probe} and set {_LIVE}"
    return f"measure the gas input at each level, {probe}" if job.unit.kind is UnitKind.GAS else probe


def _unproven(job: JobParams, level: Level, count: int) -> Level:
    """Nobody forced the stage, nothing else shows it."""
    if level.stage is None or (count == 1 and job.visit.full_fire):
        return level
    text = BY_RATIO if count > 1 else BY_ONE
    return replace(level, unproven=text.format(shows=shows_stages(job)))


def _watched(job: JobParams, firings: Iterable[Firing], speechless: Collection[str]) -> bool:
    """Whether a velocity shows that the levels are no change of the airflow."""
    if all(probe.name in speechless for probe in job.probes_of(Role.VELOCITY)):
        return False
    live = job.airflow.source is AirflowSource.PROBE
    return live or (held_by(job) is not None and all(f.flow_changed_s is None for f in firings))


def _burnt(job: JobParams, found: Sequence[Level]) -> bool:
    """Whether the gas input went from level to level as the output did; of one level: is its stage's."""
    told = [level.stretch for level in found]
    if len(told) == 1:
        return _burns_as_told(job, found[0])
    for low, high in pairwise(told):
        if not isinstance(low.gas, GasInput) or not isinstance(high.gas, GasInput):
            return False
        if min(low.means.output_w, low.gas.input_w) <= 0.0:
            return False
        gas, output = high.gas.input_w / low.gas.input_w, high.means.output_w / low.means.output_w
        if abs(log(gas / output)) > OFF_RATIO:
            return False
    return True


def _burns_as_told(job: JobParams, level: Level) -> bool:
    """Whether one level's gas is what its stage burns: the plate's input by the share of its output."""
    gas, plates, full_w = level.stretch.gas, plates_w(job.unit), job.unit.plate_input_w
    if level.stage is None or not plates or not full_w or not isinstance(gas, GasInput):
        return False
    expected_w = full_w * job.unit.derate_factor * plates[level.stage - 1] / plates[-1]
    return abs(log(gas.input_w / expected_w)) <= OFF_RATIO if gas.input_w > 0.0 else False


def _doubt(job: JobParams, firings: Sequence[Firing], found: Sequence[Level]) -> str:
    """Why several levels may be a change of the airflow; empty where they fit the plates."""
    if any(firing.flow_changed_s is not None for firing in firings):
        return CHANGED
    if not job.unit.stage_output_w:
        return not_shown(job.unit.kind)
    seen = [Seen(level.stage, level.stretch.means.output_w, u95_share(level.stretch)) for level in found]
    if not in_ratio(seen, job.unit):
        return UNLIKE
    if not on_plates(seen, job.unit):
        return OFF_PLATES
    return SLOW if job.unit.kind is UnitKind.GAS and any(_slow(firing) for firing in firings) else ""


def _slow(firing: Firing) -> bool:
    """Whether the rise went up to another level more slowly than it came up after lighting.

    A step down is too small beside the noise for its time constant to be told.
    """
    lit_s = firing.stretches[0].line.tau_s if firing.stretches and firing.onset_seen else None
    for before, after in pairwise(firing.stretches):
        up = abs(after.means.rise_k) > (1.0 + STAGE_CHANGE) * abs(before.means.rise_k)
        if up and lit_s and (after.line.tau_s or 0.0) > SLOWER * lit_s:
            return True
    return False


def u95_share(stretch: SteadyStretch) -> float:
    """U95 of an output, a fraction of it."""
    y_w = stretch.means.output_w
    return stretch.combined.u95_w / abs(y_w) if y_w else 0.0
