"""A writer killed in the middle: what it had acknowledged is there, and nothing by halves."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from logger.store import StoreReader, StoreWriter

ROWS = 50  # readings a batch; the child prints a batch's number once it is committed

CHILD = f"""
import sys
from pathlib import Path
from logger.core.readings import Flag, Quantity, Reading
from logger.core.snapshot import Event
from logger.store import Batch, RunHeader, StoredEvent, StoreWriter

writer = StoreWriter(Path(sys.argv[1]), "child")
writer.begin_run(RunHeader(run="killed", job="invented", started_utc_us=0))
batch = 0
while True:
    first = batch * {ROWS + 1}
    seqs = range(first, first + {ROWS})
    writer.write(Batch(
        run="killed",
        readings=[Reading(seq, 0, "ret", Quantity.TEMPERATURE, 20.0, Flag.OK, 0, 0) for seq in seqs],
        trace=[(float(batch), 0.0) + (None,) * 10],
        events=[StoredEvent(seq=first + {ROWS}, event=Event(t_ns=0, code="mark", text=str(batch)))],
    ))
    batch += 1
    print(batch, flush=True)
"""


@pytest.mark.parametrize("acknowledged", [1, 7, 40, 150])
def test_kill_loses_no_acknowledged_row_and_leaves_no_partial_batch(
    acknowledged: int, tmp_path: Path
) -> None:
    path = tmp_path / "invented.db"
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        for _ in range(acknowledged):
            child.stdout.readline()
        child.kill()
        rest = child.stdout.read().split()
    said = int(rest[-1]) if rest else acknowledged
    assert said >= acknowledged

    with StoreWriter(path, "next") as writer:  # the lock has gone with the process
        assert writer.unended_runs() == ("killed",)
        writer.mark_ended("killed")
    with StoreReader(path) as reader:
        stored, _ = reader.counts("killed")
        assert stored % ROWS == 0
        batches = stored // ROWS
        assert said <= batches <= said + 1  # a commit may have come before its word
        assert len(reader.events("killed")) == len(reader.trace("killed")) == batches
        assert reader.runs()[0].end_reason == "interrupted"
    raw = sqlite3.connect(path)
    assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    raw.close()
