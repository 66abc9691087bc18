"""Heat and water of every scenario, node by node and in sum, closed to 0.1 % of what went through.

Enthalpies are psychrolib's (ASHRAE Fundamentals ch. 1), not the plant's own.
"""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest

from simulators.plant import STEP_S, PlantRun, simulate
from simulators.scenarios import SCENARIOS
from simulators.unit import Kind, stream

psychrolib.SetUnitSystem(psychrolib.SI)
CLOSED = 1e-3  # of the heat or water that went through
AIR_J_M3_K = 1200.0  # 1.2 kg/m3 x 1006 J/(kg K), rounded
CP_WATER = 4186.0  # J/(kg K)
HEATERS = [n for n, s in SCENARIOS.items() if s.plant.kind is not Kind.COOLING]
COOLERS = [n for n, s in SCENARIOS.items() if s.plant.kind is Kind.COOLING]
LOOPS = [n for n, s in SCENARIOS.items() if not s.plant.return_profile]

enthalpy = np.vectorize(psychrolib.GetMoistAirEnthalpy)


def run_of(name: str) -> PlantRun:
    return simulate(SCENARIOS[name].plant, SCENARIOS[name].timeline)


def total(run: PlantRun, rate: np.ndarray) -> float:
    """Integral: trapezoids within spans of one state of the fan, left-hand where it switches."""
    same = run.fan[1:] == run.fan[:-1]
    return float(np.where(same, (rate[1:] + rate[:-1]) / 2.0, rate[:-1]).sum() * STEP_S)


def held(rate: np.ndarray) -> float:
    """Integral of what holds from a grid point to the next."""
    return float(rate[:-1].sum() * STEP_S)


def gained_w(run: PlantRun) -> np.ndarray:
    return run.dry_air_kg_s * (enthalpy(run.supply_c, run.supply_w) - enthalpy(run.mixed_c, run.mixed_w))


def stored_in_heater_j(run: PlantRun) -> float:
    """Metal, the air between it, and the cabinet."""
    plant, fan = run.plant, np.flatnonzero(run.fan)
    assert not (plant.slow and plant.air_m3), "the air node is behind the cabinet: not told by the run"
    stored_j = plant.metal_j_k * (run.metal_c[-1] - run.metal_c[0])
    if plant.slow is not None:
        slow_w_k = plant.slow.share * stream(plant, plant.room_c).capacity_w_k
        stored_j += slow_w_k * plant.slow.time_constant_s * (run.slow_c[-1] - run.slow_c[0])
    return stored_j + plant.air_m3 * AIR_J_M3_K * (run.supply_c[fan[-1]] - run.metal_c[0])


def stored_in_coil_j(run: PlantRun) -> float:
    """Fins and tubes, and the water on them."""
    assert run.plant.coil is not None
    content_j = (run.plant.coil.metal_j_k + CP_WATER * run.water_kg) * run.metal_c
    return float(content_j[-1] - content_j[0])


def register_w(run: PlantRun) -> tuple[np.ndarray, np.ndarray]:
    """Heat that the supply duct loses, and what the room gets (ASHRAE ch. 1 eq. (30) for the capacity)."""
    plant = run.plant
    rate_w_k = run.dry_air_kg_s * (1006.0 + 1860.0 * run.supply_w)
    kept = np.exp(-plant.supply_duct_w_k / np.where(rate_w_k > 0.0, rate_w_k, np.inf))
    at_register_c = plant.outdoor_c + (run.supply_c - plant.outdoor_c) * kept
    arriving = 1.0 - plant.supply_leak
    drawn_in = max(0.0, plant.supply_leak - plant.outdoor_share)
    got_w = arriving * (at_register_c - run.room_c) + drawn_in * (plant.outdoor_c - run.room_c)
    return rate_w_k * (run.supply_c - at_register_c), rate_w_k * got_w


@pytest.mark.parametrize("name", HEATERS)
def test_heat_of_the_unit(name: str) -> None:
    run = run_of(name)
    given_j = held(run.output_w) + total(run, run.fan_heat_w)
    taken_j = total(run, gained_w(run)) + total(run, run.casing_loss_w) + total(run, run.still_w)
    through_j = held(np.abs(run.output_w))
    assert given_j - taken_j - stored_in_heater_j(run) == pytest.approx(0.0, abs=CLOSED * through_j)
    flue_w = run.input_w - run.output_w
    np.testing.assert_allclose(flue_w, run.plant.flue_loss * run.input_w, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("name", COOLERS)
def test_heat_and_water_of_the_coil(name: str) -> None:
    run = run_of(name)
    drained_kg = run.drained_kg_s[1:] * STEP_S  # of the step from one grid point to the next
    caught_kg_s = run.dry_air_kg_s * (run.mixed_w - run.supply_w)
    assert held(caught_kg_s) == pytest.approx(
        run.water_kg[-1] - run.water_kg[0] + drained_kg.sum(), rel=CLOSED, abs=1e-9
    )
    into_j = held(run.fan_heat_w - gained_w(run)) - held(run.casing_loss_w) - held(run.still_w)
    drain_j = float((drained_kg * CP_WATER * run.metal_c[:-1]).sum())
    left_j = into_j - held(run.output_w) - drain_j - stored_in_coil_j(run)
    assert left_j == pytest.approx(0.0, abs=CLOSED * held(run.output_w))


@pytest.mark.parametrize("name", SCENARIOS)
def test_what_enters_is_return_and_outdoor_air(name: str) -> None:
    run = run_of(name)
    plant, on = run.plant, np.flatnonzero(run.fan)[::50]
    share = plant.outdoor_share
    outdoor_j_kg = psychrolib.GetMoistAirEnthalpy(plant.outdoor_c, plant.outdoor_humidity_ratio)
    expected = (1.0 - share) * enthalpy(run.return_c, run.return_w) + share * outdoor_j_kg
    np.testing.assert_allclose(enthalpy(run.mixed_c, run.mixed_w)[on], expected[on], rtol=1e-9)
    water = (1.0 - share) * run.return_w + share * plant.outdoor_humidity_ratio
    np.testing.assert_allclose(run.mixed_w[on], water[on], rtol=1e-12)


@pytest.mark.parametrize("name", SCENARIOS)
def test_heat_of_the_room(name: str) -> None:
    run = run_of(name)
    plant = run.plant
    _, got_w = register_w(run)
    lost_w = plant.room_loss_w_k * (run.room_c - plant.outdoor_c) - plant.room_gain_w
    stored_j = plant.room_j_k * (run.room_c[-1] - run.room_c[0])
    through_j = total(run, np.abs(got_w)) + total(run, np.abs(lost_w))
    assert total(run, got_w - lost_w) == pytest.approx(stored_j, abs=CLOSED * through_j)


@pytest.mark.parametrize("name", [n for n, s in SCENARIOS.items() if s.plant.moisture])
def test_water_of_the_room(name: str) -> None:
    run = run_of(name)
    plant, moisture = run.plant, run.plant.moisture
    assert moisture is not None
    leak, share = plant.supply_leak, plant.outdoor_share
    brought = (1.0 - leak) * (run.supply_w - run.return_w)
    brought = brought + max(0.0, leak - share) * (plant.outdoor_humidity_ratio - run.return_w)
    rate_kg_s = run.dry_air_kg_s * brought + moisture.gain_kg_s
    stored_kg = moisture.air_kg * (run.return_w[-1] - run.return_w[0])
    through_kg = held(np.abs(run.dry_air_kg_s * brought)) + moisture.gain_kg_s * run.t_s[-1]
    assert held(rate_kg_s) == pytest.approx(stored_kg, abs=CLOSED * through_kg + 1e-12)


def test_every_scenario_is_balanced() -> None:
    """A scenario that is added is here by itself: where the return is given no room closes the sum."""
    assert set(HEATERS) | set(COOLERS) == set(SCENARIOS)
    assert set(SCENARIOS) - set(LOOPS) == {"flat-supply"}


@pytest.mark.parametrize("name", LOOPS)
def test_heat_in_sum(name: str) -> None:
    """Refrigerant or flame, fan, people = casing, ducts, walls, outdoor air, leaks, condensate, still air and
    what all nodes keep. Enthalpies are psychrolib's, so what moisture carries is in it."""
    run = run_of(name)
    plant, kg_s = run.plant, run.dry_air_kg_s
    leak, share = plant.supply_leak, plant.outdoor_share
    rate_w_k = kg_s * (1006.0 + 1860.0 * run.supply_w)  # ASHRAE ch. 1 eq. (30)
    register_c = run.supply_c - register_w(run)[0] / np.where(rate_w_k > 0.0, rate_w_k, np.inf)
    outdoor_j_kg = psychrolib.GetMoistAirEnthalpy(plant.outdoor_c, plant.outdoor_humidity_ratio)
    room_j_kg = enthalpy(run.room_c, run.return_w)
    ducts_w = (1.0 - share) * (room_j_kg - enthalpy(run.return_c, run.return_w))
    ducts_w = ducts_w + enthalpy(run.supply_c, run.supply_w) - enthalpy(register_c, run.supply_w)
    away_w = leak * enthalpy(register_c, run.supply_w) + max(0.0, share - leak) * room_j_kg
    fetched = share + max(0.0, leak - share)
    air_w = kg_s * (ducts_w + away_w - fetched * outdoor_j_kg)
    walls_w = plant.room_loss_w_k * (run.room_c - plant.outdoor_c) - plant.room_gain_w
    damp_j_kg = 2_501_000.0 + 1860.0 * run.room_c  # of vapour at the room's temperature, same eq. (30)
    stored_j = plant.room_j_k * (run.room_c[-1] - run.room_c[0])
    breath_w = np.zeros_like(kg_s)
    if plant.moisture is not None:
        breath_w = plant.moisture.gain_kg_s * damp_j_kg
        stored_j += plant.moisture.air_kg * float((damp_j_kg[:-1] * np.diff(run.return_w)).sum())
    if plant.coil is None:
        given_j = held(run.output_w) + total(run, run.fan_heat_w)
        stored_j += stored_in_heater_j(run)
    else:  # of the step from one grid point to the next
        drain_j = float((run.drained_kg_s[1:] * STEP_S * CP_WATER * run.metal_c[:-1]).sum())
        given_j = held(run.fan_heat_w) - held(run.output_w) - drain_j
        stored_j += stored_in_coil_j(run)
    given_j += held(breath_w)
    lost_j = total(run, air_w) + total(run, walls_w) + total(run, run.casing_loss_w + run.still_w)
    through_j = held(np.abs(run.output_w)) + total(run, np.abs(walls_w))
    assert given_j - lost_j - stored_j == pytest.approx(0.0, abs=CLOSED * through_j)
