"""A unit that is on when the log begins, cut out of the simulated scenarios or told in closed form.

Truth of the cut ones: the plant's own balance, as for whole scenarios. Of the closed ones: m cp dT and a
first-order decay.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import exp

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.already_on import CODE, judged_text, maybe_text, on_rise_k, on_text
from logger.core.fan_phase import FLAT_K
from logger.core.firing import Firing
from logger.core.kind_words import NO_FIRING
from logger.core.params import (
    AirflowParams,
    AirflowSource,
    FanHeatMode,
    JobParams,
    OutdoorAir,
    ProbeParams,
    Role,
    UnitKind,
    UnitParams,
)
from logger.core.pipeline import Outcome, Pipeline
from logger.core.readings import Flag, Quantity, Reading
from logger.core.result import result_document
from logger.core.snapshot import Event
from logger.screen.format import TEXT_LIMIT
from simulators.plant import simulate
from simulators.scenarios import find
from tests.core.jobs import FACTS, feed_live, make_job, play
from tests.shell.stand_ins import block_of

VELOCITY = ProbeParams(name="duct", role=Role.VELOCITY, u95=0.05)


def cut(
    name: str, from_s: float, to_s: float = 1e6, *, velocity: bool = True
) -> tuple[JobParams, list[Reading]]:
    """A scenario's job and what of its readings came in a span, counted from there."""
    job, readings = play(name)
    gone = set() if velocity else {p.name for p in job.probes_of(Role.VELOCITY)}
    zero_ns, end_ns = round(from_s * 1e9), round(to_s * 1e9)
    kept = [r for r in readings if zero_ns <= r.t_ns < end_ns and r.probe not in gone]
    job = replace(job, probes=tuple(p for p in job.probes if p.name not in gone))
    return job, [r._replace(seq=n, t_ns=r.t_ns - zero_ns) for n, r in enumerate(kept)]


def end_of(job: JobParams, readings: list[Reading]) -> Outcome:
    core = Pipeline(job)
    core.update_block(block_of(readings))
    return core.finish()


def told(outcome: Outcome, code: str = CODE) -> list[str]:
    return [event.text for event in outcome.events if event.code == code]


# -- on from the start, a velocity probe in the duct ---------------------------------------------------------

ON = [
    ("standard", 1000.0),
    ("tau-300", 1500.0),
    ("electric-stages", 600.0),  # the lowest of three stages: 8.5 K
    ("electric-stages", 1600.0),
    ("heat-pump", 1200.0),
    ("heat-pump-defrost", 1500.0),
    ("cooling-dry", 1000.0),
    ("cooling-wet", 1000.0),
]


def shown_k(name: str, at_s: float) -> float:
    """What the plant's air changes by at a moment."""
    run = simulate(find(name).plant, find(name).timeline)
    at = int(run.t_s.searchsorted(at_s))
    return abs(float(run.supply_c[at] - run.mixed_c[at]))


@pytest.mark.parametrize(("name", "from_s"), ON)
def test_it_is_said_at_once_and_judged_without_a_fan_phase(name: str, from_s: float) -> None:
    job, readings = cut(name, from_s)
    outcome = end_of(job, readings)
    (event,) = [event for event in outcome.events if event.code == CODE]
    assert event.t_ns <= 150e9
    assert "on already" in event.text
    told_k = float(event.text.split(" K (")[0].rsplit(" ", 1)[1])
    assert told_k == pytest.approx(
        shown_k(name, from_s + event.t_ns / 1e9), abs=0.5
    )  # noise 0.15, offset 0.1
    assert "let the fan run alone for 5 min" in event.text
    first = outcome.firings[0]
    assert first.on_already
    assert first.start_s <= 5
    assert not told(outcome, "fan-heat-measured")
    assert not told(outcome, "outdoor-air-suspected")
    firing = result_document(outcome, FACTS)["firing"]
    assert abs(firing["output_w"] - find(name).truth.output_w) < firing["output_u95_w"]


@pytest.mark.parametrize("name", ["standard", "electric-stages"])
def test_its_fan_heat_is_the_usual_one_assumed_and_in_the_budget(name: str) -> None:
    """365 W per 1000 cfm, recalled; none to twice that as a rectangle: / sqrt(3), GUM 4.3.7."""
    outcome = end_of(*cut(name, 1500.0))
    (why,) = told(outcome, "fan-heat-unknown")
    assert why.startswith("Fan heat not measured: the unit was on already when the log began or went on;")
    document = result_document(outcome, FACTS)
    firing, budget = document["firing"], document["budget"]
    assert firing["fan_heat_w"] == pytest.approx(773.0 * firing["airflow_m3_s"], rel=0.05)
    (line,) = [line for line in budget if line["source"] == "fan heat"]
    assert line["assumed"]
    assert line["u_w"] == pytest.approx(773.0 * firing["airflow_m3_s"] / 3.0**0.5, rel=0.05)
    assert document["reason"].endswith(
        "The unit was on already when the log began or went on, so the fan heat is assumed; to measure it, "
        "end the call at the thermostat, let the fan run alone for 5 min once the rise is gone, and call "
        "again."
    )


@settings(max_examples=12, deadline=None)
@given(from_s=st.integers(900, 1500), kind=st.sampled_from(["standard", "heat-pump", "cooling-wet"]))
def test_it_is_found_wherever_in_the_firing_the_log_begins(from_s: int, kind: str) -> None:
    outcome = end_of(*cut(kind, from_s, from_s + 200.0))
    assert len(told(outcome)) == 1
    assert [firing.on_already for firing in outcome.firings] == [True]


def test_a_number_that_is_typed_needs_no_fan_phase() -> None:
    job, readings = cut("standard", 1000.0)
    job = replace(job, unit=replace(job.unit, fan_heat=FanHeatMode.GIVEN, fan_heat_w=444.0))
    document = result_document(end_of(job, readings), FACTS)
    assert document["firing"]["fan_heat_w"] == pytest.approx(444.0, rel=1e-9)
    assert document["reason"].endswith("The unit was on already when the log began or went on.")


# -- off and on again ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("velocity", [True, False])
def test_the_next_firing_is_judged_as_any(velocity: bool) -> None:  # noqa: FBT001 - a case
    """It is the result, though the first was steady for longer."""
    job, readings = cut("already-on-perfect", 0.0, 3000.0, velocity=velocity)
    outcome = end_of(job, readings)
    first, second = outcome.firings
    assert (first.on_already, second.on_already) == (True, False)
    assert first.best is not None
    assert second.best is not None
    assert first.best.seconds > second.best.seconds + 60
    assert len(told(outcome, "fan-heat-measured")) == 1
    document = result_document(outcome, FACTS)
    assert document["firing"]["start_s"] == pytest.approx(1800.0, abs=5.0)
    assert document["firing"]["output_w"] == pytest.approx(find("already-on").truth.output_w, rel=0.01)
    assert document["firing"]["fan_heat_w"] == pytest.approx(find("already-on").truth.fan_heat_w, abs=60.0)
    assert document["verdict"] in ("meets", "undecided")
    assert "on already" not in document["reason"]


@pytest.mark.parametrize("velocity", [True, False])
def test_a_firing_of_a_thermostat_that_follows_needs_no_seen_beginning_of_the_first(velocity: bool) -> None:  # noqa: FBT001
    outcome = end_of(*cut("auto-fan", 600.0, velocity=velocity))
    first, second = outcome.firings
    assert (first.on_already, first.onset_seen) == (True, velocity)
    assert (second.on_already, second.onset_seen) == (False, True)
    assert outcome.best is second


@pytest.mark.parametrize("velocity", [True, False])
@pytest.mark.parametrize("from_s", [700.0, 2000.0, 3000.0, 3090.0, 3180.0, 3330.0, 3700.0, 5000.0])
def test_defrosts_are_defrosts_wherever_the_log_begins(from_s: float, velocity: bool) -> None:  # noqa: FBT001
    """The plant defrosts from 3120 s and from 6060 s after its start, four minutes each."""
    outcome = end_of(*cut("heat-pump-defrost", from_s, velocity=velocity))
    defrosts = [span for firing in outcome.firings for span in firing.defrosts]
    assert not [span for firing in outcome.firings for span in firing.pauses]
    due_s = [at - from_s for at in (3120.0, 6060.0) if from_s < at - 60.0]
    assert len(defrosts) == len(due_s)
    for (start_s, end_s), at_s in zip(defrosts, due_s, strict=True):
        assert start_s - 30.0 <= at_s + 30.0 < end_s


# -- without a velocity probe --------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["standard", "heat-pump", "cooling-wet"])
def test_without_a_velocity_probe_there_is_a_number_and_no_verdict(name: str) -> None:
    outcome = end_of(*cut(name, 1200.0, velocity=False))
    (text,) = told(outcome)
    assert "Without a velocity probe it has no verdict" in text
    assert "let the fan run alone for 6 min" in text  # the minute before it is seen is not counted
    document = result_document(outcome, FACTS)
    assert document["verdict"] is None
    assert document["firing"]["output_w"] > 0.0
    assert "beginning was not seen" in document["reason"]


def test_a_rise_that_a_duct_in_still_air_may_have_is_asked_about() -> None:
    """8.5 K, one electric stage: on, or a warm duct. Nothing is computed from it."""
    outcome = end_of(*cut("electric-stages", 500.0, 780.0, velocity=False))
    (text,) = told(outcome)
    assert "if the heat is on already" in text
    assert not outcome.firings
    document = result_document(outcome, FACTS)
    assert document["verdict"] == "not-steady"
    assert document["reason"] == f"{NO_FIRING['electric']} {text}"


# -- what is not on ------------------------------------------------------------------------------------------


def air(
    rise_k: Callable[[int], float], seconds: int, *, seed: int = 1, noise_k: float = 0.05
) -> list[Reading]:
    """Return, supply and velocity once a second, from a rise."""
    rng = np.random.default_rng(seed)
    rows: list[Reading] = []
    for t in range(seconds):
        values = (
            ("ret", Quantity.TEMPERATURE, 20.0 + rng.normal(0.0, noise_k)),
            ("sup", Quantity.TEMPERATURE, 20.0 + rise_k(t) + rng.normal(0.0, noise_k)),
            ("duct", Quantity.VELOCITY, 5.0 + rng.normal(0.0, 0.05)),
        )
        for n, (probe, quantity, value) in enumerate(values):
            t_ns = round((t + 0.1 + 0.2 * n) * 1e9)
            rows.append(
                Reading(len(rows), t_ns, probe, quantity, round(value, 3), Flag.OK, t_ns // 1000, t_ns)
            )
    return rows


def job_of(**unit: object) -> JobParams:
    """``make_job`` with a velocity probe; 30 kW into 1.1 kg/s."""
    job = make_job()
    plate = UnitParams(**{"plate_output_w": 30_000.0, **unit})  # type: ignore[arg-type]
    return replace(job, unit=plate, probes=(*job.probes, VELOCITY))


@pytest.mark.parametrize("kind", UnitKind)
@settings(max_examples=12, deadline=None)
@given(
    tau_s=st.floats(30.0, 600.0),
    left_k=st.floats(0.0, 27.0),
    fan_k=st.floats(0.2, 3.0),
    sun_k=st.floats(0.0, 1.5),
    seed=st.integers(0, 10_000),
)
def test_residual_heat_fan_sun_and_a_little_outdoor_air_are_no_unit_that_is_on(
    kind: UnitKind, tau_s: float, left_k: float, fan_k: float, sun_k: float, seed: int
) -> None:
    """A unit just off gives back its heat as exp(-t / tau); what stays is the fan's, the sun's, the air's."""
    way = -1.0 if kind.cools else 1.0
    stays_k = sun_k - fan_k if kind.cools else sun_k + fan_k
    outcome = end_of(
        job_of(kind=kind), air(lambda t: way * (left_k * exp(-t / tau_s) + stays_k), 700, seed=seed)
    )
    assert not told(outcome)
    assert not outcome.firings


@pytest.mark.parametrize("from_s", [2235.0, 2250.0, 2280.0, 2310.0])
@pytest.mark.parametrize("name", ["standard", "heat-pump", "cooling-wet", "cooling-dry"])
def test_a_unit_just_off_is_not_on(name: str, from_s: float) -> None:
    """The plants go off at 2220 s; a wet coil cools on for minutes while it dries."""
    outcome = end_of(*cut(name, from_s))
    assert not told(outcome)
    assert not outcome.firings


@pytest.mark.parametrize("fan_k", [0.4, 2.5])
def test_the_zero_of_the_next_firing_is_the_fans_whatever_was_on_before(fan_k: float) -> None:
    """On until 600 s, the fan alone until 1500 s, then on again: m cp dT of the fan, cp 1018 J/kg K.

    ``FLAT_K``: what the design lets a fan phase hold of residual heat.
    """

    def rise_k(t: int) -> float:
        if t < 1500:
            return fan_k + 26.0 * exp(-max(t - 600, 0) / 60.0)
        return fan_k + 26.0 * (1.0 - exp(-(t - 1500) / 60.0))

    outcome = end_of(job_of(), air(rise_k, 2400))
    first, second = outcome.firings
    assert (first.on_already, second.on_already) == (True, False)
    assert first.fan is None
    assert second.fan is not None
    assert second.fan.fan_heat_w == pytest.approx(1.1 * 1018.0 * fan_k, abs=1.1 * 1018.0 * FLAT_K)
    assert second.start_s == pytest.approx(1500, abs=8)
    assert second.best is not None
    assert second.best.means.air_heat_w - second.best.means.fan_heat_w == pytest.approx(
        1.1 * 1018.0 * 26.0, rel=0.01
    )


def test_a_firing_behind_a_silence_of_the_probes_is_no_fan_phase_either() -> None:
    """The fan phase is known; both probes are silent while the burner comes on."""

    def rise_k(t: int) -> float:
        return 0.4 if t < 450 else 27.0

    readings = [r for r in air(rise_k, 1200) if r.probe == "duct" or not 430e9 < r.t_ns < 560e9]
    outcome = end_of(job_of(), readings)
    (firing,) = outcome.firings
    assert not firing.on_already
    assert firing.fan is not None
    assert firing.best is not None
    assert firing.best.means.rise_k == pytest.approx(27.0, abs=0.1)


def test_a_unit_that_is_on_behind_a_sleep_of_the_computer_goes_on_with_the_fan_phase_before_it() -> None:
    job, readings = play("standard-perfect")
    core = Pipeline(job)
    for reading in readings:
        if reading.seq and readings[reading.seq - 1].t_ns < 800e9 <= reading.t_ns:
            core.note(Event(t_ns=reading.t_ns, code="suspended", text="", origin="shell"))
        core.update(reading)
    outcome = core.finish()
    first, second = outcome.firings
    assert (first.on_already, second.on_already) == (False, True)
    assert second.fan is first.fan is not None
    assert "The last fan phase of this run is used" in told(outcome)[0]
    document = result_document(outcome, FACTS)
    assert document["firing"]["start_s"] == pytest.approx(800.0, abs=10.0)  # steady for longer, and no worse
    assert document["firing"]["output_w"] == pytest.approx(find("standard").truth.output_w, rel=0.01)
    assert document["reason"].endswith("The unit was on already when the log began or went on.")


def test_live_and_in_blocks_it_is_the_same() -> None:
    job, readings = cut("standard", 1000.0, 1900.0)
    live, block = feed_live(job, readings), Pipeline(job)
    block.update_block(block_of(readings))
    assert result_document(live.finish(), FACTS) == result_document(block.finish(), FACTS)
    assert live.take_trace() == block.take_trace()


# -- from which rise on --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", UnitKind)
def test_each_is_short_enough_to_be_shown_whole(kind: UnitKind) -> None:
    job = make_job(unit=UnitParams(kind=kind))
    firings = [Firing(start_s=0, fan=None, stretches=[], onset_seen=seen) for seen in (True, False)]
    said = [on_text(job, firing, 27.2) for firing in firings]
    for text in (*said, maybe_text(job, 27.2), judged_text(job, firings[0])):
        assert len(text) < TEXT_LIMIT


LIVE = AirflowParams(source=AirflowSource.PROBE, probe="duct", area_m2=0.2)


@pytest.mark.parametrize(
    ("unit", "airflow", "expected_k"),
    [
        # 30 kW / (1.1 kg/s x 1018 J/kg K) = 26.8 K, 0.4 of it 10.7 K: no more than 10 K is asked
        ({"plate_output_w": 30_000.0}, None, 10.0),
        # 14 kW: 12.5 K, 0.4 of it
        ({"plate_output_w": 14_000.0, "kind": UnitKind.HEAT_PUMP}, None, 5.3),
        # half of 40 kW, as nobody said the stages: 17.9 K
        ({"plate_output_w": 40_000.0, "stages": 2}, None, 7.1),
        ({"plate_output_w": 40_000.0, "stages": 2, "stage_output_w": (28_000.0, 40_000.0)}, None, 10.0),
        # sensible 0.7 of 22 kW: 13.8 K
        ({"plate_output_w": 22_000.0, "kind": UnitKind.COOLING}, None, 5.5),
        # outdoor air may cool by as much
        (
            {"plate_output_w": 22_000.0, "kind": UnitKind.COOLING, "outdoor_air": OutdoorAir.OPEN},
            None,
            10.0,
        ),
        # nothing but the plate's window: the middle of 12 to 20 K
        ({"rise_window_k": (12.0, 20.0)}, LIVE, 6.4),
        ({}, LIVE, 10.0),
        # never less than 5 K and what the probes may differ by, 0.3 K
        ({"kind": UnitKind.HEAT_PUMP}, LIVE, 5.3),
    ],
)
def test_the_rise_that_only_a_unit_makes(
    unit: dict[str, object], airflow: AirflowParams | None, expected_k: float
) -> None:
    job = make_job(unit=UnitParams(**unit))  # type: ignore[arg-type]
    job = job if airflow is None else replace(job, airflow=airflow)
    assert on_rise_k(job, 0.3) == pytest.approx(expected_k, abs=0.06)


# -- a further stage, where nothing shows that air moves -----------------------------------------------------


def test_a_further_stage_of_what_was_on_is_no_beginning() -> None:
    """Without a velocity the first stage is asked for alone; the second must not pass for the whole unit."""
    job, readings = cut("electric-stages", 480.0, velocity=False)
    job = replace(job, unit=replace(job.unit, tolerance=0.12))
    outcome = end_of(job, readings)
    (firing,) = outcome.firings
    assert (firing.on_already, firing.onset_seen) == (True, False)
    document = result_document(outcome, FACTS)
    assert document["verdict"] is None
    assert document["firing"]["output_w"] is not None
    assert document["firing"]["time_to_steady_s"] is None


def test_a_unit_lit_from_a_fan_phase_has_its_beginning_though_its_stages_step() -> None:
    job, readings = cut("electric-stages", 0.0, velocity=False)
    (firing,) = end_of(job, readings).firings
    assert (firing.on_already, firing.onset_seen) == (False, True)
