"""[gas] in a config: what it comes to, what is assumed and said, what is refused and where."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from typing import Any

import pytest
from pydantic import BaseModel, ConfigDict

from logger.config.gas import GasTable
from logger.config.load import LoadedConfig, loads_config
from logger.core.errors import ConfigError
from logger.core.gas import Known
from logger.core.params import Role
from logger.screen.plain import AIR_SIDE, result_lines

J_M3_PER_BTU_FT3 = 1055.05585262 / 0.3048**3  # NIST SP 811 B.8
PSI_PA = 6894.757  # same
IN_WG_PA = 249.08891  # same, conventional inch of water


class Radio(BaseModel):
    model_config = ConfigDict(extra="forbid")
    address: str


JOB = """\
[job]
name = "hall"
altitude = "700 ft"
[unit]
input = "135000 Btu/h"
output = "109000 Btu/h"
[airflow]
source = "fixed"
volume = "0.9 m3/s"
[probes.ret]
role = "return"
driver = "radio"
address = "2"
[probes.sup]
role = "supply"
driver = "radio"
address = "3"
"""
METER = '[probes.meter]\nrole = "gas"\ndriver = "radio"\naddress = "4"\n'
FULL = """\
[gas]
heating_value = "1036 Btu/ft3"
heating_value_u95 = "1 %"
heat = "gross"
already_derated = true
base_pressure = "101.325 kPa"
base_temperature = "15 °C"
meter_pressure = "2 psi"
meter_temperature = "50 °F"
compensated = false
dial = "2 ft3"
dial_u95 = "1.5 %"
turns = 3
times = ["163.0 s", "2.7 min"]
timing_u95 = "0.4 s"
timed = 2026-03-01
"""
LEAST = '[gas]\nheating_value = "1036 Btu/ft3"\n'
TIMED = LEAST + 'dial = "2 ft3"\ntimes = ["54 s"]\n'


def load(text: str) -> LoadedConfig:
    return loads_config(text, "job.toml", {"radio": Radio})


def refusal(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        load(text)
    return str(caught.value)


def test_the_full_text_leaves_no_key_out() -> None:
    assert {line.split(" = ")[0] for line in FULL.splitlines()[1:]} == set(GasTable.model_fields)


def test_every_key_arrives_in_si() -> None:
    loaded = load(JOB + FULL)
    gas = loaded.job.gas
    assert gas is not None
    assert gas.timed is not None
    value = 1036.0 * J_M3_PER_BTU_FT3
    assert gas.heating_value_j_m3 == pytest.approx((value, 0.005 * value, False), rel=1e-9)
    assert gas.gauge_pa.value == pytest.approx(2.0 * PSI_PA, rel=1e-6)
    assert gas.meter_c == pytest.approx((10.0, 1.0, False))
    assert (gas.base_pressure_pa, gas.base_c, gas.of_site, gas.net) == (101_325.0, 15.0, True, False)
    assert gas.timed.volume_m3.value == pytest.approx(6.0 * 0.3048**3)
    assert gas.timed.volume_m3.u == pytest.approx(0.0075 * 6.0 * 0.3048**3)
    assert gas.timed.times_s == pytest.approx((163.0, 162.0))
    assert (gas.timed.timing_u_s, gas.timed.timing_assumed) == (0.2, False)
    assert gas.timed.day == date(2026, 3, 1).toordinal()
    assert [note for note in loaded.notes if note.startswith("gas.") and "left out" in note] == []


def test_what_is_left_out_is_assumed_and_said() -> None:
    loaded = load(JOB + TIMED)
    gas = loaded.job.gas
    assert gas is not None
    assert gas.timed is not None
    assert gas.base_pressure_pa == pytest.approx(14.73 * PSI_PA)  # usual in the US (recalled)
    assert gas.base_c == pytest.approx((60.0 - 32.0) / 1.8)
    assert gas.gauge_pa == pytest.approx((7.0 * IN_WG_PA, 7.0 * IN_WG_PA / 3**0.5, True), rel=1e-6)
    assert gas.meter_c is not None
    assert gas.meter_c.assumed
    assert gas.heating_value_j_m3.assumed
    assert gas.timed.volume_m3.assumed
    assert gas.timed.timing_assumed
    for key in (
        "heating_value_u95",
        "meter_pressure",
        "meter_temperature",
        "timing_u95",
        "dial_u95",
        "timed",
    ):
        assert any(note.startswith(f"gas.{key} is left out:") for note in loaded.notes), key
    assert any("all other appliances on its meter are off" in note for note in loaded.notes)


def test_no_table_no_gas() -> None:
    assert load(JOB).job.gas is None
    assert not any("gas" in note for note in load(JOB).notes)


def test_a_counter_needs_no_turns() -> None:
    loaded = load(JOB + METER + LEAST)
    assert loaded.job.gas is not None
    assert loaded.job.gas.timed is None
    assert [p.u95 for p in loaded.job.probes_of(Role.GAS)] == [0.02]


def test_a_counter_without_a_heating_value_is_said() -> None:
    loaded = load(JOB + METER)
    assert loaded.job.gas is None
    assert any("probes.meter is a gas meter and there is no [gas] table" in note for note in loaded.notes)


def test_a_counter_beats_turns_timed_by_hand() -> None:
    assert any(
        "gas.times are not used: probes.meter counts" in note for note in load(JOB + METER + TIMED).notes
    )


def test_a_compensated_meter_has_no_temperature() -> None:
    gas = load(JOB + TIMED + "compensated = true\n").job.gas
    assert gas is not None
    assert gas.meter_c is None
    both = load(JOB + TIMED + 'compensated = true\nmeter_temperature = "50 °F"\n')
    assert any(note.startswith("gas.meter_temperature is not used") for note in both.notes)


def test_net_is_made_gross() -> None:
    loaded = load(JOB + TIMED.replace("1036", "935") + 'heat = "net"\n')
    gas = loaded.job.gas
    assert gas is not None
    assert gas.net
    ratio = gas.heating_value_j_m3.value / (935.0 * J_M3_PER_BTU_FT3)
    assert ratio == pytest.approx(1.108, abs=0.005)  # natural gas, ISO 6976 (recalled)
    assert any(note.startswith("gas.heat: the net heating value") for note in loaded.notes)


@pytest.mark.parametrize(
    ("value", "said"), [("500 Btu/ft3", True), ("1036 Btu/ft3", False), ("93 MJ/m3", False)]
)
def test_an_unusual_gas_is_said(value: str, *, said: bool) -> None:
    notes = load(JOB + TIMED.replace("1036 Btu/ft3", value)).notes
    assert any("neither natural gas" in note for note in notes) is said


@pytest.mark.parametrize(
    ("text", "line", "key", "part"),
    [
        (LEAST, 18, "gas", "nothing that counts the gas"),
        ("[gas]\n", 18, "gas.heating_value", "missing; add for example"),
        (LEAST + 'dial = "2 ft3"\n', 20, "gas.dial", "goes with timed turns only"),
        (LEAST + 'times = ["54 s"]\n', 20, "gas.times", "needs the gas of one turn"),
        (TIMED.replace('"54 s"', '"54"'), 21, "gas.times", "'54' needs a unit"),
        (TIMED.replace('["54 s"]', '"54 s"'), 21, "gas.times", "one or more times in brackets"),
        (TIMED.replace('["54 s"]', "[]"), 21, "gas.times", "one or more times in brackets"),
        (TIMED.replace('"54 s"', '"54 s", "108 s"'), 21, "gas.times", "a turn was miscounted"),
        (TIMED.replace('"54 s"', '"1 s"'), 21, "gas.times", "no burner of a rooftop unit"),
        (TIMED + "turns = 0\n", 22, "gas.turns", "must be at least 1"),
        (TIMED + "compensated = 'yes'\n", 22, "gas.compensated", "must be true or false"),
        (TIMED + "heat = 'nett'\n", 22, "gas.heat", "did you mean 'net'?"),
        (TIMED + "meter_presure = '7 in.wg'\n", 22, "gas.meter_presure", "did you mean 'meter_pressure'?"),
        (TIMED + "meter_pressure = '700 psi'\n", 22, "gas.meter_pressure", "not between"),
        (TIMED.replace("1036", "1036000"), 19, "gas.heating_value", "not between"),
        (TIMED.replace("1036", "2500") + 'heat = "net"\n', 19, "gas.heating_value", "only a net value"),
    ],
)
def test_faults_name_line_and_key(text: str, line: int, key: str, part: str) -> None:
    sentences = refusal(JOB + text).split("\n")
    mine = [s for s in sentences if s.startswith(f"job.toml:{line}: key '{key}': ")]
    assert len(mine) == 1, sentences
    assert part in mine[0]


def test_gas_goes_with_a_gas_fired_unit() -> None:
    text = refusal(JOB.replace("[unit]", '[unit]\nkind = "electric"') + TIMED)
    sentence = 'does not go with kind = "electric", which burns no gas; remove the table'
    assert text == f"job.toml:19: key 'gas': {sentence}"


def test_what_is_of_gas_alone_is_told_once_each_for_a_cooling_unit() -> None:
    """No second sentence that asks to mend what the first asks to remove."""
    unit = '[unit]\nkind = "cooling"\nefficiency = "80 %"'
    sentences = refusal(JOB.replace("[unit]", unit) + '[gas]\nheating_value = "1036 Btu/ft3"\n').split("\n")
    told = [s.split("': ")[0].split("key '")[1] for s in sentences]
    assert told.count("unit.efficiency") == told.count("gas") == 1, sentences
    assert not [s for s in sentences if "add " in s or "keep " in s], sentences


def test_one_meter_is_enough() -> None:
    text = refusal(JOB + METER + METER.replace("meter", "other").replace('"4"', '"5"') + LEAST)
    assert text.startswith("job.toml:23: key 'probes.other.role': is a second gas meter beside 'meter'")


def test_the_effective_text_gives_the_same_gas_again() -> None:
    loaded = load(JOB + FULL)
    again = loads_config(loaded.effective_text, "again.toml", {"radio": Radio})
    assert again.job.gas == loaded.job.gas
    assert isinstance(loaded.job.gas and loaded.job.gas.gauge_pa, Known)


# -- the result for people -------------------------------------------------------------------------


def result(power_input: Mapping[str, Any]) -> str:
    document = {
        "job": "hall",
        "verdict": None,
        "firing": {"output_w": 31_790.0, "output_u95_w": 1_510.0, "shortcut_w": 33_000.0},
        "nameplate": {"output_w": 31_945.0, "ratio": 0.995, "input_w": 39_565.0},
        "input": power_input,
    }
    return "\n".join(result_lines(json.loads(json.dumps(document)), "us"))


def test_input_and_efficiency_are_shown_with_the_plain_word() -> None:
    text = result(
        {
            "measured_w": 39_800.0,
            "measured_u95_w": 1_200.0,
            "source": "timed",
            "efficiency": 0.799,
            "efficiency_u95": 0.045,
        }
    )
    assert (
        "gas input   135,800 ± 4,100 Btu/h (95 %) by its dial, timed by hand, 100.6 % of the plate's" in text
    )
    assert "efficiency  79.9 % ± 4.5 % of the measured gas input" in text
    assert AIR_SIDE in text


def test_without_an_input_the_reason_is_shown() -> None:
    text = result(
        {"measured_w": None, "efficiency": None, "efficiency_of_nameplate_input": 0.803, "reason": "x y"}
    )
    assert "80.3 % of the nameplate input (x y)" in text
    assert "gas input" not in text
    assert AIR_SIDE not in text
