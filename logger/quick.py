"""Output from typed values: the computation behind `riselog output`, by the core's own formulas."""

from __future__ import annotations

import math
from typing import TypedDict

from logger.core import air, heat
from logger.core.errors import UsageError
from logger.core.params import Plane
from logger.core.readings import QUANTITIES, Quantity, in_range

SCHEMA = "riselog.output/1"
SEA_LEVEL_PA = air.standard_pressure_pa(0.0)
RETURN_MAX_C = 60.0  # degC, assumed: no unit takes warmer air, and water is far from boiling there


class QuickOutput(TypedDict):
    """The document `riselog.output/1`; SI, ``airflow_m3_s`` and ``shortcut_w`` at the return state."""

    schema: str
    dry_air_kg_s: float
    airflow_m3_s: float
    humidity_ratio: float
    pressure_pa: float
    rise_k: float
    air_heat_w: float
    fan_heat_w: float
    casing_loss_w: float
    output_w: float
    shortcut_w: float


def quick_output(
    *,
    airflow_m3_s: float | None = None,
    dry_air_kg_s: float | None = None,
    at: Plane = Plane.RETURN,
    return_c: float,
    supply_c: float,
    humidity: float = 0.5,
    pressure_pa: float = SEA_LEVEL_PA,
    fan_heat_w: float = 0.0,
    casing_loss_w: float = 0.0,
) -> QuickOutput:
    """Heating output = air heat - fan heat + casing loss, from one set of typed values.

    The airflow is either a volume, at the state ``at``, or a mass of dry air. ``humidity`` is the
    return air's relative humidity, a fraction; its humidity ratio is held to the supply. Fan heat
    and casing loss count as nothing unless given. Raises UsageError where no heating unit has such values.
    """
    _check_airflow(airflow_m3_s, dry_air_kg_s)
    _check_air(return_c, supply_c, humidity, pressure_pa)
    _check_heat(fan_heat_w, casing_loss_w)
    w = air.humidity_ratio(return_c, humidity, pressure_pa)
    if dry_air_kg_s is None:
        measured_c = return_c if at is Plane.RETURN else supply_c
        dry_air_kg_s = heat.dry_air_flow_kg_s(airflow_m3_s or 0.0, measured_c, w, pressure_pa)
    return_m3_s = dry_air_kg_s * air.volume_m3_kg(return_c, w, pressure_pa)
    air_heat_w = heat.air_heat_w(dry_air_kg_s, return_c, supply_c, w)
    return QuickOutput(
        schema=SCHEMA,
        dry_air_kg_s=dry_air_kg_s,
        airflow_m3_s=return_m3_s,
        humidity_ratio=w,
        pressure_pa=pressure_pa,
        rise_k=supply_c - return_c,
        air_heat_w=air_heat_w,
        fan_heat_w=fan_heat_w,
        casing_loss_w=casing_loss_w,
        output_w=air_heat_w - fan_heat_w + casing_loss_w,
        shortcut_w=heat.shortcut_w(return_m3_s, supply_c - return_c),
    )


def _check_airflow(airflow_m3_s: float | None, dry_air_kg_s: float | None) -> None:
    if airflow_m3_s is not None and dry_air_kg_s is not None:
        raise UsageError("the airflow was given twice, as a volume and as a mass: leave one out")
    flow = airflow_m3_s if dry_air_kg_s is None else dry_air_kg_s
    if flow is None:
        raise UsageError("no airflow: give it as a volume (1850 cfm, 0.87 m3/s) or as dry air (1.02 kg/s)")
    if not (math.isfinite(flow) and flow > 0.0):
        raise UsageError(f"the airflow is {flow:g}: give a number above 0")


def _check_air(return_c: float, supply_c: float, humidity: float, pressure_pa: float) -> None:
    coldest_c = QUANTITIES[Quantity.TEMPERATURE].low
    if not coldest_c <= return_c <= RETURN_MAX_C:
        raise UsageError(
            f"the return temperature is {return_c:g} °C: "
            f"give one from {coldest_c:g} to {RETURN_MAX_C:g} °C, with its unit"
        )
    if supply_c < return_c:
        raise UsageError(
            f"the supply ({supply_c:g} °C) is below the return ({return_c:g} °C): "
            "this is for heating only; check whether the two were swapped"
        )
    if not in_range(Quantity.TEMPERATURE, supply_c):
        limit_c = QUANTITIES[Quantity.TEMPERATURE].high
        raise UsageError(f"the supply temperature is {supply_c:g} °C: give one below {limit_c:g} °C")
    if not 0.0 <= humidity <= 1.0:
        raise UsageError(f"the humidity is {humidity:.4g} as a fraction: give one from 0 % to 100 %")
    if not in_range(Quantity.PRESSURE, pressure_pa):
        low_pa, high_pa = QUANTITIES[Quantity.PRESSURE].low, QUANTITIES[Quantity.PRESSURE].high
        raise UsageError(
            f"the air pressure is {pressure_pa / 1000:g} kPa: "
            f"give the site's own, from {low_pa / 1000:g} to {high_pa / 1000:g} kPa"
        )


def _check_heat(fan_heat_w: float, casing_loss_w: float) -> None:
    for what, value_w in (("fan heat", fan_heat_w), ("casing loss", casing_loss_w)):
        if not (math.isfinite(value_w) and value_w >= 0.0):
            raise UsageError(f"the {what} is {value_w:g} W: give 0 W or more, or leave it out")
