"""A humidity that is lost while a coil cools: told at once, with the probe; what was steady before stands.

The story's own numbers are the outside: CoolProp HumidAir's enthalpies of the air that it plays.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from logger.core.params import OutputAt
from logger.core.pipeline import Pipeline
from logger.core.readings import NS_PER_S, Flag, Quantity, Reading
from logger.core.result import result_document
from tests.core.jobs import FACTS, feed, play
from tests.core.test_kinds import enthalpy_j_kg, moisture
from tests.core.test_kinds_cooling import (
    MASS_KG_S,
    REAL_GAS,
    UNIT,
    cooling_job,
    document_of,
    document_of_block,
    story,
)

FRONT, BACK = (26.7, 51.0), (14.0, 92.0)  # degC, %
LOST_S, BACK_S = 1_500, 1_900
Spoil = Callable[[list[Reading], str, int, int], list[Reading]]


def is_humidity(reading: Reading, probe: str, from_s: int, to_s: int) -> bool:
    same = (reading.probe, reading.quantity) == (probe, Quantity.HUMIDITY)
    return same and from_s <= reading.t_ns / NS_PER_S < to_s


def silent(readings: list[Reading], probe: str, from_s: int, to_s: int) -> list[Reading]:
    return [r for r in readings if not is_humidity(r, probe, from_s, to_s)]


def out_of_range(readings: list[Reading], probe: str, from_s: int, to_s: int) -> list[Reading]:
    return [
        r._replace(value=137.0, flag=Flag.OUT_OF_RANGE) if is_humidity(r, probe, from_s, to_s) else r
        for r in readings
    ]


def frozen(readings: list[Reading], probe: str, from_s: int, to_s: int) -> list[Reading]:
    value = next(r.value for r in readings if is_humidity(r, probe, from_s, to_s))
    return [r._replace(value=value) if is_humidity(r, probe, from_s, to_s) else r for r in readings]


def alive(seed: int = 5, step: float = 0.01) -> list[Reading]:
    """The story, with humidities that move as those of real probes: by 0.2 %, in steps."""
    rng = np.random.default_rng(seed)

    def stirred(r: Reading) -> Reading:
        return r._replace(value=round((r.value + rng.normal(0.0, 0.2)) / step) * step)

    return [stirred(r) if r.quantity is Quantity.HUMIDITY else r for r in story(FRONT, BACK)]


def told(document: dict[str, Any], code: str = "humidity-lost") -> list[dict[str, Any]]:
    return [event for event in document["events"] if event["code"] == code]


def total_w() -> float:
    (h1, _), (h2, _) = (
        (enthalpy_j_kg(c, moisture(c, pct / 100.0)), c) for c, pct in (FRONT, BACK)
    )  # CoolProp HumidAir
    return MASS_KG_S * (h1 - h2)


@pytest.mark.parametrize("probe", ["sup", "ret"])
@pytest.mark.parametrize(
    ("spoil", "within_s", "word", "step"),
    [
        (silent, 62, "silent or beyond its range", "See to the probe"),
        (out_of_range, 62, "silent or beyond its range", "See to the probe"),
        (frozen, 125, "repeats one value", "Restart the probe"),
    ],
)
def test_a_humidity_lost_midway_is_told_and_what_was_steady_before_stands(
    probe: str, spoil: Spoil, within_s: int, word: str, step: str
) -> None:
    unit = replace(UNIT, output_at=OutputAt.VISIT)
    document = document_of(cooling_job(unit=unit), spoil(alive(), probe, LOST_S, 10_000))
    (event,) = told(document)
    assert event["probe"] == probe
    assert LOST_S + 55 <= event["t_s"] <= LOST_S + within_s
    for part in (
        f"humidity of probe {probe}",
        word,
        "sensible heat alone",
        "latent heat, total and verdict",
        step,
    ):
        assert part in event["text"]
    firing = document["firing"]
    assert LOST_S - 5 <= firing["steady_end_s"] <= LOST_S + 62
    assert firing["output_w"] == pytest.approx(total_w(), rel=2 * REAL_GAS)
    assert firing["latent_w"] is not None
    assert (
        firing["energy_j"] is document["cycles"][0]["energy_j"] is None
    )  # sensible heat alone is no total's
    assert document["verdict"] is not None
    ends = [e["t_s"] for e in document["events"] if e["code"] == "steady-end"]
    assert ends[0] == event["t_s"]
    assert not told(document, "humidity-held")  # it says less, and that it does not matter


def test_lost_before_anything_was_steady_there_is_sensible_heat_and_the_reason_names_the_probe() -> None:
    document = document_of(cooling_job(), silent(alive(), "sup", 560, 10_000))
    assert [event["probe"] for event in told(document)] == ["sup"]
    firing = document["firing"]
    assert firing["output_w"] is firing["latent_w"] is document["verdict"] is None
    assert 'the humidity of probe "sup" was lost on the way' in document["reason"]
    w2 = moisture(BACK[0], BACK[1] / 100.0)
    sensible_w = MASS_KG_S * (enthalpy_j_kg(FRONT[0], w2) - enthalpy_j_kg(BACK[0], w2))
    assert firing["sensible_w"] == pytest.approx(sensible_w, rel=0.01)


def test_a_humidity_that_comes_back_gives_a_total_again() -> None:
    """Lost while it settles: the stretch after its return has a total throughout, and is the result."""
    document = document_of(cooling_job(), silent(alive(), "ret", 560, 1_200))
    (back,) = told(document, "humidity-back")
    assert (back["probe"], 1_200 <= back["t_s"] <= 1_202) == ("ret", True)
    firing = document["firing"]
    assert firing["steady_start_s"] >= 1_200
    assert firing["output_w"] == pytest.approx(total_w(), rel=2 * REAL_GAS)


@pytest.mark.parametrize("spoil", [silent, frozen])
def test_live_and_in_blocks_it_is_the_same(spoil: Spoil) -> None:
    readings = spoil(alive(), "sup", LOST_S, BACK_S)
    live, replayed = document_of(cooling_job(), readings), document_of_block(cooling_job(), readings)
    assert live == replayed
    assert told(live)


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_a_coarse_probe_in_even_air_is_not_frozen(step: float) -> None:
    """In steps of a tenth and more the air's own unrest need not show."""
    still = [
        r._replace(value=round(r.value / step) * step) if r.quantity is Quantity.HUMIDITY else r
        for r in story(FRONT, BACK)
    ]
    assert not told(document_of_block(cooling_job(), still))


@pytest.mark.parametrize("step", [0.01, 1.0])
def test_a_probe_that_rests_at_saturation_is_not_frozen(step: float) -> None:
    """Behind a deep coil it may read 100 % for minutes."""
    rows = [r._replace(value=min(r.value, 100.0)) for r in alive(step=step)]
    full = [r._replace(value=100.0) if is_humidity(r, "sup", 700, 2_350) else r for r in rows]
    assert not told(document_of_block(cooling_job(), full))


@pytest.mark.parametrize("every_s", [30, 50])
def test_a_fine_probe_that_speaks_seldom_and_says_the_same_twice_is_not_frozen(every_s: int) -> None:
    """A value of a hundredth, said four times in two or three minutes: no fault yet."""
    rows = alive()
    same = next(r.value for r in rows if is_humidity(r, "ret", 1_000, 10_000))
    rare = [
        r._replace(value=same) if is_humidity(r, "ret", 1_000, 1_000 + 4 * every_s) else r
        for r in rows
        if not is_humidity(r, "ret", 0, 10_000) or int(r.t_ns / NS_PER_S) % every_s == 0
    ]
    assert not told(document_of_block(cooling_job(), rare))


def test_a_coarse_probe_that_stays_where_the_air_does_not_is_frozen() -> None:
    """The supply air falls by 12 K and its humidity is to stay to the step: none does."""
    stuck = frozen(alive(step=1.0), "sup", 470, 10_000)
    (event,) = told(document_of_block(cooling_job(), stuck))
    assert (event["probe"], "repeats one value" in event["text"]) == ("sup", True)
    assert 480 <= event["t_s"] <= 560  # the cooling comes on at 480 s


def test_a_whole_probe_that_is_silent_is_told_as_that() -> None:
    """Its temperature is silent too: no output at all, and no word of its humidity when it is back."""
    rows = [r for r in alive() if r.probe != "sup" or not LOST_S <= r.t_ns / NS_PER_S < BACK_S]
    document = document_of(cooling_job(), rows)
    assert told(document, "probe-silent")
    assert not told(document)


def test_a_probe_that_says_its_humidity_too_seldom_is_told_five_times() -> None:
    rare = [
        r
        for r in alive()
        if r.quantity is not Quantity.HUMIDITY or r.probe != "sup" or int(r.t_ns / NS_PER_S) % 90 == 0
    ]
    document = document_of(cooling_job(), rare)
    lost = told(document)
    assert len(lost) == 5
    assert "further losses are not told" in lost[-1]["text"]


def test_never_known_it_is_named_when_the_unit_comes_on() -> None:
    document = document_of(cooling_job(), story(FRONT, BACK, silent=("ret", "sup")))
    (event,) = told(document, "sensible-only")
    assert 'probe "ret" and "sup"' in event["text"]
    assert not told(document)


@pytest.mark.parametrize("name", ["cooling-wet", "cooling-deep", "cooling-draw-through", "cooling-dry"])
def test_sound_probes_lose_nothing(name: str) -> None:
    job, readings = play(name)
    core = Pipeline(job)
    for reading in readings:
        core.update(reading)
    document = result_document(core.finish(), FACTS)
    assert not told(document)
    assert not told(document, "humidity-back")


@pytest.mark.parametrize("probe", ["sup", "ret"])
def test_the_plants_wet_coil_loses_a_humidity(probe: str) -> None:
    """Of the plant: the truth over the stretch before."""
    job, readings = play("cooling-wet-perfect")
    document = result_document(feed(job, silent(list(readings), probe, 1_700, 10_000)).finish(), FACTS)
    (event,) = told(document)
    assert (event["probe"], event["t_s"]) == (probe, pytest.approx(1_760, abs=2))
    assert document["firing"]["output_w"] is not None
    assert document["firing"]["steady_end_s"] <= 1_762
    assert document["verdict"] is not None
