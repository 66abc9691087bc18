"""What must be told about a traverse: each check a code, whether it is passed, one plain sentence.

Thresholds without a source are assumed; none of them changes a number.
"""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np

from logger.core.airflow import FlowCheck, MeasuredAirflow
from logger.core.errors import UsageError
from logger.core.params import VelocityBasis
from logger.core.traverse import Duct, DuctShape, MeasuredPlane, Method, Traverse, TraversePoint
from logger.core.traverse_budget import actual_velocity, drift
from logger.core.traverse_flow import measure
from logger.core.traverse_grid import geometry
from logger.core.traverse_plan import least_points
from logger.core.traverse_points import PLACE_OFF, nearest_place, traverse_points

PRESSURE_SHARE = 0.10  # of the largest velocity pressure, ASHRAE Fundamentals, ASHRAE 111; recalled
POINTS_SHARE = 0.75  # of the points that must show more than that; same source
STILL_M_S = 0.05  # m/s: no flow (assumed)
UNEVEN = 0.35  # standard deviation over mean beyond which the plane is poor (assumed)
DRIFT_MOST = 0.05  # of the first point (assumed)
BASIS_MATTERS = 0.03  # difference of densities from which a wrong basis weighs (assumed)
REFERENCE_RANGE = (1.18, 1.21)  # kg/m3: what makers call standard air (check: 1.20 to 1.204; assumed)
BIAS_TOLD = 0.01  # expected bias from which it is told (assumed)
PRECISE_U95, USUAL_TILT = 0.04, 0.15  # a probe of 4 %, a duct 15 % faster on one side: to plan with (assumed)


def check_traverse(traverse: Traverse, flow: MeasuredAirflow) -> tuple[FlowCheck, ...]:
    """All checks of a traverse that gave ``flow``, in a fixed order."""
    velocity = np.array([actual_velocity(traverse, flow.state, point) for point in traverse.points])
    return (
        _complete(traverse),
        check_points(traverse.duct, traverse.method, len(traverse.points), traverse.planned),
        _places(traverse),
        _low(velocity),
        _reverse(velocity),
        _spread(velocity),
        _drift(traverse),
        _basis(traverse, flow),
        check_bias(traverse.duct, traverse.points),
    )


def _complete(traverse: Traverse) -> FlowCheck:
    missing = traverse.planned - len(traverse.points)
    if missing > 0:
        text = (
            f"{missing} of {traverse.planned} planned points are missing: the others stand in for them, at "
            "a wider uncertainty; take them, or plan a coarser grid."
        )
        return FlowCheck(code="complete", ok=False, text=text)
    if missing < 0:
        text = f"There are {-missing} more points than planned: correct the grid or remove points."
        return FlowCheck(code="complete", ok=False, text=text)
    if not traverse.complete:
        text = "The file says that the traverse was not ended: go on with it, or judge it as it is."
        return FlowCheck(code="complete", ok=False, text=text)
    return FlowCheck(code="complete", ok=True, text=f"All {traverse.planned} planned points are there.")


def check_points(duct: Duct, method: Method, count: int, planned: int) -> FlowCheck:
    """Whether there are as many points as the standard asks for, and what fewer cost."""
    least = least_points(duct)
    if min(count, planned) >= least:
        return FlowCheck(code="points", ok=True, text=f"{count} points; the standard asks for {least}.")
    text = (
        f"{count} points, and the standard asks for {least}: allowed here, at a wider uncertainty"
        f"{' and with the bias told below' if method is Method.EQUAL_AREA else ''}."
    )
    return FlowCheck(code="points", ok=False, text=text)


def _places(traverse: Traverse) -> FlowCheck:
    """Whether the points stand where their rule puts them."""
    is_round = traverse.duct.shape is DuctShape.ROUND
    first = traverse.points_per_diameter if is_round else traverse.points_across
    second = traverse.diameters if is_round else traverse.points_down
    try:
        planned = traverse_points(traverse.duct, traverse.method, first, second)
    except UsageError as error:
        return FlowCheck(code="positions", ok=False, text=f"There is no such grid: {error}.")
    off = sum(nearest_place(planned, point) is None for point in traverse.points)
    if off:
        text = (
            f"{off} point(s) stand more than {PLACE_OFF:.0%} of the side off where "
            f"{traverse.method.value} puts them: the plain mean is then not the duct's mean; "
            "correct the places or the method."
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


def _reverse(velocity: np.ndarray) -> FlowCheck:
    back, still = int(np.sum(velocity < -STILL_M_S)), int(np.sum(np.abs(velocity) <= STILL_M_S))
    if back or still:
        text = (
            f"{back} point(s) show air that runs back, {still} no flow (taken into the mean as they are): "
            "check those points; if they are right, choose another plane."
        )
        return FlowCheck(code="reverse-flow", ok=False, text=text)
    return FlowCheck(code="reverse-flow", ok=True, text="No point shows reverse or no flow.")


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
        text = "The first point was not measured again at the end: drift of fan and probe was not checked."
        return FlowCheck(code="drift", ok=True, text=text)
    ok = abs(change) <= DRIFT_MOST
    text = f"The first point changed by {change:+.1%} from the start to the end"
    tail = (
        "." if ok else ": the fan, a damper or the probe drifted; find out which and take the traverse again."
    )
    return FlowCheck(code="drift", ok=ok, text=text + tail)


def _basis(traverse: Traverse, flow: MeasuredAirflow) -> FlowCheck:
    """Whether the velocity basis can be right."""
    ratio = traverse.reference_density_kg_m3 / flow.state.density_kg_m3
    pressures = sum(point.velocity_pressure_pa is not None for point in traverse.points)
    standard = traverse.basis is VelocityBasis.STANDARD
    reference = traverse.reference_density_kg_m3
    of = f" (of air of {reference:.4f} kg/m3, {reference / 16.018463:.4f} lb/ft3)" if standard else ""
    ok, text = True, f"Velocities are {traverse.basis.value}{of}; the other basis would give "
    text += f"{(1.0 / ratio if standard else ratio) - 1.0:+.1%} volume."
    if pressures == len(traverse.points):
        text = "Velocity pressures give actual velocities, whatever the basis says."
    elif pressures:
        ok = False
        text = f"{pressures} points are velocity pressures, the others velocities: two probes? Use one."
    elif standard and not REFERENCE_RANGE[0] <= traverse.reference_density_kg_m3 <= REFERENCE_RANGE[1]:
        ok = False
        text = (
            f"The reference density of {traverse.reference_density_kg_m3:.3f} kg/m3 is not that of "
            "standard air (1.20): look it up in the probe's papers."
        )
    elif not standard and traverse.probe and abs(ratio - 1.0) > BASIS_MATTERS:
        ok = False
        text = (
            f"The basis is actual, and a thermal (hot-wire) probe reads standard velocity: if probe "
            f"{traverse.probe!r} is one, the volume is {ratio - 1.0:+.1%} off; set basis to standard."
        )
    return FlowCheck(code="basis", ok=ok, text=text)


def check_bias(duct: Duct, points: tuple[TraversePoint, ...]) -> FlowCheck:
    """What the rule is expected to misread on a plain wall profile; offered, never applied."""
    bias = geometry(duct, points).bias
    if abs(bias) < BIAS_TOLD:
        text = f"On a power-law profile this grid reads {bias:+.1%}."
        return FlowCheck(code="method-bias", ok=True, text=text)
    text = (
        f"On a power-law profile this grid reads {bias:+.1%}; the uncertainty covers it, the number is not "
        f"corrected (dividing by {1.0 + bias:.3f} would, where the profile is a plain one). More points, or "
        "log-tchebycheff, take it away."
    )
    return FlowCheck(code="method-bias", ok=False, text=text)


def expected_u95(
    duct: Duct, method: Method, grid: tuple[int, int], plane: MeasuredPlane = MeasuredPlane.DUCT
) -> float:
    """u95 to expect of such a traverse in an ordinary duct with a probe of 4 %; a fraction."""
    places = traverse_points(duct, method, *grid)
    wall = geometry(duct, places).wall
    points = tuple(
        replace(p, velocity_m_s=5.0 * float(w) * (1.0 + USUAL_TILT * (2.0 * p.x - 1.0)))
        for p, w in zip(places, wall, strict=True)
    )
    traverse = Traverse(
        duct=duct,
        method=method,
        points=points,
        points_across=grid[0],
        points_down=grid[1],
        points_per_diameter=grid[0],
        diameters=grid[1],
        velocity_u95=PRECISE_U95,
        plane=plane,
    )
    return measure(traverse).u95
