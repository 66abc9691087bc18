"""The plant against balances, closed forms and its own equilibrium."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from logger.core.readings import Quantity
from simulators.heater import decays, relax
from simulators.plant import SIGNALS, STEP_S, PlantRun, simulate
from simulators.scenarios import UNIT
from simulators.unit import Limit, Plant, SlowNode, Timeline, equilibrium, stream

psychrolib.SetUnitSystem(psychrolib.SI)

STEADY_RETURN = replace(UNIT, return_profile=((0.0, 20.0), (1.0, 20.0)))
LONG = Timeline(duration_s=6000.0, fan=((0.0, 6001.0),), burner=((600.0, 6000.0, 0),))


def air_heat_w(run: PlantRun) -> np.ndarray:
    """Heat taken up by the air as psychrolib has it, from temperatures and dry-air flow alone."""
    enthalpy = np.vectorize(lambda t_c: psychrolib.GetMoistAirEnthalpy(t_c, run.plant.humidity_ratio))
    return run.dry_air_kg_s * (enthalpy(run.supply_c) - enthalpy(run.return_c))


def assert_heat_is_conserved(run: PlantRun) -> None:
    """First law over the whole run: burner + fan = air + casing + still air + stored.

    Trapezoids within spans of one state of the fan; the input holds over each step.
    """
    plant = run.plant
    same = run.fan[1:] == run.fan[:-1]

    def joules(power_w: np.ndarray) -> float:
        inner = np.where(same, (power_w[1:] + power_w[:-1]) / 2.0, power_w[:-1])
        return float(inner.sum() * STEP_S)

    burner_j = float(run.input_w[:-1].sum() * STEP_S) * (1.0 - plant.flue_loss)
    stored_j = plant.metal_j_k * (run.metal_c[-1] - run.metal_c[0])
    if plant.slow is not None:
        slow_w_k = plant.slow.share * stream(plant, float(plant.room_c)).capacity_w_k
        stored_j += slow_w_k * plant.slow.time_constant_s * (run.slow_c[-1] - run.slow_c[0])
    out_j = joules(air_heat_w(run)) + joules(run.casing_loss_w) + joules(run.still_w) + stored_j
    assert out_j == pytest.approx(burner_j + joules(run.fan_heat_w), rel=1e-3)


@pytest.mark.parametrize("stop_s", [700.0, 900.0, 1500.0])
def test_heat_is_conserved_with_the_metal_still_hot(stop_s: float) -> None:
    # Ending in mid-firing puts a good part of the heat into store: a wrong store would show.
    plant = replace(UNIT, slow=SlowNode(share=0.1, time_constant_s=900.0))
    assert_heat_is_conserved(
        simulate(plant, Timeline(duration_s=stop_s, fan=((60.0, stop_s + 1),), burner=((400.0, stop_s, 0),)))
    )


@settings(max_examples=25, deadline=None)
@given(
    tau_s=st.floats(30.0, 400.0),
    hx_w_k=st.floats(40.0, 400.0),
    casing_w_k=st.floats(0.0, 5.0),
    volume_m3_s=st.floats(0.3, 3.0),
    room_j_k=st.floats(1e6, 1e8),
)
def test_heat_is_conserved_in_any_unit(
    tau_s: float, hx_w_k: float, casing_w_k: float, volume_m3_s: float, room_j_k: float
) -> None:
    plant = replace(
        UNIT,
        time_constant_s=tau_s,
        hx_w_k=hx_w_k,
        casing_w_k=casing_w_k,
        volume_m3_s=volume_m3_s,
        room_j_k=room_j_k,
    )
    timeline = Timeline(duration_s=500.0, fan=((20.0, 450.0),), burner=((100.0, 300.0, 0),))
    assert_heat_is_conserved(simulate(plant, timeline))


@pytest.mark.parametrize("tau_s", [60.0, 120.0, 200.0, 300.0])
def test_rise_follows_the_first_order_step_response(tau_s: float) -> None:
    # Derivation: C dT/dt = P - (G + K)(T - T_rest), constants held, so the heat given to the air
    # goes from q0 to q1 as q1 + (q0 - q1) exp(-t / tau), tau = C / (G + K); the rise with it.
    run = simulate(replace(STEADY_RETURN, time_constant_s=tau_s), LONG)
    rise_k = run.supply_c - run.return_c
    first = int(600.0 / STEP_S)
    after_s = run.t_s[first:] - 600.0
    start_k, end_k = rise_k[first], equilibrium(STEADY_RETURN, UNIT.stage_input_w[0], 20.0).rise_k
    expected_k = end_k + (start_k - end_k) * np.exp(-after_s / tau_s)
    np.testing.assert_allclose(rise_k[first:], expected_k, rtol=1e-9, atol=1e-9)
    # Within 1 % of the way after 4.61 tau, -ln(0.01); derived.
    left = (end_k - np.interp(4.61 * tau_s, after_s, rise_k[first:])) / (end_k - start_k)
    assert left == pytest.approx(0.01, rel=0.01)


def test_slow_node_holds_back_its_share() -> None:
    # Derivation: for x' = (u - x) / T with u = U (1 - exp(-t / tau)),
    # u - x = U T / (T - tau) (exp(-t / T) - exp(-t / tau)); the air misses share x (u - x).
    share, slow_s, tau_s = 0.02, 900.0, 120.0
    plain = simulate(STEADY_RETURN, LONG)
    slow = simulate(replace(STEADY_RETURN, slow=SlowNode(share=share, time_constant_s=slow_s)), LONG)
    first = int(600.0 / STEP_S)
    after_s = plain.t_s[first:] - 600.0
    step_k = plain.supply_c[-1] - plain.supply_c[first]
    shape = slow_s / (slow_s - tau_s) * (np.exp(-after_s / slow_s) - np.exp(-after_s / tau_s))
    missing_k = plain.supply_c[first:] - slow.supply_c[first:]
    np.testing.assert_allclose(missing_k, share * step_k * shape, atol=0.005 * share * step_k + 2e-3)
    assert missing_k.max() > 0.9 * share * step_k * shape.max()


def test_long_firing_ends_at_the_equilibrium() -> None:
    run = simulate(STEADY_RETURN, LONG)
    rest = equilibrium(STEADY_RETURN, UNIT.stage_input_w[0], 20.0)
    assert run.supply_c[-1] - run.return_c[-1] == pytest.approx(rest.rise_k, rel=1e-9)
    assert air_heat_w(run)[-1] == pytest.approx(rest.air_heat_w, rel=1e-6)
    assert run.casing_loss_w[-1] == pytest.approx(rest.casing_loss_w, rel=1e-9)
    assert run.fan_heat_w[-1] == pytest.approx(rest.fan_heat_w, rel=1e-9)


def test_equilibrium_output_is_the_plates_by_both_roads() -> None:
    # By definition (plate: input x (1 - flue loss)) and by psychrolib from the temperatures.
    rest = equilibrium(UNIT, 39_565.0, 20.0)
    assert rest.output_w == pytest.approx(39_565.0 * (1.0 - UNIT.flue_loss), rel=1e-12)
    w = UNIT.humidity_ratio
    density = psychrolib.GetMoistAirDensity(20.0, w, UNIT.pressure_pa)
    dry_air_kg_s = UNIT.volume_m3_s * density / (1.0 + w)
    heat_w = dry_air_kg_s * (
        psychrolib.GetMoistAirEnthalpy(rest.supply_c, w) - psychrolib.GetMoistAirEnthalpy(20.0, w)
    )
    assert rest.dry_air_kg_s == pytest.approx(dry_air_kg_s, rel=1e-5)
    assert heat_w - rest.fan_heat_w + rest.casing_loss_w == pytest.approx(rest.output_w, rel=1e-5)


def test_two_stages_each_reach_their_own_equilibrium() -> None:
    low_w, high_w = 0.7 * UNIT.stage_input_w[0], UNIT.stage_input_w[0]
    plant = replace(STEADY_RETURN, stage_input_w=(low_w, high_w))
    timeline = Timeline(
        duration_s=5000.0, fan=((0.0, 5000.0),), burner=((100.0, 2500.0, 0), (2500.0, 5000.0, 1))
    )
    run = simulate(plant, timeline)
    for t_s, input_w in ((2499.0, low_w), (4999.0, high_w)):
        at = int(t_s / STEP_S)
        rest = equilibrium(plant, input_w, 20.0)
        assert run.supply_c[at] == pytest.approx(rest.supply_c, abs=1e-6)


def test_fan_holds_the_volume_so_that_mass_falls_as_entering_air_warms() -> None:
    cold, warm = stream(UNIT, 10.0), stream(UNIT, 30.0)
    # Perfect gas at constant pressure: mass goes as 1 / T.
    assert cold.dry_air_kg_s / warm.dry_air_kg_s == pytest.approx(303.15 / 283.15, rel=1e-9)
    # Fan law: at constant speed the power goes with the density.
    assert cold.fan_heat_w / warm.fan_heat_w == pytest.approx(303.15 / 283.15, rel=1e-9)


def test_fan_phase_rise_is_the_fans_heat() -> None:
    no_casing = replace(STEADY_RETURN, casing_w_k=0.0)
    run = simulate(no_casing, Timeline(duration_s=3000.0, fan=((0.0, 3001.0),), burner=()))
    assert run.fan_heat_w[-1] > 400.0
    assert air_heat_w(run)[-1] == pytest.approx(run.fan_heat_w[-1], rel=1e-6)


def test_room_without_heat_cools_exponentially() -> None:
    # Newton's law: T - T_out = (T0 - T_out) exp(-UA t / C); Euler steps of 0.5 s are within 1e-5 K.
    run = simulate(UNIT, Timeline(duration_s=3000.0, fan=(), burner=()))
    rate_s = UNIT.room_loss_w_k / UNIT.room_j_k
    expected_c = UNIT.outdoor_c + (UNIT.room_c - UNIT.outdoor_c) * math.exp(-rate_s * 3000.0)
    assert run.room_c[-1] == pytest.approx(expected_c, abs=1e-4)


def test_no_air_no_heat_and_probes_drift_apart_slowly() -> None:
    run = simulate(UNIT, Timeline(duration_s=600.0, fan=(), burner=()))
    for column in (run.air_heat_w, run.fan_heat_w, run.dry_air_kg_s, run.fan):
        assert not column.any()
    assert np.abs(np.diff(run.supply_c)).max() < 0.01


def test_limit_opens_and_closes_the_burner_between_its_temperatures() -> None:
    plant = replace(STEADY_RETURN, volume_m3_s=0.45, limit=Limit(trip_c=68.0, reset_c=45.0))
    run = simulate(plant, LONG)
    hot = run.supply_c[run.t_s > 1500.0]
    assert 68.0 < hot.max() < 68.5
    assert 44.5 < hot.min() < 45.0
    starts = np.count_nonzero(np.diff((run.input_w > 0.0).astype(int)) == 1)
    assert starts >= 5
    assert not run.input_w[run.supply_c > 68.0].any()


def test_signals_cover_what_is_promised() -> None:
    run = simulate(UNIT, LONG)
    for name in SIGNALS:
        for values in run.signals(name).values():
            assert values.shape == run.t_s.shape
            assert np.isfinite(values).all()
    with pytest.raises(KeyError):
        run.signals("attic")


def test_gas_meter_counts_the_input() -> None:
    # Source: EIA mean heat content 1037 Btu/ft3 = 38.64 MJ/m3: 39565 W for 5400 s is 5.529 m3.
    run = simulate(replace(UNIT, stage_input_w=(39_565.0,)), LONG)
    gas_m3 = run.signals("gas")[Quantity.GAS_VOLUME]
    assert gas_m3[-1] == pytest.approx(39_565.0 * 5400.0 / 38.64e6, rel=1e-4)
    assert (np.diff(gas_m3) >= 0.0).all()


def test_supply_humidity_falls_with_moisture_held() -> None:
    # Source: psychrolib, relative humidity at the return's humidity ratio.
    run = simulate(UNIT, LONG)
    said = run.signals("supply")[Quantity.HUMIDITY][-1]
    expected = psychrolib.GetRelHumFromHumRatio(
        float(run.supply_c[-1]), UNIT.humidity_ratio, UNIT.pressure_pa
    )
    assert said == pytest.approx(100.0 * expected, rel=1e-4)


def test_run_cannot_be_written_to() -> None:
    run = simulate(UNIT, LONG)
    with pytest.raises(ValueError, match="read-only"):
        run.supply_c[0] = 0.0


def test_input_profile_modulates() -> None:
    plant: Plant = replace(STEADY_RETURN, input_profile=((600.0, 0.5), (6000.0, 1.0)))
    run = simulate(plant, LONG)
    at = int(3300.0 / STEP_S)
    assert run.input_w[at] == pytest.approx(0.75 * UNIT.stage_input_w[0], rel=1e-9)


@pytest.mark.parametrize("tau_s", [0.7, 60.0, 900.0])
def test_step_is_the_exact_exponential_and_its_mean(tau_s: float) -> None:
    # Source: scipy.integrate.quad over the closed form rest + (start - rest) exp(-t / tau).
    end, mean = relax(50.0, 20.0, *decays(tau_s, STEP_S))
    assert end == pytest.approx(20.0 + 30.0 * math.exp(-STEP_S / tau_s), rel=1e-12)
    integral, _ = quad(lambda t: 20.0 + 30.0 * math.exp(-t / tau_s), 0.0, STEP_S)
    assert mean == pytest.approx(integral / STEP_S, rel=1e-12)


def test_metal_in_still_air_cools_to_between_room_and_outdoors() -> None:
    # Newton's law with two surroundings: rate (G + K) / C towards their mean weighted by G and K.
    plant = replace(STEADY_RETURN, room_j_k=1e15)
    timeline = Timeline(duration_s=4000.0, fan=((0.0, 900.0),), burner=((100.0, 900.0, 0),))
    run = simulate(plant, timeline)
    at = int(900.0 / STEP_S)
    rest_c = (5.0 * plant.room_c + plant.casing_w_k * plant.outdoor_c) / (5.0 + plant.casing_w_k)
    rate_s = (5.0 + plant.casing_w_k) / plant.metal_j_k
    expected_c = rest_c + (run.metal_c[at] - rest_c) * math.exp(-rate_s * 3100.0)
    assert run.metal_c[-1] == pytest.approx(expected_c, abs=0.01)


def test_room_takes_what_the_ducts_leave() -> None:
    # First law of the room: stored = air through the registers, cooled in the supply duct, - loss.
    run = simulate(UNIT, LONG)
    capacity_w_k = run.dry_air_kg_s * (1006.0 + 1860.0 * UNIT.humidity_ratio)  # ASHRAE ch. 1 eq. (30)
    kept = np.exp(-UNIT.supply_duct_w_k / capacity_w_k)  # duct in surroundings of one temperature
    register_c = UNIT.outdoor_c + (run.supply_c - UNIT.outdoor_c) * kept
    gain_w = capacity_w_k * (register_c - run.room_c) - UNIT.room_loss_w_k * (run.room_c - UNIT.outdoor_c)
    heat_j = float(((gain_w[1:] + gain_w[:-1]) / 2.0).sum() * STEP_S)
    assert UNIT.room_j_k * (run.room_c[-1] - run.room_c[0]) == pytest.approx(heat_j, rel=1e-4)
