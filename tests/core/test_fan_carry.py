"""A fan phase and a firing on one carried airflow: output = m1 dh1 - (rho1/rho0) m0 dh0, in closed form.

The truth: a fan of constant speed keeps the volume at its inlet, so its masses are V/v1 and V/v0, and its
heat per kg stays (power and mass both go with the density; fan laws, ASHRAE Handbook HVAC Systems and
Equipment, recalled). v and h of moist air by CoolProp (HAPropsSI). The probes' zero differs by 0.5 K.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import exp, sqrt

import numpy as np
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from logger.core.assess import budget
from logger.core.params import (
    AirflowParams,
    AirflowSource,
    Burner,
    FanDrive,
    FanPosition,
    Plane,
    UnitParams,
)
from logger.core.readings import Reading
from logger.core.result import result_document
from logger.core.stretch import FanPhase, Means, Seen, Stretch
from tests.core.jobs import FACTS, feed, make_job, make_reading

P, RETURN_C, HEAT_K, FAN_K, ZERO_K = 98_000.0, 21.0, 27.0, 1.0, 0.5  # Pa, degC, K: invented
W = HAPropsSI("W", "T", RETURN_C + 273.15, "R", 0.5, "P", P)  # 50 %, as the core assumes
FAN_M3_S = 0.9
FAN_S, FIRE_S, END_S, TAU_S = 60, 480, 1800, 40.0
BLOW, DRAW = FanPosition.BLOW_THROUGH, FanPosition.DRAW_THROUGH
THEN_C = 12.0  # degC, entering while the flow was measured: the building was cold


def volume(temp_c: float) -> float:
    """m3 per kg of dry air."""
    return float(HAPropsSI("Vda", "T", temp_c + 273.15, "W", W, "P", P))


def heat(temp_c: float) -> float:
    """J per kg of dry air."""
    return float(HAPropsSI("Hda", "T", temp_c + 273.15, "W", W, "P", P))


@cache
def readings() -> tuple[Reading, ...]:
    """What the probes show: the fan from 60 s on, the burner from 480 s."""
    rng = np.random.default_rng(5)
    rows: list[Reading] = []
    for t in range(END_S):
        burner_k = HEAT_K * (1.0 - exp(-max(t - FIRE_S, 0) / TAU_S))
        rise_k = burner_k + FAN_K + ZERO_K if t >= FAN_S else 8.0  # a duct in still air
        rows.append(make_reading(len(rows), t + 0.1, "ret", RETURN_C + round(rng.normal(0.0, 0.04), 3)))
        off_k = round(rng.normal(0.0, 0.04), 3)
        rows.append(make_reading(len(rows), t + 0.6, "sup", RETURN_C + rise_k + off_k))
    return tuple(rows)


def measured(fan: FanPosition, at: Plane, burner: Burner, entering_c: float) -> AirflowParams:
    """The fan's volume as it passes the plane."""
    hot_c = entering_c + (HEAT_K if burner is Burner.ON else 0.0)
    plane_c = hot_c if at is Plane.SUPPLY else entering_c
    mass_kg_s = FAN_M3_S / volume(entering_c if fan is BLOW else hot_c)
    return AirflowParams(
        source=AirflowSource.FIXED,
        at=at,
        burner=burner,
        volume_m3_s=mass_kg_s * volume(plane_c),
        temperature_c=plane_c,
        humidity=HAPropsSI("R", "T", plane_c + 273.15, "W", W, "P", P),
    )


def inlet_c(fan: FanPosition, heat_k: float, entering_c: float = RETURN_C) -> float:
    return entering_c + (0.0 if fan is BLOW else heat_k)


CASES = {
    "blow-through, return": (BLOW, measured(BLOW, Plane.RETURN, Burner.OFF, THEN_C)),
    "blow-through, supply, off": (BLOW, measured(BLOW, Plane.SUPPLY, Burner.OFF, THEN_C)),
    "blow-through, supply, on": (BLOW, measured(BLOW, Plane.SUPPLY, Burner.ON, RETURN_C)),
    "blow-through, supply, on, inlet given": (
        BLOW,
        replace(measured(BLOW, Plane.SUPPLY, Burner.ON, THEN_C), inlet_c=THEN_C),
    ),
    "draw-through, supply, on": (DRAW, measured(DRAW, Plane.SUPPLY, Burner.ON, THEN_C)),
    "draw-through, return, off": (DRAW, measured(DRAW, Plane.RETURN, Burner.OFF, THEN_C)),
    "draw-through, return, on": (DRAW, measured(DRAW, Plane.RETURN, Burner.ON, THEN_C)),
    "draw-through, return, on, inlet given": (
        DRAW,
        replace(measured(DRAW, Plane.RETURN, Burner.ON, THEN_C), inlet_c=THEN_C + HEAT_K),
    ),
    "draw-through, mass of a firing": (
        DRAW,
        AirflowParams(source=AirflowSource.MASS, mass_kg_s=FAN_M3_S / volume(RETURN_C + HEAT_K)),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_the_output_of_a_firing_with_its_fan_phase(name: str) -> None:
    """m1 (dh1 - dh0), as rho1/rho0 = m1/m0: what the burner alone gave the mass that passed."""
    fan, flow = CASES[name]
    unit = UnitParams(fan=fan, casing_loss_w=0.0, plate_output_w=30_000.0)
    job = make_job(unit=unit, airflow=flow, pressure_pa=P)
    firing = result_document(feed(job, readings()).finish(), FACTS)["firing"]
    mass_kg_s = FAN_M3_S / volume(inlet_c(fan, HEAT_K))
    zero_j_kg = heat(RETURN_C + FAN_K + ZERO_K) - heat(RETURN_C)
    both_j_kg = heat(RETURN_C + HEAT_K + FAN_K + ZERO_K) - heat(RETURN_C)
    assert firing["output_w"] == pytest.approx(mass_kg_s * (both_j_kg - zero_j_kg), rel=1.5e-3)
    assert firing["fan_heat_w"] == pytest.approx(mass_kg_s * zero_j_kg, rel=0.02)


@pytest.mark.parametrize("fan", list(FanPosition))
def test_an_inlet_that_nobody_told_is_charged(fan: FanPosition) -> None:
    """m goes with 1/T at the inlet: as a rectangle of 10 K (draw-through: of 3 K) over T (GUM 4.3.7)."""
    at = Plane.SUPPLY if fan is BLOW else Plane.RETURN
    span_k = 10.0 if fan is BLOW else 3.0
    now_c = inlet_c(fan, HEAT_K)
    flow = measured(fan, at, Burner.ON, RETURN_C)
    assert told(fan, flow, now_c) == pytest.approx(span_k / sqrt(3.0) / (now_c + 273.15), rel=1e-9)
    given = replace(flow, inlet_c=now_c)
    assert told(fan, given, now_c) == pytest.approx(0.5 / (now_c + 273.15), rel=1e-9)
    assert told(fan, replace(flow, burner=Burner.OFF), now_c) == 0.0
    assert told(fan, flow, now_c, FanDrive.PROGRAMMED_FLOW) == 0.0  # it keeps the mass, whatever comes in


def told(
    fan: FanPosition, flow: AirflowParams, now_c: float, drive: FanDrive = FanDrive.CONSTANT_SPEED
) -> float:
    unit = UnitParams(fan=fan, fan_drive=drive)
    return lines_of(unit, flow, now_c, None).get("fan inlet then", 0.0)


def lines_of(unit: UnitParams, flow: AirflowParams, now_c: float, fan: FanPhase | None) -> dict[str, float]:
    """The budget as fractions of an air heat of 1 W."""
    means = Means(
        entering_c=RETURN_C,
        supply_c=RETURN_C + HEAT_K,
        rise_k=HEAT_K,
        humidity_ratio=W,
        pressure_pa=P,
        dry_air_kg_s=1.0,
        air_heat_w=1.0,
        fan_heat_w=0.0,
        output_w=1.0,
        return_c=RETURN_C,
        inlet_c=now_c,
    )
    job = make_job(unit=unit, airflow=flow, pressure_pa=P)
    nothing = Stretch(line=None, grid_s=1, tau_s=None)
    found = budget(job, means, fan, nothing, None, Seen(humidity=False, pressure=False))
    return {line.source: line.u_w for line in found}


def test_a_drive_that_keeps_the_mass_of_hotter_air_works_harder() -> None:
    """By hand: 294.15 K to 321.15 K, rho1/rho0 = 0.9159; its power 1/0.9159^2 = 1.1921, one-sided."""
    fan = FanPhase(
        fan_heat_w=100.0,
        entering_c=RETURN_C,
        supply_c=RETURN_C,
        humidity_ratio=W,
        pressure_pa=P,
        watt_per_k=1_000.0,
        return_c=RETURN_C,
        inlet_c=RETURN_C,
        rise_u_k=0.0,
        rise_nu=50.0,
        seconds=300.0,
    )
    flow = measured(DRAW, Plane.RETURN, Burner.OFF, RETURN_C)
    for drive, u_w in ((FanDrive.PROGRAMMED_FLOW, 15.945), (FanDrive.CONSTANT_SPEED, 0.0)):
        unit = UnitParams(fan=DRAW, fan_drive=drive)
        lines = lines_of(unit, flow, RETURN_C + HEAT_K, fan)
        assert lines.get("fan heat", 0.0) == pytest.approx(u_w, rel=1e-3)
