"""The whole replay, CSV to stored result, against a bare ``csv.reader`` over the same file."""

from __future__ import annotations

import contextlib
import csv
import io
import os
import tempfile
from pathlib import Path

from logger.replay import replay_command
from tests.benchmarks.day import CONFIG, write_day
from tests.benchmarks.timing import best_s


def measure(quick: bool) -> dict[str, float | None]:  # noqa: FBT001
    """Ratio, and readings a second, of a day of five streams."""
    with tempfile.TemporaryDirectory() as folder:
        table, config = Path(folder) / "day.csv", Path(folder) / "day.toml"
        rows = write_day(table)
        store = Path(folder) / "bench.db"
        config.write_text(f'{CONFIG}\n[store]\npath = "{store.as_posix()}"\n', encoding="utf-8")

        def ours() -> None:
            for old in Path(folder).glob("bench.db*"):
                old.unlink()
            sink = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
            with contextlib.redirect_stdout(sink), contextlib.redirect_stderr(sink):
                replay_command(str(table), config, store=True, json=True)

        def bare() -> None:
            with table.open(newline="", encoding="utf-8") as file:
                for _ in csv.reader(file):
                    pass

        os.sync()
        repeats = 2 if quick else 4
        mine_s, bare_s = best_s(ours, repeats), best_s(bare, repeats)
    return {
        "replay_vs_csv_reader": bare_s / mine_s,
        "readings_per_s": rows / mine_s,
        "replay_s": mine_s,
        "csv_reader_s": bare_s,
    }
