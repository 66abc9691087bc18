"""`output`: texts in, the handbook's numbers out."""

import json

import pytest

from logger.core.errors import UsageError
from logger.typed import TypedValues, compute, output_command

W_PER_BTU_H = 1055.05585262 / 3600.0  # NIST SP 811 B.8, Btu (International Table)


def values(**changes: str | None) -> TypedValues:
    given: dict[str, str | None] = {
        "airflow": "2000 cfm",
        "at": "return",
        "return_": "70 °F",
        "supply": "120 °F",
        "humidity": "40 %",
        "altitude": None,
        "pressure": "14.696 psi",
        "fan_heat": "0 W",
        "casing_loss": "0 W",
    }
    return TypedValues(**(given | changes))  # type: ignore[arg-type]


# Expected: CoolProp's HumidAirProp, computed outside the project; agreement of the two moist-air
# libraries is 0.2 % (ASHRAE's ideal-gas relations against real-gas virial coefficients).
@pytest.mark.parametrize(
    ("changes", "btu_h"),
    [
        ({}, 108_256.0),
        ({"pressure": "12.2278 psi"}, 90_075.0),
        ({"at": "supply"}, 98_896.0),
        ({"airflow": "3200 cfm", "return_": "65 °F", "humidity": "35 %", "supply": "118 degF"}, 185_262.0),
    ],
)
def test_against_the_reference_library(changes: dict[str, str], btu_h: float) -> None:
    assert compute(values(**changes))["output_w"] == pytest.approx(btu_h * W_PER_BTU_H, rel=0.003)


def test_us_and_si_say_the_same() -> None:
    us = compute(values(altitude="1000 ft", pressure=None))
    si = compute(
        values(
            airflow=f"{2000 * 0.3048**3 / 60} m3/s",  # exact by definition of the foot
            return_=f"{(70 - 32) / 1.8} °C",
            supply=f"{(120 - 32) / 1.8} °C",
            altitude="304.8 m",
            pressure=None,
        )
    )
    for key in ("output_w", "airflow_m3_s", "pressure_pa", "shortcut_w"):
        assert us[key] == pytest.approx(si[key], rel=1e-12)  # type: ignore[literal-required]


def test_fan_heat_and_casing_loss_stand_between_air_heat_and_output() -> None:
    found = compute(values(fan_heat="450 W", casing_loss="300 W"))
    assert found["output_w"] == pytest.approx(found["air_heat_w"] - 450.0 + 300.0)


def test_dry_air_needs_no_state() -> None:
    low = compute(values(airflow="1.02 kg/s", pressure="80 kPa"))
    assert low["dry_air_kg_s"] == pytest.approx(1.02)


@pytest.mark.parametrize(
    ("changes", "part"),
    [
        ({"airflow": "1850"}, "--airflow"),
        ({"return_": "70"}, "--return"),
        ({"supply": "48 K m"}, "--supply"),
        ({"at": "roof"}, "--at 'roof'"),
        ({"altitude": "700 ft"}, "--altitude and --pressure"),
        ({"altitude": "9000 m", "pressure": None}, "--altitude: '9000 m' is not between"),
        ({"fan_heat": "half a kilowatt"}, "--fan-heat"),
        ({"humidity": "140 %"}, "humidity"),
    ],
)
def test_what_cannot_be_read_names_its_option(changes: dict[str, str | None], part: str) -> None:
    with pytest.raises(UsageError) as caught:
        compute(values(**changes))
    assert part in str(caught.value)


def test_the_answer_for_people_and_for_programs(capsys: pytest.CaptureFixture[str]) -> None:
    assert output_command(values(), units="us", json=True) == 0
    assert json.loads(capsys.readouterr().out)["schema"] == "riselog.output/1"
    assert output_command(values(), units="us", json=False) == 0
    assert capsys.readouterr().out.startswith("output       108")
    assert output_command(values(), units="si", json=False) == 0
    assert "kW" in capsys.readouterr().out
    with pytest.raises(UsageError, match="us or si"):
        output_command(values(), units="metric", json=False)
