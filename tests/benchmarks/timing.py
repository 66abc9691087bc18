"""The best of some repeats: what the work costs when nothing else is in the way."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable


def best_s(work: Callable[[], object], repeats: int) -> float:
    """Least wall time of ``repeats`` runs, s."""
    best = float("inf")
    for _ in range(repeats):
        gc.collect()
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return best
