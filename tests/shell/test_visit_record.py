"""The visit record: asked once a visit, kept in the config and with the run."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config.load import load_config, loads_config
from logger.config.toml_text import toml_text
from logger.config.visit import QUESTIONS, VisitTable
from logger.core.errors import ConfigError
from logger.core.params import VisitParams
from logger.core.result import result_document
from logger.registry import DriverOptions
from logger.visit_record import ask_record, wanted, with_record
from tests.core.jobs import FACTS, feed, play

TODAY = dt.date(2026, 3, 2)
JOB = """
[job]
name = "hall"
[airflow]
source = "mass"
mass = "1 kg/s"
[probes.ret]
role = "return"
driver = "x"
[probes.sup]
role = "supply"
driver = "x"
"""


def reader(*answers: str) -> tuple[Callable[[str], str], list[str]]:
    """A terminal that gives these answers and then ends; and the prompts it was shown."""
    left: Iterator[str] = iter(answers)
    prompts: list[str] = []

    def read(prompt: str) -> str:
        prompts.append(prompt)
        try:
            return next(left)
        except StopIteration:
            raise EOFError from None

    return read, prompts


def test_every_key_of_the_table_is_asked_once_and_in_order() -> None:
    read, prompts = reader(*[""] * len(QUESTIONS))
    assert ask_record(None, TODAY, read, lambda _: None) == {"date": TODAY}  # asked, nothing was answered
    assert len(prompts) == len(QUESTIONS)
    assert {q.key for q in QUESTIONS} == set(VisitTable.model_fields) - {"date"}


def test_answers_are_what_the_config_takes() -> None:
    answers = [
        "y",
        "clean",
        "y",
        "n",
        "yes",
        "y",
        "y",
        "natural gas",
        "7.0 in.wg",
        "3.5 in.wg",
        "0.6 in.wg",
        "belt is new",
    ]
    read, _ = reader(*answers)
    found = ask_record(None, TODAY, read, lambda _: None)
    config = loads_config(JOB + toml_text({"visit": found}), "job.toml", None)
    kept = tomllib.loads(config.effective_text)["visit"]
    assert kept == {
        "date": TODAY,
        "panels_on": True,
        "filter": "clean",
        "outdoor_air_shut": True,
        "zone_dampers_open": False,
        "stage_forced": True,
        "fan_at_heating_speed": True,
        "other_appliances_off": True,
        "fuel": "natural gas",
        "gas_inlet_pressure": "7.0 in.wg",
        "gas_manifold_pressure": "3.5 in.wg",
        "external_static": "0.6 in.wg",
        "note": "belt is new",
    }
    notes = [note for note in config.notes if "visit." in note]
    assert len(notes) == 1
    assert "zone_dampers_open" in notes[0]


def test_a_wrong_answer_is_told_and_asked_again() -> None:
    said: list[str] = []
    read, prompts = reader("maybe", "y", "dusty", "loaded", ".")
    found = ask_record(None, TODAY, read, said.append)
    assert found == {"date": TODAY, "panels_on": True, "filter": "loaded"}
    assert prompts[0] == prompts[1]
    assert any("y or n" in line for line in said)
    assert any("dusty" in line and "loaded" in line for line in said)


def test_input_that_ends_keeps_what_was_answered() -> None:
    read, _ = reader("y")
    assert ask_record(None, TODAY, read, lambda _: None) == {"date": TODAY, "panels_on": True}


def test_a_record_of_another_day_is_said_to_be_true_or_asked_anew_with_its_answers() -> None:
    old = VisitTable.model_validate(
        {"date": dt.date(2026, 3, 1), "panels_on": False, "gas_inlet_pressure": "7.0 in.wg"}
    )
    assert wanted(old, TODAY)
    read, prompts = reader("y")
    assert ask_record(old, TODAY, read, lambda _: None) == {"date": TODAY}
    assert len(prompts) == 1
    read, prompts = reader("n", "y", *[""] * len(QUESTIONS))
    assert ask_record(old, TODAY, read, lambda _: None) == {"date": TODAY, "panels_on": True}
    assert "as it is: n" in prompts[1]
    assert any("as it is: 1744 Pa" in p for p in prompts)  # 7.0 x 249.089 Pa (NIST SP 811)


def test_an_old_record_that_was_not_gone_through_keeps_its_day() -> None:
    """Else yesterday's damper would be today's, after the operator said that not all is true."""
    old = VisitTable.model_validate({"date": dt.date(2026, 3, 1), "outdoor_air_shut": True})
    for end in ((".",), ()):
        read, _ = reader("n", "y", "clean", *end)
        assert ask_record(old, TODAY, read, lambda _: None) == {"panels_on": True, "filter": "clean"}


@pytest.mark.parametrize(
    ("unit", "visit", "bars"),
    [
        ("", "panels_on = false", 1),
        ("", "panels_on = true", 0),
        ("", "outdoor_air_shut = false", 1),
        ('outdoor_air = "20 %"', "outdoor_air_shut = false", 0),
        ("stages = 1", "stage_forced = false", 0),
        ("stages = 2", "stage_forced = false", 1),
        ("", "fan_at_heating_speed = false\npanels_on = false", 2),
        ("", "zone_dampers_open = false", 0),
    ],
)
def test_a_no_bars_the_verdict_where_nothing_makes_up_for_it(unit: str, visit: str, bars: int) -> None:
    probes = '[probes.out]\nrole = "outdoor"\ndriver = "x"\n'
    config = loads_config(f"{JOB}{probes}[unit]\n{unit}\n[visit]\n{visit}\n", "job.toml", None)
    assert len(config.job.visit.bars) == bars


def test_what_the_record_says_against_the_config_is_a_problem() -> None:
    damper = JOB + '[unit]\noutdoor_air = "closed"\n[visit]\noutdoor_air_shut = false\n'
    with pytest.raises(ConfigError, match=r"visit\.outdoor_air_shut': is false and unit\.outdoor_air is"):
        loads_config(damper, "job.toml", None)
    swapped = '[visit]\ngas_inlet_pressure = "3.5 in.wg"\ngas_manifold_pressure = "7 in.wg"\n'
    with pytest.raises(ConfigError, match=r"visit\.gas_manifold_pressure': is above gas_inlet_pressure"):
        loads_config(JOB + swapped, "job.toml", None)
    for fuel, value, fits in (
        ("natural gas", "1036 Btu/ft3", True),
        ("propane", "1036 Btu/ft3", False),
        ("propane", "2500 Btu/ft3", True),  # common practice, no source
        ("natural gas", "2500 Btu/ft3", False),
    ):
        gas = f'[gas]\nheating_value = "{value}"\ndial = "2 ft3"\ntimes = ["60 s"]\n'
        text = f'{JOB}{gas}[visit]\nfuel = "{fuel}"\n'
        if fits:
            loads_config(text, "job.toml", None)
        else:
            with pytest.raises(ConfigError, match=r"visit\.fuel"):
                loads_config(text, "job.toml", None)


def test_a_job_without_a_record_or_with_probes_that_cannot_be_is_told() -> None:
    text = JOB.replace('role = "supply"', 'role = "supply"\nu95 = "0 K"\noffset = "4 K"')
    notes = loads_config(text, "job.toml", None).notes
    assert any("[visit] is left out" in note for note in notes)
    assert any("probes.sup.u95 is 0" in note for note in notes)
    assert any("probes.sup.offset is 4.0 K" in note for note in notes)


def test_the_record_reaches_verdict_and_gas_input() -> None:
    job, readings = play("standard")
    best = feed(job, readings).finish()
    assert result_document(best, FACTS)["verdict"] is not None
    barred = replace(best, job=replace(job, visit=VisitParams(bars=("a panel was off",))))
    found = result_document(barred, FACTS)
    assert found["verdict"] is None
    assert "a panel was off" in found["reason"]


def test_a_record_of_today_is_not_asked_again() -> None:
    assert not wanted(VisitTable.model_validate({"date": TODAY, "panels_on": True}), TODAY)
    assert wanted(None, TODAY)


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("panels_on = 1", "panels_on"),
        ('filter = "dusty"', "filter"),
        ('gas_inlet_pressure = "7"', "gas_inlet_pressure"),
        ('date = "2026-03-02"', "date"),
        ("damper = true", "damper"),
    ],
)
def test_a_wrong_record_names_line_and_key(line: str, key: str) -> None:
    text = JOB + "[visit]\n" + line + "\n"
    with pytest.raises(ConfigError, match=rf"job\.toml:{text.count(chr(10))}: key 'visit\.{key}'"):
        loads_config(text, "job.toml", None)


def test_answers_are_kept_in_the_file_and_a_copy_of_it_beside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = tmp_path / "job.toml"
    text = JOB.replace('driver = "x"', 'driver = "ess"\naddress = "00:00:00:00:00:0N"')
    job.write_text(text.replace("0N", "01", 1).replace("0N", "02") + "# last words\n")
    config = load_config(job, DriverOptions())
    read, _ = reader("y", "clean", ".")
    monkeypatch.setattr("builtins.input", read)
    kept = with_record(job, config, TODAY)
    assert kept.visit == VisitTable.model_validate({"date": TODAY, "panels_on": True, "filter": "clean"})
    before, after = job.with_name("job.toml.bak-2026-03-02").read_text(), job.read_text()
    assert after == before + '\n[visit]\ndate = 2026-03-02\npanels_on = true\nfilter = "clean"\n'
    assert tomllib.loads(after)["visit"] == {"date": TODAY, "panels_on": True, "filter": "clean"}
    monkeypatch.setattr("builtins.input", lambda _: pytest.fail("asked twice"))
    assert with_record(job, kept, TODAY) is kept
    read, _ = reader("y")
    monkeypatch.setattr("builtins.input", read)
    later = with_record(job, kept, TODAY + dt.timedelta(days=1))
    assert later.visit is not None
    assert later.visit.date == TODAY + dt.timedelta(days=1)
    assert later.visit.panels_on is True


def test_a_simulated_job_has_no_unit_to_look_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("builtins.input", lambda _: pytest.fail("asked"))
    sim = JOB.replace('driver = "x"', 'driver = "sim"') + '[sim]\nscenario = "standard"\n'
    config = loads_config(sim, "job.toml", None)
    assert with_record(Path("job.toml"), config, TODAY) is config


@given(st.lists(st.text(max_size=30), max_size=40))
def test_whatever_is_typed_the_config_still_loads(answers: list[str]) -> None:
    read, _ = reader(*answers)
    found = ask_record(None, TODAY, read, lambda _: None)
    loads_config(JOB + toml_text({"visit": found}), "job.toml", None)
