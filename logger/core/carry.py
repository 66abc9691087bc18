"""How an airflow goes from where and when it was measured to the firing.

A constant-speed fan keeps the volume at its inlet; programmed-flow and torque drives nearly keep
the mass. Source: fan laws (ASHRAE Handbook HVAC Systems and Equipment, fans; recalled).
"""

from __future__ import annotations

from dataclasses import dataclass

from logger.core.params import (
    AirflowParams,
    AirflowSource,
    Burner,
    FanDrive,
    FanPosition,
    Plane,
    UnitParams,
    VelocityBasis,
)

HEATED_PLANES = frozenset(
    {(FanPosition.BLOW_THROUGH, Plane.SUPPLY), (FanPosition.DRAW_THROUGH, Plane.RETURN)}
)
"""Fan and plane with the heating section between them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Carry:
    """``holds_mass``: the mass is carried over, else the plane's volume as that at the fan inlet.

    Powers with which the dry mass now goes: ``pressure_now`` with the pressure of the moment,
    ``pressure_then`` with that in the plane then, ``density_then`` (its amount) with the density
    then as temperature and humidity give it. ``reading``: power with which the volume goes with
    1 / density: 1 for standard velocities, 0.5 for velocity pressures, else 0.
    """

    holds_mass: bool
    reading: float = 0.0
    pressure_now: float = 0.0
    pressure_then: float = 0.0
    density_then: float = 0.0


def carry(unit: UnitParams, flow: AirflowParams) -> Carry:
    """How ``flow`` is carried over.

    With the burner on and the heating section between plane and fan, the plane's volume is not the
    fan's: its mass is that of a firing. In every other case the two volumes are one; the fan's own
    rise, about 1 K or 0.3 %, lies in the budget's carry-over. Where one pressure stands for both
    times, what it did to the volume then it undoes now.
    """
    if flow.source is AirflowSource.MASS:
        return Carry(holds_mass=True)
    if flow.source is AirflowSource.PROBE:
        live = 1.0 if flow.basis is VelocityBasis.STANDARD else 0.0
        return Carry(holds_mass=False, reading=live, pressure_now=1.0 - live)
    constant = unit.fan_drive is FanDrive.CONSTANT_SPEED
    heated = flow.burner is Burner.ON and (unit.fan, flow.at) in HEATED_PLANES
    reading, holds_mass = flow.density_power, heated or not constant
    now, then = 1.0 - reading, 0.0
    if flow.own_pressure:
        now, then = (1.0, -reading) if constant else (0.0, 1.0 - reading)
    return Carry(
        holds_mass=holds_mass,
        reading=reading,
        pressure_now=now,
        pressure_then=then,
        density_then=1.0 - reading if holds_mass else reading,
    )
