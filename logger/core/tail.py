"""What a slow tail had left at the start of a stretch, from the slope of the line through all of it. Pure."""

from __future__ import annotations

from math import exp

from logger.core.stretch import SLOW_TAU_S

SLOWEST_TAU_S = 2.0 * SLOW_TAU_S  # s; assumed: a cabinet that lets go in a room that warms up with it
_SERIES_BELOW = 0.1  # there the closed form loses digits; the series is good to 1e-7


def slope_share(x: float) -> float:
    """Slope of the least-squares line through r0 exp(-t / tau) over a stretch of x tau, over r0 / tau.

    h(x) = 12 / x^3 (x (1 + e^-x) / 2 - (1 - e^-x)), from the normal equations of a line through a
    continuous record; its series is 1 - x/2 + 3 x^2/20 - x^3/30 + x^4/168.

    >>> [round(slope_share(x), 4) for x in (0.0, 1.0, 2.0)]
    [1.0, 0.6218, 0.406]
    """
    if x < _SERIES_BELOW:
        return 1.0 - x / 2.0 + 3.0 * x**2 / 20.0 - x**3 / 30.0 + x**4 / 168.0
    fall = exp(-x)
    return 12.0 / x**3 * (x * (1.0 + fall) / 2.0 - (1.0 - fall))


def start_bound(slope_1_s: float, seconds: float, tau_s: float, asked: float) -> float:
    """Bound of what was still to come at a stretch's start, a fraction of the output.

    ``slope_1_s``: bound of the slope over the stretch, 1/s, fraction of the output; ``tau_s``: upper bound of
    the warm-up's time constant; ``asked``: what the windows allowed. What fades within a quarter of the
    stretch was judged by them and is hardly in the slope; what fades more slowly is told by the slope, and
    more of it the slower it fades.
    """
    slowest_s = max(tau_s, SLOWEST_TAU_S)
    return max(asked, slope_1_s * slowest_s / slope_share(seconds / slowest_s))
