"""Which of its stages a burner fires at, from what it gives against what the plate says of each.

Everything is compared by the logarithm of a ratio: what a unit is off its plate counts the same at
every stage.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import log
from typing import NamedTuple

from logger.core.params import UnitKind, UnitParams

CLEAR = 2.0  # times u95 that two stages must lie apart: their intervals do not overlap then (derivation)
OFF_PLATE = 0.15  # fraction: further off its plate than that is no unit by its looks (assumed)
OFF_RATIO = 0.10  # logarithm: so far the ratio of two levels may be off that of their plates (assumed)
ALIKE = (
    "the rise cannot tell the stages: what is expected of two of them lies too near together for this "
    'set-up; leave a velocity probe in the duct and set airflow.source = "probe", or hold the highest and '
    "say visit.stage_forced"
)
FITS_NONE = (
    "the rise fits none of the stages: look at unit.stage_output and airflow.stage_volume, or leave a "
    'velocity probe in the duct and set airflow.source = "probe"'
)
NO_OUTPUT = "no output is there to tell the stage by; see the events"
BETWEEN = "the output lies between what the plate says of two stages; let the other stages settle too"
_NO_PLATES = "nobody said what each stage gives; "
_KEYS = {
    UnitKind.GAS: "set unit.stage_input or unit.stage_output",
    UnitKind.ELECTRIC: "set unit.stage_output, or unit.stage_input",
}
_KEYLESS = (  # a plate at other conditions tells no stage of a heat pump or a coil
    "let every stage settle in this run, or hold the highest and say visit.stage_forced"
)
UNLIKE = (
    "the levels do not stand to each other as the plate's stages do: the airflow may have changed (belt, "
    "damper, filter, fan speed), or unit.stage_output is not this unit's; take one traverse point again, or "
    "leave a velocity probe in the duct"
)
OFF_PLATES = (
    "a level is too far off the plate of its stage to be told by its place; hold the highest and say "
    "visit.stage_forced, or leave a velocity probe in the duct"
)
_NOT_SHOWN = "nothing shows that the levels are stages and not a change of the airflow; "
_PROBE = "leave a velocity probe in the duct"
_PLATES = "give unit.stage_output where there are fixed stages"
_SHOWS = {
    UnitKind.GAS: f"{_PLATES}, {_PROBE}, or measure the gas input",
    UnitKind.ELECTRIC: f"{_PLATES}, or {_PROBE}",
}


def no_plates(kind: UnitKind) -> str:
    """That a level's stage is not known for want of plates, and what would tell it in such a unit.

    >>> no_plates(UnitKind.COOLING).partition("; ")[2]
    'let every stage settle in this run, or hold the highest and say visit.stage_forced'
    """
    return _NO_PLATES + _KEYS.get(kind, _KEYLESS)


def not_shown(kind: UnitKind) -> str:
    """That nothing tells stages from a change of the airflow, and what would in such a unit.

    >>> not_shown(UnitKind.COOLING).partition("; ")[2]
    'leave a velocity probe in the duct'
    """
    return _NOT_SHOWN + _SHOWS.get(kind, _PROBE)


class Seen(NamedTuple):
    """A level: its stage, from 1, where one is told; its output, W; u95 of that, a fraction."""

    stage: int | None
    output_w: float
    u95: float


class Told(NamedTuple):
    """A stage, counted from 1 at the lowest, and the next one where that is still possible."""

    stage: int
    near: int | None = None


def plates_w(unit: UnitParams) -> tuple[float, ...]:
    """What the plate says of each stage, lowest first, W, lowered where the unit was derated."""
    return tuple(unit.derate_factor * plate_w for plate_w in unit.stage_output_w)


def offs(outputs_w: Sequence[float], unit: UnitParams) -> tuple[float, ...]:
    """How far an output, as it comes to be at each stage, is off the plate of that stage (logarithm).

    With an airflow for each stage that is how far the rise is off what that stage makes of it.

    >>> [round(off, 3) for off in offs((11.0, 11.0), UnitParams(stage_output_w=(10.0, 20.0)))]
    [0.095, -0.598]
    """
    return tuple(log(y_w / plate_w) for y_w, plate_w in zip(outputs_w, plates_w(unit), strict=True))


def by_output(off: Sequence[float], u95: float) -> Told | str:
    """The stage of an output that needed no stage to be known; or why it cannot be told.

    ``off``: of each stage, one at least. ``u95``: of the output, a fraction. The nearest plate must be
    nearer by more than that.
    """
    best, *others = sorted(range(len(off)), key=lambda k: abs(off[k]))
    if others and abs(off[others[0]]) - abs(off[best]) <= u95:
        return BETWEEN
    return Told(best + 1)


def in_ratio(seen: Sequence[Seen], unit: UnitParams) -> bool:
    """Whether levels, lowest first, stand to each other as the plates of their stages.

    What is wrong with the airflow throughout cancels; what changed between two levels does not.

    >>> unit = UnitParams(stages=2, stage_output_w=(70.0, 100.0))
    >>> [in_ratio([Seen(1, 70.0, 0.05), Seen(2, high, 0.05)], unit) for high in (81.4, 92.0, 100.0)]
    [False, True, True]
    """
    if len(seen) > unit.stages or min(level.output_w for level in seen) <= 0.0:
        return False
    plates = plates_w(unit)
    for low, high in pairwise(level for level in seen if level.stage is not None):
        expected = log(plates[(high.stage or 1) - 1] / plates[(low.stage or 1) - 1])
        if abs(log(high.output_w / low.output_w) - expected) > OFF_RATIO:
            return False
    return True


def on_plates(seen: Sequence[Seen], unit: UnitParams) -> bool:
    """Whether each level whose stage is told fits the plate of that."""
    plates = plates_w(unit)
    return all(
        abs(log(level.output_w / plates[level.stage - 1])) <= OFF_PLATE + level.u95
        for level in seen
        if level.stage is not None
    )


def by_rise(off: Sequence[float], u95: float, possible: Sequence[int]) -> Told | str:
    """The stage whose expected rise is nearest, of the ``possible`` ones (from 1); or why not.

    Where the next one could be it too, were the unit off its plate, that is told with it.
    """
    if len(possible) == 1:
        return Told(possible[0])
    best, second = sorted(possible, key=lambda k: abs(off[k - 1]))[:2]
    apart = min(abs(off[best - 1] - off[k - 1]) for k in possible if k != best)
    if apart < CLEAR * u95:
        return ALIKE
    if abs(off[best - 1]) > OFF_PLATE + u95:
        return FITS_NONE
    return Told(best, second if abs(off[second - 1]) <= OFF_PLATE else None)


def still_possible(off: Sequence[float], moved: float, before: int, change: float) -> list[int]:
    """Stages (from 1) that a rise may be of, after stage ``before`` had another one in the same firing.

    ``moved``: logarithm of this rise over that one; within ``change`` it is no other level.
    """
    every = range(1, len(off) + 1)
    if abs(moved) <= log(1.0 + change):
        return list(every)
    return [k for k in every if (off[before - 1] - off[k - 1]) * moved > 0.0] or list(every)
