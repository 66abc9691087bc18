"""A probe's gain, from a second match in warm air.

The first match gives each probe's offset at one temperature, the second at another; what it has
changed by is the gain, against the mean of all probes: what all share no comparison shows.
Source: two-point calibration; derivation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt

from logger.core.match_verdict import ProbeOffset
from logger.core.params import GAIN_U95, ProbeParams

COMMON_GAIN_U95 = 0.0035  # of GAIN_U95: what probes of one make share by sensor and calibration (assumed)
OWN_GAIN_U95 = sqrt(GAIN_U95**2 - COMMON_GAIN_U95**2)  # what a probe has of its own (assumed, as both)
LEAST_SPAN_K = 10.0  # K between two matches that give a gain (assumed: below it offsets drown it)


def no_gain_reason(cold: Sequence[ProbeParams]) -> str:
    """Why a match in warm air cannot give gains yet; empty where it can."""
    bare = [p.name for p in cold if p.matched_at_c is None]
    if bare:
        return (
            f"No match in room air is stored for {', '.join(bare)}: match all probes there first, "
            "then in the supply air."
        )
    return ""


def gains(
    warm: Sequence[ProbeOffset], cold: Mapping[str, ProbeParams], warm_c: float
) -> dict[str, tuple[float, float]]:
    """Gain and its u95 of each probe; empty where the second match was not warm enough.

    ``warm_c``: mean of the raw readings there. The gain of the mean of all stays unknown, and is in
    u95: ``COMMON_GAIN_U95`` whole, and ``OWN_GAIN_U95`` / sqrt(n). The first match's offsets count
    from their mean over the probes of the second one.
    """
    mean = sum(cold[w.probe].offset for w in warm) / len(warm)
    shared2 = COMMON_GAIN_U95**2 + OWN_GAIN_U95**2 / len(warm)
    found = {}
    for w in warm:
        before = cold[w.probe]
        if before.matched_at_c is None:
            return {}
        span_k = warm_c - mean - before.matched_at_c
        if span_k < LEAST_SPAN_K:
            return {}
        gain = (w.offset - (before.offset - mean)) / span_k
        u95 = sqrt((w.u95**2 + before.u95**2) / span_k**2 + shared2)
        found[w.probe] = (gain, u95)
    return found
