"""The invented unit that most scenarios show, its probes and one visit to it.

Plate 135000 Btu/h in, 109000 Btu/h out, rise 35-65 °F, near 700 ft.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from logger.core.readings import Quantity
from simulators.config_text import ConfigWords
from simulators.moist_air import humidity_ratio, standard_pressure_pa
from simulators.plant import SPOTS
from simulators.probes import Probe, Response
from simulators.scenario import Scenario
from simulators.unit import Plant, Timeline

CFM_M3_S = 0.3048**3 / 60.0  # m3/s in 1 ft3/min, exact: 1 ft = 0.3048 m

BTU_H_W = 1055.05585262 / 3600.0  # W in 1 Btu/h, exact: 1 Btu (IT) = 1055.05585262 J
PLATE_INPUT_W = 135_000 * BTU_H_W  # W, of an invented plate
PLATE_OUTPUT_W = 109_000 * BTU_H_W  # W, of an invented plate
FLUE_LOSS = 0.1935  # share of input; makes the output 99.9 % of the plate's: assumed
FLOW_CFM = 2120.0  # near 1.0 m3/s; assumed
PRESSURE_PA = standard_pressure_pa(700 * 0.3048)  # at 700 ft

UNIT = Plant(
    stage_input_w=(PLATE_INPUT_W,),
    flue_loss=FLUE_LOSS,
    volume_m3_s=FLOW_CFM * CFM_M3_S,
    pressure_pa=PRESSURE_PA,
    humidity_ratio=humidity_ratio(21.0, 0.40, PRESSURE_PA),
)

# Sizes of probe faults: what small battery probes show in a duct; common practice, no source.
AIR_PROBE = Probe(
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
_RETURN = AIR_PROBE.with_response(Quantity.TEMPERATURE, offset=0.06)
SUPPLY_PROBE = replace(
    AIR_PROBE.with_response(
        Quantity.TEMPERATURE, offset=-0.05, drift_noise=0.15, gain=0.001, gain_reference=21.0
    ),
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
_OUTDOOR = replace(AIR_PROBE, interval_s=5.0, battery_pct=85.0)
_GAS = Probe(responses=((Quantity.GAS_VOLUME, Response(resolution=0.001)),), jitter_s=0.02)
PROBES: Mapping[str, Probe] = {
    "return": _RETURN,
    "mixed": _RETURN,
    "supply": SUPPLY_PROBE,
    "outdoor": _OUTDOOR,
    "velocity": _VELOCITY,
    "pressure": _PRESSURE,
    "gas": _GAS,
    **dict.fromkeys(SPOTS, SUPPLY_PROBE),
}


def visit(
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


def by_thermostat(calls: tuple[tuple[float, float], ...], *, on_s: float, off_s: float) -> Timeline:
    """A fan on automatic: it comes ``on_s`` after the burner and goes ``off_s`` after it."""
    fan = tuple((begin_s + on_s, end_s + off_s) for begin_s, end_s in calls)
    burner = tuple((begin_s, end_s, 0) for begin_s, end_s in calls)
    return Timeline(duration_s=fan[-1][1] + 120.0, fan=fan, burner=burner)


WORDS = ConfigWords(volume=f"{FLOW_CFM:g} cfm")
STANDARD = Scenario(
    name="standard",
    text="a sound unit, one long firing",
    plant=UNIT,
    timeline=visit(),
    probes=PROBES,
    words=WORDS,
)
