"""``python -m tests.benchmarks [--quick] [--json]``: ratios, each measured in one run.

Every value is a ratio of ours to a plain baseline of the same work on the same machine in the same
minute, or a plain size; above 1 is better than the baseline. A value that does not exist yet, or
whose baseline is not installed, is null.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable

from tests.benchmarks import live, many, publish, replay, startup, steady, store, study

KEYS = (
    "steady_vs_polyfit",
    "steady_vs_river",
    "replay_vs_csv_reader",
    "readings_per_s",
    "store_vs_executemany",
    "cpu_percent_live",
    "cpu_percent_dashboard",
    "help_s",
    "first_frame_s",
    "memory_mb",
    "memory_slope_mb_per_day",
    "publish_p50_ms",
    "publish_p99_ms",
    "publish_per_s",
    "publish_vs_paho",
    "publish_held_ms",
    "many_vs_serial",
    "study_trials_per_s",
    "study_cluster_vs_one",
)
PARTS: tuple[Callable[[bool], dict[str, float | None]], ...] = (
    steady.measure,
    replay.measure,
    store.measure,
    startup.measure,
    live.measure,
    publish.measure,
    many.measure,
    study.measure,
)
GOALS = {
    "steady_vs_polyfit": "at least 15",
    "steady_vs_river": "at least 1",
    "replay_vs_csv_reader": "at least 0.12",
    "readings_per_s": "hope: 100,000",
    "replay_s": "under 5 for 432,000 rows",
    "store_vs_executemany": "at least 0.3",
    "help_s": "under 0.3",
    "publish_held_ms": "under 100",
    "many_vs_serial": "at best the number of cores",
    "study_trials_per_s": "hope: 17 of one processor",
    "study_cluster_vs_one": "at best 2",
}


def main() -> None:
    """Run all parts and print them."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer repeats, same work")
    parser.add_argument("--json", action="store_true", help="one JSON document")
    arguments = parser.parse_args()
    found: dict[str, float | None] = dict.fromkeys(KEYS)
    for part in PARTS:
        print(f"measuring {part.__module__.rpartition('.')[2]} ...", file=sys.stderr)
        found.update(part(arguments.quick))
    if arguments.json:
        print(json.dumps(found, indent=1))
        return
    for name, value in found.items():
        shown = "-" if value is None else f"{value:,.3f}"
        print(f"{name:26}{shown:>14}   {GOALS.get(name, '')}")


if __name__ == "__main__":
    main()
