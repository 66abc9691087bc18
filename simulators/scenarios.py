"""The scenarios by name, and those that installed plug-ins add.

All show one invented unit: plate 135000 Btu/h in, 109000 Btu/h out, rise 35-65 °F, near 700 ft.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import replace
from importlib.metadata import EntryPoint, entry_points

import numpy as np

from logger.core.errors import ConfigError
from logger.core.readings import Quantity
from simulators.moist_air import enthalpy_j_kg, humidity_ratio, standard_pressure_pa
from simulators.probes import Probe, Response, Spans
from simulators.scenario import PERFECT_SUFFIX, Scenario
from simulators.unit import Limit, Plant, Profile, SlowNode, Timeline, equilibrium, stream

ENTRY_POINTS = "riselog.scenarios"
CFM_M3_S = 0.3048**3 / 60.0  # m3/s in 1 ft3/min, exact: 1 ft = 0.3048 m

BTU_H_W = 1055.05585262 / 3600.0  # W in 1 Btu/h, exact: 1 Btu (IT) = 1055.05585262 J
PLATE_INPUT_W = 135_000 * BTU_H_W
PLATE_OUTPUT_W = 109_000 * BTU_H_W
FLUE_LOSS = 0.1935  # share of input; makes the output 99.9 % of the plate's: assumed
FLOW_CFM = 2120.0  # near 1.0 m3/s; assumed
DIRTY_FILTER_CFM = 950.0  # assumed
PRESSURE_PA = standard_pressure_pa(700 * 0.3048)  # at 700 ft

UNIT = Plant(
    stage_input_w=(PLATE_INPUT_W,),
    flue_loss=FLUE_LOSS,
    volume_m3_s=FLOW_CFM * CFM_M3_S,
    pressure_pa=PRESSURE_PA,
    humidity_ratio=humidity_ratio(21.0, 0.40, PRESSURE_PA),
)

# Sizes of probe faults: what small battery probes show in a duct; common practice, no source.
_AIR = Probe(
    responses=(
        (
            Quantity.TEMPERATURE,
            Response(lag_s=8.0, noise=0.03, drift_noise=0.08, drift_phi=0.5, resolution=0.01),
        ),
        (Quantity.HUMIDITY, Response(lag_s=15.0, noise=0.15, offset=1.0, resolution=0.01)),
    ),
    jitter_s=0.02,
    drop_probability=0.002,
    battery_pct=92.0,
)
_RETURN = _AIR.with_response(Quantity.TEMPERATURE, offset=0.06)
_SUPPLY = replace(
    _AIR.with_response(Quantity.TEMPERATURE, offset=-0.05, drift_noise=0.15, gain=0.001, gain_reference=21.0),
    battery_pct=78.0,
)
_VELOCITY = Probe(
    responses=(
        (
            Quantity.VELOCITY,
            Response(lag_s=2.0, noise=0.05, drift_noise=0.05, drift_phi=0.5, resolution=0.01),
        ),
    ),
    jitter_s=0.02,
    battery_pct=64.0,
)
_PRESSURE = Probe(
    responses=((Quantity.PRESSURE, Response(noise=2.0, offset=20.0, resolution=0.1)),),
    interval_s=2.0,
    jitter_s=0.02,
    battery_pct=99.0,
)
_OUTDOOR = replace(_AIR, interval_s=5.0, battery_pct=85.0)
_GAS = Probe(responses=((Quantity.GAS_VOLUME, Response(resolution=0.001)),), jitter_s=0.02)
PROBES: Mapping[str, Probe] = {
    "return": _RETURN,
    "mixed": _RETURN,
    "supply": _SUPPLY,
    "outdoor": _OUTDOOR,
    "velocity": _VELOCITY,
    "pressure": _PRESSURE,
    "gas": _GAS,
}


def _visit(
    *, fire_s: float = 1800.0, cool_s: float = 360.0, fan_phase_s: float = 360.0, fan_delay_s: float = 0.0
) -> Timeline:
    """Off, fan, firing, cool-down with the fan on, off. ``fan_delay_s``: fan after the burner."""
    burner_on_s = 60.0 + fan_phase_s
    burner_off_s = burner_on_s + fire_s
    fan_off_s = burner_off_s + cool_s
    return Timeline(
        duration_s=fan_off_s + 120.0,
        fan=((60.0 + fan_delay_s, fan_off_s),),
        burner=((burner_on_s, burner_off_s, 0),),
    )


_STANDARD = Scenario(
    name="standard",
    text="a sound unit, one long firing",
    plant=UNIT,
    timeline=_visit(),
    probes=PROBES,
    airflow_text=f"{FLOW_CFM:g} cfm",
)


def _slower(time_constant_s: float) -> Scenario:
    return replace(
        _STANDARD,
        name=f"tau-{time_constant_s:g}",
        text=f"heat exchanger with a time constant of {time_constant_s:g} s",
        plant=replace(UNIT, time_constant_s=time_constant_s),
        timeline=_visit(fire_s=max(1800.0, 9.0 * time_constant_s), cool_s=max(360.0, 3.0 * time_constant_s)),
    )


def _with_supply(*, silent: Spans = (), frozen: Spans = ()) -> Mapping[str, Probe]:
    return {**PROBES, "supply": replace(_SUPPLY, silent=silent, frozen=frozen)}


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
    air = _AIR
    for quantity, spread in faults.items():
        air = air.with_response(quantity, offset=0.0, offset_spread=spread)
    return {**PROBES, **dict.fromkeys(("return", "mixed", "supply", "outdoor"), air)}


_OFFSET_SPREAD_K, _OFFSET_SPREAD_PCT = 0.25, 1.5  # half of the +-0.5 K, 3 % of the trade; assumed
_SIDE_BY_SIDE_S = 1200.0  # s of the fan alone, everything at one temperature
_DROP_OUT_S = (1500.0, 1530.0)
_FROZEN_FROM_S = 30.0
_COARSE = {s: PROBES[s].with_response(Quantity.TEMPERATURE, resolution=0.5) for s in ("return", "supply")}
_CASING_W = equilibrium(UNIT, PLATE_INPUT_W, 22.0).casing_loss_w

_ALL = (
    _STANDARD,
    *(_slower(tau_s) for tau_s in (60.0, 200.0, 300.0)),
    replace(
        _STANDARD,
        name="slow-tail",
        text="a cabinet that takes 2 % of the heat at first and lets go over 900 s",
        plant=replace(UNIT, slow=SlowNode(share=0.02, time_constant_s=900.0)),
        timeline=_visit(fire_s=3600.0),
    ),
    replace(
        _STANDARD,
        name="climbing-room",
        text="a small room: return and supply climb all through the firing, the output is flat",
        plant=replace(UNIT, room_j_k=4.5e6),
    ),
    replace(
        _STANDARD,
        name="flat-supply",
        text="supply is held while return sinks and the output grows: never steady",
        plant=_held_supply(_visit(fire_s=1500.0)),
        timeline=_visit(fire_s=1500.0),
        plant_settles=False,
    ),
    replace(
        _STANDARD,
        name="limit-cycling",
        text="too little air: the high limit opens again and again, never steady",
        plant=replace(UNIT, volume_m3_s=DIRTY_FILTER_CFM * CFM_M3_S, limit=Limit(trip_c=68.0, reset_c=45.0)),
        airflow_text=f"{DIRTY_FILTER_CFM:g} cfm",
        plant_settles=False,
    ),
    replace(
        _STANDARD,
        name="short-firing",
        text="the burner stops after 150 s, long before anything is steady",
        timeline=_visit(fire_s=150.0),
        plant_settles=False,
    ),
    replace(
        _STANDARD,
        name="no-fan-phase",
        text="the burner lights first and the fan follows: the fan's heat cannot be measured",
        timeline=_visit(fan_phase_s=0.0, fan_delay_s=30.0),
    ),
    replace(
        _STANDARD,
        name="drop-out",
        text="the supply probe is silent for 30 s in the steady stretch",
        probes=_with_supply(silent=(_DROP_OUT_S,)),
    ),
    replace(
        _STANDARD,
        name="frozen-supply",
        text="the supply probe repeats one value from before the fan starts",
        probes=_with_supply(frozen=((_FROZEN_FROM_S, _STANDARD.timeline.duration_s + 1.0),)),
        probes_fit=False,
    ),
    replace(
        _STANDARD,
        name="weak",
        text="the burner gives 12 % less than its plate says",
        plant=replace(UNIT, stage_input_w=(0.88 * PLATE_OUTPUT_W / (1.0 - FLUE_LOSS),)),
    ),
    replace(
        _STANDARD,
        name="coarse-probe",
        text="air probes with steps of 0.5 K",
        probes={**PROBES, **_COARSE},
    ),
    replace(
        _STANDARD,
        name="match",
        text="20 minutes of the same moving air everywhere, to match the probes in; then a firing",
        plant=replace(UNIT, fan_heat_w=0.0, outdoor_c=UNIT.room_c),
        timeline=_visit(fan_phase_s=_SIDE_BY_SIDE_S),
        probes=_alike(),
    ),
    replace(
        _STANDARD.with_perfect_probes(),
        name="perfect",
        text="the standard unit seen by probes without fault, casing loss known",
        unit_keys=(f'casing_loss = "{_CASING_W:.0f} W"',),
    ),
)
SCENARIOS: dict[str, Scenario] = {scenario.name: scenario for scenario in _ALL}


def names() -> dict[str, str]:
    """Every scenario that can be run, by name, with its one line; broken plug-ins are left out."""
    known, _ = _installed()
    return {name: scenario.text for name, scenario in known.items()}


def find(name: str) -> Scenario:
    """Scenario of that name; with ``-perfect`` behind a name, the same seen by perfect probes.

    Raises
    ------
    ConfigError
        If there is none; the text names the closest, and plug-ins that could not be loaded.
    """
    if name in SCENARIOS:
        return SCENARIOS[name]
    known, broken = _installed()
    if name in known:
        return known[name]
    base = name.removesuffix(PERFECT_SUFFIX)
    if base in known and base != name:
        return known[base].with_perfect_probes()
    closest = difflib.get_close_matches(name, known, n=3) or sorted(known)
    raise ConfigError(
        " ".join(
            [
                f"[sim] scenario: there is no scenario {name!r}; closest: {', '.join(closest)}.",
                *broken,
                "`riselog demo --list` shows all.",
            ]
        )
    )


def _installed() -> tuple[dict[str, Scenario], list[str]]:
    """Own scenarios, then those of plug-ins (own names win); a sentence for each broken plug-in."""
    known, broken = dict(SCENARIOS), []
    for plugin in entry_points(group=ENTRY_POINTS):
        try:
            known = _loaded(plugin) | known
        except ConfigError as error:
            broken.append(str(error))
    return known, broken


def _loaded(plugin: EntryPoint) -> dict[str, Scenario]:
    try:
        found = plugin.load()
    except Exception as error:  # a plug-in may fail in any way
        raise ConfigError(f"The scenario plug-in {plugin.name!r} cannot be loaded: {error}.") from error
    if not isinstance(found, Mapping) or not all(isinstance(s, Scenario) for s in found.values()):
        raise ConfigError(f"The scenario plug-in {plugin.name!r} is not a mapping of names to scenarios.")
    return dict(found)
