"""Dry-air flow from the airflow's source, carried from the traverse to the firing.

A constant-speed fan keeps the volume at its inlet; programmed-flow and torque drives nearly keep
the mass. A thermal probe reads the velocity of standard air of the same mass flow.
"""

from __future__ import annotations

from logger.core.air import humidity_ratio
from logger.core.heat import dry_air_flow_kg_s, dry_air_from_standard_velocity
from logger.core.params import (
    AirflowParams,
    AirflowSource,
    FanDrive,
    FanPosition,
    JobParams,
    Plane,
    VelocityBasis,
)

HOT_TRAVERSE_K = 10.0  # K above entering: the burner was on during the traverse (assumed)
NO_FLOW_M_S = 0.3  # m/s: below it a duct probe shows no flow (assumed; thermal probes stop near it)


class AirflowLaw:
    """Turns the state of one moment into kg/s of dry air.

    ``dry_air`` takes temperatures in degC, the humidity ratio, Pa, the velocity in m/s (or
    None) and the temperature at the fan inlet; None where the flow cannot be had.
    """

    def __init__(self, job: JobParams, flow: AirflowParams | None = None) -> None:
        flow = job.airflow if flow is None else flow
        self._flow: AirflowParams = flow
        self._draw_through = job.unit.fan is FanPosition.DRAW_THROUGH
        self._holds_volume = job.unit.fan_drive is FanDrive.CONSTANT_SPEED
        self._w = humidity_ratio(flow.temperature_c, flow.humidity, flow.pressure_pa or job.pressure_pa)

    def dry_air(
        self,
        entering_c: float,
        supply_c: float,
        w: float,
        pressure_pa: float,
        velocity_m_s: float | None,
        inlet_c: float,
    ) -> float | None:
        """Kg/s of dry air now; ``inlet_c`` is the air at the fan inlet."""
        flow = self._flow
        if flow.source is AirflowSource.FIXED:
            if self._holds_volume and not self._was_hot(entering_c):
                return dry_air_flow_kg_s(flow.volume_m3_s, inlet_c, w, pressure_pa)
            then_pa = pressure_pa if flow.pressure_pa is None else flow.pressure_pa
            return dry_air_flow_kg_s(flow.volume_m3_s, flow.temperature_c, self._w, then_pa)
        if flow.source is AirflowSource.MASS:
            return flow.mass_kg_s
        if velocity_m_s is None:
            return None
        mean_m_s = velocity_m_s * flow.factor
        if flow.basis is VelocityBasis.STANDARD:
            return dry_air_from_standard_velocity(mean_m_s, flow.area_m2, flow.reference_density_kg_m3, w)
        at_c = supply_c if flow.at is Plane.SUPPLY else entering_c
        return dry_air_flow_kg_s(mean_m_s * flow.area_m2, at_c, w, pressure_pa)

    def _was_hot(self, entering_c: float) -> bool:
        """Whether the traverse was taken in hot supply air before the fan, that is while firing.

        Then its mass is that of a firing with this entering air: nothing is to be carried over.
        With the burner off, or the fan behind the heat, its volume is that of the fan inlet.
        """
        flow = self._flow
        hot = flow.at is Plane.SUPPLY and flow.temperature_c - entering_c > HOT_TRAVERSE_K
        return hot and not self._draw_through
