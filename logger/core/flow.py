"""Dry-air flow from the airflow's source, carried from the traverse to the firing.

A constant-speed fan keeps the volume at its inlet; programmed-flow and torque drives nearly keep
the mass. A thermal probe reads the velocity of standard air of the same mass flow.
"""

from __future__ import annotations

from logger.core.air import humidity_ratio, volume_m3_kg
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
    None) and the fan's own rise in K (0 where unknown); None where the flow cannot be had.
    """

    def __init__(self, job: JobParams, flow: AirflowParams | None = None) -> None:
        flow = job.airflow if flow is None else flow
        self._flow: AirflowParams = flow
        self._draw_through = job.unit.fan is FanPosition.DRAW_THROUGH
        self._constant_speed = job.unit.fan_drive is FanDrive.CONSTANT_SPEED
        self._inlet_m3_s: float | None = None
        self.needs_velocity = flow.source is AirflowSource.PROBE
        self._mass_kg_s = flow.mass_kg_s
        if flow.source is AirflowSource.FIXED:
            self._pressure_pa = job.pressure_pa if flow.pressure_pa is None else flow.pressure_pa
            self._w = humidity_ratio(flow.temperature_c, flow.humidity, self._pressure_pa)
            self._v = volume_m3_kg(flow.temperature_c, self._w, self._pressure_pa)
            self._mass_kg_s = flow.volume_m3_s / self._v
            self._volume = self._constant_speed
        else:
            self._volume = False

    def dry_air(
        self,
        entering_c: float,
        supply_c: float,
        w: float,
        pressure_pa: float,
        velocity_m_s: float | None,
        fan_rise_k: float,
    ) -> float | None:
        """Kg/s of dry air now."""
        if self._volume:
            inlet_m3_s = self._inlet_m3_s
            if inlet_m3_s is None:
                inlet_m3_s = self._inlet(entering_c)
            inlet_c = supply_c - fan_rise_k if self._draw_through else entering_c
            return inlet_m3_s / float(volume_m3_kg(inlet_c, w, pressure_pa))
        if not self.needs_velocity:
            return self._mass_kg_s
        if velocity_m_s is None:
            return None
        flow = self._flow
        volume_m3_s = velocity_m_s * flow.area_m2 * flow.factor
        if flow.basis is VelocityBasis.STANDARD:
            return flow.reference_density_kg_m3 * volume_m3_s / (1.0 + w)
        at_c = supply_c if flow.at is Plane.SUPPLY else entering_c
        return volume_m3_s / float(volume_m3_kg(at_c, w, pressure_pa))

    def _inlet(self, entering_c: float) -> float:
        """Volume at the fan inlet during the traverse; found once, at the first entering air."""
        flow = self._flow
        hot = flow.at is Plane.SUPPLY and flow.temperature_c - entering_c > HOT_TRAVERSE_K
        inlet_c = entering_c if hot and not self._draw_through else flow.temperature_c
        self._inlet_m3_s = self._mass_kg_s * float(volume_m3_kg(inlet_c, self._w, self._pressure_pa))
        return self._inlet_m3_s
