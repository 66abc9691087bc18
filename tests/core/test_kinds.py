"""Units that burn nothing, end to end through the core: electric heat, heat pumps, cooling coils.

Outside checks: CoolProp HumidAir (real gas) for every enthalpy, closed forms for the streams.
"""

from __future__ import annotations

from typing import Any

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from logger.core.params import FanHeatMode, UnitKind, UnitParams
from logger.core.result import result_document
from simulators.scenarios import find
from tests.core.jobs import FACTS, feed, make_job, play
from tests.core.stories import RETURN_C, RISE_K, Story

SEA_LEVEL_PA = 101_325.0
MASS_KG_S = 1.1  # of ``make_job``
GAS_WORDS = ("carbon monoxide", "flue", "gas", "burner")


def enthalpy_j_kg(temp_c: float, w: float, pressure_pa: float = SEA_LEVEL_PA) -> float:
    """Per kg of dry air. Source: CoolProp HumidAir."""
    return float(HAPropsSI("Hda", "T", temp_c + 273.15, "P", pressure_pa, "W", w))


def moisture(temp_c: float, humidity: float, pressure_pa: float = SEA_LEVEL_PA) -> float:
    """Humidity ratio. Source: CoolProp HumidAir."""
    return float(HAPropsSI("W", "T", temp_c + 273.15, "P", pressure_pa, "R", humidity))


def electric(**changes: Any) -> UnitParams:
    base = {
        "kind": UnitKind.ELECTRIC,
        "plate_output_w": 30_000.0,
        "fan_heat": FanHeatMode.GIVEN,
        "fan_heat_w": 450.0,
    }
    return UnitParams(**{**base, **changes})


def test_electric_heat_is_air_heat_less_the_fan_and_what_the_casing_loses() -> None:
    document = result_document(feed(make_job(unit=electric()), Story().readings()).finish(), FACTS)
    firing = document["firing"]
    w = moisture(RETURN_C, 0.5)  # assumed where no probe says it
    air_w = MASS_KG_S * (enthalpy_j_kg(RETURN_C + RISE_K, w) - enthalpy_j_kg(RETURN_C, w))
    # 1 % of the input, which is the output: an element has no flue
    assert firing["output_w"] == pytest.approx(air_w - 450.0 + 300.0, rel=2e-3)
    assert firing["casing_loss_w"] == pytest.approx(300.0, rel=1e-9)
    assert document["nameplate"]["kind"] == "electric"


def test_more_than_the_plate_of_an_electric_unit_speaks_of_no_gas() -> None:
    unit = electric(plate_output_w=20_000.0, rise_window_k=(5.0, 20.0), min_entering_c=25.0)
    document = result_document(feed(make_job(unit=unit), Story().readings()).finish(), FACTS)
    assert document["verdict"] == "above"
    assert "airflow" in document["reason"]
    codes = {event["code"] for event in document["events"]}
    assert {"rise-above-plate", "rise-above-window", "entering-below-minimum"} <= codes
    said = document["reason"] + "".join(event["text"] for event in document["events"])
    assert not [word for word in GAS_WORDS if word in said]


def test_more_than_the_plate_of_a_gas_unit_warns_of_carbon_monoxide() -> None:
    unit = UnitParams(plate_input_w=25_000.0, plate_output_w=20_000.0)
    document = result_document(feed(make_job(unit=unit), Story().readings()).finish(), FACTS)
    assert document["verdict"] == "above"
    assert "carbon monoxide" in document["reason"]


def test_electric_stages_end_to_end() -> None:
    """Truth: the simulated plant's equilibrium at full heat."""
    job, readings = play("electric-stages")
    document = result_document(feed(job, readings).finish(), FACTS)
    firing = document["firing"]
    assert abs(firing["output_w"] - find("electric-stages").truth.output_w) < firing["output_u95_w"]
    assert document["verdict"] == "meets"
    said = document["reason"] + "".join(event["text"] for event in document["events"])
    assert not [word for word in GAS_WORDS if word in said]
