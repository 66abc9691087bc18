"""Dry-air flow from the airflow's source, carried from the traverse to the firing.

A thermal probe reads the velocity of standard air of the same mass flow. All that decides how a
flow is carried over is settled before the first reading: no step can come of it later.
"""

from __future__ import annotations

from logger.core.air import humidity_ratio, volume_m3_kg
from logger.core.carry import carry
from logger.core.heat import dry_air_flow_kg_s, dry_air_from_standard_velocity
from logger.core.params import AirflowParams, AirflowSource, JobParams, Plane, VelocityBasis
from logger.core.units import ZERO_C_K

NO_FLOW_M_S = 0.3  # m/s: below it a duct probe shows no flow (assumed; thermal probes stop near it)


class AirflowLaw:
    """Turns the state of one moment into kg/s of dry air.

    ``dry_air`` takes temperatures in degC, the humidity ratio, Pa, the velocity in m/s (or
    None) and the temperature at the fan inlet; None where the flow cannot be had.
    """

    def __init__(self, job: JobParams, flow: AirflowParams | None = None) -> None:
        flow = job.airflow if flow is None else flow
        self._flow: AirflowParams = flow
        self._measured = flow.source is AirflowSource.PROBE
        self._pressure_pa = job.pressure_pa if flow.pressure_pa is None else flow.pressure_pa
        carried = carry(job.unit, flow)
        self._holds_mass = carried.holds_mass
        self._by_rise = carried.by_rise
        self._mass_kg_s, self._volume_m3_s = flow.mass_kg_s, flow.volume_m3_s
        self._power = 0.0  # of the pressure now over that then, on what is held
        if flow.source is AirflowSource.FIXED:
            w = humidity_ratio(flow.temperature_c, flow.humidity, self._pressure_pa)
            self._mass_kg_s = dry_air_flow_kg_s(flow.volume_m3_s, flow.temperature_c, w, self._pressure_pa)
            self._power = carried.pressure_now - (0.0 if self._holds_mass else 1.0)
            if carried.heated and flow.inlet_c is not None:
                self._volume_m3_s = self._mass_kg_s * float(volume_m3_kg(flow.inlet_c, w, self._pressure_pa))

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
        if not self._measured:
            held = self._mass_kg_s
            if not self._holds_mass:
                held = dry_air_flow_kg_s(self._volume_m3_s, inlet_c, w, pressure_pa)
            elif self._by_rise:  # the fan's volume stays: the mass goes with 1 / T at its inlet
                held *= (flow.temperature_c + inlet_c - entering_c + ZERO_C_K) / (inlet_c + ZERO_C_K)
            return held * (pressure_pa / self._pressure_pa) ** self._power if self._power else held
        if velocity_m_s is None:
            return None
        mean_m_s = velocity_m_s * flow.factor
        if flow.basis is VelocityBasis.STANDARD:
            return dry_air_from_standard_velocity(mean_m_s, flow.area_m2, flow.reference_density_kg_m3, w)
        at_c = supply_c if flow.at is Plane.SUPPLY else entering_c
        return dry_air_flow_kg_s(mean_m_s * flow.area_m2, at_c, w, pressure_pa)
