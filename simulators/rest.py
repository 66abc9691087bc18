"""Where a unit ends up, whatever its kind: the equilibrium that a scenario's truth is made of."""

from __future__ import annotations

from simulators.calls import fan_share, full_input_w
from simulators.coil import CP_WATER_J_KG_K, Coil, passage, rest_surface_c
from simulators.moist_air import enthalpy_j_kg, heat_capacity_j_kg_k
from simulators.plant import PlantRun
from simulators.unit import Equilibrium, Fan, Plant, equilibrium


def rest_at(run: PlantRun, stage: int, end_s: float) -> Equilibrium:
    """Equilibrium of a stage with the air, the fan and the input that the run has just before ``end_s``."""
    plant, end = run.plant, int(run.t_s.searchsorted(end_s)) - 1
    fan = Fan(plant, float(run.mixed_w[end]), fan_share(plant, float(run.t_s[end])))
    input_w = full_input_w(plant, stage, float(run.t_s[end]))
    entering_c = float(run.mixed_c[end])
    if plant.coil is not None:
        return cooling_equilibrium(plant, plant.coil, input_w, entering_c, fan)
    return equilibrium(plant, input_w, entering_c, fan)


def cooling_equilibrium(
    plant: Plant, coil: Coil, called_w: float, entering_c: float, fan: Fan
) -> Equilibrium:
    """The coil at rest: what condenses drains, and its heat goes with it."""
    surface_c = rest_surface_c(plant, coil, called_w, entering_c, fan)
    air, _, _, (supply_c, supply_w) = passage(plant, coil, surface_c, entering_c, fan, 0.0)
    total_j_kg = enthalpy_j_kg(entering_c, fan.w) - enthalpy_j_kg(supply_c, supply_w)
    sensible_j_kg = heat_capacity_j_kg_k(supply_w) * (entering_c - supply_c)
    total_w = air.dry_air_kg_s * total_j_kg
    return Equilibrium(
        input_w=coil.taken_w(called_w, surface_c),
        output_w=total_w,
        air_heat_w=-total_w,
        fan_heat_w=air.fan_heat_w,
        casing_loss_w=plant.casing_w_k * (surface_c - plant.outdoor_c),
        return_c=entering_c,
        supply_c=supply_c,
        rise_k=supply_c - entering_c,
        dry_air_kg_s=air.dry_air_kg_s,
        sensible_w=air.dry_air_kg_s * sensible_j_kg,
        condensate_kg_s=air.dry_air_kg_s * (fan.w - supply_w),
        condensate_w=air.dry_air_kg_s * (fan.w - supply_w) * CP_WATER_J_KG_K * surface_c,
    )
