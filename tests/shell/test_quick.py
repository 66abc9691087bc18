"""The computation behind `riselog output`, against worked cases and its refusals.

The cases are invented; "PS" is psychrolib, "CP" CoolProp, run beforehand. Both agree within
0.15 %, which is the tolerance where the value is CP's.
"""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.errors import UsageError
from logger.core.params import Plane
from logger.quick import quick_output

PSI_PA = 6894.757  # Pa per psi
BTU_H_W = 1055.05585 / 3600.0  # W per Btu/h
CFM_M3_S = 0.3048**3 / 60.0


def celsius(temp_f: float) -> float:
    return (temp_f - 32.0) / 1.8


REFERENCE: dict[str, Any] = {  # 2000 cfm, 70 F 40 % -> 120 F
    "airflow_m3_s": 2000 * CFM_M3_S,
    "return_c": celsius(70.0),
    "supply_c": celsius(120.0),
    "humidity": 0.40,
    "pressure_pa": 14.696 * PSI_PA,
}


@pytest.mark.parametrize(
    ("at", "psia", "btu_h"),
    [
        (Plane.RETURN, 14.696, 108_256),
        (Plane.RETURN, 12.2278, 90_075),
        (Plane.RETURN, 12.228, 90_077),
        (Plane.SUPPLY, 14.696, 98_896),
        (Plane.SUPPLY, 12.228, 82_291),
    ],
)
def test_reference_case(at: Plane, psia: float, btu_h: float) -> None:
    """CP, for the volume read in the return and in the supply."""
    result = quick_output(**{**REFERENCE, "at": at, "pressure_pa": psia * PSI_PA})
    assert result["output_w"] / BTU_H_W == pytest.approx(btu_h, rel=0.0015)
    assert result["air_heat_w"] == result["output_w"]


def test_reference_case_by_the_si_handbook_equations() -> None:
    """PS in SI: 108,126 Btu/h."""
    assert quick_output(**REFERENCE)["output_w"] / BTU_H_W == pytest.approx(108_126, rel=0.0005)


@pytest.mark.parametrize(
    ("at", "volume", "state", "kw"),
    [  # PS, SI
        (Plane.RETURN, 1.5, (20.0, 0.40, 50.0, 101_325.0), 54.587),
        (Plane.SUPPLY, 1.5, (20.0, 0.40, 50.0, 101_325.0), 49.520),
        (Plane.RETURN, 2.2, (18.0, 0.35, 48.0, 79_495.0), 63.243),
        (Plane.SUPPLY, 2.2, (18.0, 0.35, 48.0, 79_495.0), 57.335),
    ],
)
def test_si_cases(at: Plane, volume: float, state: tuple[float, float, float, float], kw: float) -> None:
    return_c, humidity, supply_c, pressure_pa = state
    result = quick_output(
        airflow_m3_s=volume,
        at=at,
        return_c=return_c,
        supply_c=supply_c,
        humidity=humidity,
        pressure_pa=pressure_pa,
    )
    assert result["output_w"] / 1000.0 == pytest.approx(kw, rel=0.0005)


def test_the_document_is_complete_and_plain_json() -> None:
    result = quick_output(**REFERENCE, fan_heat_w=450.0, casing_loss_w=300.0)
    assert list(result) == [
        "schema",
        "dry_air_kg_s",
        "airflow_m3_s",
        "humidity_ratio",
        "pressure_pa",
        "rise_k",
        "air_heat_w",
        "fan_heat_w",
        "casing_loss_w",
        "output_w",
        "shortcut_w",
    ]
    assert json.loads(json.dumps(result)) == result
    assert result["schema"] == "riselog.output/1"
    assert result["rise_k"] == pytest.approx(50.0 / 1.8)
    assert result["humidity_ratio"] == pytest.approx(0.006211, abs=1e-6)  # PS, ASHRAE ch. 1
    assert result["output_w"] == pytest.approx(result["air_heat_w"] - 450.0 + 300.0, rel=1e-12)


def test_a_fan_between_the_probes_counts_3412_btu_per_kwh() -> None:
    """1 kW = 3412.14 Btu/h: what the fan adds to the air is not the burner's. Derived."""
    plain, fan = quick_output(**REFERENCE), quick_output(**REFERENCE, fan_heat_w=1000.0)
    assert (plain["output_w"] - fan["output_w"]) / BTU_H_W == pytest.approx(3412.14, abs=0.01)
    assert fan["air_heat_w"] == plain["air_heat_w"]


def test_airflow_and_shortcut_are_told_at_the_return_state() -> None:
    """2000 cfm read in the supply is 2000 x 0.9135 cfm at the return; 1.08 Btu/(h cfm F) on that."""
    result = quick_output(**REFERENCE, at=Plane.SUPPLY)
    assert result["airflow_m3_s"] / CFM_M3_S == pytest.approx(2000 * 0.9135, rel=0.0005)
    shortcut = 1.08 * result["airflow_m3_s"] / CFM_M3_S * 50.0
    assert result["shortcut_w"] / BTU_H_W == pytest.approx(shortcut, rel=1e-6)


@settings(max_examples=60)
@given(mass=st.floats(0.05, 20.0), return_c=st.floats(0.0, 30.0), rise_k=st.floats(0.0, 50.0))
def test_a_mass_of_dry_air_knows_no_plane(mass: float, return_c: float, rise_k: float) -> None:
    one, other = (
        quick_output(dry_air_kg_s=mass, return_c=return_c, supply_c=return_c + rise_k, at=plane)
        for plane in Plane
    )
    assert one == other
    assert one["dry_air_kg_s"] == mass
    again = quick_output(airflow_m3_s=one["airflow_m3_s"], return_c=return_c, supply_c=return_c + rise_k)
    assert again["output_w"] == pytest.approx(one["output_w"], rel=1e-12)


def test_no_rise_is_no_heat() -> None:
    result = quick_output(airflow_m3_s=1.0, return_c=20.0, supply_c=20.0)
    assert (result["air_heat_w"], result["output_w"], result["shortcut_w"]) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"supply_c": 20.0}, "below the return"),
        ({"airflow_m3_s": None}, "no airflow"),
        ({"dry_air_kg_s": 1.0}, "given twice"),
        ({"airflow_m3_s": 0.0}, "above 0"),
        ({"airflow_m3_s": -1.0}, "above 0"),
        ({"airflow_m3_s": math.nan}, "above 0"),
        ({"return_c": 61.0, "supply_c": 90.0}, "return temperature is 61"),
        ({"return_c": math.nan}, "return temperature"),
        ({"return_c": -80.0}, "return temperature"),
        ({"supply_c": math.inf}, "supply temperature"),
        ({"supply_c": 300.0}, "supply temperature is 300"),
        ({"humidity": 40.0}, "humidity is 40"),
        ({"humidity": math.nan}, "humidity"),
        ({"pressure_pa": 98.6}, "air pressure"),
        ({"pressure_pa": math.nan}, "air pressure"),
        ({"fan_heat_w": -1.0}, "fan heat"),
        ({"fan_heat_w": math.inf}, "fan heat"),
        ({"casing_loss_w": -1.0}, "casing loss"),
    ],
)
def test_what_cannot_be_computed_is_one_sentence_and_exit_code_2(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(UsageError, match=says) as caught:
        quick_output(**{**REFERENCE, **changes})
    assert caught.value.exit_code == 2
    assert "\n" not in str(caught.value)


@settings(max_examples=150)
@given(
    return_c=st.floats(-70.0, 70.0),
    supply_c=st.floats(-70.0, 260.0),
    humidity=st.floats(-0.1, 1.1),
    pressure_pa=st.floats(20_000.0, 130_000.0),
)
def test_any_numbers_give_a_finite_answer_or_a_usage_error(
    return_c: float, supply_c: float, humidity: float, pressure_pa: float
) -> None:
    try:
        result = quick_output(
            airflow_m3_s=1.0,
            return_c=return_c,
            supply_c=supply_c,
            humidity=humidity,
            pressure_pa=pressure_pa,
        )
    except UsageError:
        return
    assert all(math.isfinite(value) for value in result.values() if isinstance(value, float))
    assert 0.0 < result["humidity_ratio"] < 2.0
    assert result["output_w"] >= 0.0
