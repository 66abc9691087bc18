"""A gas counter beside a firing: what it says of the input, and when it says nothing."""

from __future__ import annotations

from dataclasses import replace
from math import floor
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config.load import loads_config
from logger.core.align import Slots
from logger.core.gas import GasInput, GasParams, Known, TimedTurns
from logger.core.gas_meter import NO_VALUE, TOO_SHORT, WENT_BACK, GasMeter
from logger.core.kind_words import NO_INPUT
from logger.core.params import JobParams, ProbeParams, Role
from logger.core.readings import NS_PER_S, Flag, Quantity, Reading
from logger.core.result import result_document
from simulators.driver import SimDriver
from simulators.scenarios import find
from tests.core.jobs import FACTS, feed, firing_readings, make_job, play

SITE = Known(100_000.0, 0.0)
VALUE_J_M3 = 38.64e6  # J/m3 gross, 1037 Btu/ft3: EIA, US mean of 2020
INPUT_W = 39_565.0  # W: 135,000 Btu/h, the simulated plate
FLOW_M3_S = INPUT_W / VALUE_J_M3

GAS = GasParams(
    heating_value_j_m3=Known(VALUE_J_M3, 0.0),
    gauge_pa=Known(0.0, 0.0),
    meter_c=Known(15.0, 0.0),
    base_pressure_pa=100_000.0,
    base_c=15.0,
)
METER = ProbeParams(name="meter", role=Role.GAS, u95=0.0)


def job_with_meter(**changes: object) -> JobParams:
    job = make_job()
    return replace(job, probes=(*job.probes, METER), gas=GAS, **changes)  # type: ignore[arg-type]


class Bench:
    """A meter fed tick by tick with what a counter of a given step shows."""

    def __init__(self, job: JobParams, keep_s: int = 900) -> None:
        slots = Slots(job)
        self.meter = GasMeter(job, slots, keep_s)
        self._place = slots.place["meter", Quantity.GAS_VOLUME]
        self._values, self._times, self._counts = [0.0] * len(slots), [0] * len(slots), [0] * len(slots)
        self.said: list[str] = []

    def read(self, t_s: float, volume_m3: float) -> None:
        place = self._place
        self._values[place], self._times[place] = volume_m3, round(t_s * NS_PER_S)
        self._counts[place] += 1
        said = self.meter.tick(self._values, self._times, self._counts)
        if said:
            self.said.append(said)

    def count(self, start_s: float, end_s: float, step_m3: float, every_s: float = 1.0) -> None:
        """Steady burning, seen through a counter that shows whole steps."""
        for t_s in np.arange(start_s, end_s, every_s).tolist():
            self.read(t_s, step_m3 * floor(FLOW_M3_S * t_s / step_m3))


def over(bench: Bench, start_s: int, end_s: int) -> GasInput | str:
    bench.meter.begin(start_s)
    return bench.meter.over(end_s, SITE)


@pytest.mark.parametrize("step_m3", [1e-6, 0.001, 0.01, 0.0283168])  # 0.0283168 m3: 1 ft3, a usual pulse
@pytest.mark.parametrize("every_s", [1.0, 5.0, 17.0])
def test_whole_counts_give_the_input_within_what_the_step_leaves_open(step_m3: float, every_s: float) -> None:
    bench = Bench(job_with_meter())
    bench.count(0.3, 900.0, step_m3, every_s)
    found = over(bench, 200, 880)
    assert isinstance(found, GasInput)
    # derivation: each end is off by no more than a step, nor than what flows between two readings; the
    # counts are a little shorter than the stretch (the factor of 1.2)
    between_m3, counted_m3 = FLOW_M3_S * every_s, FLOW_M3_S * 680.0
    assert found.input_w == pytest.approx(INPUT_W, rel=1.2 * min(step_m3, between_m3) / counted_m3)
    assert found.combined.u_w <= 1.2 * between_m3 / counted_m3 / 6.0**0.5 * INPUT_W


@given(st.floats(0.0, 60.0), st.sampled_from([0.001, 0.01, 0.0283168]), st.floats(0.5, 20.0))
def test_no_error_lies_beyond_what_the_step_leaves_open(
    late_s: float, step_m3: float, every_s: float
) -> None:
    """Two rectangles add up to a triangle: no error lies beyond its ends, sqrt(6) u (GUM 4.3.9)."""
    bench = Bench(job_with_meter())
    bench.count(late_s, 700.0, step_m3, every_s)
    found = over(bench, 100, 690)
    if isinstance(found, str):
        assert found == TOO_SHORT
        return
    assert abs(found.input_w - INPUT_W) <= 1.05 * 6.0**0.5 * found.combined.u_w + 1e-6 * INPUT_W


def test_a_slow_counter_that_moved_once_says_nothing() -> None:
    bench = Bench(job_with_meter())
    bench.count(0.0, 700.0, 0.5)  # a step of 0.5 m3 takes 488 s
    assert over(bench, 500, 690) == TOO_SHORT


def test_a_move_after_the_stretch_began_is_its_first() -> None:
    bench = Bench(job_with_meter())
    bench.count(0.0, 300.0, 0.01)
    bench.meter.begin(299)
    bench.count(300.0, 900.0, 0.01)
    found = bench.meter.over(880, SITE)
    assert isinstance(found, GasInput)
    assert found.input_w == pytest.approx(INPUT_W, rel=0.02)


def test_silence_in_the_middle_loses_no_gas() -> None:
    bench = Bench(job_with_meter())
    bench.count(0.0, 300.0, 0.001)
    bench.meter.begin(200)
    bench.count(500.0, 900.0, 0.001)
    found = bench.meter.over(880, SITE)
    assert isinstance(found, GasInput)
    assert found.input_w == pytest.approx(INPUT_W, rel=0.003)


def test_a_counter_that_goes_back_is_said_and_never_negative() -> None:
    bench = Bench(job_with_meter())
    bench.count(0.0, 400.0, 0.001)
    bench.meter.begin(200)
    bench.read(400.0, 0.0)
    assert len(bench.said) == 1
    assert "reset or ran over" in bench.said[0]
    for t_s in range(401, 700):
        bench.read(float(t_s), 0.001 * (t_s - 400))
    assert bench.meter.over(690, SITE) == WENT_BACK
    found = over(bench, 450, 690)  # a stretch after it has its input again
    assert isinstance(found, GasInput)
    assert found.input_w == pytest.approx(0.001 * VALUE_J_M3, rel=0.01)


def test_a_stretch_that_ended_before_the_reset_keeps_its_input() -> None:
    bench = Bench(job_with_meter())
    bench.count(0.0, 600.0, 0.001)
    bench.meter.begin(100)
    bench.read(600.0, 0.0)
    found = bench.meter.over(590, SITE)
    assert isinstance(found, GasInput)
    assert found.input_w == pytest.approx(INPUT_W, rel=0.01)


def test_memory_is_bounded() -> None:
    bench = Bench(job_with_meter(), keep_s=300)
    bench.meter.begin(1)
    bench.count(0.0, 20_000.0, 0.001)
    assert len(bench.meter._moves) <= 300
    found = bench.meter.over(19_990, SITE)
    assert isinstance(found, GasInput)
    assert found.input_w == pytest.approx(INPUT_W, rel=2e-4)


def test_why_there_is_no_input() -> None:
    job = make_job()
    assert GasMeter(job, Slots(job), 900).over(500, SITE) == NO_INPUT["gas"]
    valueless = replace(job_with_meter(), gas=None)
    assert GasMeter(valueless, Slots(valueless), 900).over(500, SITE) == NO_VALUE
    idle = job_with_meter()
    assert GasMeter(idle, Slots(idle), 900).over(500, SITE) == TOO_SHORT


# -- the whole core --------------------------------------------------------------------------------

TIMED = TimedTurns(
    volume_m3=Known(2 * 0.0283168, 0.0), times_s=(2 * 0.0283168 / FLOW_M3_S,), timing_u_s=0.25
)  # 2 ft3


def ideal_firing() -> list[Reading]:
    """Fan for ten minutes, then a clean approach to 27 K of rise."""

    def supply_c(t: float) -> float:
        noise = 0.02 * ((7919 * int(t)) % 13 - 6) / 6.0
        return 21.0 + (27.0 * (1.0 - np.exp(-(t - 600.0) / 60.0)) if t > 600.0 else 0.0) + noise

    return firing_readings(supply_c, lambda t: 21.0 + 0.02 * ((6007 * int(t)) % 11 - 5) / 5.0, 2400)


def document(job: JobParams, readings: list[Reading]) -> dict[str, Any]:
    return result_document(feed(job, readings).finish(), FACTS)


def test_efficiency_is_output_over_the_timed_input() -> None:
    job = replace(make_job(), gas=replace(GAS, timed=TIMED), pressure_pa=100_000.0, pressure_u_pa=0.0)
    found = document(job, ideal_firing())
    power_input = found["input"]
    assert power_input["source"] == "timed"
    assert power_input["measured_w"] == pytest.approx(INPUT_W, rel=1e-5)
    assert power_input["reason"] is None
    assert power_input["efficiency"] == pytest.approx(found["firing"]["output_w"] / INPUT_W, rel=1e-5)
    relative = np.hypot(
        found["firing"]["output_u95_w"] / found["firing"]["output_w"],
        power_input["measured_u95_w"] / power_input["measured_w"],
    )  # JCGM 100 5.1.6, of a ratio
    assert power_input["efficiency_u95"] == pytest.approx(relative * power_input["efficiency"], rel=0.02)


def test_the_snapshot_has_the_efficiency_while_it_is_steady() -> None:
    job = replace(make_job(), gas=replace(GAS, timed=TIMED), pressure_pa=100_000.0, pressure_u_pa=0.0)
    core = feed(job, ideal_firing())
    seen = core.snapshot(2400 * NS_PER_S)
    assert seen.efficiency is not None
    assert seen.output_w is not None
    assert seen.efficiency == pytest.approx(seen.output_w / INPUT_W, rel=1e-5)
    early = feed(job, ideal_firing()[:1000]).snapshot(500 * NS_PER_S)
    assert early.efficiency is None


def test_turns_timed_by_hand_need_no_steady_firing() -> None:
    job = replace(make_job(), gas=replace(GAS, timed=TIMED), pressure_pa=100_000.0)
    found = document(job, ideal_firing()[:200])
    assert found["firing"] is None
    assert found["input"]["measured_w"] == pytest.approx(INPUT_W, rel=1e-5)
    assert found["input"]["efficiency"] is None


def test_without_a_meter_the_input_is_null_with_its_reason() -> None:
    power_input = document(make_job(), ideal_firing())["input"]
    assert power_input["measured_w"] is None
    assert power_input["measured_u95_w"] is None
    assert power_input["efficiency"] is None
    assert power_input["efficiency_u95"] is None
    assert power_input["reason"] == NO_INPUT["gas"]
    assert power_input["efficiency_of_nameplate_input"] is not None


def test_too_good_an_efficiency_and_an_input_off_the_plate_are_events() -> None:
    slow = replace(TIMED, times_s=(1.4 * TIMED.times_s[0],))  # as if a turn had taken 40 % longer
    job = replace(make_job(), gas=replace(GAS, timed=slow), pressure_pa=100_000.0, pressure_u_pa=0.0)
    codes = [event["code"] for event in document(job, ideal_firing())["events"]]
    assert codes.count("efficiency-implausible") == 1
    assert codes.count("input-off-plate") == 1
    sound = replace(make_job(), gas=replace(GAS, timed=TIMED), pressure_pa=100_000.0, pressure_u_pa=0.0)
    codes = [event["code"] for event in document(sound, ideal_firing())["events"]]
    assert not {"efficiency-implausible", "input-off-plate"} & set(codes)


def test_a_counter_reset_is_an_event_and_the_reason() -> None:
    readings = ideal_firing()
    for t in range(2400):
        volume_m3 = FLOW_M3_S * (t if t < 1900 else t - 1900)
        t_ns = round((t + 0.4) * 1e9)
        readings.append(
            Reading(0, t_ns, "meter", Quantity.GAS_VOLUME, round(volume_m3, 3), Flag.OK, t_ns // 1000, t_ns)
        )
    readings.sort(key=lambda reading: reading.t_ns)
    found = document(job_with_meter(), readings)
    assert found["input"]["measured_w"] is None
    assert found["input"]["reason"] == WENT_BACK
    assert [event["probe"] for event in found["events"] if event["code"] == "gas-counter-back"] == ["meter"]


def test_over_firing_is_told_while_it_goes_on() -> None:
    """The plate's gas until 1300 s, 30 % more from then on: 12 % too much on the mean by 1600 s or so."""
    readings = ideal_firing()
    for t in range(2400):
        t_ns = round((t + 0.4) * 1e9)
        volume_m3 = floor(1000.0 * FLOW_M3_S * (t + 0.3 * max(t - 1300, 0))) / 1000.0
        readings.append(
            Reading(0, t_ns, "meter", Quantity.GAS_VOLUME, volume_m3, Flag.OK, t_ns // 1000, t_ns)
        )
    readings.sort(key=lambda reading: reading.t_ns)
    unit = replace(make_job().unit, plate_input_w=INPUT_W)
    found = document(job_with_meter(unit=unit, pressure_pa=100_000.0), readings)
    at_s = {event["code"]: event["t_s"] for event in found["events"]}
    assert at_s["steady"] < 1300.0 < at_s["input-off-plate"] < 1900.0
    assert found["firing"]["steady_end_s"] > 2300.0


SIM_GAS = """
[probes.meter]
role = "gas"
driver = "sim"

[gas]
heating_value = "1037 Btu/ft3"
already_derated = true         # the simulated meter counts at the state of its heating value
meter_pressure = "7 in.wg"
compensated = true
"""


def test_a_simulated_counter_finds_the_simulated_input() -> None:
    scenario = find("standard")
    text = scenario.config_text + SIM_GAS
    job = loads_config(text, "standard.toml", {"sim": SimDriver.Options}).job
    _, readings = play("standard")
    counted = [*readings, *_meter_readings(readings[-1].t_ns)]
    counted.sort(key=lambda reading: reading.t_ns)
    found = document(job, counted)
    power_input = found["input"]
    assert power_input["source"] == "counter"
    # truth: 135,000 Btu/h of the simulated plate, its output 109,000 Btu/h
    assert abs(power_input["measured_w"] - INPUT_W) < power_input["measured_u95_w"]
    assert abs(power_input["efficiency"] - 109 / 135) < power_input["efficiency_u95"]
    assert "input-off-plate" not in {event["code"] for event in found["events"]}


def _meter_readings(end_ns: int) -> list[Reading]:
    """The burner of the scenario burns from 420 s to 2220 s; the counter shows litres."""
    readings = []
    for t in range(end_ns // NS_PER_S):
        burned_s = min(max(t + 0.5 - 420.0, 0.0), 1800.0)
        volume_m3 = floor(1000.0 * FLOW_M3_S * burned_s) / 1000.0
        t_ns = round((t + 0.5) * 1e9)
        readings.append(
            Reading(0, t_ns, "meter", Quantity.GAS_VOLUME, volume_m3, Flag.OK, t_ns // 1000, t_ns)
        )
    return readings
