"""A run over several dates: many firings, midnight, a set clock, summer time, a sleep of the computer.

Time is the simulation's own; a reading comes every 10 s, so that a day takes seconds.
"""

import asyncio
import datetime
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

import logger.live_run
import simulators.scenarios
from logger.clock import SteppedClock
from logger.config.load import LoadedConfig, loads_config
from logger.core.readings import NS_PER_S, NS_PER_US
from logger.live import run_live
from logger.live_run import Manner
from logger.recompute import compute, source_of_run
from logger.registry import DriverOptions
from logger.session import Limits
from logger.store import StoreReader, StoreWriter
from simulators.scenarios import SCENARIOS
from simulators.unit import Timeline

CYCLE_S = 11_700.0
CYCLES = 8  # 26 hours
ASLEEP = 3  # the firing that the sleep begins in
SLEEP_S = (ASLEEP * CYCLE_S + 1_400.0, ASLEEP * CYCLE_S + 3_200.0)
STEP_AT_S, STEP_S = 5 * CYCLE_S + 900.0, -37.0  # a time server sets the clock, inside the sixth firing
# Local time in Berlin goes from 02:00 to 03:00 at 01:00 UTC on 29 March 2026 (EU directive 2000/84/EC).
START = datetime.datetime(2026, 3, 28, 22, 30, tzinfo=datetime.UTC)
TZ = "Europe/Berlin"


class EventfulClock(SteppedClock):
    """Simulated time of a host that sleeps once and whose clock is set once."""

    def __init__(self, *, sleep_s: tuple[float, float] | None, step_s: float) -> None:
        super().__init__(speed=None, utc_start_us=round(START.timestamp() * 1e6))
        self._sleep_s, self._step_s = sleep_s, step_s

    def awake_ns(self) -> int:
        """Without the sleep; the host wakes when it is over, so no reading lies inside."""
        now_s = self.now_ns() / NS_PER_S
        if self._sleep_s is None or now_s < self._sleep_s[0]:
            return self.now_ns()
        slept_s = min(now_s, self._sleep_s[1]) - self._sleep_s[0]
        return self.now_ns() - round(slept_s * NS_PER_S)

    def utc_us(self) -> int:
        step_s = self._step_s if self.now_ns() >= STEP_AT_S * NS_PER_S else 0.0
        return super().utc_us() + round(step_s * 1e6)


def job() -> LoadedConfig:
    """The standard unit, fired every three hours or so."""
    starts = [k * CYCLE_S for k in range(CYCLES)]
    timeline = Timeline(
        duration_s=CYCLES * CYCLE_S,
        fan=tuple((t + 60.0, t + 2_560.0) for t in starts),
        burner=tuple((t + 460.0, t + 2_160.0, 0) for t in starts),
    )
    probes = {
        signal: replace(probe, interval_s=10.0, silent=(SLEEP_S,))
        for signal, probe in simulators.scenarios.PROBES.items()
    }
    scenario = replace(SCENARIOS["standard"], name="days", timeline=timeline, probes=probes)
    simulators.scenarios.SCENARIOS = {**SCENARIOS, "days": scenario}
    text = scenario.config_text.replace('driver = "sim"', 'driver = "sim"\nmax_age = "30 s"')
    return loads_config(text, "days", DriverOptions())


@dataclass
class Days:
    config: LoadedConfig
    path: Path
    run: str
    document: Any


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Days]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", TZ)
        time.tzset()
        patch.setattr(simulators.scenarios, "SCENARIOS", SCENARIOS)
        clock = EventfulClock(sleep_s=SLEEP_S, step_s=STEP_S)
        patch.setattr(logger.live_run, "clock_for", lambda _config: clock)
        config, path = job(), tmp_path_factory.mktemp("days") / "days.db"
        with StoreWriter(path, "test") as writer:
            asyncio.run(run_live(config, writer, Limits(), Manner(dashboard=False, json=True)))
        with StoreReader(path) as reader:
            (row,) = reader.runs()
            document = json.loads(reader.results(row.run)[-1].document)
        yield Days(config, path, row.run, document)
    time.tzset()


def codes(days: Days) -> list[str]:
    return [event["code"] for event in days.document["events"]]


def test_every_firing_is_found_and_has_its_result_at_once(days: Days) -> None:
    assert len(days.document["cycles"]) == CYCLES
    with StoreReader(days.path) as reader:
        firings = [r for r in reader.results(days.run) if r.scope == "firing"]
        (block,) = reader.blocks(days.run, 10**6)
    assert len(firings) == CYCLES
    for n, firing in enumerate(firings[:-1]):
        later_s = float(block.t_ns[block.seq > firing.seq][0]) / NS_PER_S
        assert later_s < n * CYCLE_S + 4_000.0  # before the next one; the run goes on behind it
        document = json.loads(firing.document)
        assert document["cycles"] == [days.document["cycles"][n]]


def test_each_output_is_the_plants_own(days: Days) -> None:
    """Truth: the plant's equilibrium. 95 % of 7 results: one may miss."""
    truth_w = simulators.scenarios.SCENARIOS["days"].truth.output_w
    cycles = days.document["cycles"]
    sound = [c for n, c in enumerate(cycles) if n != ASLEEP]
    assert [c["steady"] for c in sound] == [True] * (CYCLES - 1)
    misses = [c for c in sound if abs(c["output_w"] - truth_w) > c["output_u95_w"]]
    assert len(misses) <= 1, misses


def test_the_sleep_ends_the_firing_and_is_told(days: Days) -> None:
    assert codes(days).count("suspended") == 1
    (event,) = [e for e in days.document["events"] if e["code"] == "suspended"]
    assert "slept for 1800 s" in event["text"]
    assert SLEEP_S[1] - 1.0 <= event["t_s"] <= SLEEP_S[1] + 20.0
    broken = days.document["cycles"][ASLEEP]
    assert broken["end_s"] <= SLEEP_S[1] + 20.0


def test_a_set_clock_is_told_and_summer_time_is_not(days: Days) -> None:
    jumps = [e for e in days.document["events"] if e["code"] == "clock-jump"]
    assert len(jumps) == 1
    assert "-37.0 s" in jumps[0]["text"]
    assert STEP_AT_S - 1.0 <= jumps[0]["t_s"] <= STEP_AT_S + 10.0
    # the zone did change inside this run: its own clock says so
    before, after = (time.localtime(START.timestamp() + hours * 3_600.0).tm_gmtoff for hours in (0.0, 26.0))
    assert after - before == 3_600
    with StoreReader(days.path) as reader:
        (segment,) = reader.header(days.run).clock_segments
        (block,) = reader.blocks(days.run, 10**6)
    assert segment.t_ns / NS_PER_S == pytest.approx(jumps[0]["t_s"])
    offset_us = block.utc_us - block.t_ns // NS_PER_US
    assert sorted({round((o - int(offset_us[0])) / 1e6) for o in offset_us.tolist()}) == [-37, 0]
    assert days.document["started_utc"].startswith("2026-03-28T22:30:")
    assert days.document["ended_utc"].startswith("2026-03-30T00:29:2")  # 26 h later, less the 37 s


def test_a_replay_of_days_is_the_same_to_the_last_bit(days: Days) -> None:
    with StoreReader(days.path) as reader:
        again, _ = compute(days.config, source_of_run(reader, days.run), days.run)
    apart = {"stored", "ended_utc"}  # whether it was stored; the wall clock at the end
    assert {k: v for k, v in again.items() if k not in apart} == {
        k: v for k, v in days.document.items() if k not in apart
    }


@pytest.mark.parametrize("step_s", [-3_600.0, 5.0])
def test_a_set_clock_touches_no_number(
    step_s: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same run with and without: all alike but the event, the stamps and the run's id."""
    config = loads_config(SCENARIOS["short-firing"].config_text, "test", DriverOptions())
    monkeypatch.setattr("tests.shell.test_days.STEP_AT_S", 500.0)
    found = []
    for step in (0.0, step_s):
        clock = EventfulClock(sleep_s=None, step_s=step)
        monkeypatch.setattr(logger.live_run, "clock_for", lambda _config, clock=clock: clock)
        path = tmp_path / f"{step}.db"
        with StoreWriter(path, "test") as writer:
            asyncio.run(run_live(config, writer, Limits(), Manner(dashboard=False, json=True)))
        with StoreReader(path) as reader:
            (row,) = reader.runs()
            document = json.loads(reader.results(row.run)[-1].document)
            found.append((document, reader.trace(row.run)))
    (plain, plain_trace), (stepped, stepped_trace) = found
    assert [e["code"] for e in stepped["events"]].count("clock-jump") == 1
    stepped["events"] = [e for e in stepped["events"] if e["code"] != "clock-jump"]
    for key in ("run", "ended_utc"):
        assert plain.pop(key) != stepped.pop(key)
    assert stepped == plain
    assert stepped_trace == plain_trace
