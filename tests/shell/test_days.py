"""A run over several dates: many firings, midnight, a set clock, summer time, a sleep of the computer.

Time is the simulation's own; a reading comes every 10 s, so that a day takes seconds.
"""

import asyncio
import datetime
import json
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

import logger.live_run
import simulators.scenarios
from logger.believed_clock import BelievedClock
from logger.clock import SteppedClock
from logger.config.load import LoadedConfig, loads_config
from logger.core.readings import NS_PER_S, NS_PER_US
from logger.live import run_live
from logger.live_run import Manner
from logger.recompute import compute, source_of_run
from logger.registry import DriverOptions
from logger.session import Limits
from logger.store import StoreReader, StoreWriter
from logger.store.kept import KeptReader
from logger.store.waiting import WaitingReader
from logger.stored import runs_command
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

    def __init__(self, *, sleep_s: tuple[float, float] | None, step_s: float, start_s: float = 0.0) -> None:
        super().__init__(speed=None, utc_start_us=round((START.timestamp() + start_s) * 1e6))
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


DAY_S = 86_400.0
OFFSET_S = 3_000.0  # the eighth firing of the first day is cut by the change of runs
DAYS = 3
BURNS = tuple(
    (OFFSET_S + k * CYCLE_S + 460.0, OFFSET_S + k * CYCLE_S + 2_160.0)
    for k in range(int(DAYS * DAY_S / CYCLE_S))
)
CUT_AT_S = (DAY_S,)  # of the ends of a day, that which lies inside a firing
BROKER = '[mqtt]\nhost = "127.0.0.1"\nport = 9\ntls = false\n'  # discard, RFC 863: nobody listens here


def day_job(day: int) -> LoadedConfig:
    """The part of one day of a timeline that goes on."""
    zero_s = day * DAY_S
    fan = [(start - 400.0, end + 400.0) for start, end in BURNS]

    def inside(start: float, end: float) -> tuple[float, float]:
        return max(start - zero_s, 0.0), end - zero_s

    timeline = Timeline(
        duration_s=DAY_S + 3_600.0,  # --for ends it
        fan=tuple(inside(*times) for times in fan if times[1] > zero_s),
        burner=tuple((*inside(*times), 0) for times in BURNS if times[1] > zero_s),
    )
    silent = (SLEEP_S,) if day == 1 else ()
    probes = {
        signal: replace(probe, interval_s=30.0, silent=silent)
        for signal, probe in simulators.scenarios.PROBES.items()
    }
    scenario = replace(SCENARIOS["standard"], name="a-day", timeline=timeline, probes=probes)
    simulators.scenarios.SCENARIOS = {**SCENARIOS, "a-day": scenario}
    text = scenario.config_text.replace('driver = "sim"', 'driver = "sim"\nmax_age = "90 s"')
    return loads_config(text, "a day", DriverOptions(), BROKER)


@pytest.fixture(scope="module")
def rotated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Three runs of a day each in one store, as the unit's ``--for 24h`` makes them: summer time begins in
    the first, the computer sleeps in the second, whose clock is set back by more than the pause behind it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", TZ)
        time.tzset()
        patch.setattr(simulators.scenarios, "SCENARIOS", SCENARIOS)
        path = tmp_path_factory.mktemp("rotated") / "days.db"
        for day in range(DAYS):
            clock = EventfulClock(
                sleep_s=SLEEP_S if day == 1 else None,
                step_s=STEP_S if day == 1 else 0.0,
                start_s=day * DAY_S + (STEP_S if day > 1 else 0.0),
            )
            patch.setattr(logger.live_run, "clock_for", lambda _config, clock=clock: clock)
            with StoreWriter(path, "test") as writer:
                limits = Limits(for_ns=round(DAY_S) * NS_PER_S)
                asyncio.run(run_live(day_job(day), writer, limits, Manner(dashboard=False, json=True)))
        yield path
    time.tzset()


def firings_of(day: int) -> int:
    """How many burn in that day, in part or whole."""
    return sum(1 for start, end in BURNS if start < (day + 1) * DAY_S and end > day * DAY_S)


def test_runs_of_a_day_follow_one_another(rotated: Path) -> None:
    with StoreReader(rotated) as reader:
        runs = reader.runs()
    assert [row.end_reason for row in runs] == ["time"] * DAYS
    starts = [row.started_utc_us for row in runs]
    assert starts == sorted(starts)
    assert [time.gmtime(start / 1e6).tm_mday for start in starts] == [28, 29, 30]
    # set back by 37 s: the clock of the third run still shows no time that the second has shown
    assert all(
        (row.ended_utc_us or 0) <= start + 11_000_000 for row, start in zip(runs, starts[1:], strict=False)
    )


def test_every_firing_and_every_run_has_its_result_row(rotated: Path) -> None:
    with StoreReader(rotated) as reader:
        for day, row in enumerate(reader.runs()):
            results = reader.results(row.run)
            assert [r.scope for r in results] == ["firing"] * firings_of(day) + ["run"]
            whole = json.loads(results[-1].document)
            assert whole["verdict"] == row.verdict
            assert row.verdict in {"meets", "undecided"}  # the plant is what its plate says
            for firing, cycle in zip(results[:-1], whole["cycles"], strict=True):
                document = json.loads(firing.document)
                assert (document["run"], document["cycles"]) == (row.run, [cycle])


def test_a_firing_that_the_change_of_runs_cuts_is_in_both(rotated: Path) -> None:
    assert [start < cut < end for cut in CUT_AT_S for start, end in BURNS].count(True) == 1
    with StoreReader(rotated) as reader:
        first, second, _ = (json.loads(reader.results(row.run)[-1].document) for row in reader.runs())
    assert first["cycles"][-1]["end_s"] >= DAY_S - 20.0
    assert second["cycles"][0]["start_s"] <= 60.0


def test_each_run_waits_for_the_broker_with_all_its_results(rotated: Path) -> None:
    """What a broker that was never there will be sent: every result of every run with its scope, in order."""
    with closing(sqlite3.connect(rotated)) as raw:
        rows = raw.execute(
            "SELECT run_key, scope FROM outbox JOIN result USING (run_key, seq) WHERE kind = 'result'"
            " ORDER BY run_key, seq"
        ).fetchall()
        cursors = raw.execute("SELECT next_seq, passed_over FROM delivery_cursor").fetchall()
    expected = [(day + 1, scope) for day in range(DAYS) for scope in ["firing"] * firings_of(day) + ["run"]]
    assert rows == expected
    assert cursors == [(0, 0)] * DAYS
    with WaitingReader(rotated) as reader:
        (left,) = reader.other_brokers("")
        counts = [reader.counts(row.run)[0] for row in reader.runs()]
    assert left[1] >= sum(counts) + len(rows)


def test_the_list_of_runs_names_and_counts_each_day(
    rotated: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "job.toml"
    config.write_text(f'{SCENARIOS["standard"].config_text}[store]\npath = "{rotated}"\n', encoding="utf-8")
    assert runs_command(config, json=True) == 0
    rows = json.loads(capsys.readouterr().out)
    with StoreReader(rotated) as reader:
        documents = [json.loads(reader.results(row["run"])[-1].document) for row in rows]
    assert [row["verdict"] for row in rows] == [document["verdict"] for document in documents]
    assert [row["readings"] > 7_000 for row in rows] == [True] * DAYS
    assert [row["started_utc"][:10] for row in rows] == ["2026-03-28", "2026-03-29", "2026-03-30"]


def test_the_steps_between_and_inside_the_runs_leave_the_clock_believed(rotated: Path) -> None:
    """By what the store knows; these runs are simulated, so they are called real ones for it."""
    with closing(sqlite3.connect(rotated)) as raw, closing(sqlite3.connect(":memory:")) as copy:
        raw.backup(copy)
        copy.execute("UPDATE run SET simulated = 0")
        copy.commit()
        with closing(sqlite3.connect(rotated.with_name("real.db"))) as target:
            copy.backup(target)
    with KeptReader(rotated.with_name("real.db")) as reader:
        stretches = reader.stretches()
    assert len(stretches) == DAYS + 1  # the second run's clock was set once
    clock = BelievedClock(stretches, 14 * DAY_S)
    now_us = stretches[-1].last_utc_us
    assert clock.look(now_us, 0) is None
    assert clock.look(now_us + 600_000_000, 600 * NS_PER_S) == now_us + 600_000_000
