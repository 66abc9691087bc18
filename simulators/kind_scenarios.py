"""Units that burn nothing: electric stages, a heat pump, a cooling coil. All invented, sizes assumed."""

from __future__ import annotations

from dataclasses import replace

from simulators.coil import Coil
from simulators.config_text import ConfigWords
from simulators.moist_air import humidity_ratio
from simulators.standard import BTU_H_W, FLOW_CFM, PRESSURE_PA, STANDARD, UNIT, visit
from simulators.unit import FanPlace, HeatPump, Kind, Plant, RoomMoisture, Timeline

ELECTRIC_STAGE_W = 10_000.0  # W, each of three (assumed)
HEAT_PUMP_W = 46_500 * BTU_H_W  # of the refrigerant: the plate's 48000 Btu/h has the fan's heat in it
COOLING_W = 66_000 * BTU_H_W  # W that the refrigerant takes, surface at 12 degC (assumed)
SUMMER_C = 35.0  # degC, 95 degF outdoors, the usual rating condition; recalled
ROOM_C = 26.7  # degC, 80 degF, the usual rating condition; recalled
WET_ROOM = 0.51  # relative humidity at 80 degF dry, 67 degF wet bulb, the usual rating condition; recalled
DRY_ROOM = 0.26  # relative humidity: its dew point lies below the coil (assumed)
SUMMER_HUMIDITY = 0.40  # relative, outdoors (assumed)
DEEP_BYPASS = 0.04  # of a coil of many rows, whose air is nearly saturated (assumed)
FIN_TIME_CONSTANT_S = 45.0  # s, a refrigerant coil's fins and tubes (assumed)

_electric = replace(
    UNIT,
    kind=Kind.ELECTRIC,
    flue_loss=0.0,
    stage_input_w=(ELECTRIC_STAGE_W, 2 * ELECTRIC_STAGE_W, 3 * ELECTRIC_STAGE_W),
    time_constant_s=25.0,
    hx_w_k=80.0,  # bare elements: few, hot
    casing_w_k=0.8,
    air_m3=0.6,
)
_heat_pump = replace(
    UNIT,
    kind=Kind.HEAT_PUMP,
    flue_loss=0.0,
    stage_input_w=(HEAT_PUMP_W,),
    time_constant_s=FIN_TIME_CONSTANT_S,
    hx_w_k=800.0,  # a condenser a few K above its air
    casing_w_k=1.0,
    air_m3=0.6,
    outdoor_c=8.3,
    room_loss_w_k=800.0,
    heat_pump=HeatPump(),
)
_defrosting = replace(
    _heat_pump,
    outdoor_c=1.5,
    room_loss_w_k=500.0,
    heat_pump=HeatPump(defrost_every_s=2700.0),
)

STRIP_W = 10_000.0  # W, two elements of the usual 5 kW (assumed)
_warmed = replace(_defrosting, heat_pump=HeatPump(defrost_every_s=2700.0, strip_share=STRIP_W / HEAT_PUMP_W))


_COIL = Coil()


def _cooling(room_humidity: float, moisture_kg_s: float, *, coil: Coil = _COIL) -> Plant:
    return replace(
        UNIT,
        kind=Kind.COOLING,
        flue_loss=0.0,
        stage_input_w=(COOLING_W,),
        casing_w_k=2.0,
        outdoor_c=SUMMER_C,
        outdoor_w=humidity_ratio(SUMMER_C, SUMMER_HUMIDITY, PRESSURE_PA),
        room_c=ROOM_C,
        room_loss_w_k=500.0,
        room_gain_w=9_000.0,
        humidity_ratio=humidity_ratio(ROOM_C, room_humidity, PRESSURE_PA),
        moisture=RoomMoisture(air_kg=1000.0, gain_kg_s=moisture_kg_s),
        coil=coil,
    )


_wet = _cooling(WET_ROOM, 0.0015)


_ELECTRIC_WORDS = ConfigWords(
    volume=f"{FLOW_CFM:g} cfm",
    plate=('input = "30 kW"               # from the plate', 'output = "30 kW"'),
    unit_keys=("stages = 3",),
)
_HEAT_PUMP_WORDS = ConfigWords(
    volume=f"{FLOW_CFM:g} cfm", plate=('output = "48000 Btu/h"         # from the plate, at 47 °F outdoors',)
)
_AT_VISIT = ('output_at = "visit"            # the conditions of the visit',)


def _cooling_plate(btu_h: int) -> tuple[str, ...]:
    return (f'output = "{btu_h} Btu/h"         # net of the fan, at these conditions',)


_COOLING_WORDS = ConfigWords(
    volume=f"{FLOW_CFM:g} cfm",
    plate=_cooling_plate(66_000),
    unit_keys=_AT_VISIT,
    state=("80 °F", "50 %"),
)

SCENARIOS = (
    replace(
        STANDARD,
        name="electric-stages",
        text="three electric stages, six minutes apart",
        plant=_electric,
        timeline=Timeline(
            duration_s=2700.0,
            fan=((60.0, 2580.0),),
            burner=((420.0, 780.0, 0), (780.0, 1140.0, 1), (1140.0, 2220.0, 2)),
        ),
        words=_ELECTRIC_WORDS,
    ),
    replace(
        STANDARD,
        name="heat-pump",
        text="a heat pump that takes minutes to come up, at the outdoor temperature of its rating",
        plant=_heat_pump,
        words=replace(_HEAT_PUMP_WORDS, unit_keys=_AT_VISIT),
    ),
    replace(
        STANDARD,
        name="heat-pump-defrost",
        text="a heat pump near freezing, which defrosts its outdoor coil twice with heat from the room",
        plant=_defrosting,
        timeline=visit(fire_s=7500.0),
        words=_HEAT_PUMP_WORDS,
    ),
    replace(
        STANDARD,
        name="heat-pump-strip",
        text="the same, with electric elements on while it defrosts: the air stays warmer than the room's",
        plant=_warmed,
        timeline=visit(fire_s=7500.0),
        words=_HEAT_PUMP_WORDS,
    ),
    replace(
        STANDARD,
        name="cooling-dry",
        text="cooling of a room so dry that nothing condenses",
        plant=_cooling(DRY_ROOM, 0.0),
        words=replace(_COOLING_WORDS, plate=_cooling_plate(60_000), state=("80 °F", "26 %")),
    ),
    replace(
        STANDARD,
        name="cooling-wet",
        text="cooling of a damp room: the coil holds its water at first, then it drains",
        plant=_wet,
        words=_COOLING_WORDS,
    ),
    replace(
        STANDARD,
        name="cooling-deep",
        text="the same with a deep coil, behind which the air is nearly saturated",
        plant=_cooling(WET_ROOM, 0.0015, coil=Coil(bypass=DEEP_BYPASS)),
        words=_COOLING_WORDS,
    ),
    replace(
        STANDARD,
        name="cooling-draw-through",
        text="the damp room again, with the fan behind the coil: it moves cold, dried air and warms it",
        plant=replace(_wet, fan=FanPlace.DRAW_THROUGH),
        words=replace(_COOLING_WORDS, state_keys=('burner = "off"                 # no cooling then',)),
    ),
)
