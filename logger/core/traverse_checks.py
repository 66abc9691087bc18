"""What must be told about a traverse: each check a code, whether it is passed, one plain sentence.

Thresholds without a source are assumed; none of them changes a number.
"""

from __future__ import annotations

import numpy as np

from logger.core.airflow import FlowCheck, MeasuredAirflow
from logger.core.errors import UsageError
from logger.core.texts import counted, points_text
from logger.core.traverse import DuctShape, Traverse
from logger.core.traverse_air_checks import check_air, check_basis, check_humidity, check_inputs
from logger.core.traverse_budget import UNKNOWN_DRIFT, actual_velocity, drift, repeated_early
from logger.core.traverse_outlier import check_outlier
from logger.core.traverse_plan_checks import check_bias, check_plane, check_points, check_yaw
from logger.core.traverse_points import PLACE_OFF, nearest_place, traverse_points
from logger.core.traverse_value_checks import check_low, check_reverse, check_slow, check_spread

DRIFT_MOST = 0.05  # of the first point (assumed)


def check_traverse(traverse: Traverse, flow: MeasuredAirflow) -> tuple[FlowCheck, ...]:
    """All checks of a traverse that gave ``flow``, in a fixed order."""
    velocity = np.array([actual_velocity(traverse, flow.state, point) for point in traverse.points])
    return (
        check_complete(traverse),
        check_plane(traverse),
        check_points(traverse.duct, traverse.method, len(traverse.points), traverse.planned),
        _places(traverse),
        check_low(velocity),
        check_reverse(traverse, velocity),
        check_slow(velocity),
        check_yaw(traverse),
        check_spread(velocity),
        check_outlier(traverse, velocity),
        _settled(traverse),
        _drift(traverse),
        check_basis(traverse, flow),
        check_air(traverse),
        check_humidity(flow),
        check_inputs(traverse),
        check_bias(traverse.duct, traverse.points, traverse.method),
    )


def check_complete(traverse: Traverse) -> FlowCheck:
    """Whether all that was planned is there."""
    missing = traverse.planned - len(traverse.points)
    if missing > 0:
        text = (
            f"{missing} of {counted(traverse.planned, 'planned point')} {_is(missing)} missing: the others "
            "stand in, at a wider uncertainty; take what is missing, or plan a coarser grid."
        )
        return FlowCheck(code="complete", ok=False, text=text)
    if missing < 0:
        text = (
            f"There {_is(-missing)} {counted(-missing, 'point')} more than planned: correct the grid, or "
            "remove what does not belong to it."
        )
        return FlowCheck(code="complete", ok=False, text=text)
    if not traverse.complete:
        text = "The file says that the traverse was not ended: go on with it, or judge it as it is."
        return FlowCheck(code="complete", ok=False, text=text)
    text = f"All that was planned is there: {counted(traverse.planned, 'point')}."
    return FlowCheck(code="complete", ok=True, text=text)


def _places(traverse: Traverse) -> FlowCheck:
    """Whether the points stand where their rule puts them, one at each place."""
    is_round = traverse.duct.shape is DuctShape.ROUND
    first = traverse.points_per_diameter if is_round else traverse.points_across
    second = traverse.diameters if is_round else traverse.points_down
    try:
        planned = traverse_points(traverse.duct, traverse.method, first, second)
    except UsageError as error:
        return FlowCheck(code="positions", ok=False, text=f"There is no such grid: {error}.")
    found = [nearest_place(planned, point) for point in traverse.points]
    off, known = found.count(None), [n for n in found if n is not None]
    if off:
        text = (
            f"{counted(off, 'point')} {'stands' if off == 1 else 'stand'} more than {PLACE_OFF:.0%} of the "
            f"side off where {traverse.method.value} puts them: the plain mean is then not the duct's mean; "
            "correct the places or the method."
        )
        return FlowCheck(code="positions", ok=False, text=text)
    if twice := len(known) - len(set(known)):
        text = (
            f"{counted(twice, 'point')} more than one at the same place of the rule: the mean counts that "
            "place twice; correct the places, or keep one."
        )
        return FlowCheck(code="positions", ok=False, text=text)
    return FlowCheck(code="positions", ok=True, text="The points stand where the rule puts them.")


def _settled(traverse: Traverse) -> FlowCheck:
    """Whether each point that a probe read stood still when it was taken."""
    restless = [n for n, point in enumerate(traverse.points, 1) if not point.settled]
    if not restless:
        return FlowCheck(code="settled", ok=True, text="No point is marked as one that did not settle.")
    text = (
        f"{points_text(restless).capitalize()} of the file did not settle: the average of unsteady air "
        "stands there, its scatter is in the budget; take them again, or choose a quieter plane."
    )
    return FlowCheck(code="settled", ok=False, text=text)


def _drift(traverse: Traverse) -> FlowCheck:
    change = drift(traverse)
    if change is None:
        text = f"{_unrepeated(traverse)}: drift was not checked, {UNKNOWN_DRIFT:.0%} of it is assumed."
        return FlowCheck(code="drift", ok=False, text=text)
    ok = abs(change) <= DRIFT_MOST
    text = f"The first point changed by {change:+.1%} from the start to the end"
    tail = (
        "." if ok else ": the fan, a damper or the probe drifted; find out which and take the traverse again."
    )
    return FlowCheck(code="drift", ok=ok, text=text + tail)


def _unrepeated(traverse: Traverse) -> str:
    """Why the drift is not known."""
    again = traverse.repeat_first
    if again is None:
        return "The first point was not repeated at the end"
    at, first = nearest_place(traverse.points, again), traverse.first
    if at is None:
        return "The repeat (repeat_first) stands at no measured point; correct its place"
    if at != first:
        which = "first" if first == 0 else f"first by its time, point {first + 1}"
        return f"The repeat (repeat_first) stands at point {at + 1}, not at the {which}; repeat that one"
    if repeated_early(traverse):
        return "Points were taken after the repeat (repeat_first); repeat the first one once more"
    return "The first point shows no flow"


def _is(count: int) -> str:
    return "is" if count == 1 else "are"
