"""What the values of a traverse say of its plane: low, reverse and slow points, and their spread.

Thresholds without a source are assumed; none of them changes a number.
"""

from __future__ import annotations

from math import sqrt

import numpy as np
import numpy.typing as npt

from logger.core.airflow import FlowCheck
from logger.core.texts import counted, velocity_text
from logger.core.traverse import Traverse

PRESSURE_SHARE = 0.10  # of the largest velocity pressure, ASHRAE Fundamentals, ASHRAE 111; recalled
POINTS_SHARE = 0.75  # of the points that must show more than that; same source
STILL_M_S = 0.05  # m/s: no flow (assumed)
UNEVEN = 0.35  # standard deviation over mean beyond which the plane is poor (assumed)
FLOOR_M_S = 0.5  # m/s: a thermal probe's floor is 0.1 to 0.3, a velocity pressure is 0.15 Pa here (assumed)

Values = npt.NDArray[np.float64]


def check_low(velocity: Values) -> FlowCheck:
    """Whether most points show a velocity pressure that can be read against the largest."""
    least = sqrt(PRESSURE_SHARE) * float(np.max(velocity))
    share = float(np.mean(velocity > least))
    ok = share >= POINTS_SHARE
    text = f"{share:.0%} of the points show more than a tenth of the largest velocity pressure"
    rest = f"; {POINTS_SHARE:.0%} are asked for: "
    step = "." if ok else f"{rest}choose a plane farther from bends and dampers."
    return FlowCheck(code="velocity-pressures", ok=ok, text=text + step)


def check_reverse(traverse: Traverse, velocity: Values) -> FlowCheck:
    """Whether air runs back or stands anywhere."""
    back, still = int(np.sum(velocity < -STILL_M_S)), int(np.sum(np.abs(velocity) <= STILL_M_S))
    if back or still:
        text = (
            f"Air that runs back at {counted(back, 'point')}, no flow at {counted(still, 'point')} (taken "
            "into the mean as they are): check them; if they are right, choose another plane."
        )
        return FlowCheck(code="reverse-flow", ok=False, text=text)
    text = "No point shows reverse or no flow"
    if any(point.velocity_pressure_pa is None for point in traverse.points):
        text += "; a thermal (hot-wire) probe cannot show reverse flow: it reads its amount"
    return FlowCheck(code="reverse-flow", ok=True, text=f"{text}.")


def check_slow(velocity: Values) -> FlowCheck:
    """Whether points are as slow as a probe's own floor."""
    slow = int(np.sum(np.abs(velocity) < FLOOR_M_S))
    floor = velocity_text(FLOOR_M_S)
    if slow:
        text = (
            f"Below {floor} at {counted(slow, 'point')}: near the floor of a thermal probe and below what a "
            "velocity pressure shows well, so that probe's u95 may not hold; choose a narrower plane, or "
            "raise velocity_u95_percent (--velocity-u95)."
        )
        return FlowCheck(code="low-velocity", ok=False, text=text)
    return FlowCheck(code="low-velocity", ok=True, text=f"No point reads below {floor}.")


def check_spread(velocity: Values) -> FlowCheck:
    """Whether the velocity is even enough for a plane."""
    spread = float(np.std(velocity)) / float(np.mean(velocity))
    ok = spread <= UNEVEN
    tail = (
        "." if ok else f", more than {UNEVEN:.0%}: the plane is poor; choose one farther from disturbances."
    )
    return FlowCheck(code="spread", ok=ok, text=f"The velocities spread by {spread:.0%} of their mean{tail}")
