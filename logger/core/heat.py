"""Heat taken up by the air, its dry mass, and the states between. Plain floats: called every tick.

The humidity ratio ``w`` (kg water per kg dry air) is had at the entering air and HELD through the
heating section; relative humidity never is: holding it would add moisture that is not there.
Source: ASHRAE Handbook Fundamentals ch. 1 (moist air; adiabatic mixing of two streams).
"""

from __future__ import annotations

from logger.core.air import Some, enthalpy_j_kg, temperature_c, volume_m3_kg

WATER_CP_RATIO = 1.86 / 1.006  # d ln(dh) / dW, from h = 1.006 T + W (2501 + 1.86 T)
SHORTCUT_J_M3_K = 0.075 * 16.018463374 * 0.240 * 4186.8  # standard air 0.075 lb/ft3 x 0.240 Btu/(lb F), in SI


def dry_air_flow_kg_s(volume_m3_s: float, temp_c: float, w: float, pressure_pa: float) -> float:
    """Dry air in a volume flow, at the state where the volume was measured."""
    return volume_m3_s / volume_m3_kg(temp_c, w, pressure_pa)


def air_heat_w(dry_air_kg_s: Some, entering_c: Some, supply_c: Some, w: Some) -> Some:
    """Heat taken up by the air between two probes, at constant humidity ratio; fan included."""
    return dry_air_kg_s * (enthalpy_j_kg(supply_c, w) - enthalpy_j_kg(entering_c, w))


def shortcut_w(volume_m3_s: float, rise_k: float) -> float:
    """Heat by the standard-air shortcut, for comparison only.

    In its own units: 60 min/h x 0.075 lb/ft3 x 0.240 Btu/(lb F) = 1.08 Btu/(h cfm F).

    >>> round(shortcut_w(1.0, 1.0), 1)
    1207.2
    """
    return SHORTCUT_J_M3_K * volume_m3_s * rise_k


def standard_to_actual_velocity(
    velocity_std_m_s: float, density_std_kg_m3: float, density_kg_m3: float
) -> float:
    """Velocity of the air itself from that of standard air of the same mass flow, m/s."""
    return velocity_std_m_s * density_std_kg_m3 / density_kg_m3


def dry_air_from_standard_velocity(
    velocity_std_m_s: Some, area_m2: float, density_std_kg_m3: float, w: Some
) -> Some:
    """Dry air flow, kg/s, from a standard velocity: that product is MOIST mass, (1 + w) of it dry."""
    return density_std_kg_m3 * velocity_std_m_s * area_m2 / (1.0 + w)


def mix_air(
    outdoor_fraction: float, return_c: float, return_w: float, outdoor_c: float, outdoor_w: float
) -> tuple[float, float]:
    """Temperature, degC, and humidity ratio of return air mixed with outdoor air, no heat lost.

    ``outdoor_fraction``: share of outdoor air in the dry mass, 0..1. Enthalpy and water are
    conserved; fog is not modelled (a mix beyond saturation is given as if it were clear).
    """
    rest = 1.0 - outdoor_fraction
    w = rest * return_w + outdoor_fraction * outdoor_w
    h = rest * enthalpy_j_kg(return_c, return_w) + outdoor_fraction * enthalpy_j_kg(outdoor_c, outdoor_w)
    mixed_c: float = temperature_c(h, w)
    return mixed_c, w
