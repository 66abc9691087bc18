"""Keys of a burner's stages: what they become, what does not go together, and what is said of them."""

from __future__ import annotations

from itertools import pairwise

import pytest
import scipy.constants as sc
from hypothesis import given
from hypothesis import strategies as st

from logger.config.load import LoadedConfig, loads_config
from logger.core.errors import ConfigError
from logger.report.answer import NO_AIRFLOW, NO_OUTPUT, answer
from logger.report.sections import stage_table
from logger.report.values import Numbers
from logger.screen.plain import result_lines
from simulators.driver import SimDriver

BTU_H = sc.Btu_IT / sc.hour  # W
CFM = sc.foot**3 / sc.minute  # m3/s

GOOD = """\
[job]
name = "hall"
altitude = "700 ft"
[unit]
input = "135000 Btu/h"
output = "108000 Btu/h"
stages = 2
stage_input = ["90000 Btu/h", "135000 Btu/h"]
[airflow]
source = "fixed"
stage_volume = ["1500 cfm", "1850 cfm"]
[probes.ret]
role = "return"
driver = "sim"
u95 = "0.3 K"
[probes.sup]
role = "supply"
driver = "sim"
u95 = "0.3 K"
[sim]
scenario = "two-stage"
"""


def load(text: str) -> LoadedConfig:
    return loads_config(text, "job.toml", {"sim": SimDriver.Options})


def changed(*changes: tuple[str, str]) -> str:
    text = GOOD
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def test_the_stages_reach_the_core() -> None:
    job = load(GOOD).job
    # each at the plate's efficiency of 80 %
    assert job.unit.stage_output_w == pytest.approx((72_000 * BTU_H, 108_000 * BTU_H), rel=1e-9)
    assert job.airflow.stage_volume_m3_s == pytest.approx((1500 * CFM, 1850 * CFM), rel=1e-9)
    assert job.airflow.volume_m3_s == job.airflow.stage_volume_m3_s[1]
    assert (job.unit.stages, job.unit.modulating) == (2, False)


def test_a_stage_output_beats_the_plates_efficiency() -> None:
    text = changed(("stage_input", 'stage_output = ["70000 Btu/h", "108000 Btu/h"]\nstage_input'))
    loaded = load(text)
    assert loaded.job.unit.stage_output_w == pytest.approx((70_000 * BTU_H, 108_000 * BTU_H), rel=1e-9)
    assert not any("stage_output" in note for note in loaded.notes)
    assert any("unit.stage_output is left out" in note for note in load(GOOD).notes)


def test_a_burner_that_modulates() -> None:
    stages = 'stages = 2\nstage_input = ["90000 Btu/h", "135000 Btu/h"]'
    text = changed(
        (stages, "modulating = true"), ('stage_volume = ["1500 cfm", "1850 cfm"]', 'volume = "1850 cfm"')
    )
    unit = load(text).job.unit
    assert unit.modulating
    assert unit.stage_output_w == ()


def test_stages_of_one_rise_are_told_before_anybody_climbs_on_the_roof() -> None:
    alike = changed(('"1500 cfm"', '"1240 cfm"'))
    (note,) = [note for note in load(alike).notes if "too little to tell" in note]
    assert "stages 1 and 2" in note
    assert "visit.stage_forced" in note
    assert not any("too little to tell" in note for note in load(changed(('"1500 cfm"', '"1700 cfm"'))).notes)


VOLUMES = 'stage_volume = ["1500 cfm", "1850 cfm"]'
INPUTS = 'stage_input = ["90000 Btu/h", "135000 Btu/h"]'


@pytest.mark.parametrize(
    ("change", "line", "key", "words"),
    [
        (("stages = 2\n", ""), 7, "unit.stage_input", ["2 values", "unit.stages is 1"]),
        (("stages = 2", "stages = 3"), 8, "unit.stage_input", ["2 values", "unit.stages is 3"]),
        (('"90000 Btu/h"', '"140000 Btu/h"'), 8, "unit.stage_input", ["must rise", "lowest stage first"]),
        (('"135000 Btu/h"]', '"120000 Btu/h"]'), 8, "unit.stage_input", ["highest stage", "check both"]),
        (('"90000 Btu/h"', "90000"), 8, "unit.stage_input", ["stage 1", "a bare number needs a unit"]),
        (('"90000 Btu/h"', '"90000 BTU"'), 8, "unit.stage_input", ["stage 1", "accepted units"]),
        ((INPUTS, 'stage_input = "90000 Btu/h"'), 8, "unit.stage_input", ["an array", '"135000 Btu/h"']),
        ((INPUTS, "stage_input = []"), 8, "unit.stage_input", ["an array"]),
        (('"1500 cfm"', '"1900 cfm"'), 11, "airflow.stage_volume", ["must rise"]),
        ((VOLUMES, VOLUMES + '\nvolume = "1850 cfm"'), 11, "airflow.stage_volume", ["airflow.volume"]),
        ((INPUTS + "\n", ""), 10, "airflow.stage_volume", ["unit.stage_output"]),
        (
            ('source = "fixed"', 'source = "mass"\nmass = "1 kg/s"'),
            12,
            "airflow.stage_volume",
            ['source = "fixed"'],
        ),
        (("stages = 2", "stages = 2\nmodulating = true"), 8, "unit.modulating", ["keep one"]),
        (("stages = 2", "modulating = true"), 8, "unit.stage_input", ["modulates"]),
        (('input = "135000 Btu/h"\n', ""), 7, "unit.stage_input", ["needs unit.input"]),
        (
            (INPUTS, INPUTS + '\nstage_output = ["95000 Btu/h", "108000 Btu/h"]'),
            9,
            "unit.stage_output",
            ["more than unit.stage_input at stage 1"],
        ),
    ],
)
def test_what_does_not_go_together(change: tuple[str, str], line: int, key: str, words: list[str]) -> None:
    with pytest.raises(ConfigError) as caught:
        load(changed(change))
    assert caught.value.exit_code == 2
    (sentence,) = [s for s in str(caught.value).splitlines() if f"key '{key}'" in s]
    assert f"job.toml:{line}:" in sentence
    for word in words:
        assert word in sentence


@given(st.lists(st.integers(1, 200), min_size=1, max_size=5), st.integers(1, 5))
def test_inputs_are_taken_when_they_rise_to_the_plate_and_else_refused_by_key(
    kilowatts: list[int], stages: int
) -> None:
    values = ", ".join(f'"{kw} kW"' for kw in kilowatts)
    text = changed(
        (VOLUMES, 'volume = "1850 cfm"'),
        (INPUTS, f"stage_input = [{values}]"),
        ("stages = 2", f"stages = {stages}"),
        ('input = "135000 Btu/h"', f'input = "{kilowatts[-1]} kW"'),
        ('output = "108000 Btu/h"', 'efficiency = "80 %"'),
    )
    rises = all(a < b for a, b in pairwise(kilowatts))
    if rises and stages == len(kilowatts):
        outputs_w = load(text).job.unit.stage_output_w
        assert outputs_w == pytest.approx([800.0 * kw for kw in kilowatts])
    else:
        with pytest.raises(ConfigError, match=r"job\.toml:8: key 'unit\.stage_input'"):
            load(text)


ROWS = [
    {
        "stage": 1,
        "output_w": 21_101.0,
        "output_u95_w": 1_055.0,
        "ratio": 1.0,
        "seconds": 301.0,
        "reason": None,
    },
    {"stage": None, "output_w": None, "output_u95_w": None, "ratio": None, "seconds": 90.0, "reason": "Why."},
]


def test_the_result_for_people_has_a_line_for_each_level() -> None:
    lines = result_lines({"job": "hall", "verdict": None, "stage_results": ROWS}, "us")
    text = "\n".join(lines)
    # 1 Btu = 1055.056 J (NIST SP 811): 21,101 W is 72,000 Btu/h
    assert "  stages      stage 1  72,000 ± 3,600 Btu/h, 100.0 % of its plate, steady for 05:01" in lines
    assert "              level    no output, steady for 90 s" in lines
    assert "              Why." in lines
    assert text.count("steady for") == 2


def test_the_report_says_that_it_is_the_airflow_that_is_missing() -> None:
    document = {"verdict": None, "firing": None, "stage_results": ROWS[1:], "reason": "Why."}
    missing = NO_AIRFLOW.format(steadily="firing steadily")
    assert answer(Numbers(document, "us"), None).sentence[0].text == missing
    assert answer(Numbers(document | {"stage_results": []}, "us"), None).sentence[0].text == NO_OUTPUT.format(
        steadily="firing steadily"
    )


def test_the_report_has_a_table_of_the_stages_where_there_are_any() -> None:
    table = stage_table(Numbers({"stage_results": ROWS}, "us"))
    assert table is not None
    assert [row.label for row in table.rows] == ["1", "—"]
    first, second = (["".join(part.text for part in cell) for cell in row.cells] for row in table.rows)
    assert first[1:] == ["100.0 %", "5 min", ""]
    assert first[0].replace("\u00a0", " ").startswith("72,000 ± 3,600")
    assert second == ["not known", "—", "90 s", "Why."]
    assert stage_table(Numbers({"stage_results": None}, "us")) is None
