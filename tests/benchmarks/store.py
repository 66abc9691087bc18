"""Storing a block of readings through the writer, against raw ``executemany`` of the same rows."""

from __future__ import annotations

import sqlite3
import tempfile
from pathlib import Path

import numpy as np

from logger.core.readings import Quantity, ReadingBlock
from logger.store import Batch, RunHeader, StoreWriter
from tests.benchmarks.timing import best_s

BATCH = 50_000
BATCHES = 6


def blocks() -> list[ReadingBlock]:
    """Five channels in turn."""
    channels = (
        ("ret", Quantity.TEMPERATURE),
        ("ret", Quantity.HUMIDITY),
        ("sup", Quantity.TEMPERATURE),
        ("duct", Quantity.VELOCITY),
        ("baro", Quantity.PRESSURE),
    )
    made = []
    for number in range(BATCHES):
        seq = np.arange(number * BATCH, (number + 1) * BATCH, dtype=np.int64)
        made.append(
            ReadingBlock(
                channels=channels,
                seq=seq,
                t_ns=seq * 200_000_000,
                channel=(seq % 5).astype(np.int32),
                value=20.0 + (seq % 977) * 0.01,
                flag=np.zeros(BATCH, np.int8),
                utc_us=seq * 200_000,
                arrival_ns=seq * 200_000_000,
            )
        )
    return made


def measure(quick: bool) -> dict[str, float | None]:  # noqa: FBT001
    """Ratio of raw time to ours; the raw table is the store's own, found in its schema."""
    made = blocks()
    repeats = 2 if quick else 5
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.db"
        counter = iter(range(1000))

        def ours() -> None:
            for old in Path(folder).glob("bench*"):
                old.unlink()
            with StoreWriter(path, "benchmark", now_utc_us=0) as writer:
                writer.begin_run(_header(f"bench{next(counter)}"))
                run = writer.unended_runs()[-1]
                for block in made:
                    writer.write(Batch(run=run, readings=block))

        mine_s = best_s(ours, repeats)
        with sqlite3.connect(path) as conn:
            table = conn.execute("SELECT sql FROM sqlite_schema WHERE name = 'reading'").fetchone()[0]
            first = conn.execute("SELECT * FROM reading LIMIT 1").fetchone()
            rows = conn.execute("SELECT * FROM reading").fetchall()
        conn.close()

        def raw() -> None:
            for old in Path(folder).glob("raw*"):
                old.unlink()
            bare = sqlite3.connect(Path(folder) / "raw.db", isolation_level=None)
            bare.execute("PRAGMA journal_mode = WAL")
            bare.execute("PRAGMA synchronous = FULL")
            bare.execute(table)
            insert = f"INSERT INTO reading VALUES ({', '.join('?' * len(first))})"
            for start in range(0, len(rows), BATCH):
                bare.execute("BEGIN IMMEDIATE")
                bare.executemany(insert, rows[start : start + BATCH])
                bare.execute("COMMIT")
            bare.close()

        raw_s = best_s(raw, repeats)
    return {"store_vs_executemany": raw_s / mine_s, "stored_per_s": BATCH * BATCHES / mine_s}


def _header(run: str) -> RunHeader:
    return RunHeader(run=run, job="bench", started_utc_us=0, boot_id="", versions={}, config_text="")
