"""The gas-fired unit where its air is other than it seems: mixed, leaking, uneven, or of changing flow."""

from __future__ import annotations

from dataclasses import replace

from logger.core.readings import Quantity
from simulators.config_text import (
    DUCT_TABLE,
    OUTDOOR_TABLE,
    PRESSURE_TABLE,
    RETURN_TABLE,
    SUPPLY_TABLE,
    air_table,
)
from simulators.plant import SPOTS
from simulators.standard import FLOW_CFM, PLATE_INPUT_W, PROBES, STANDARD, UNIT, WORDS, visit
from simulators.unit import RoomMoisture, Timeline

# Sizes below are assumed, where nothing else is said.
TWO_NODES = replace(UNIT, air_m3=0.6)  # m3 between metal and supply probe
OUTDOOR_SHARE = 0.20  # of the entering dry air (assumed)
LEAK = 0.06  # of the entering air, drawn in past the return probe (assumed)
LOW_FIRE = 0.70  # of the high stage's input (assumed)
LOW_FAN = 0.85  # of the high stage's volume (assumed)
SLIP = 0.90  # of the volume, once the belt slips (assumed)
NEAR_FIRE = 0.85  # of the high stage's input, where the stages lie near together (assumed)
ALIKE_SLIP = 0.843  # of the volume: makes NEAR_FIRE's rise that of the high stage (found by trying)
_MOISTURE = RoomMoisture(air_kg=1000.0, gain_kg_s=3e-4)
_STAGE_ONE_S = 900.0  # s at the low stage (assumed)

_two_stages = Timeline(
    duration_s=3300.0,
    fan=((60.0, 3180.0),),
    burner=((420.0, 420.0 + _STAGE_ONE_S, 0), (420.0 + _STAGE_ONE_S, 2820.0, 1)),
)

SCENARIOS = (
    replace(
        STANDARD,
        name="two-stage",
        text="15 minutes at the low stage, then the high one",
        plant=replace(TWO_NODES, stage_input_w=(LOW_FIRE * PLATE_INPUT_W, PLATE_INPUT_W)),
        timeline=_two_stages,
        words=replace(WORDS, unit_keys=("stages = 2",)),
    ),
    replace(
        STANDARD,
        name="two-stage-fan",
        text="two stages of burner and fan: the airflow goes with the stage, and the config knows both",
        plant=replace(
            TWO_NODES,
            stage_input_w=(LOW_FIRE * PLATE_INPUT_W, PLATE_INPUT_W),
            fan_profile=((420.0, 1.0), (421.0, LOW_FAN), (1320.0, LOW_FAN), (1321.0, 1.0)),
        ),
        timeline=_two_stages,
        words=replace(
            WORDS,
            unit_keys=("stages = 2", 'stage_output = ["76300 Btu/h", "109000 Btu/h"]'),
            airflow_keys=(
                'source = "fixed"               # a traverse at each stage',
                f'stage_volume = ["{LOW_FAN * FLOW_CFM:g} cfm", "{FLOW_CFM:g} cfm"]',
                'at = "return"',
                'temperature = "70 °F"',
                'humidity = "40 %"',
            ),
        ),
    ),
    replace(
        STANDARD,
        name="two-stage-slip",
        text="the low stage throughout; a belt slips by just as much as the high stage would give more",
        plant=replace(
            TWO_NODES,
            stage_input_w=(NEAR_FIRE * PLATE_INPUT_W, PLATE_INPUT_W),
            fan_profile=((1500.0, 1.0), (1520.0, ALIKE_SLIP)),
        ),
        timeline=visit(fire_s=2400.0),
        words=replace(
            WORDS,
            unit_keys=("stages = 2", 'stage_output = ["92650 Btu/h", "109000 Btu/h"]'),
            probes=(RETURN_TABLE, SUPPLY_TABLE, PRESSURE_TABLE),
        ),
        errors_stated=False,
    ),
    replace(
        STANDARD,
        name="modulating",
        text="the burner goes up from half its input to all of it within five minutes",
        plant=replace(TWO_NODES, input_profile=((600.0, 0.5), (900.0, 1.0))),
    ),
    replace(
        STANDARD,
        name="outdoor-20",
        text="a fifth of the air comes from outdoors, drier and colder; the damper's share is known",
        plant=replace(TWO_NODES, outdoor_share=OUTDOOR_SHARE, moisture=_MOISTURE, room_loss_w_k=450.0),
        words=replace(
            WORDS,
            outdoor_air="20 %",
            unit_keys=('outdoor_air_u95 = "2 %"    # of the air, from a traverse of the intake',),
            probes=(*WORDS.probes, OUTDOOR_TABLE),
        ),
    ),
    replace(
        STANDARD,
        name="leaky-return",
        text="the return duct draws outdoor air in behind its probe, and nobody knows",
        plant=replace(TWO_NODES, outdoor_share=LEAK, moisture=_MOISTURE),
        errors_stated=False,
    ),
    replace(
        STANDARD,
        name="leaky-supply",
        text="a tenth of the supply air is lost behind its probe: the room lacks it, the unit is sound",
        plant=replace(TWO_NODES, supply_leak=0.10, moisture=_MOISTURE),
    ),
    replace(
        STANDARD,
        name="belt-slip",
        text="the belt begins to slip in the firing: a tenth of the air is gone, the stated flow is not",
        plant=replace(TWO_NODES, fan_profile=((900.0, 1.0), (1000.0, SLIP))),
        errors_stated=False,
    ),
    replace(
        STANDARD,
        name="belt-slip-unseen",
        text="the same, and no velocity probe in the duct to show it",
        plant=replace(TWO_NODES, fan_profile=((900.0, 1.0), (1000.0, SLIP))),
        words=replace(WORDS, probes=(RETURN_TABLE, SUPPLY_TABLE, PRESSURE_TABLE)),
        errors_stated=False,
    ),
    replace(
        STANDARD,
        name="variable-fan",
        text="the fan goes from three quarters of its flow to all of it with the burner",
        plant=replace(TWO_NODES, fan_profile=((420.0, 0.75), (450.0, 1.0))),
        words=replace(
            WORDS,
            fan_drive="variable",
            airflow_keys=(
                'source = "probe"               # the flow changes: only a live probe knows it',
                'probe = "duct"',
                f'area = "{UNIT.duct_area_m2:g} m2"',
                'at = "return"',
            ),
        ),
    ),
    replace(
        STANDARD,
        name="stratified",
        text="the supply is hot on one side and cold on the other; three probes find its mean",
        plant=replace(TWO_NODES, uneven=0.08),
        words=replace(
            WORDS,
            probes=(
                RETURN_TABLE,
                *(air_table(spot.replace("supply-", "sup"), "supply", spot) for spot in SPOTS),
                DUCT_TABLE,
                PRESSURE_TABLE,
            ),
        ),
    ),
    replace(
        STANDARD,
        name="stratified-one",
        text="the same uneven supply, and one probe for all of it, on the hot side",
        plant=replace(TWO_NODES, uneven=0.08),
        words=replace(
            WORDS,
            probes=(RETURN_TABLE, air_table("sup", "supply", "supply-3"), DUCT_TABLE, PRESSURE_TABLE),
        ),
        errors_stated=False,
    ),
    replace(
        STANDARD,
        name="radiant",
        text="the supply probe sees the heat exchanger, which warms it beyond its air",
        plant=replace(TWO_NODES, radiant=0.015),
        errors_stated=False,
    ),
    replace(
        STANDARD,
        name="swapped",
        text="the return and the supply probe have changed places",
        words=replace(
            WORDS,
            probes=(
                air_table("ret", "return", "supply"),
                air_table("sup", "supply", "return"),
                DUCT_TABLE,
                PRESSURE_TABLE,
            ),
        ),
        probes_fit=False,
    ),
    replace(
        STANDARD,
        name="drifting",
        text="the supply probe creeps upwards by 0.4 K an hour",
        probes={
            **PROBES,
            "supply": PROBES["supply"].with_response(Quantity.TEMPERATURE, drift_per_h=0.4),
        },
    ),
    replace(
        STANDARD,
        name="late-supply",
        text="what the supply probe says arrives seconds late, at times out of order",
        probes={
            **PROBES,
            "supply": replace(
                PROBES["supply"], late_s=4.0, late_spread_s=1.5, clock_ppm=80.0, clock_offset_s=-2.0
            ),
        },
    ),
)
