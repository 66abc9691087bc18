"""From a traverse to the airflow, and from there to what the core computes with.

Velocities are averaged, never velocity pressures: each pressure becomes a velocity with the
density of the air in the plane. Standard and actual velocity as in ``core.heat``.
"""

from __future__ import annotations

import numpy as np

from logger.core.airflow import MeasuredAirflow
from logger.core.budget import combine
from logger.core.errors import UsageError
from logger.core.params import AirflowParams, AirflowSource, FlowLine, Plane
from logger.core.traverse import Traverse
from logger.core.traverse_budget import actual_velocity, air_state, traverse_lines


def measure(traverse: Traverse) -> MeasuredAirflow:
    """The airflow of a traverse.

    Raises
    ------
    UsageError
        There is no point, or the points show no flow.
    """
    if not traverse.points:
        raise UsageError("the traverse has no point yet: take some")
    state = air_state(traverse)
    velocity = np.array([actual_velocity(traverse, state, point) for point in traverse.points])
    mean_m_s = float(np.mean(velocity))
    if mean_m_s <= 0.0:
        raise UsageError(
            f"the mean velocity is {mean_m_s:.2f} m/s: the points show no flow along the duct; "
            "check the fan and which way the probe faces"
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
    )


def airflow_params(traverse: Traverse, at: Plane, name: str) -> AirflowParams:
    """What the core computes with: the flow in plane ``at``, with its budget; ``name`` of the file.

    Raises
    ------
    UsageError
        The traverse gives no airflow.
    """
    flow = measure(traverse)
    return AirflowParams(
        source=AirflowSource.FIXED,
        u95=flow.u95,
        at=at,
        volume_m3_s=flow.volume_m3_s,
        temperature_c=traverse.temperature_c,
        humidity=traverse.humidity,
        pressure_pa=traverse.pressure_pa,
        basis=traverse.basis,
        reference_density_kg_m3=traverse.reference_density_kg_m3,
        lines=tuple(
            FlowLine(source=line.source, u=line.u_w, nu=line.nu, assumed=line.assumed) for line in flow.lines
        ),
        origin=(
            f"Airflow from the traverse in {name} ({len(traverse.points)} points, {traverse.method.value}): "
            f"{volume_text(flow.volume_m3_s)} ± {flow.u95:.1%} at {traverse.temperature_c:.1f} °C "
            f"({traverse.temperature_c * 1.8 + 32.0:.1f} °F). "
        ),
    )


def volume_text(volume_m3_s: float) -> str:
    """Volume flow in both unit systems. 1 ft = 0.3048 m exactly.

    >>> volume_text(0.873)
    '0.873 m3/s (1850 cfm)'
    """
    return f"{volume_m3_s:.3f} m3/s ({volume_m3_s / 0.3048**3 * 60.0:.0f} cfm)"
