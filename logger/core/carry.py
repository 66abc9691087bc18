"""How an airflow goes from where and when it was measured to the firing.

A constant-speed fan keeps the volume at its inlet; programmed-flow and torque drives nearly keep
the mass. Source: fan laws (ASHRAE Handbook HVAC Systems and Equipment, fans; recalled).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto
from math import log, sqrt

from logger.core.params import (
    AirflowParams,
    AirflowSource,
    Burner,
    FanDrive,
    FanPosition,
    JobParams,
    Plane,
    UnitParams,
    VelocityBasis,
)
from logger.core.units import ZERO_C_K

HEATED_PLANES = frozenset(
    {(FanPosition.BLOW_THROUGH, Plane.SUPPLY), (FanPosition.DRAW_THROUGH, Plane.RETURN)}
)
"""Fan and plane with the heating section between them."""

INLET_SPAN_K = {FanPosition.BLOW_THROUGH: 10.0, FanPosition.DRAW_THROUGH: 3.0}
"""K: how far the air at the fan inlet then may lie from what is taken for it: rooms warm up; one
burner's rise hardly changes (assumed)."""
GIVEN_INLET_U_K = 0.5  # K: of such a temperature where it was given (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Carry:
    """``holds_mass``: the mass is carried over, else a volume, that at the fan inlet.

    ``heated``: a constant-speed fan, with the burner on between it and the plane, so the plane's volume
    is not the fan's: the mass then goes with the temperature at the fan inlet then, of which
    ``inlet_u_k`` is the standard uncertainty. Where that was given, the fan's volume comes of it.
    Where not, that of a blow-through fan is taken to be the firing's, and that of a draw-through
    fan (``by_rise``) the plane's with the rise of the firing. ``fan_by_mass``: the mass in the fan
    phase stands for that of the firing, so both sides of the fan heat go by their masses.

    Powers with which the dry mass now goes: ``pressure_now`` with the pressure of the moment,
    ``pressure_then`` with that in the plane then, ``density_then`` (its amount) with the density
    then as temperature and humidity give it. ``reading``: power with which the volume goes with
    1 / density: 1 for standard velocities, 0.5 for velocity pressures, else 0.
    """

    holds_mass: bool
    heated: bool = False
    by_rise: bool = False
    fan_by_mass: bool = False
    inlet_u_k: float = 0.0
    reading: float = 0.0
    pressure_now: float = 0.0
    pressure_then: float = 0.0
    density_then: float = 0.0


def carry(unit: UnitParams, flow: AirflowParams) -> Carry:
    """How ``flow`` is carried over.

    Without a heating section at work between plane and fan the two volumes are one; the fan's own
    rise, about 1 K or 0.3 %, lies in the budget's carry-over. Where one pressure stands for both
    times, what it did to the volume then it undoes now.
    """
    if flow.source is AirflowSource.MASS:
        return Carry(holds_mass=True, fan_by_mass=unit.fan_drive is FanDrive.CONSTANT_SPEED)
    if flow.source is AirflowSource.PROBE:
        live = 1.0 if flow.basis is VelocityBasis.STANDARD else 0.0
        return Carry(holds_mass=False, reading=live, pressure_now=1.0 - live)
    constant = unit.fan_drive is FanDrive.CONSTANT_SPEED
    heated = constant and flow.burner is Burner.ON and (unit.fan, flow.at) in HEATED_PLANES
    given = flow.inlet_c is not None
    reading, holds_mass = flow.density_power, (heated and not given) or not constant
    now, then = 1.0 - reading, 0.0
    if flow.own_pressure:
        now, then = (1.0, -reading) if constant else (0.0, 1.0 - reading)
    return Carry(
        holds_mass=holds_mass,
        heated=heated,
        by_rise=heated and not given and unit.fan is FanPosition.DRAW_THROUGH,
        fan_by_mass=heated and not given,
        inlet_u_k=_inlet_u_k(unit, given=given) if heated else 0.0,
        reading=reading,
        pressure_now=now,
        pressure_then=then,
        density_then=1.0 - reading if heated or not constant else reading,
    )


def _inlet_u_k(unit: UnitParams, *, given: bool) -> float:
    """Rectangle where it was not given (GUM 4.3.7)."""
    return GIVEN_INLET_U_K if given else INLET_SPAN_K[unit.fan] / sqrt(3.0)


def burner_u(unit: UnitParams, flow: AirflowParams, entering_c: float, inlet_c: float) -> float:
    """Relative standard uncertainty of the mass where nobody said whether the burner was on; else 0.

    With it off the fan passed the plane's volume, with it on that times T at its inlet over T in the
    plane, then. The one is taken, the other is a bound on one side (GUM 4.3.7). Now: ``entering_c``,
    and ``inlet_c`` at the fan inlet.
    """
    if not flow.burner_open:
        return 0.0
    then_c = flow.inlet_c
    if then_c is None:
        by_rise = unit.fan is FanPosition.DRAW_THROUGH
        then_c = flow.temperature_c + inlet_c - entering_c if by_rise else inlet_c
    return abs(log((then_c + ZERO_C_K) / (flow.temperature_c + ZERO_C_K))) / sqrt(3.0)


class Dried(Enum):
    """Of what dried air an airflow is: the volume at the fan inlet or in its plane, or moist mass there."""

    INLET = auto()
    PLANE = auto()
    MASS = auto()


def dried(job: JobParams) -> Dried | None:
    """Where the flow was reckoned with the entering air's moisture, and the dried air's counts.

    Of a mass held from a traverse with the coil cold none does: it is had of the air in its plane. Where
    its inlet was told of a blow-through fan behind whose coil it was measured, the fan's volume came of
    dried air and is now that of the entering air: the same ratio once more.
    """
    flow, fan = job.airflow, job.unit.fan
    if flow.source is AirflowSource.PROBE:
        if flow.at is not Plane.SUPPLY:
            return None
        return Dried.MASS if flow.basis is VelocityBasis.STANDARD else Dried.PLANE
    carried = carry(job.unit, flow)
    if flow.source is not AirflowSource.FIXED or carried.holds_mass:
        return None
    return Dried.INLET if carried.heated is (fan is FanPosition.BLOW_THROUGH) else None
