"""What is shown of units that burn nothing: plain lines, dashboard, report, broker."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from logger.core.kind_words import (
    ABOVE,
    ABOVE_SHORT,
    ANOTHER_HIGHER,
    BELOW,
    BROKEN_DOWN,
    CHANGE,
    CYCLING,
    ENERGY,
    FULL,
    GO_ON,
    HEATER,
    HIGHER,
    INLET,
    NO_FIRING,
    NO_INPUT,
    OTHER_CAUSE,
    SEEN,
    SPELL,
    STARTER,
    STEADILY,
)
from logger.core.params import UnitKind
from logger.core.result import result_document
from logger.core.snapshot import Snapshot
from logger.report.answer import answer, key_numbers
from logger.report.page import OUTPUT_METHOD
from logger.report.values import Numbers, plain
from logger.screen.plain import minute_line, result_lines
from tests.core.jobs import FACTS, feed, make_job, make_reading, play
from tests.core.stories import Story
from tests.core.test_kinds_cooling import cooling_job, story
from tests.core.test_plausible import FULL_K, LOW_K, firings_of, program_of
from tests.shell.test_kinds_page import OF_GAS, told

FRONT, BACK = (26.7, 51.0), (14.0, 92.0)


@pytest.mark.parametrize(
    "table",
    [
        ABOVE,
        ABOVE_SHORT,
        ANOTHER_HIGHER,
        BELOW,
        BROKEN_DOWN,
        CHANGE,
        CYCLING,
        ENERGY,
        FULL,
        GO_ON,
        HEATER,
        HIGHER,
        INLET,
        NO_FIRING,
        NO_INPUT,
        OTHER_CAUSE,
        OUTPUT_METHOD,
        SEEN,
        SPELL,
        STARTER,
        STEADILY,
    ],
)
def test_every_kind_has_its_words(table: dict[str, str]) -> None:
    assert set(table) == {kind.value for kind in UnitKind}
    for kind in ("electric", "heat-pump", "cooling"):
        assert not OF_GAS.findall(table[kind])


def test_what_goes_wrong_with_an_electric_unit_is_told_without_gas() -> None:
    """Two levels, a unit that stops again and again, a probe that stands apart from the others."""
    job = make_job(unit=replace(make_job().unit, kind=UnitKind.ELECTRIC))
    supply = tuple(replace(job.probes[1], name=name) for name in "abc")
    apart = replace(job, probes=(job.probes[0], *supply))
    stories = (
        ("stage-suspected", job, firings_of((1000, FULL_K), (1800, LOW_K))),
        ("limit-cycling", job, program_of((480, 0.0), *((90, 45.0), (180, 0.0)) * 4, (300, 0.0))),
        ("supply-probes-disagree", apart, Story(supply={"a": 0.0, "b": 3.0, "c": 0.0}).readings()),
    )
    for code, told_of, readings in stories:
        document = result_document(feed(told_of, readings).finish(), FACTS)
        if code != "stage-suspected":
            assert code in {event["code"] for event in document["events"]}
        for text in told(document):
            assert not OF_GAS.findall(text)
            assert "heat exchanger" not in text


def cooled(**changes: Any) -> dict[str, Any]:
    return result_document(feed(cooling_job(), story(FRONT, BACK, **changes)).finish(), FACTS)


def test_lines_of_a_cooling_result() -> None:
    document = cooled()
    firing = document["firing"]
    lines = result_lines(document, "si")
    rows = {line.split()[0]: line for line in lines if line.strip()}
    assert f"{firing['sensible_w'] / 1000.0:.1f} ±" in rows["sensible"]
    assert f"ratio {firing['sensible_heat_ratio']:.2f}" in rows["sensible"]
    known = f"{firing['sensible_heat_ratio']:.2f} ± {firing['sensible_heat_ratio_u95']:.2f}"
    assert f"ratio {known}" in rows["sensible"]
    latent, latent_u95 = (f"{firing[key] / 1000.0:.2f}" for key in ("latent_w", "latent_u95_w"))
    assert f"{latent} ± {latent_u95} kW (95 %)" in rows["latent"]
    water, water_u95 = (f"{firing[key] * 3600.0:.1f}" for key in ("condensate_kg_s", "condensate_u95_kg_s"))
    assert f"condensate {water} ± {water_u95} kg/h" in rows["latent"]
    assert "12.7 K" in rows["drop"]
    assert "rise" not in rows
    assert "efficiency" not in rows
    assert "after the cooling came on" in rows["steady"]


TON_W = 3_516.853  # W: ton of refrigeration (12 000 Btu_IT/h), NIST SP 811 (2008) appendix B.8


def test_a_cooling_result_in_us_units_has_its_tons() -> None:
    document = cooled()
    firing, plate_w = document["firing"], document["nameplate"]["output_w"]
    value, u95 = (f"{firing[key] / TON_W:.2f}" for key in ("output_w", "output_u95_w"))
    lines = result_lines(document, "us")
    assert any(f"{value} ± {u95} tons of refrigeration" in line for line in lines)
    assert any(f"({plate_w / TON_W:.2f} tons)" in line for line in lines if "nameplate" in line)
    table = key_numbers(Numbers(document, "us"))
    assert table is not None
    remarks = {row.label: plain(row.cells[-1]) for row in table.rows}
    assert remarks["Output"] == f"{value} ± {u95} tons of refrigeration"
    assert remarks["Nameplate output"] == f"{plate_w / TON_W:.2f} tons of refrigeration"


def test_tons_are_shown_of_nothing_else() -> None:
    gas = result_document(feed(*play("standard")).finish(), FACTS)
    for document, units in ((cooled(), "si"), (gas, "us"), (cooled(silent=("sup",)), "us")):
        assert not [
            line for line in result_lines(document, units) if "tons" in line and "nameplate" not in line
        ]
    assert "tons" not in "".join(result_lines(cooled(), "si"))
    assert "tons" not in "".join(result_lines(gas, "us"))


def test_lines_without_a_total() -> None:
    text = "\n".join(result_lines(cooled(silent=("sup",)), "us"))
    assert "sensible" in text
    assert "latent  " not in text
    assert "No verdict: the humidity" in text


def test_report_of_a_cooling_result() -> None:
    numbers = Numbers(cooled(), "si")
    table = key_numbers(numbers)
    assert table is not None
    labels = {row.label: plain(row.cells[0]) for row in table.rows}
    assert labels["Sensible heat"].startswith(f"{numbers.get('firing.sensible_w') / 1000.0:.1f} ± ")  # type: ignore[operator]
    assert labels["Latent heat"].split()[1] == labels["Condensate"].split()[1] == "±"
    assert {"Latent heat", "Condensate", "Temperature drop", "Heat taken out"} <= set(labels)
    assert not {"Heat taken up by the air", "Of it, from the fan", "Lost through the casing"} & set(labels)


def test_report_without_a_total() -> None:
    numbers = Numbers(cooled(silent=("ret", "sup")), "us")
    said = answer(numbers, 0.05)
    text = plain(said.sentence)
    assert text.startswith("The unit took out sensible heat of ")
    assert "no verdict" in text
    table = key_numbers(numbers)
    assert table is not None
    assert "Output" not in {row.label for row in table.rows}


@pytest.mark.parametrize(
    ("name", "label", "start"),
    [
        ("heat-pump-defrost", "Defrosts", "  defrosts    2, left out"),
        (
            "heat-pump-strip",
            "Pauses",
            "  pauses      2, a defrost under auxiliary heat, or heat off: left out",
        ),
    ],
)
def test_defrosts_and_pauses_are_told(name: str, label: str, start: str) -> None:
    job, readings = play(name)
    document = result_document(feed(job, readings).finish(), FACTS)
    assert [line for line in result_lines(document, "us") if line.startswith(start)]
    table = key_numbers(Numbers(document, "us"))
    assert table is not None
    assert {"Defrosts", "Pauses"} & {row.label for row in table.rows} == {label}


def snapshot_of(**changes: Any) -> Snapshot:
    """While it cools, three minutes before it ends."""
    readings = [r for r in story(FRONT, BACK, **changes) if r.t_ns < 2_200_000_000_000]
    return feed(cooling_job(), readings).snapshot(readings[-1].t_ns)


def test_the_moment_of_a_cooling_unit() -> None:
    shot = snapshot_of()
    assert shot.output_w is not None
    assert shot.sensible_w is not None
    assert shot.latent_w == pytest.approx(shot.output_w - shot.sensible_w)
    assert 0.0 < (shot.sensible_u95_w or 0.0) < (shot.latent_u95_w or 0.0)
    assert "drop 12.7 K" in minute_line(shot, "si")
    assert "sensible" in minute_line(shot, "si")


def test_the_moment_without_a_total() -> None:
    shot = snapshot_of(silent=("ret",))
    assert shot.output_w is shot.output_u95_w is shot.latent_w is None
    assert shot.sensible_w is not None
    assert minute_line(shot, "si").startswith("36:39 steady: output —, sensible")


def test_a_gas_unit_has_none_of_it() -> None:
    job, _ = play("standard")
    core = feed(job, [make_reading(0, 0.0, "ret", 20.0)])
    shot = core.snapshot(1)
    assert (shot.sensible_w, shot.latent_w, shot.defrosts) == (None, None, None)
