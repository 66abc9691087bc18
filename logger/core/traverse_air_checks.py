"""What must be told of the head of a traverse: the air's state, the velocity basis, numbers in a wrong unit.

Thresholds without a source are assumed; none of them changes a number.
"""

from __future__ import annotations

from logger.core.airflow import FlowCheck, MeasuredAirflow, too_damp
from logger.core.params import STANDARD_DENSITY_KG_M3, VelocityBasis
from logger.core.texts import counted, density_text
from logger.core.traverse import DuctShape, Traverse

BASIS_MATTERS = 0.03  # difference of densities from which a wrong basis weighs (assumed)
LEAST_U95 = 0.01  # fraction: calibration laboratories give about as much (assumed)
LEAST_HUMIDITY = 0.01  # fraction: air of -10 degC heated to 60 degC still has 1.2 % (ASHRAE's relations)
ASPECT_MOST = 8.0  # longer over shorter side; duct makers stay below 4 (recalled), 8 (assumed)
REFERENCE_RANGE = (1.18, 1.21)  # kg/m3: what makers call standard air (check: 1.20 to 1.204; assumed)


def check_basis(traverse: Traverse, flow: MeasuredAirflow) -> FlowCheck:
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
    elif not standard and abs(ratio - 1.0) > BASIS_MATTERS:
        ok = False
        which = f"probe {traverse.probe!r}" if traverse.probe else "this probe"
        text = (
            f"The basis is actual, and a thermal (hot-wire) probe reads standard velocity: if {which} is "
            f"one, standard gives {ratio - 1.0:+.1%} volume and is right; say it with basis (--basis)."
        )
    return FlowCheck(code="basis", ok=ok, text=text)


def check_air(traverse: Traverse) -> FlowCheck:
    """Whether somebody measured the air in the plane."""
    if not traverse.assumed:
        return FlowCheck(code="air", ok=True, text="The state of the air in the plane was measured or given.")
    text = (
        f"Nobody measured the {' and the '.join(traverse.assumed)} of the air in the plane: what is usual "
        "stands in, at a wider uncertainty; measure it and write it into the file."
    )
    return FlowCheck(code="air", ok=False, text=text)


def check_humidity(flow: MeasuredAirflow) -> FlowCheck:
    """Whether air that was heated can be as damp."""
    state = flow.state
    text = too_damp(state.temperature_c, state.humidity, state.pressure_pa)
    if text is not None:
        return FlowCheck(code="humidity", ok=False, text=text)
    return FlowCheck(code="humidity", ok=True, text="Nothing speaks against the humidity given.")


def check_inputs(traverse: Traverse) -> FlowCheck:
    """Whether numbers look like a fraction where percent is meant, or a side in another unit."""
    found = []
    if traverse.velocity_u95 < LEAST_U95:
        found.append(
            f"a u95 of {100.0 * traverse.velocity_u95:.2g} % is no probe's: velocity_u95_percent is in "
            "percent"
        )
    if 0.0 < traverse.humidity < LEAST_HUMIDITY:
        found.append(
            f"{100.0 * traverse.humidity:.2g} % humidity is drier than heated winter air: humidity_pct is in "
            "percent"
        )
    sides = traverse.duct.width_m, traverse.duct.height_m
    if traverse.duct.shape is DuctShape.RECTANGULAR and max(sides) > ASPECT_MOST * min(sides):
        found.append(f"one side is {max(sides) / min(sides):.0f} times the other: sides are in m")
    if found:
        return FlowCheck(code="inputs", ok=False, text=f"Check number and unit: {'; '.join(found)}.")
    return FlowCheck(code="inputs", ok=True, text="Probe's u95, humidity and sides are of a usual size.")
