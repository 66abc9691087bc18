"""A supply probe that shows more water than the entering air, where the cooling never gets steady."""

from __future__ import annotations

import re
from dataclasses import replace
from math import hypot
from typing import Any

import pytest

from logger.core.moister import MoisterWatch
from logger.core.params import JobParams
from tests.core.jobs import play
from tests.core.test_kinds import SEA_LEVEL_PA, moisture
from tests.core.test_kinds_cooling import cooling_job, document_of, document_of_block, story

FRONT, BACK = (26.7, 51.0), (20.0, 95.0)  # degC, %: behind the coil 2.7 g/kg more than before it
NUMBERS = re.compile(r"carries ([\d.]+) ± ([\d.]+) g/kg \((\d+) ± (\d+) gr/lb\)")


def mismatches(document: dict[str, Any]) -> list[dict[str, Any]]:
    return [event for event in document["events"] if event["code"] == "humidity-mismatch"]


def slopes(temp_c: float, rh: float) -> tuple[float, float]:
    """Moisture over relative humidity and over temperature. Source: CoolProp HumidAir."""
    by_rh = (moisture(temp_c, rh + 0.005) - moisture(temp_c, rh - 0.005)) / 0.01
    return by_rh, (moisture(temp_c + 0.5, rh) - moisture(temp_c - 0.5, rh)) / 1.0


def test_it_is_told_with_probe_size_and_what_to_do() -> None:
    (event,) = mismatches(document_of_block(cooling_job(), story(FRONT, BACK)))
    assert event["probe"] == "sup"
    for part in ('probe "sup"', 'probe "ret"', "Shut the damper", "match the probes"):
        assert part in event["text"]
    found = NUMBERS.search(event["text"])
    assert found is not None
    more = moisture(BACK[0], BACK[1] / 100.0) - moisture(FRONT[0], FRONT[1] / 100.0)
    assert float(found[1]) == pytest.approx(more * 1e3, abs=0.3)  # its first minutes are in the mean


@pytest.mark.parametrize(("matched_pct", "u95_k"), [(None, 0.2), (1.0, 0.2), (1.0, 1.0)])
def test_its_size_and_u95(matched_pct: float | None, u95_k: float) -> None:
    """Slopes by CoolProp. u: 1.5 % RH each, or 0.5 % where matched and then 1.5 % of both, and of what lies
    between them on the scale; at 95 % 1 % more; half of u95_k. As README and
    the total's budget have it."""
    job: JobParams = cooling_job()
    job = replace(job, probes=tuple(replace(p, humidity_u95=matched_pct, u95=u95_k) for p in job.probes))
    w1, w2 = (moisture(c, pct / 100.0) for c, pct in (FRONT, BACK))
    told: list[str] = []
    watch = MoisterWatch(job, lambda _t, _code, text, _probe=None: told.append(text))
    for tick in range(600):
        assert not told
        watch.tick(tick, (FRONT[0], w1), (BACK[0], w2), SEA_LEVEL_PA)
    found = NUMBERS.search(told[0])
    assert found is not None
    grams, u95, grains, grains_u95 = (float(text) for text in found.groups())
    (rh1, k1), (rh2, k2) = slopes(FRONT[0], FRONT[1] / 100.0), slopes(BACK[0], BACK[1] / 100.0)
    parts = [0.015 * rh1, 0.015 * rh2]
    if matched_pct is not None:
        parts = [0.005 * rh1, 0.005 * rh2, 0.015 * 0.44 * rh2, 0.015 * (rh2 - rh1)]
    u_w = hypot(*parts, 0.01 * rh2, u95_k / 2.0 * k1, u95_k / 2.0 * k2)
    assert grams == pytest.approx((w2 - w1) * 1e3, abs=0.06)
    assert u95 == pytest.approx(2e3 * u_w, abs=0.06)
    assert grains == pytest.approx(7.0 * (w2 - w1) * 1e3, abs=0.6)
    assert grains_u95 == pytest.approx(7.0 * 2e3 * u_w, abs=0.6)


def test_the_reason_names_the_humidity() -> None:
    document = document_of_block(cooling_job(), story(FRONT, BACK))
    assert document["verdict"] == "not-steady"
    assert "more water than the entering air" in document["reason"]
    assert "match the humidity probes" in document["reason"]


def test_live_and_in_blocks_it_is_the_same() -> None:
    readings = story(FRONT, BACK)
    live, replayed = document_of(cooling_job(), readings), document_of_block(cooling_job(), readings)
    assert mismatches(live) == mismatches(replayed)


@pytest.mark.parametrize("pct", [76.0, 79.0])
def test_what_probes_may_differ_by_is_no_mismatch(pct: float) -> None:
    """At 20 degC 79 % is 0.2 g/kg more than before the coil, of 0.8 that both may be off by."""
    assert moisture(20.0, 0.79) - moisture(FRONT[0], FRONT[1] / 100.0) == pytest.approx(0.3e-3, abs=0.2e-3)
    assert not mismatches(document_of_block(cooling_job(), story(FRONT, (20.0, pct))))


def test_a_wet_coil_that_dries_after_the_cooling_is_no_mismatch() -> None:
    """Its water goes back into the air of the fan."""
    job, readings = play("cooling-wet", 1)
    assert not mismatches(document_of_block(job, list(readings)))


def test_without_a_probes_humidity_nothing_is_held_against_it() -> None:
    assert not mismatches(document_of_block(cooling_job(), story(FRONT, BACK, silent=("sup",))))
