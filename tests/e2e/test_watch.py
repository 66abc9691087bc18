"""A second terminal on a running logger: it sees, it leaves, and the logger does not notice."""

import os
import signal
import subprocess
import sys
from typing import Any

import pytest

SLOW = ("demo", "--headless", "--json", "--speed", "60")


def watching(program: Any) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-m", "logger", "watch"],
        env=program.environment,
        cwd=program.folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    program._started.append(process)
    return process


def first_line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline()


def test_lines_until_the_run_ends(program: Any) -> None:
    logger = program.start(*SLOW)
    program.wait_for(logger, "Fan phase")
    watcher = watching(program)
    start = first_line(watcher)
    assert "Fan phase" in first_line(watcher)
    logger.send_signal(signal.SIGTERM)
    done = program.end(logger)
    seen = program.end(watcher)
    assert seen.code == 0
    assert start.startswith(f"watching run {done.document['run']} of job sim-standard (simulated), begun 20")
    assert f"run {done.document['run']} has ended (stopped)" in seen.err
    assert program("watch").code == 4


def test_a_watcher_that_is_killed_or_paused_disturbs_nothing(program: Any) -> None:
    logger = program.start(*SLOW)
    program.wait_for(logger, "Fan phase")
    killed, paused, left = (watching(program) for _ in range(3))
    for process in (killed, paused, left):
        first_line(process)
    killed.kill()
    paused.send_signal(signal.SIGSTOP)
    left.send_signal(signal.SIGINT)
    seen = program.end(left)
    assert (seen.code, "the logger goes on" in seen.err) == (0, True)
    program.wait_for(logger, "Firing seen")
    logger.send_signal(signal.SIGTERM)
    done = program.end(logger)
    assert (done.document["stored"], done.document["readings"]["lost_to_storage"]) == (True, 0)
    codes = {event["code"] for event in done.document["events"]}
    assert not codes & {"store-busy", "store-failed", "overrun"}
    paused.send_signal(signal.SIGCONT)
    assert program.end(paused).code == 0


def test_a_logger_that_is_killed_is_missed(program: Any) -> None:
    logger = program.start(*SLOW)
    program.wait_for(logger, "Fan phase")
    watcher = watching(program)
    first_line(watcher)
    logger.kill()
    seen = program.end(watcher)
    assert seen.code == 0
    assert "has no end" in seen.err


def test_a_reader_that_has_enough(program: Any) -> None:
    logger = program.start(*SLOW)
    program.wait_for(logger, "Fan phase")
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", f"{sys.executable} -m logger watch | head -n 2"],
        env=program.environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Fan phase" in done.stdout
    assert logger.poll() is None


@pytest.mark.terminal
def test_the_dashboard_of_another_process(program: Any) -> None:
    terminals = pytest.importorskip("tests.e2e.test_terminal", reason="needs pseudo-terminals")
    logger = program.start(*SLOW)
    program.wait_for(logger, "Fan phase")
    shown = terminals.Terminal(program, "watch")
    try:
        shown.wait_for(terminals.ENTER)
        shown.wait_for(b"WATCHING")
        shown.wait_for(b"sim-standard")
        os.write(shown.master, b"e")  # no note: the run is not ours to mark
        os.write(shown.master, b"q")
        assert shown.end() == 0
        shown.assert_restored()
        assert b"the logger goes on" in shown.seen
        assert b"note:" not in shown.seen
        assert b"Traceback" not in shown.seen
    finally:
        shown.close()
    program.wait_for(logger, "Firing seen")
