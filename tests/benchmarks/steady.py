"""One update of the steady detector, all rungs, against one polyfit or rolling variance per rung.

The signal is a firing: warm-up, a flat part, a slow swing that keeps the rungs busy; noise as a
real probe has it. Baselines do less: a polyfit gives the slope alone, a rolling variance the spread
alone, of one column; the detector judges rise and output with slope, spread and hunting.
"""

from __future__ import annotations

import math
import random
from collections import deque

import numpy as np

from logger.core.params import SteadyParams
from logger.core.steady import SteadyDetector
from tests.benchmarks.timing import best_s

SECONDS = 2400


def rises() -> list[float]:
    """Rise of one firing, K, once a second."""
    rng = random.Random(1)
    swing = [0.6 * math.sin(2 * math.pi * t / 400) if t > 1600 else 0.0 for t in range(SECONDS)]
    return [27.0 * (1 - math.exp(-t / 120.0)) + swing[t] + rng.gauss(0.0, 0.15) for t in range(SECONDS)]


def measure(quick: bool) -> dict[str, float | None]:  # noqa: FBT001
    """Ratios of the baselines' time to ours."""
    values = rises()
    rungs = SteadyDetector(SteadyParams()).rungs
    repeats = 3 if quick else 9

    def ours() -> None:
        detector = SteadyDetector(SteadyParams())
        for t, rise in enumerate(values):
            detector.update(t, rise, 1200.0 * rise)

    def polyfit() -> None:
        x = np.arange(float(rungs[-1]))
        window: deque[float] = deque(maxlen=rungs[-1])
        for rise in values[: SECONDS // 8]:
            window.append(rise)
            y = np.fromiter(window, float)
            for rung in rungs:
                part = y[-rung:]
                if len(part) > 1:
                    np.polyfit(x[: len(part)], part, 1)

    mine_s = best_s(ours, repeats)
    found: dict[str, float | None] = {
        "steady_vs_polyfit": 8 * best_s(polyfit, repeats) / mine_s,
        "steady_update_us": mine_s / SECONDS * 1e6,
        "steady_vs_river": None,
    }
    found["steady_vs_river"] = _river_ratio(values, rungs, repeats, mine_s)
    return found


def _river_ratio(values: list[float], rungs: tuple[int, ...], repeats: int, mine_s: float) -> float | None:
    try:
        from river import stats, utils
    except ImportError:
        return None

    def river() -> None:
        rolling = [utils.Rolling(stats.Var, window_size=rung) for rung in rungs]
        for rise in values:
            for variance in rolling:
                variance.update(rise)

    return best_s(river, repeats) / mine_s
