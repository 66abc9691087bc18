"""What must be told about a traverse: each check a code, whether it is passed, one plain sentence.

Thresholds without a source are assumed; none of them changes a number.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from logger.core.airflow import FlowCheck, MeasuredAirflow, too_damp
from logger.core.errors import UsageError
from logger.core.params import STANDARD_DENSITY_KG_M3, VelocityBasis
from logger.core.texts import counted, density_text, velocity_text
from logger.core.traverse import DuctShape, Traverse
from logger.core.traverse_budget import UNKNOWN_DRIFT, actual_velocity, drift
from logger.core.traverse_plan_checks import check_bias, check_plane, check_points, check_yaw
from logger.core.traverse_points import PLACE_OFF, nearest_place, traverse_points

PRESSURE_SHARE = 0.10  # of the largest velocity pressure, ASHRAE Fundamentals, ASHRAE 111; recalled
POINTS_SHARE = 0.75  # of the points that must show more than that; same source
STILL_M_S = 0.05  # m/s: no flow (assumed)
UNEVEN = 0.35  # standard deviation over mean beyond which the plane is poor (assumed)
DRIFT_MOST = 0.05  # of the first point (assumed)
BASIS_MATTERS = 0.03  # difference of densities from which a wrong basis weighs (assumed)
REFERENCE_RANGE = (1.18, 1.21)  # kg/m3: what makers call standard air (check: 1.20 to 1.204; assumed)
FLOOR_M_S = 0.5  # m/s: a thermal probe's floor is 0.1 to 0.3, a velocity pressure is 0.15 Pa here (assumed)


def check_traverse(traverse: Traverse, flow: MeasuredAirflow) -> tuple[FlowCheck, ...]:
    """All checks of a traverse that gave ``flow``, in a fixed order."""
    velocity = np.array([actual_velocity(traverse, flow.state, point) for point in traverse.points])
    return (
        check_complete(traverse),
        check_plane(traverse),
        check_points(traverse.duct, traverse.method, len(traverse.points), traverse.planned),
        _places(traverse),
        _low(velocity),
        _reverse(traverse, velocity),
        _slow(velocity),
        check_yaw(traverse),
        _spread(velocity),
        _drift(traverse),
        _basis(traverse, flow),
        _air(traverse),
        _humidity(flow),
        check_bias(traverse.duct, traverse.points),
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


def _low(velocity: np.ndarray) -> FlowCheck:
    least = sqrt(PRESSURE_SHARE) * float(np.max(velocity))
    share = float(np.mean(velocity > least))
    ok = share >= POINTS_SHARE
    text = f"{share:.0%} of the points show more than a tenth of the largest velocity pressure"
    rest = f"; {POINTS_SHARE:.0%} are asked for: "
    step = "." if ok else f"{rest}choose a plane farther from bends and dampers."
    return FlowCheck(code="velocity-pressures", ok=ok, text=text + step)


def _reverse(traverse: Traverse, velocity: np.ndarray) -> FlowCheck:
    back, still = int(np.sum(velocity < -STILL_M_S)), int(np.sum(np.abs(velocity) <= STILL_M_S))
    if back or still:
        text = (
            f"Air that runs back at {counted(back, 'point')}, no flow at {counted(still, 'point')} (taken "
            "into the mean as they are): check them; if they are right, choose another plane."
        )
        return FlowCheck(code="reverse-flow", ok=False, text=text)
    text = "No point shows reverse or no flow"
    if any(point.velocity_pressure_pa is None for point in traverse.points):
        text += "; a thermal (hot-wire) probe cannot show reverse flow: it reads its amount"
    return FlowCheck(code="reverse-flow", ok=True, text=f"{text}.")


def _slow(velocity: np.ndarray) -> FlowCheck:
    slow = int(np.sum(np.abs(velocity) < FLOOR_M_S))
    floor = velocity_text(FLOOR_M_S)
    if slow:
        text = (
            f"Below {floor} at {counted(slow, 'point')}: near the floor of a thermal probe and below what a "
            "velocity pressure shows well, so that probe's u95 may not hold; choose a narrower plane, or "
            "raise velocity_u95_percent."
        )
        return FlowCheck(code="low-velocity", ok=False, text=text)
    return FlowCheck(code="low-velocity", ok=True, text=f"No point reads below {floor}.")


def _spread(velocity: np.ndarray) -> FlowCheck:
    spread = float(np.std(velocity)) / float(np.mean(velocity))
    ok = spread <= UNEVEN
    tail = (
        "." if ok else f", more than {UNEVEN:.0%}: the plane is poor; choose one farther from disturbances."
    )
    return FlowCheck(code="spread", ok=ok, text=f"The velocities spread by {spread:.0%} of their mean{tail}")


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
    at = nearest_place(traverse.points, again)
    if at is None:
        return "The repeat (repeat_first) stands at no measured point; correct its place"
    if at:
        return f"The repeat (repeat_first) stands at point {at + 1}, not at the first; repeat the first"
    return "The first point shows no flow"


def _basis(traverse: Traverse, flow: MeasuredAirflow) -> FlowCheck:
    """Whether the velocity basis can be right."""
    ratio = traverse.reference_density_kg_m3 / flow.state.density_kg_m3
    pressures = sum(point.velocity_pressure_pa is not None for point in traverse.points)
    standard = traverse.basis is VelocityBasis.STANDARD
    reference = traverse.reference_density_kg_m3
    of = f", of air of {density_text(reference)}" if standard else ""
    ok, text = True, f"Velocities are {traverse.basis.value}{of}; the other basis would give "
    text += f"{(1.0 / ratio if standard else ratio) - 1.0:+.1%} volume."
    if pressures == len(traverse.points):
        text = "Velocity pressures give actual velocities, whatever the basis says."
    elif pressures:
        ok = False
        text = (
            f"{counted(pressures, 'velocity pressure')}, velocities at the other points: two probes? Use one."
        )
    elif standard and not REFERENCE_RANGE[0] <= reference <= REFERENCE_RANGE[1]:
        ok = False
        text = (
            f"The reference density of {density_text(reference)} is not that of standard air "
            f"({density_text(STANDARD_DENSITY_KG_M3)}): look it up in the probe's papers."
        )
    elif not standard and traverse.probe and abs(ratio - 1.0) > BASIS_MATTERS:
        ok = False
        text = (
            f"The basis is actual, and a thermal (hot-wire) probe reads standard velocity: if probe "
            f"{traverse.probe!r} is one, the volume is {ratio - 1.0:+.1%} off; set basis to standard."
        )
    return FlowCheck(code="basis", ok=ok, text=text)


def _air(traverse: Traverse) -> FlowCheck:
    """Whether somebody measured the air in the plane."""
    if not traverse.assumed:
        return FlowCheck(code="air", ok=True, text="The state of the air in the plane was measured or given.")
    text = (
        f"Nobody measured the {' and the '.join(traverse.assumed)} of the air in the plane: what is usual "
        "stands in, at a wider uncertainty; measure it and write it into the file."
    )
    return FlowCheck(code="air", ok=False, text=text)


def _humidity(flow: MeasuredAirflow) -> FlowCheck:
    """Whether air that was heated can be as damp."""
    state = flow.state
    text = too_damp(state.temperature_c, state.humidity, state.pressure_pa)
    if text is not None:
        return FlowCheck(code="humidity", ok=False, text=text)
    return FlowCheck(code="humidity", ok=True, text="Nothing speaks against the humidity given.")


def _is(count: int) -> str:
    return "is" if count == 1 else "are"
