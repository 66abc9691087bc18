"""Every way a run can end: signals, crashes, a held store, a reader that goes away."""

import asyncio
import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from typing import Any

import pytest

from logger.signals import signals
from logger.store import StoreReader

SLOW = ("demo", "--headless", "--json", "--speed", "400")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_in_order(program: Any, number: int) -> None:
    process = program.start(*SLOW)
    program.wait_for(process, "Fan phase")
    process.send_signal(number)
    done = program.end(process)
    assert done.code == 3
    assert (done.document["end_reason"], done.document["verdict"]) == ("stopped", "not-steady")
    assert done.document["stored"] is True
    (row,) = program("runs", "--json").document
    assert row["verdict"] == "not-steady"
    assert row["readings"] == done.document["readings"]["stored"] > 0
    again = program("replay", "last", "--no-store", "--json")
    assert again.code == 3
    assert again.document["events"] == done.document["events"]
    assert again.document["end_reason"] == "stopped"


def test_after_the_result_a_signal_still_gives_it(program: Any) -> None:
    process = program.start("demo", "--headless", "--json", "--speed", "2000")
    program.wait_for(process, "steady:")
    process.send_signal(signal.SIGTERM)
    done = program.end(process)
    assert done.code == 0
    assert done.document["firing"]["output_w"] > 0.0


def test_a_hangup_does_not_end_a_headless_run(program: Any) -> None:
    process = program.start(*SLOW)
    program.wait_for(process, "Fan phase")
    process.send_signal(signal.SIGHUP)
    program.wait_for(process, "Firing seen")
    process.send_signal(signal.SIGTERM)
    assert program.end(process).document["end_reason"] == "stopped"


@pytest.mark.parametrize(("terminal", "hangup"), [(False, []), (True, ["stop"])])
async def test_a_second_signal_ends_at_once(*, terminal: bool, hangup: list[str]) -> None:
    calls: list[str] = []

    async def send(number: int) -> None:
        os.kill(os.getpid(), number)
        for _ in range(10):  # turns of the loop, far more than the signal needs to get through
            await asyncio.sleep(0)

    before = signal.getsignal(signal.SIGTERM)
    with signals(lambda: calls.append("stop"), lambda: calls.append("at once"), terminal=terminal):
        await send(signal.SIGHUP)
        assert calls == hangup
        calls.clear()
        await send(signal.SIGINT)
        await send(signal.SIGTERM)
    assert calls == ["stop", "at once", "stop"]
    assert signal.getsignal(signal.SIGTERM) == before


STUBBORN = """
import asyncio
import logger.session
logger.session.CLEAN_UP_S = 0.2  # the test need not wait as long as a radio may
from pydantic import BaseModel
from logger.driver_api import LinkState, Quantity, Sample
class Options(BaseModel): ...
class Driver:
    name, simulated, Options = "stubborn", False, Options
    def __init__(self, probes, context):
        self.probes, self.context = probes, context
    async def run(self):
        for probe in self.probes:
            self.context.emit(Sample(probe=probe.name, quantity=Quantity.TEMPERATURE, value=20.0))
        self.context.link(self.probes[0].name, LinkState.LIVE, "heard")
        while True:
            try:
                await asyncio.Event().wait()
            except asyncio.CancelledError:
                pass
    async def reach(self, seconds): return []
"""


@pytest.fixture
def stubborn(program: Any, write_config: Any, install_driver: Any) -> Any:
    """A job whose driver, a plug-in, does not end when told to."""
    install_driver("stubborn", STUBBORN)
    config = write_config(('driver = "sim"', 'driver = "stubborn"'))
    text = config.read_text(encoding="utf-8")
    config.write_text(text[: text.index("[sim]")], encoding="utf-8")
    process = program.start("run", config, "--headless", "--json")
    program.wait_for(process, "probe-live")
    return process


def test_a_driver_that_does_not_end_holds_nobody_up(program: Any, stubborn: Any) -> None:
    stubborn.send_signal(signal.SIGINT)
    done = program.end(stubborn)
    assert done.code == 3
    assert (done.document["end_reason"], done.document["stored"]) == ("stopped", True)
    assert "driver 'stubborn' did not end" in done.err


def test_a_second_signal_ends_at_once_even_then(program: Any, stubborn: Any) -> None:
    stubborn.send_signal(signal.SIGSTOP)
    stubborn.send_signal(signal.SIGINT)
    stubborn.send_signal(signal.SIGTERM)
    stubborn.send_signal(signal.SIGCONT)
    done = program.end(stubborn)
    assert (done.code, done.out) == (130, "")


def test_a_killed_run_is_settled_by_the_next(program: Any, write_config: Any) -> None:
    config = write_config(('speed = "max"', "speed = 400"))
    process = program.start("run", config, "--headless", "--json")
    program.wait_for(process, "Firing seen")
    process.kill()
    process.communicate()
    (row,) = program("runs", "--json").document
    assert row["ended_utc"] is None
    fast = write_config(name="fast.toml")
    done = program("run", fast, "--json", "--for", "60s")
    assert f"run {row['run']} had been cut off and is marked interrupted" in done.err
    first, second = program("runs", "--json").document
    assert (first["run"], first["end_reason"], first["verdict"]) == (row["run"], "interrupted", "not-steady")
    assert second["end_reason"] == "time"
    with StoreReader(program.store) as reader:
        stored, flagged = reader.counts(row["run"])
        (result,) = [r for r in reader.results(row["run"]) if r.scope == "run"]
    assert f'"stored": {stored}, "flagged": {flagged}' in result.document
    again = program("replay", row["run"], "--no-store", "--json").document
    assert again["end_reason"] == "interrupted"


def test_a_replay_settles_a_killed_run_too(program: Any) -> None:
    process = program.start(*SLOW)
    program.wait_for(process, "Fan phase")
    process.kill()
    process.communicate()
    done = program("replay", "last", "--json")
    assert done.code == 3
    assert "marked interrupted" in done.err
    assert done.document["end_reason"] == "interrupted"
    first, second = program("runs", "--json").document
    assert (first["end_reason"], second["replay_of"]) == ("interrupted", first["run"])


def test_one_writer_for_one_store(program: Any, write_config: Any) -> None:
    config = write_config(('speed = "max"', "speed = 50"))
    process = program.start("run", config, "--headless", "--json")
    program.wait_for(process, "Fan phase")
    second = program("run", config, "--headless")
    assert second.code == 4
    assert f"pid {process.pid}" in second.err
    assert len(second.err.splitlines()) == 1  # no caution, no notes of a run that is not to be
    replay = program("replay", "last", "--json")
    assert replay.code == 3
    assert replay.document["stored"] is False
    assert "not stored" in replay.err
    checked = program("check", config, "--json")
    assert checked.code == 0  # a logger at work is no fault
    assert f"pid {process.pid}" in next(c for c in checked.document["checks"] if c["code"] == "store")["text"]
    process.send_signal(signal.SIGINT)
    assert program.end(process).document["stored"] is True


def test_a_store_held_by_another_program_holds_up_neither_start_nor_end(program: Any) -> None:
    """Its lock lies over the run's first reading: the run goes on, and all of it is stored later."""
    assert program("demo", "--headless", "--json", "--speed", "max", "--scenario", "short-firing").code == 3
    with closing(sqlite3.connect(program.store, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        process = program.start(
            "demo", "--headless", "--json", "--speed", "100", "--scenario", "short-firing"
        )
        program.wait_for(process, "store-busy")
    process.send_signal(signal.SIGTERM)
    done = program.end(process)
    assert done.document["stored"] is True
    assert done.document["readings"]["lost_to_storage"] == 0
    row = program("runs", "--json").document[-1]
    assert (row["run"], row["readings"]) == (done.document["run"], done.document["readings"]["stored"])


def test_a_second_signal_ends_at_once_while_the_store_is_held(program: Any) -> None:
    assert program("demo", "--headless", "--json", "--speed", "max", "--scenario", "short-firing").code == 3
    with closing(sqlite3.connect(program.store, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        process = program.start("demo", "--headless", "--json", "--speed", "100")
        program.wait_for(process, "Fan phase")
        process.send_signal(signal.SIGSTOP)
        process.send_signal(signal.SIGINT)
        process.send_signal(signal.SIGTERM)
        process.send_signal(signal.SIGCONT)
        done = program.end(process)
    assert (done.code, done.out) == (130, "")
    assert "ended at once" in done.err


def test_a_reader_that_has_enough_is_no_fault(demo: Any) -> None:
    program, live = demo
    command = f"{sys.executable} -m logger export {live.document['run']} | head -n 1"
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", command],
        env=program.environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout == "time,probe,quantity,value,unit,flag\n"
    assert done.stderr == ""
    assert done.returncode == 0
