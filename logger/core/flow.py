"""Dry-air flow from the airflow's source, carried from the traverse to the firing.

A thermal probe reads the velocity of standard air of the same mass flow. All that decides how a
flow is carried over is settled before the first reading: no step can come of it later.
"""

from __future__ import annotations

import numpy as np

from logger.core.air import Some, humidity_ratio, volume_m3_kg
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
        entering_c: Some,
        supply_c: Some,
        w: Some,
        pressure_pa: Some,
        velocity_m_s: Some | None,
        inlet_c: Some,
    ) -> Some | None:
        """Kg/s of dry air now; ``inlet_c`` is the air at the fan inlet. Of arrays one, nan where they are."""
        flow = self._flow
        if not self._measured:
            held = self._held(entering_c, w, pressure_pa, inlet_c)
            return held * _raised(pressure_pa / self._pressure_pa, self._power) if self._power else held
        if velocity_m_s is None:
            return None
        mean_m_s = velocity_m_s * flow.factor
        if flow.basis is VelocityBasis.STANDARD:
            return dry_air_from_standard_velocity(mean_m_s, flow.area_m2, flow.reference_density_kg_m3, w)
        at_c = supply_c if flow.at is Plane.SUPPLY else entering_c
        return mean_m_s * flow.area_m2 / volume_m3_kg(at_c, w, pressure_pa)

    def _held(self, entering_c: Some, w: Some, pressure_pa: Some, inlet_c: Some) -> Some:
        """Kg/s of an airflow that was measured before, at the pressure of then."""
        if not self._holds_mass:
            return self._volume_m3_s / volume_m3_kg(inlet_c, w, pressure_pa)
        if not self._by_rise:
            return self._mass_kg_s + 0.0 * inlet_c
        # the fan's volume stays: the mass goes with 1 / T at its inlet
        now_k, then_k = inlet_c + ZERO_C_K, self._flow.temperature_c + inlet_c - entering_c + ZERO_C_K
        return self._mass_kg_s * (then_k / now_k)


def _raised(ratio: Some, power: float) -> Some:
    """To a power; of an array each by itself, for the bits must not hang on how many there are."""
    if isinstance(ratio, np.ndarray):
        return np.array([one**power for one in ratio.tolist()])
    return float(ratio**power)
