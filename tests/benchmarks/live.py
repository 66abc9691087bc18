"""What a live run costs: memory of the core over days, in one process."""

from __future__ import annotations

import resource
import sys
import tracemalloc

from logger.config.load import loads_config
from logger.core.pipeline import Pipeline
from logger.core.readings import NS_PER_S, Flag, Quantity, Reading
from tests.benchmarks.day import CONFIG


def measure(quick: bool) -> dict[str, float | None]:  # noqa: FBT001
    """Peak memory of this process, and how much the core grows in a day of readings."""
    job = loads_config(CONFIG, "bench.toml", None).job
    core, hours = Pipeline(job), 3 if quick else 12
    tracemalloc.start()
    sizes = []
    seq = 0
    for t in range(hours * 3_600):
        burning = t % 3_600 > 1_000
        for probe, value in (("ret", 20.0 + 0.01 * (t % 7)), ("sup", 20.4 + 27.0 * burning + 0.01 * (t % 5))):
            t_ns = t * NS_PER_S + seq % 2 * 1_000
            core.update(Reading(seq, t_ns, probe, Quantity.TEMPERATURE, value, Flag.OK, 0, t_ns))
            seq += 1
        if t % 60 == 0:
            core.take_trace()
        if t % 3_600 == 3_599:
            core.take_firings()
            sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    slope_mb = (sizes[-1] - sizes[0]) / 1e6 / max(len(sizes) - 1, 1) * 24
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return {
        "memory_mb": peak / (1e6 if sys.platform == "darwin" else 1e3),
        "memory_slope_mb_per_day": slope_mb,
    }
