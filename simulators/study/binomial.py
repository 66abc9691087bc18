"""How well a rate is known that was counted in trials.

Source: Clopper and Pearson, Biometrika 26 (1934) 404: exact limits of a binomial proportion.
"""

from __future__ import annotations

from math import lgamma, log, log1p

import numpy as np

_STEPS = 50  # halvings: to 1e-15, and the rate stays below 1


def bounds(hits: int, trials: int, confidence: float = 0.99) -> tuple[float, float]:
    """Exact two-sided confidence limits of the rate ``hits / trials``.

    >>> bounds(0, 0)
    (0.0, 1.0)
    >>> low, high = bounds(0, 10, 0.95)
    >>> low, round(high, 4)
    (0.0, 0.3085)
    """
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if hits == 0 else _rate(hits, trials, tail)
    high = 1.0 if hits == trials else 1.0 - _rate(trials - hits, trials, tail)
    return low, high


def _rate(hits: int, trials: int, tail: float) -> float:
    """Rate at which ``hits`` or more of ``trials`` have the probability ``tail``."""
    k = np.arange(hits, trials + 1)
    whole = lgamma(trials + 1.0)
    ways = np.array([whole - lgamma(n + 1.0) - lgamma(trials - n + 1.0) for n in k.tolist()])
    low, high = 0.0, 1.0
    for _ in range(_STEPS):
        rate = (low + high) / 2.0
        terms = ways + k * log(rate) + (trials - k) * log1p(-rate)
        at_least = float(np.exp(terms).sum())
        low, high = (rate, high) if at_least < tail else (low, rate)
    return (low + high) / 2.0
