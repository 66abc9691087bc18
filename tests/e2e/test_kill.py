"""The program killed at chosen moments of its storing: what was committed is there, nothing by halves."""

import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from logger.store import StoreReader

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL")

DYING = """
import os, signal, sys
from logger.cli import main
from logger.store import StoreWriter

when, write, seen = sys.argv[1], StoreWriter.write, []

def die():
    os.kill(os.getpid(), signal.SIGKILL)

def dying(self, batch):
    kind = "header" if batch.header else "end" if batch.end else "readings"
    seen.append(kind)
    names = (kind, f"{kind} {seen.count(kind)}")
    if when in [f"before {name}" for name in names]:
        die()
    write(self, batch)
    if when in [f"after {name}" for name in names]:
        die()

StoreWriter.write = dying
main(sys.argv[2:])
"""


def killed(program: Any, when: str, *arguments: str | Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", DYING, when, *map(str, arguments)],
        env=program.environment,
        cwd=program.folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == -signal.SIGKILL, done.stderr


DEMO = ("demo", "--headless", "--json", "--scenario", "short-firing", "--speed", "max")
SLOWER = (*DEMO[:-1], "1000")  # so that the readings come in several commits


@pytest.mark.parametrize(
    ("when", "runs", "verdict"),
    [
        ("before header", 0, None),
        ("after header", 1, "not-steady"),
        ("after readings 1", 1, "not-steady"),
        ("before readings 2", 1, "not-steady"),
        ("before end", 1, "not-steady"),
        ("after end", 1, "not-steady"),
    ],
)
def test_a_live_run(program: Any, when: str, runs: int, verdict: str | None) -> None:
    killed(program, when, *SLOWER)
    left = program("runs", "--json").document
    assert len(left) == runs
    done = program(*DEMO)
    assert done.document["stored"] is True
    settled = program("runs", "--json").document[:-1]
    assert [row["verdict"] for row in settled] == [verdict] * runs
    assert [row["end_reason"] for row in settled] == (
        ["ended"] if when == "after end" else ["interrupted"]
    ) * runs
    assert [row["readings"] for row in settled] == [row["readings"] for row in left]
    with closing(sqlite3.connect(program.store)) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


@pytest.mark.parametrize("when", ["after header", "after readings 2", "before end", "after end"])
def test_an_import_is_stored_whole_or_not_at_all(program: Any, write_config: Any, when: str) -> None:
    path = program.folder / "readings.csv"
    rows = "".join(f"{t / 10},ret,temperature,21.0,degC,ok\n" for t in range(150_000))
    path.write_text("time,probe,quantity,value,unit,flag\n" + rows, encoding="utf-8")
    config = write_config()
    killed(program, when, "replay", path, "--config", config, "--json")
    assert program("runs", "--json").document == []
    assert program("replay", path, "--config", config, "--json").document["readings"]["stored"] == 150_000
    with StoreReader(program.store) as reader:
        (row,) = reader.runs()
    assert (row.end_reason, row.readings) == ("ended", 150_000)
