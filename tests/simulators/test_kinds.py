"""What is beyond a plain gas-fired unit, against closed forms, two libraries and printed examples."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st
from scipy.linalg import expm

from logger.core.readings import Quantity
from simulators.coil import Coil
from simulators.heater import two_nodes
from simulators.moist_air import humidity_ratio, mixed, volume_m3_kg
from simulators.plant import SPOTS, STEP_S, PlantRun, simulate
from simulators.rest import rest_at
from simulators.scenarios import SCENARIOS, UNIT
from simulators.unit import Fan, FanPlace, HeatPump, Kind, Timeline, equilibrium, stream

psychrolib.SetUnitSystem(psychrolib.SI)
SEA_LEVEL_PA = 101_325.0
STEADY_RETURN = replace(UNIT, return_profile=((0.0, 20.0), (1.0, 20.0)))
LONG = Timeline(duration_s=3000.0, fan=((0.0, 3001.0),), burner=((600.0, 3000.0, 0),))


def run_of(name: str) -> PlantRun:
    return simulate(SCENARIOS[name].plant, SCENARIOS[name].timeline)


def at(run: PlantRun, t_s: float) -> int:
    return int(run.t_s.searchsorted(t_s))


rates = st.floats(1e-3, 5.0)


@given(a=rates, b=rates, c=rates, d=rates, x0=st.floats(-50.0, 50.0), x1=st.floats(-50.0, 50.0))
def test_two_nodes_are_the_matrix_exponential(
    a: float, b: float, c: float, d: float, x0: float, x1: float
) -> None:
    # Source: scipy.linalg.expm; the mean is the integral of exp(A t), the corner of a larger exponential.
    matrix = np.array([[-(a + b), b], [c, -(c + d)]])
    large = np.zeros((4, 4))
    large[:2, :2], large[:2, 2:] = matrix * STEP_S, np.eye(2)
    whole, start = expm(large), np.array([x0, x1])
    end, mean = two_nodes(tuple(matrix.ravel().tolist()), (x0, x1), STEP_S)
    np.testing.assert_allclose(end, whole[:2, :2] @ start, rtol=1e-8, atol=1e-8)
    np.testing.assert_allclose(mean, whole[:2, 2:] @ start, rtol=1e-8, atol=1e-8)


def test_metal_and_air_follow_the_system_of_two() -> None:
    # Derivation: Cm Tm' = P - Gm (Tm - Ta) - K (Tm - To), Ca Ta' = Gm (Tm - Ta) - cp m (Ta - Tf);
    # solved by scipy.linalg.expm from the moment of lighting. Ca = 1200 J/(m3 K) x volume.
    plant = replace(STEADY_RETURN, air_m3=2.0)
    run, air = simulate(plant, LONG), stream(plant, 20.0)
    g_w_k = plant.hx_w_k / (1.0 - plant.hx_w_k / air.capacity_w_k)
    store = np.array([plant.metal_j_k, 2.0 * 1200.0])
    exchange = np.array([[-(g_w_k + plant.casing_w_k), g_w_k], [g_w_k, -(g_w_k + air.capacity_w_k)]])
    output_w = plant.stage_input_w[0] * (1.0 - plant.flue_loss)
    source_w = np.array([output_w + plant.casing_w_k * plant.outdoor_c, air.capacity_w_k * air.fan_outlet_c])
    rest = np.linalg.solve(exchange, -source_w)
    first = at(run, 600.0)
    start = np.array([run.metal_c[first], run.supply_c[first]])
    for after_s in (0.5, 1.0, 2.0, 5.0, 30.0, 120.0, 900.0):
        expected = rest + expm(exchange / store[:, None] * after_s) @ (start - rest)
        here = at(run, 600.0 + after_s)
        assert (run.metal_c[here], run.supply_c[here]) == pytest.approx(tuple(expected), abs=1e-6)


def test_the_air_node_adds_its_own_lag_and_nothing_else() -> None:
    # First order: an added store Ca shifts the rise by about Ca / (cp m): 0.6 m3 by 0.6 s.
    with_air, without = (simulate(replace(STEADY_RETURN, air_m3=v), LONG) for v in (0.6, 0.0))
    assert with_air.supply_c[-1] == pytest.approx(without.supply_c[-1], abs=1e-4)
    lag_s = 0.6 * 1200.0 / stream(STEADY_RETURN, 20.0).capacity_w_k
    late = np.interp(with_air.t_s - lag_s, without.t_s, without.supply_c)
    after = with_air.t_s > 610.0
    assert np.abs(with_air.supply_c - late)[after].max() < 0.02
    assert np.abs(with_air.supply_c - without.supply_c)[after].max() > 0.05


def test_fan_laws() -> None:
    # Volume as the speed, power as its cube (fan laws); the metal gives as the flow to 0.8 (recalled).
    full, slow = Fan(UNIT, UNIT.humidity_ratio, 1.0), Fan(UNIT, UNIT.humidity_ratio, 0.8)
    assert slow.at(20.0).dry_air_kg_s / full.at(20.0).dry_air_kg_s == pytest.approx(0.8, rel=1e-12)
    assert slow.at(20.0).fan_heat_w / full.at(20.0).fan_heat_w == pytest.approx(0.512, rel=1e-12)
    assert slow.hx_w_k / full.hx_w_k == pytest.approx(0.8**0.8, rel=1e-12)


def test_belt_slips_in_the_firing_and_the_velocity_shows_it() -> None:
    run = run_of("belt-slip")
    velocity = run.signals("velocity")[Quantity.VELOCITY]
    assert velocity[at(run, 2000.0)] / velocity[at(run, 800.0)] == pytest.approx(0.9, rel=1e-9)
    truth = SCENARIOS["belt-slip"].truth
    # The stated flow is then 1 / 0.9 of the true one, and what is made of it as well.
    stated_w = truth.air_heat_w * UNIT.volume_m3_s / truth.volume_m3_s
    assert stated_w / truth.air_heat_w == pytest.approx(1.0 / 0.9, rel=1e-9)
    # Standard's rise grows by nearly as much: the burner gives what it gave.
    assert truth.rise_k / SCENARIOS["standard"].truth.rise_k == pytest.approx(1.0 / 0.9, rel=0.01)


def test_mixing_of_two_streams_as_printed() -> None:
    # Source: ASHRAE Handbook Fundamentals (SI), ch. 1, example of adiabatic mixing: 2 m3/s at 4 degC dry,
    # 2 degC wet bulb with 6.25 m3/s at 25 degC, 50 %: 19.5 degC dry, 14.6 degC wet bulb. Recalled.
    # It is solved on the chart there: its own masses (0.742 of the warm air) give 19.58 degC, not 19.5.
    cold = (4.0, psychrolib.GetHumRatioFromTWetBulb(4.0, 2.0, SEA_LEVEL_PA))
    warm = (25.0, humidity_ratio(25.0, 0.50, SEA_LEVEL_PA))
    masses = [v / volume_m3_kg(*air, SEA_LEVEL_PA) for v, air in ((2.0, cold), (6.25, warm))]
    temp_c, w = mixed(masses[0] / sum(masses), warm, cold)
    assert masses[1] / sum(masses) == pytest.approx(0.742, abs=0.0005)
    assert temp_c == pytest.approx(19.5, abs=0.15)
    assert psychrolib.GetTWetBulbFromHumRatio(temp_c, w, SEA_LEVEL_PA) == pytest.approx(14.6, abs=0.1)


@pytest.mark.parametrize("share", [0.06, 0.2, 0.5])
def test_mixing_by_real_gas(share: float) -> None:
    # Source: CoolProp 8 HumidAir: enthalpy and water of both by dry mass, then the temperature of the sum.
    indoor, outdoor = (22.0, 0.0075), (-10.0, 0.0012)
    temp_c, w = mixed(share, indoor, outdoor)
    one, other = (HAPropsSI("Hda", "T", t + 273.15, "P", SEA_LEVEL_PA, "W", x) for t, x in (indoor, outdoor))
    heat = (1.0 - share) * one + share * other
    water = (1.0 - share) * indoor[1] + share * outdoor[1]
    assert w == pytest.approx(water, rel=1e-12)
    real_c = HAPropsSI("T", "Hda", heat, "P", SEA_LEVEL_PA, "W", water) - 273.15
    assert temp_c == pytest.approx(real_c, abs=0.03)


def test_coil_load_as_printed_with_the_condensate() -> None:
    # Source: ASHRAE Handbook Fundamentals (SI), ch. 1, example of moist-air cooling: 5 m3/s at 30 degC, 50 %
    # to saturation at 10 degC, condensate leaving at 10 degC: 197 kW of refrigeration. Recalled.
    w = humidity_ratio(30.0, 0.50, SEA_LEVEL_PA)
    supply_c, supply_w = Coil(bypass=0.0).leaving(10.0, (30.0, w), 0.0, SEA_LEVEL_PA)
    assert supply_c == pytest.approx(10.0, abs=1e-12)
    dry_air_kg_s = 5.0 / volume_m3_kg(30.0, w, SEA_LEVEL_PA)
    fall = psychrolib.GetMoistAirEnthalpy(30.0, w) - psychrolib.GetMoistAirEnthalpy(supply_c, supply_w)
    water_w = dry_air_kg_s * (w - supply_w) * 42_110.0  # J/kg of liquid at 10 degC, as printed there
    assert (dry_air_kg_s * fall - water_w) / 1000.0 == pytest.approx(197.0, abs=1.0)


@pytest.mark.parametrize("name", ["cooling-dry", "cooling-wet", "cooling-deep", "cooling-draw-through"])
def test_cooling_capacity_by_real_gas(name: str) -> None:
    # Source: CoolProp 8 HumidAir (real gas) for the air, its IAPWS-95 for the condensate.
    truth, plant = SCENARIOS[name].truth, SCENARIOS[name].plant
    run = run_of(name)
    end = at(run, truth.burner_s[-1][1]) - 1

    def fall_w(w_in: float, w_out: float) -> float:
        hot, cold = (
            HAPropsSI("Hda", "T", t_c + 273.15, "P", plant.pressure_pa, "W", w)
            for t_c, w in ((run.mixed_c[end], w_in), (run.supply_c[end], w_out))
        )
        return float(run.dry_air_kg_s[end] * (hot - cold))

    w_in, w_out = float(run.mixed_w[end]), float(run.supply_w[end])
    total_w = fall_w(w_in, w_out)
    assert truth.output_w == pytest.approx(total_w, rel=4e-3)
    assert truth.sensible_w == pytest.approx(fall_w(w_out, w_out), rel=4e-3)
    assert truth.latent_w == pytest.approx(total_w - fall_w(w_out, w_out), rel=4e-3, abs=1e-6)
    # What the refrigerant takes: air's fall + fan + through the casing - what the condensate keeps.
    zero, cold = (PropsSI("H", "T", 273.16 + t, "P", SEA_LEVEL_PA, "Water") for t in (0.0, run.metal_c[end]))
    condensate_w = run.dry_air_kg_s[end] * (w_in - w_out) * (cold - zero)
    taken_w = total_w + truth.fan_heat_w - truth.casing_loss_w - condensate_w
    assert truth.input_w == pytest.approx(taken_w, rel=4e-3)
    assert run.output_w[end] == pytest.approx(truth.input_w, rel=2e-3)


def real(run: PlantRun, what: str, temp_c: float, w: float) -> float:
    """CoolProp 8 HumidAir, per kg of dry air."""
    return float(HAPropsSI(what, "T", temp_c + 273.15, "P", run.plant.pressure_pa, "W", w))


def around_coil(run: PlantRun, here: int) -> tuple[float, float]:
    """degC in front of the coil and behind it: the fan's heat, by real gas, is taken off its side."""
    w_in, w_out, kg_s = (float(x[here]) for x in (run.mixed_w, run.supply_w, run.dry_air_kg_s))
    front_c, back_c = float(run.mixed_c[here]), float(run.supply_c[here])
    heat_j_kg = float(run.fan_heat_w[here]) / kg_s
    if run.plant.draws:
        return front_c, back_c - heat_j_kg / (
            real(run, "Hda", back_c, w_out) - real(run, "Hda", back_c - 1.0, w_out)
        )
    return front_c + heat_j_kg / (
        real(run, "Hda", front_c + 1.0, w_in) - real(run, "Hda", front_c, w_in)
    ), back_c


@pytest.mark.parametrize("name", ["cooling-dry", "cooling-wet", "cooling-deep", "cooling-draw-through"])
def test_air_behind_the_coil_lies_where_its_bypass_factor_says(name: str) -> None:
    # Source: ASHRAE Handbook HVAC Systems and Equipment, air-cooling coils, bypass factor (recalled): BF =
    # (T2 - Tadp) / (T1 - Tadp) = (W2 - Wadp) / (W1 - Wadp), Tadp the surface's, Wadp that of air saturated
    # there: psychrolib's. Of the stepped run and of the truth, both by themselves.
    run, truth = run_of(name), SCENARIOS[name].truth
    coil, here = run.plant.coil, at(run, truth.burner_s[-1][1]) - 1
    assert coil is not None
    bypass = {"cooling-deep": 0.04}.get(name, 0.12)
    front_c, back_c = around_coil(run, here)
    surface_c = float(run.metal_c[here])
    assert (back_c - surface_c) / (front_c - surface_c) == pytest.approx(bypass, abs=1e-3)
    rest = rest_at(run, 0, truth.burner_s[-1][1])
    assert (rest.supply_c, rest.dry_air_kg_s) == pytest.approx(
        (float(run.supply_c[here]), float(run.dry_air_kg_s[here])), rel=2e-3
    )
    if name == "cooling-dry":
        assert run.supply_w[here] == run.mixed_w[here]
        return
    saturated = psychrolib.GetSatHumRatio(surface_c, run.plant.pressure_pa)
    w_in, w_out = float(run.mixed_w[here]), float(run.supply_w[here])
    assert (w_out - saturated) / (w_in - saturated) == pytest.approx(bypass, abs=2e-3)


def test_a_fan_behind_the_coil_moves_its_cold_dried_air_and_warms_it() -> None:
    # Source: CoolProp 8 HumidAir. The fan holds the volume at its inlet, where the coil's air arrives; its
    # heat comes after the coil: all of it is the supply's, none of it goes over the surface.
    run = run_of("cooling-draw-through")
    plant, end = run.plant, at(run, SCENARIOS["cooling-draw-through"].truth.burner_s[-1][1]) - 1
    _, coil_c = around_coil(run, end)
    w_in, w_out = float(run.mixed_w[end]), float(run.supply_w[end])
    kg_s = plant.volume_m3_s / real(run, "Vda", coil_c, w_out)
    assert run.dry_air_kg_s[end] == pytest.approx(kg_s, rel=5e-4)
    # 456 W over 1.178 kg/s x 1.024 kJ/(kg K), by hand
    assert run.supply_c[end] - coil_c == pytest.approx(0.378, abs=0.005)
    velocity = run.signals("velocity")[Quantity.VELOCITY]
    volume = real(run, "Vda", float(run.mixed_c[end]), w_in)
    assert velocity[end] * plant.duct_area_m2 == pytest.approx(kg_s * volume, rel=1e-3)
    # with the fan alone the air is the same on both sides of it, but for its heat
    assert velocity[at(run, 300.0)] * plant.duct_area_m2 == pytest.approx(plant.volume_m3_s, rel=1e-3)


def test_a_fan_behind_a_flame_is_refused() -> None:
    with pytest.raises(ValueError, match="set fan to blow-through"):
        replace(UNIT, fan=FanPlace.DRAW_THROUGH)


def test_dry_coil_stays_dry_and_the_wet_one_is_near_saturation() -> None:
    dry, wet = run_of("cooling-dry"), run_of("cooling-wet")
    assert not dry.water_kg.any()
    np.testing.assert_array_equal(dry.supply_w[dry.fan > 0], dry.mixed_w[dry.fan > 0])
    truth = SCENARIOS["cooling-dry"].truth
    assert (truth.latent_w, truth.condensate_kg_s) == (pytest.approx(0.0, abs=1e-9), 0.0)
    dew_c = psychrolib.GetTDewPointFromHumRatio(
        float(dry.mixed_c[-1]), float(dry.mixed_w[-1]), dry.plant.pressure_pa
    )
    assert dry.metal_c.min() > dew_c
    humidity_pct = wet.signals("supply")[Quantity.HUMIDITY][at(wet, 2200.0)]
    assert 85.0 < humidity_pct < 95.0
    deep = run_of("cooling-deep")
    assert 95.0 < deep.signals("supply")[Quantity.HUMIDITY][at(deep, 2200.0)] < 98.0
    assert 0.6 < SCENARIOS["cooling-wet"].truth.sensible_w / SCENARIOS["cooling-wet"].truth.output_w < 0.9


def test_wet_coil_fills_then_drains_then_gives_its_water_back() -> None:
    run = run_of("cooling-wet")
    coil, (start_s, stop_s) = run.plant.coil, SCENARIOS["cooling-wet"].truth.burner_s[-1]
    assert coil is not None
    drains_s = float(run.t_s[run.drained_kg_s > 0.0][0])
    caught_kg = np.cumsum(run.dry_air_kg_s * (run.mixed_w - run.supply_w)) * STEP_S
    assert caught_kg[at(run, drains_s) - 1] == pytest.approx(coil.holds_kg, rel=0.01)
    assert start_s + 120.0 < drains_s < start_s + 1200.0
    latent_w = run.capacity_w - run.sensible_w
    assert latent_w[at(run, stop_s) - 1] > 3000.0
    assert latent_w[at(run, stop_s + 120.0)] < -1000.0  # it evaporates into the moving air
    assert run.water_kg[-1] < 0.8 * coil.holds_kg
    assert run.water_kg.min() >= 0.0


@pytest.mark.parametrize("w", [0.0, 0.5, 1.0])
def test_coil_takes_no_more_than_the_way_to_its_surface(w: float) -> None:
    # Derivation: bypass b of the air unchanged, the rest as saturated at the surface.
    entering = (27.0, 0.013 * w)
    coil = Coil(bypass=0.2)
    temp_c, out = coil.leaving(12.0, entering, 0.0, SEA_LEVEL_PA)
    assert temp_c == pytest.approx(0.2 * 27.0 + 0.8 * 12.0, rel=1e-12)
    saturated = psychrolib.GetSatHumRatio(12.0, SEA_LEVEL_PA)
    expected = 0.2 * entering[1] + 0.8 * saturated if entering[1] > saturated else entering[1]
    assert out == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(("wet", "reached"), [(0.0, 0.0), (0.5, 0.4), (1.0, 0.8)])
def test_a_wet_coil_gives_water_to_dry_air_by_its_wet_share(wet: float, reached: float) -> None:
    # Derivation: of the 0.8 that touch the surface the share that finds it wet leaves saturated there.
    _, out = Coil(bypass=0.2).leaving(18.0, (27.0, 0.005), wet, SEA_LEVEL_PA)
    saturated = psychrolib.GetSatHumRatio(18.0, SEA_LEVEL_PA)
    assert out - 0.005 == pytest.approx(reached * (saturated - 0.005), rel=2e-4, abs=1e-12)


def test_heat_pump_comes_up_over_minutes() -> None:
    # Closed form: capacity 1 - exp(-t / ramp) of what it has at that outdoor temperature.
    pump = HeatPump(ramp_s=150.0)
    plant = replace(SCENARIOS["heat-pump"].plant, heat_pump=pump, outdoor_c=pump.rated_outdoor_c - 10.0)
    run = simulate(plant, LONG)
    full_w = 0.8 * plant.stage_input_w[0]  # 2 % a K
    for after_s in (0.0, 150.0, 600.0):
        expected_w = full_w * (1.0 - math.exp(-after_s / 150.0))
        assert run.output_w[at(run, 600.0 + after_s)] == pytest.approx(expected_w, rel=1e-9, abs=1e-9)


def test_defrost_takes_heat_from_the_room_and_comes_up_again() -> None:
    run, truth = run_of("heat-pump-defrost"), SCENARIOS["heat-pump-defrost"].truth
    start_s = truth.burner_s[-1][0]
    defrosting = (run.output_w < 0.0) & (run.t_s >= start_s)
    begins = np.flatnonzero(np.diff(defrosting.astype(int)) == 1)
    assert [float(run.t_s[b + 1]) - start_s for b in begins] == [2700.0, 2700.0 + 240.0 + 2700.0]
    assert np.count_nonzero(defrosting) == 2 * 240.0 / STEP_S
    late = at(run, start_s + 2700.0 + 200.0)
    assert run.supply_c[late] < run.mixed_c[late] - 2.0  # cold air from the registers
    assert run.fan[late] == 1.0
    again = at(run, start_s + 2940.0 + 2000.0)
    assert run.capacity_w[again] == pytest.approx(truth.output_w, rel=0.01)


def test_electric_stages_have_no_flue() -> None:
    run, truth = run_of("electric-stages"), SCENARIOS["electric-stages"].truth
    np.testing.assert_array_equal(run.input_w, run.output_w)
    assert truth.output_w == 30_000.0
    assert not run.signals("gas")[Quantity.GAS_VOLUME].any()
    for t_s, watts in ((779.0, 10_000.0), (1139.0, 20_000.0), (2219.0, 30_000.0)):
        assert run.capacity_w[at(run, t_s)] == pytest.approx(watts, rel=2e-3)


def test_stages_and_modulation_reach_each_input() -> None:
    run = run_of("two-stage")
    for t_s, share in ((1319.0, 0.7), (2819.0, 1.0)):
        assert run.input_w[at(run, t_s)] == pytest.approx(share * 39_565.0, rel=1e-4)
    assert SCENARIOS["two-stage"].truth.burner_s == ((420.0, 2820.0),)
    modulating = run_of("modulating")
    assert modulating.input_w[at(modulating, 750.0)] == pytest.approx(0.75 * 39_565.0, rel=1e-3)


def test_stratified_spots_have_the_streams_mean() -> None:
    run = run_of("stratified")
    spots = [run.signals(spot)[Quantity.TEMPERATURE] for spot in SPOTS]
    np.testing.assert_allclose(np.mean(spots, axis=0), run.supply_c, rtol=1e-12)
    here = at(run, 2000.0)
    rise_k = run.supply_c[here] - run.mixed_c[here]
    assert spots[2][here] - spots[0][here] == pytest.approx(2 * 0.08 * rise_k, rel=1e-9)


def test_radiant_probe_is_drawn_towards_the_metal() -> None:
    run = run_of("radiant")
    here = at(run, 2000.0)
    said_c = run.signals("supply")[Quantity.TEMPERATURE][here]
    # Linear balance of a small body: e of the way from its air to the metal in its sight.
    assert said_c - run.supply_c[here] == pytest.approx(
        0.015 * (run.metal_c[here] - run.supply_c[here]), rel=1e-9
    )
    vapour = psychrolib.GetVapPresFromHumRatio(float(run.supply_w[here]), run.plant.pressure_pa)
    expected = 100.0 * vapour / psychrolib.GetSatVapPres(float(said_c))
    assert run.signals("supply")[Quantity.HUMIDITY][here] == pytest.approx(expected, rel=1e-4)


def test_outdoor_air_is_colder_drier_and_shows_in_the_mixed_signal() -> None:
    run, truth = run_of("outdoor-20"), SCENARIOS["outdoor-20"].truth
    here = at(run, truth.burner_s[-1][1]) - 1
    said = run.signals("mixed")[Quantity.TEMPERATURE][here]
    # Share by dry mass: within 1 % of the difference of temperatures, as humidity counts for little here.
    share = (run.return_c[here] - said) / (run.return_c[here] - run.plant.outdoor_c)
    assert share == pytest.approx(0.20, rel=0.01)
    assert run.mixed_w[here] < run.return_w[here]


def test_leak_behind_the_return_probe_is_an_error_that_nobody_states() -> None:
    truth = SCENARIOS["leaky-return"].truth
    assert not SCENARIOS["leaky-return"].errors_stated
    hidden_k = truth.return_c - truth.mixed_c
    assert hidden_k / truth.rise_k == pytest.approx(0.038, abs=0.005)  # 6 % of 17.5 K, of 27 K


def test_supply_leak_costs_the_room_and_not_the_unit() -> None:
    tight = replace(SCENARIOS["leaky-supply"].plant, supply_leak=0.0)
    timeline = SCENARIOS["leaky-supply"].timeline
    leaky, sound = run_of("leaky-supply"), simulate(tight, timeline)
    here = at(leaky, 2200.0)
    assert leaky.room_c[here] < sound.room_c[here] - 0.3
    assert leaky.capacity_w[here] == pytest.approx(sound.capacity_w[here], rel=1e-3)


def test_more_altitude_less_air() -> None:
    # Perfect gas: the mass of a volume goes as the pressure.
    high = replace(UNIT, pressure_pa=80_000.0)
    ratio = stream(high, 20.0).dry_air_kg_s / stream(UNIT, 20.0).dry_air_kg_s
    assert ratio == pytest.approx(80_000.0 / UNIT.pressure_pa, rel=1e-9)
    low, thin = (equilibrium(p, 39_565.0, 20.0).rise_k for p in (UNIT, high))
    assert thin / low == pytest.approx(1.0 / ratio, rel=0.02)


def test_kinds_have_each_their_scenario() -> None:
    assert {s.plant.kind for s in SCENARIOS.values()} == set(Kind)
