"""A sound gas-fired unit and what can go wrong with its measurement: the first scenarios.

Sizes are assumed where nothing else is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from logger.core.readings import Quantity
from simulators.moist_air import enthalpy_j_kg, humidity_ratio, standard_pressure_pa
from simulators.probes import Probe, Spans
from simulators.scenario import Scenario
from simulators.standard import (
    AIR_PROBE,
    CFM_M3_S,
    FLUE_LOSS,
    PLATE_INPUT_W,
    PLATE_OUTPUT_W,
    PROBES,
    STANDARD,
    SUPPLY_PROBE,
    UNIT,
    WORDS,
    by_thermostat,
    visit,
)
from simulators.unit import Limit, Plant, Profile, SlowNode, Timeline, equilibrium, stream


def _slower(time_constant_s: float) -> Scenario:
    return replace(
        STANDARD,
        name=f"tau-{time_constant_s:g}",
        text=f"heat exchanger with a time constant of {time_constant_s:g} s",
        plant=replace(UNIT, time_constant_s=time_constant_s),
        timeline=visit(fire_s=max(1800.0, 9.0 * time_constant_s), cool_s=max(360.0, 3.0 * time_constant_s)),
    )


def _with_supply(*, silent: Spans = (), frozen: Spans = ()) -> Mapping[str, Probe]:
    return {**PROBES, "supply": replace(SUPPLY_PROBE, silent=silent, frozen=frozen)}


def _held_supply(timeline: Timeline) -> Plant:
    """Return sinks through the firing while the input grows, so that supply stays where it is.

    The input is what the metal's balance asks for: to the air, to the outdoors and to its own
    warming. Supply comes up as after any lighting, then holds.
    """
    begin_s, end_s, _ = timeline.burner[0]
    t_s = np.arange(begin_s, end_s + 1.0, 10.0)
    return_c = np.interp(t_s, (begin_s, end_s), (22.0, 14.0))
    air = [stream(UNIT, float(c)) for c in return_c]
    flow_kg_s = np.array([a.dry_air_kg_s for a in air])
    fan_w = np.array([a.fan_heat_w for a in air])
    held_c = 42.0 - (42.0 - air[0].fan_outlet_c) * np.exp(-(t_s - begin_s) / UNIT.time_constant_s)
    w = UNIT.humidity_ratio
    to_air_w = flow_kg_s * (enthalpy_j_kg(held_c, w) - enthalpy_j_kg(return_c, w)) - fan_w
    metal_c = np.array([a.fan_outlet_c for a in air]) + to_air_w / UNIT.hx_w_k
    warming_w = UNIT.metal_j_k * np.gradient(metal_c, t_s)
    casing_w = UNIT.casing_w_k * (metal_c - UNIT.outdoor_c)
    factor = (to_air_w + warming_w + casing_w) / ((1.0 - FLUE_LOSS) * PLATE_INPUT_W)
    inputs: Profile = tuple(zip(t_s.tolist(), factor.tolist(), strict=True))
    return replace(UNIT, return_profile=((begin_s, 22.0), (end_s, 14.0)), input_profile=inputs)


def _alike() -> Mapping[str, Probe]:
    """Air probes of one make: the same noise, each with an offset of its own."""
    faults = {Quantity.TEMPERATURE: _OFFSET_SPREAD_K, Quantity.HUMIDITY: _OFFSET_SPREAD_PCT}
    air = AIR_PROBE
    for quantity, spread in faults.items():
        air = air.with_response(quantity, offset=0.0, offset_spread=spread)
    return {**PROBES, **dict.fromkeys(("return", "mixed", "supply", "outdoor"), air)}


DIRTY_FILTER_CFM = 950.0  # assumed
_OFFSET_SPREAD_K, _OFFSET_SPREAD_PCT = 0.25, 1.5  # half of the +-0.5 K, 3 % of the trade; assumed
FAN_ON_S, FAN_OFF_S = 30.0, 120.0  # s after the burner, on automatic; common practice, no source
_ON_BEFORE_S = 900.0  # s: more than seven time constants: the plant has settled (assumed)
_HIGH_PA = standard_pressure_pa(5500 * 0.3048)
_SIDE_BY_SIDE_S = 1200.0  # s of the fan alone, everything at one temperature (assumed)
_DROP_OUT_S = (1500.0, 1530.0)  # s, within the steady stretch (assumed)
_FROZEN_FROM_S = 30.0  # s, before the fan starts (assumed)
_COARSE = {s: PROBES[s].with_response(Quantity.TEMPERATURE, resolution=0.5) for s in ("return", "supply")}
_CASING_W = equilibrium(UNIT, PLATE_INPUT_W, 22.0).casing_loss_w

SCENARIOS = (
    STANDARD,
    *(_slower(tau_s) for tau_s in (60.0, 200.0, 300.0)),
    replace(
        STANDARD,
        name="slow-tail",
        text="a cabinet that takes 2 % of the heat at first and lets go over 900 s",
        plant=replace(UNIT, slow=SlowNode(share=0.02, time_constant_s=900.0)),
        timeline=visit(fire_s=3600.0),
    ),
    replace(
        STANDARD,
        name="climbing-room",
        text="a small room: return and supply climb all through the firing, the output is flat",
        plant=replace(UNIT, room_j_k=4.5e6),
    ),
    replace(
        STANDARD,
        name="flat-supply",
        text="supply is held while return sinks and the output grows: never steady",
        plant=_held_supply(visit(fire_s=1500.0)),
        timeline=visit(fire_s=1500.0),
        plant_settles=False,
    ),
    replace(
        STANDARD,
        name="limit-cycling",
        text="too little air: the high limit opens again and again, never steady",
        plant=replace(UNIT, volume_m3_s=DIRTY_FILTER_CFM * CFM_M3_S, limit=Limit(trip_c=68.0, reset_c=45.0)),
        words=replace(WORDS, volume=f"{DIRTY_FILTER_CFM:g} cfm"),
        plant_settles=False,
    ),
    replace(
        STANDARD,
        name="short-firing",
        text="the burner stops after 150 s, long before anything is steady",
        timeline=visit(fire_s=150.0),
        plant_settles=False,
    ),
    replace(
        STANDARD,
        name="no-fan-phase",
        text="the burner lights first and the fan follows: the fan's heat cannot be measured",
        timeline=visit(fan_phase_s=0.0, fan_delay_s=30.0),
    ),
    replace(
        STANDARD,
        name="auto-fan",
        text="two calls of the thermostat, the fan half a minute after the burner and two minutes longer",
        timeline=by_thermostat(((60.0, 960.0), (1560.0, 3360.0)), on_s=FAN_ON_S, off_s=FAN_OFF_S),
    ),
    replace(
        STANDARD,
        name="already-on",
        text="the unit has been on for a quarter of an hour when the log begins; later another firing",
        timeline=Timeline(
            duration_s=4080.0,
            fan=((-_ON_BEFORE_S, 3960.0),),
            burner=((-_ON_BEFORE_S, 900.0, 0), (1800.0, 3600.0, 0)),
            lead_s=_ON_BEFORE_S,
        ),
    ),
    replace(
        STANDARD,
        name="high-site",
        text="a site at 5500 ft, set up for its air: a sixth less of it in every cubic foot, and dry",
        plant=replace(
            UNIT,
            pressure_pa=_HIGH_PA,
            humidity_ratio=humidity_ratio(21.0, 0.25, _HIGH_PA),
        ),
        words=replace(WORDS, altitude="5500 ft", state=("70 °F", "25 %")),
    ),
    replace(
        STANDARD,
        name="drop-out",
        text="the supply probe is silent for 30 s in the steady stretch",
        probes=_with_supply(silent=(_DROP_OUT_S,)),
    ),
    replace(
        STANDARD,
        name="frozen-supply",
        text="the supply probe repeats one value from before the fan starts",
        probes=_with_supply(frozen=((_FROZEN_FROM_S, STANDARD.timeline.duration_s + 1.0),)),
        probes_fit=False,
    ),
    replace(
        STANDARD,
        name="weak",
        text="the burner gives 12 % less than its plate says",
        plant=replace(UNIT, stage_input_w=(0.88 * PLATE_OUTPUT_W / (1.0 - FLUE_LOSS),)),
    ),
    replace(
        STANDARD,
        name="coarse-probe",
        text="air probes with steps of 0.5 K",
        probes={**PROBES, **_COARSE},
    ),
    replace(
        STANDARD,
        name="match",
        text="20 minutes of the same moving air everywhere, to match the probes in; then a firing",
        plant=replace(UNIT, fan_heat_w=0.0, outdoor_c=UNIT.room_c),
        timeline=visit(fan_phase_s=_SIDE_BY_SIDE_S),
        probes=_alike(),
    ),
    replace(
        STANDARD.with_perfect_probes(),
        name="perfect",
        text="the standard unit seen by probes without fault, casing loss known",
        words=replace(WORDS, unit_keys=(f'casing_loss = "{_CASING_W:.0f} W"',)),
    ),
)
