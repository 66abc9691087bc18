"""Eight runs by `replay --many` on all cores against the same computed one after the other."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from logger.config.load import loads_config
from logger.many.inputs import jobs_of
from logger.many.job import Job, answered
from logger.many.spread import over_processes
from tests.benchmarks.day import CONFIG, DAY_S, write_day
from tests.benchmarks.timing import best_s

RUNS = 8


def measure(quick: bool) -> dict[str, float | None]:  # noqa: FBT001
    """Ratio; the start of the processes is in it. At best the number of cores."""
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "day.csv"
        write_day(table, DAY_S // (12 if quick else 3))
        found = jobs_of([str(table)] * RUNS, loads_config(CONFIG, "bench", None), 0)
        jobs = [(n, job) for n, job in enumerate(found) if isinstance(job, Job)]

        def serial() -> None:
            for _, job in jobs:
                answered(job)

        def many() -> None:
            for _ in over_processes(jobs, os.cpu_count() or 1):
                pass

        serial_s, many_s = best_s(serial, 1), best_s(many, 1 if quick else 2)
    return {"many_vs_serial": serial_s / many_s, "many_s": many_s}
