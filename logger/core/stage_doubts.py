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
from logger.core.flow_hold import FlowState, follows, held_by
from logger.core.gas import GasInput
from logger.core.params import AirflowSource, JobParams, Role, UnitKind
from logger.core.stage import OFF_PLATES, OFF_RATIO, UNLIKE, Seen, in_ratio, not_shown, on_plates, plates_w
from logger.core.stage_words import BY_ONE, BY_RATIO, CHANGED, SAME_GAS, SLOW, shows_stages
from logger.core.stretch import FanPhase, Means
from logger.core.units import ZERO_C_K

SLOWER = 1.35  # times tau after lighting (assumed): 0.92 to 1.18 in 85 simulated steps to a higher stage
_COUNTER = "counter"  # source of a gas input that was read in the stretch itself
NO_STAGES = frozenset({UNLIKE, SLOW, CHANGED, SAME_GAS})
"""Doubts that the levels are no stages at all, so that none of them is the full plate's."""


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
    if _watched(job, firings, speechless) or _burnt(found) or _fan_followed(job, firings, found):
        return list(found)
    doubt = _doubt(job, firings, found) if len(told) > 1 else ""
    if doubt:
        return [replace(level, stage=None, reason=doubt, doubt=doubt) for level in found]
    return [_unproven(job, level, len(found)) for level in found]


def _unproven(job: JobParams, level: Level, count: int) -> Level:
    """Nobody forced the stage, and neither its own gas nor anything else shows it."""
    held = job.visit.full_fire and level.stage == job.unit.stages
    if level.stage is None or held or _burns_as_told(job, level):
        return level
    text = BY_RATIO if count > 1 else BY_ONE
    return replace(level, unproven=text.format(shows=shows_stages(job)))


def _watched(job: JobParams, firings: Iterable[Firing], speechless: Collection[str]) -> bool:
    """Whether a velocity shows that the levels are no change of the airflow."""
    if all(probe.name in speechless for probe in job.probes_of(Role.VELOCITY)):
        return False
    live = job.airflow.source is AirflowSource.PROBE
    return live or (held_by(job) is not None and all(f.flow_changed_s is None for f in firings))


def _burnt(found: Sequence[Level]) -> bool:
    """Whether the gas input went from level to level as the output did."""
    moves = _gas_moves(found)
    return bool(moves) and all(gas is not None and abs(gas - output) <= OFF_RATIO for gas, output in moves)


def _gas_moves(found: Sequence[Level]) -> list[tuple[float | None, float]]:
    """Logarithms by which gas and output went from each level to the next; None where it is not known."""
    moves: list[tuple[float | None, float]] = []
    for low, high in pairwise(level.stretch for level in found):
        gas, outputs_w = None, (low.means.output_w, high.means.output_w)
        if isinstance(low.gas, GasInput) and isinstance(high.gas, GasInput) and low.gas.input_w > 0.0:
            gas = log(high.gas.input_w / low.gas.input_w)
        moves.append((gas, log(outputs_w[1] / outputs_w[0])) if outputs_w[0] > 0.0 else (None, 0.0))
    return moves


def _same_gas(found: Sequence[Level]) -> bool:
    """Whether a meter that was read at two levels says that the burner stayed; one timing says it of one."""
    counted = [isinstance(x.stretch.gas, GasInput) and x.stretch.gas.source == _COUNTER for x in found]
    moves = zip(pairwise(counted), _gas_moves(found), strict=True)
    return any(
        all(both) and gas is not None and abs(gas) <= OFF_RATIO < output for both, (gas, output) in moves
    )


def _fan_followed(job: JobParams, firings: Sequence[Firing], found: Sequence[Level]) -> bool:
    """Whether the velocity went from level to level as the airflow of their stages does; that of one level
    from the fan phase, which is had at the speed of the highest stage.

    Were the burner the same at both, there would be less air at the higher one, by the plates' ratio.
    """
    if not job.airflow.stage_volume_m3_s or not plates_w(job.unit):
        return False
    known = [(level.stage, _flow(level.stretch.means, level.stretch.line.velocity_m_s)) for level in found]
    if len(known) == 1:
        of = next((f for f in firings if any(s is found[0].stretch for s in f.stretches)), None)
        fan = None if of is None or of.fan is None else _flow(of.fan, of.fan_velocity_m_s)
        known.insert(0, (job.unit.stages, fan))
    return all(_followed(job, *before, *now) for before, now in pairwise(known))


def _flow(state: Means | FanPhase, velocity_m_s: float | None) -> FlowState | None:
    if velocity_m_s is None:
        return None
    return FlowState(velocity_m_s, *(c + ZERO_C_K for c in (state.entering_c, state.supply_c, state.inlet_c)))


def _followed(
    job: JobParams, then: int | None, before: FlowState | None, stage: int | None, now: FlowState | None
) -> bool:
    """Whether the velocity went as from stage ``then`` to ``stage``, and not as with another one."""
    if then is None or stage is None or before is None or now is None:
        return False
    volumes, plates = job.airflow.stage_volume_m3_s, plates_w(job.unit)
    others = [abs(log(plate_w / plates[stage - 1])) for k, plate_w in enumerate(plates, 1) if k != stage]
    return follows(before, now, volumes[stage - 1] / volumes[then - 1], min(others))


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
    if _same_gas(found):
        return SAME_GAS
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
    lit_s = (
        firing.stretches[0].line.tau_s
        if firing.stretches and not firing.on_already and firing.onset_seen
        else None
    )
    for before, after in pairwise(firing.stretches):
        up = abs(after.means.rise_k) > (1.0 + STAGE_CHANGE) * abs(before.means.rise_k)
        if up and lit_s and (after.line.tau_s or 0.0) > SLOWER * lit_s:
            return True
    return False


def u95_share(stretch: SteadyStretch) -> float:
    """U95 of an output, a fraction of it."""
    y_w = stretch.means.output_w
    return stretch.combined.u95_w / abs(y_w) if y_w else 0.0
