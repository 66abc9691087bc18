"""What altitude takes from a plate, as the operator says that it was done to the unit."""

from __future__ import annotations

from logger.config.schema import DerateTable

FT_PER_M = 1.0 / 0.3048  # exact, NIST SP 811
DERATE_ABOVE_M = 2000.0 * 0.3048  # m: 2000 ft, ANSI Z223.1/NFPA 54 wording (recalled)


def derate_factor(derate: DerateTable, altitude_m: float | None) -> float:
    """What the plate's input is multiplied by; 1 where nothing was done or the site is low.

    Source: ANSI Z223.1/NFPA 54 wording, counted from sea level once above ``above``; makers'
    manuals also count from there (both in circulation). In proportion to the height between.
    """
    if not derate.done:
        return 1.0
    if derate.factor is not None:
        return derate.factor
    above = DERATE_ABOVE_M if derate.above is None else derate.above
    if derate.per_1000ft is None or altitude_m is None or altitude_m <= above:
        return 1.0
    base = above if derate.counted_from == "threshold" else 0.0
    return 1.0 - derate.per_1000ft * (altitude_m - base) * FT_PER_M / 1000.0
