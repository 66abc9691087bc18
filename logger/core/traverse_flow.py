"""From a traverse to the airflow, and from there to what the core computes with.

Velocities are averaged, never velocity pressures: each pressure becomes a velocity with the
density of the air in the plane. Standard and actual velocity as in ``core.heat``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logger.core.airflow import MeasuredAirflow, density_u, pressure_u_pa
from logger.core.budget import combine
from logger.core.carry import carry
from logger.core.errors import UsageError
from logger.core.params import AirflowParams, AirflowSource, Burner, FlowLine, Plane, UnitParams
from logger.core.readings import QUANTITIES, Quantity
from logger.core.texts import counted, temperature_text, velocity_text
from logger.core.traverse import Assumed, Traverse
from logger.core.traverse_budget import actual_velocity, air_state, density_power, traverse_lines

SAME_PRESSURE = 0.001  # fraction: a pressure as near to another is the same number, rounded (assumed)


def measure(traverse: Traverse) -> MeasuredAirflow:
    """The airflow of a traverse.

    Raises
    ------
    UsageError
        There is no point, or the points show no flow, or more than air in a duct can have.
    """
    if not traverse.points:
        raise UsageError("the traverse has no point yet: take some")
    state = air_state(traverse)
    velocity = np.array([actual_velocity(traverse, state, point) for point in traverse.points])
    mean_m_s = float(np.mean(velocity))
    if mean_m_s <= 0.0:
        raise UsageError(
            f"the mean velocity is {velocity_text(mean_m_s)}: the points show no flow along the duct; "
            "check the fan and which way the probe faces"
        )
    fastest, most_m_s = int(np.argmax(np.abs(velocity))), QUANTITIES[Quantity.VELOCITY].high
    if abs(velocity[fastest]) > most_m_s:
        raise UsageError(
            f"points[{fastest}] comes to {velocity_text(float(velocity[fastest]))}: no duct has more than "
            f"{velocity_text(most_m_s)}; check its value and unit, and temperature and pressure of the air"
        )
    lines = tuple(line for line in traverse_lines(traverse, state, velocity, mean_m_s) if line.u_w > 0.0)
    area_m2, rho = traverse.duct.area_m2, state.density_kg_m3
    standard_m_s = mean_m_s * rho / traverse.reference_density_kg_m3
    return MeasuredAirflow(
        state=state,
        volume_m3_s=mean_m_s * area_m2,
        standard_volume_m3_s=standard_m_s * area_m2,
        dry_air_kg_s=mean_m_s * area_m2 / state.volume_m3_kg,
        lines=lines,
        combined=combine(lines),
        area_m2=area_m2,
        mean_velocity_m_s=mean_m_s,
        mean_standard_velocity_m_s=standard_m_s,
        density_power=density_power(traverse, velocity),
    )


def has_own_pressure(traverse: Traverse, job_pa: float) -> bool:
    """Whether the traverse's pressure was had apart from the job's ``job_pa``."""
    return abs(traverse.pressure_pa - job_pa) > SAME_PRESSURE * job_pa


def airflow_params(
    traverse: Traverse, name: str, *, unit: UnitParams, at: Plane, burner: Burner, job_pa: float
) -> AirflowParams:
    """What the core computes with: the flow in plane ``at``, with its budget; ``name`` of the file.

    The density's line is that of temperature and humidity alone, by the power with which the job's
    dry mass goes with them; the pressure has a line of its own in the job's budget.

    Raises
    ------
    UsageError
        The traverse gives no airflow.
    """
    if Assumed.PRESSURE in traverse.assumed:  # the job's pressure stands in, and is no guess
        known = tuple(word for word in traverse.assumed if word is not Assumed.PRESSURE)
        traverse = replace(traverse, pressure_pa=job_pa, assumed=known)
    flow = measure(traverse)
    params = AirflowParams(
        source=AirflowSource.FIXED,
        u95=flow.u95,
        at=at,
        volume_m3_s=flow.volume_m3_s,
        temperature_c=traverse.temperature_c,
        humidity=traverse.humidity,
        pressure_pa=traverse.pressure_pa,
        pressure_u_pa=pressure_u_pa(traverse.pressure_from),
        own_pressure=has_own_pressure(traverse, job_pa),
        density_power=flow.density_power,
        burner=burner,
        inlet_c=traverse.inlet_temperature_c,
        basis=traverse.basis,
        reference_density_kg_m3=traverse.reference_density_kg_m3,
        origin=(
            f"Airflow from the traverse in {name} ({counted(len(traverse.points), 'point')}, "
            f"{traverse.method.value}): {volume_text(flow.volume_m3_s)} ± {flow.u95:.1%} at "
            f"{temperature_text(traverse.temperature_c)}. "
        ),
    )
    density = density_u(flow.state, traverse.assumed, pressure=False) * carry(unit, params).density_then
    lines = [
        FlowLine(source=line.source, u=line.u_w, nu=line.nu, assumed=line.assumed)
        for line in flow.lines
        if line.source != "density"
    ]
    if density > 0.0:
        lines.append(FlowLine(source="density", u=density, assumed=True))
    return replace(params, lines=tuple(lines))


def volume_text(volume_m3_s: float) -> str:
    """Volume flow in both unit systems. 1 ft = 0.3048 m exactly.

    >>> volume_text(0.873)
    '0.873 m3/s (1850 cfm)'
    """
    return f"{volume_m3_s:.3f} m3/s ({volume_m3_s / 0.3048**3 * 60.0:.0f} cfm)"
