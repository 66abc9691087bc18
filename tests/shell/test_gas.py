"""`clock`: texts in, the worked examples' numbers out; and what cannot be read or cannot be."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.cli import main
from logger.core.errors import UsageError
from logger.gas_clock import CAUTIONS, clock_command, compute, document

W_PER_BTU_H = 1055.05585262 / 3600.0  # NIST SP 811 B.8, Btu (International Table)
LEAST = {"volume": "2 ft3", "times": ["60 s"], "heating_value": "1037 Btu/ft3"}
# EIA, "Heat Content of Natural Gas Consumed": US mean 1037 Btu/ft3 in 2020


def answer(**changes: object) -> dict[str, Any]:
    return document(compute(LEAST | changes))


def btu_h(**changes: object) -> float:
    return float(answer(**changes)["input_w"]) / W_PER_BTU_H


# 3600 x ft3 x Btu/ft3 / s x (p_meter / p_base) x (T_base / T_meter), by hand
@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, 124_440.0),
        ({"volume": "5 ft3", "times": ["75 s"]}, 248_880.0),
        ({"volume": None, "dial": "1 ft3", "turns": 5, "times": ["75.0 s"]}, 248_880.0),
        ({"times": ["28.9 s"]}, 258_353.0),
        ({"times": ["30.2 s", "29.8 s", "30 s"]}, 248_880.0),
        (
            {
                "volume": "5 ft3",
                "times": ["75 s"],
                "meter_pressure": "7 in.wg",
                "meter_temperature": "55 °F",
                "pressure": "14.696 psi",
            },
            255_028.0,
        ),
        (
            {
                "volume": "5 ft3",
                "times": ["75 s"],
                "meter_pressure": "7 in.wg",
                "meter_temperature": "55 °F",
                "pressure": "12.228 psi",
            },
            212_923.0,
        ),
        ({"heating_value": "38.64 MJ/m3", "volume": "56.634 L"}, 124_440.0),  # 1037 Btu/ft3, 2 ft3
        ({"meter_temperature": "20 °F", "compensated": True}, 124_440.0),
        ({"already_derated": True, "altitude": "5000 ft"}, 124_440.0),
    ],
)
def test_worked_by_hand(changes: dict[str, object], expected: float) -> None:
    assert btu_h(**changes) == pytest.approx(expected, rel=2e-4)


def test_altitude_lowers_the_input_as_the_standard_atmosphere_says() -> None:
    # 12.228 psia at 5000 ft (ICAO standard atmosphere), 7 in.wg of gauge pressure, base 14.73 psi
    by_hand = 124_440.0 * (12.228 + 7 * 0.03609) / 14.73
    assert btu_h(altitude="5000 ft") == pytest.approx(by_hand, rel=2e-4)


@pytest.mark.parametrize("gauge", [None, "7 in.wg"])
def test_without_a_height_the_uncertainty_holds_the_input_of_a_high_site(gauge: str | None) -> None:
    """12.228 psia at 5000 ft (ICAO standard atmosphere) against sea level's 14.696 and the base's 14.73."""
    given = {} if gauge is None else {"meter_pressure": gauge}
    said = answer(**given)
    high_w = W_PER_BTU_H * 124_440.0 * (12.228 + 7 * 0.03609) / 14.73
    assert abs(said["input_w"] - high_w) < said["u95_w"]
    # 26.64 kPa down to 2500 m (ICAO: 74.68 kPa), the value at one end of it: width / sqrt(3) (GUM 4.3.7)
    (line,) = [x for x in said["budget"] if x["source"] == "gas pressure"]
    assert line["u_w"] / said["input_w"] == pytest.approx(26.64 / 3**0.5 / 101.5, rel=0.02)


def test_the_base_is_the_one_of_the_heating_value() -> None:
    # 1 atm and 0 °C: 101.325 kPa / 273.15 K against 14.73 psi / 288.706 K, ideal gas law
    metric = answer(base_pressure="101.325 kPa", base_temperature="0 °C", pressure="100 kPa")
    usual = answer(pressure="100 kPa", meter_temperature="60 °F")
    cold = answer(pressure="100 kPa", meter_temperature="60 °F", base_temperature="0 °C")
    assert cold["factor"] / usual["factor"] == pytest.approx(273.15 / 288.706, rel=1e-5)
    assert metric["pressure_factor"] / usual["pressure_factor"] == pytest.approx(101_560 / 101_325, rel=1e-4)


def test_net_is_made_gross_only_when_said() -> None:
    net, gross = answer(heat="net", heating_value="936 Btu/ft3"), answer(heating_value="936 Btu/ft3")
    assert net["input_w"] / gross["input_w"] == pytest.approx(1.108, abs=0.005)  # ISO 6976 (recalled)
    assert "net to gross" in {line["source"] for line in net["budget"]}
    assert any(text.startswith("--net:") for text in net["assumed"])
    assert not any("net" in text.split(":")[0] for text in gross["assumed"])


def test_all_that_is_assumed_is_said_and_in_the_budget() -> None:
    found = answer()
    for option in ("--altitude", "--meter-temperature", "--heating-value-u95", "--timing-u95", "--dial-u95"):
        assert any(text.startswith(option) for text in found["assumed"]), option
    assert {line["source"] for line in found["budget"]} == {
        "timing",
        "dial",
        "heating value",
        "gas pressure",
        "gas temperature",
    }
    assert all(line["assumed"] for line in found["budget"])
    assert sum(line["share"] for line in found["budget"]) == pytest.approx(1.0)
    full = answer(
        pressure="98.8 kPa",
        meter_pressure="7 in.wg",
        meter_temperature="50 °F",
        heating_value_u95="1 %",
        timing_u95="0.5 s",
        dial_u95="1 %",
    )
    assert full["assumed"] == []
    assert not any(line["assumed"] for line in full["budget"])
    assert full["u95_w"] / full["input_w"] < found["u95_w"] / found["input_w"] / 3.0


def test_more_turns_are_surer() -> None:
    def timing(**changes: object) -> float:
        budget = answer(volume=None, dial="2 ft3", **changes)["budget"]
        return float(next(line["u_w"] for line in budget if line["source"] == "timing"))

    one = timing(times=["60 s"])
    assert timing(times=["240 s"], turns=4) == pytest.approx(one / 4.0)  # the same half second over 4 turns
    assert timing(times=["60 s"] * 4) == pytest.approx(one / 2.0)  # JCGM 100 4.2.3: root of n


@pytest.mark.parametrize(
    ("plate", "word"),
    [
        ("124000 Btu/h", "within 5 % of the plate"),
        ("119000 Btu/h", "undecided"),
        ("105000 Btu/h", "over-fired"),
        ("145000 Btu/h", "below the plate"),
        ("12400 Btu/h", "a slip"),
        ("1240000 Btu/h", "a slip"),
    ],
)
def test_against_the_plate(plate: str, word: str) -> None:
    surer = {"pressure": "98.8 kPa", "meter_temperature": "60 °F", "base_pressure": "100.54 kPa"}
    found = answer(plate_input=plate, **surer)
    assert word in found["plate"]["text"]


@pytest.mark.parametrize(
    ("changes", "part"),
    [
        ({"volume": "2"}, "--volume: '2' needs a unit"),
        ({"volume": None}, "no volume"),
        ({"dial": "2 ft3"}, "--volume and --dial were both given"),
        ({"turns": 2}, "--volume and --turns were both given"),
        ({"volume": None, "dial": "2 ft3", "turns": 0}, "--turns: must be at least 1"),
        ({"times": ["a minute"]}, "--time: 'a minute'"),
        ({"times": ["60 s", "1 ft"]}, "--time: '1 ft' has a unit of length"),
        ({"times": ["0 s"]}, "--time: '0 s' is not between"),
        ({"times": ["60 s", "120 s"]}, "a turn was miscounted"),
        ({"heating_value": "1037 Btu"}, "--heating-value"),
        ({"heating_value": "10 Btu/ft3"}, "--heating-value: '10 Btu/ft3' is not between"),
        (
            {"heat": "net", "heating_value": "2500 Btu/ft3"},
            "--heating-value: only a net value of natural gas",
        ),
        ({"volume": "3 m3"}, "which no burner of a rooftop unit takes"),
        ({"volume": "0.02 ft3", "times": ["300 s"]}, "which no burner of a rooftop unit takes"),
        ({"altitude": "700 ft", "pressure": "98 kPa"}, "--altitude and --pressure were both given"),
        ({"meter_pressure": "-1 psi"}, "--meter-pressure"),
        ({"base_pressure": "7 in.wg"}, "--base-pressure"),
        ({"plate_input": "135000"}, "--plate-input"),
    ],
)
def test_what_cannot_be_names_its_option(changes: dict[str, object], part: str) -> None:
    with pytest.raises(UsageError) as caught:
        compute(LEAST | changes)
    assert part in str(caught.value)
    assert "\n" not in str(caught.value)


def refused_or_answered(changes: dict[str, object]) -> bool:
    try:
        return float(answer(**changes)["input_w"]) > 0.0
    except UsageError as error:
        return str(error).startswith("--")


@given(st.text(max_size=30), st.sampled_from(["volume", "heating_value", "meter_pressure", "altitude"]))
def test_any_text_is_read_or_refused_by_its_option(text: str, key: str) -> None:
    assert refused_or_answered({key: text})


@given(st.lists(st.text(max_size=12), max_size=4))
def test_any_times_are_read_or_refused_by_their_option(times: list[str]) -> None:
    assert refused_or_answered({"times": times})


def test_the_answer_for_people_and_for_programs(capsys: pytest.CaptureFixture[str]) -> None:
    given_ = LEAST | {"plate_input": "135000 Btu/h"}
    assert clock_command(given_, units="us", json=True) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["schema"], found["factor"]) == ("riselog.clock/1", pytest.approx(1.0))
    assert clock_command(given_, units="us", json=False) == 0
    text = capsys.readouterr().out
    assert text.startswith("input        124,400 ± ")
    assert all(caution in text for caution in CAUTIONS)
    assert clock_command(given_, units="si", json=False) == 0
    assert "kW (95 %), by the gross heating value" in capsys.readouterr().out
    with pytest.raises(UsageError, match="us or si"):
        clock_command(given_, units="metric", json=False)


def test_every_option_of_the_command_arrives(capsys: pytest.CaptureFixture[str]) -> None:
    options = {
        "--dial": "1 ft3",
        "--turns": "5",
        "--heating-value": "936 Btu/ft3",
        "--heating-value-u95": "1 %",
        "--meter-pressure": "2 psi",
        "--meter-temperature": "50 °F",
        "--base-pressure": "14.65 psi",
        "--base-temperature": "15 °C",
        "--altitude": "5000 ft",
        "--timing-u95": "0.3 s",
        "--dial-u95": "1.5 %",
        "--plate-input": "280 MBH",
        "--units": "si",
    }
    words = [
        "clock",
        "--json",
        "--net",
        "--already-derated",
        "--compensated",
        "--time",
        "75 s",
        "--time",
        "76 s",
    ]
    with pytest.raises(SystemExit) as ended:
        main([*words, *(part for pair in options.items() for part in pair)])
    assert ended.value.code == 0
    found = json.loads(capsys.readouterr().out)
    assert found["times_s"] == [75.0, 76.0]
    assert found["volume_m3"] == pytest.approx(5 * 0.3048**3)
    assert {line["source"] for line in found["budget"]} >= {"net to gross", "temperature compensation"}
    assert found["plate"]["input_w"] == pytest.approx(280_000.0 * W_PER_BTU_H)
    # the value of the site holds behind 7 in.wg: a meter at 2 psi counts denser gas (ideal gas law)
    by_hand = (12.228 + 2.0) / (12.228 + 7 * 0.03609)
    assert found["factor"] == pytest.approx(by_hand, rel=2e-4)
    assert not [text for text in found["assumed"] if "left out" in text]
