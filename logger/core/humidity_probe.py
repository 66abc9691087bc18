"""What a probe's relative humidity is worth: the same over the scale, less next to saturation.

Tolerance charts of digital humidity sensors lie flat to 80 or 90 % and widen to saturation, to half as much
again or twice as much (common practice, no source). So a second error, independent of the first, grows in a
straight line from nothing at ``NEAR_FROM`` to ``NEAR_U`` at saturation: 3 % RH at 95 % become 5 %. A match
takes out none of it, as no key says at what humidity it was made, and that is room air as a rule.
"""

from __future__ import annotations

from math import hypot
from typing import NamedTuple

from logger.core.params import JobParams, ProbeParams, Role

PROBE_U = 0.015  # fraction: 3 % RH at 95 %, usual for such probes (assumed)
NEAR_FROM = 0.90  # fraction: from there to saturation such probes get worse (common practice, no source)
NEAR_U = 0.02  # fraction, at saturation and on top: 4 % RH at 95 %, for 5 % in all (assumed)


def near_u(humidity: float) -> float:
    """Standard uncertainty, a fraction, that ``humidity`` (a fraction) has on top near saturation.

    >>> [round(near_u(rh), 3) for rh in (0.5, 0.9, 0.95, 1.0, 1.04)]
    [0.0, 0.0, 0.01, 0.02, 0.02]
    """
    return NEAR_U * min(max(humidity - NEAR_FROM, 0.0) / (1.0 - NEAR_FROM), 1.0)


def probe_u(humidity: float) -> float:
    """Standard uncertainty, a fraction, of an unmatched probe that says ``humidity`` (a fraction).

    >>> [round(probe_u(rh), 4) for rh in (0.5, 0.95, 1.0)]
    [0.015, 0.018, 0.025]
    """
    return hypot(PROBE_U, near_u(humidity))


def matched_u(one: ProbeParams, other: ProbeParams) -> tuple[float, float] | None:
    """Standard uncertainty of each against the other, where they were matched, fractions; None where one
    was not: then nothing is known of the other either."""
    if one.humidity_u95 is None or other.humidity_u95 is None:
        return None
    return one.humidity_u95 / 200.0, other.humidity_u95 / 200.0


class HumidityInput(NamedTuple):
    """An independent error of humidity: its standard uncertainty, a fraction, and whose it is (1 or 0)."""

    source: str
    u: float
    entering: float
    supply: float
    assumed: bool


def humidity_inputs(job: JobParams, entering: float, supply: float) -> list[HumidityInput]:
    """What the humidities of both sides of a coil, fractions, may be off by.

    A match takes out what two probes differ by at one humidity; what they share, what differs
    elsewhere on the scale, and what both have near saturation stays.
    """
    near = [
        HumidityInput("entering humidity near saturation", near_u(entering), 1.0, 0.0, assumed=True),
        HumidityInput("supply humidity near saturation", near_u(supply), 0.0, 1.0, assumed=True),
    ]
    near = [part for part in near if part.u]
    own = matched_u(job.entering_probes()[0], job.probes_of(Role.SUPPLY)[0])
    if own is None:
        return [
            HumidityInput("entering humidity", PROBE_U, 1.0, 0.0, assumed=True),
            HumidityInput("supply humidity", PROBE_U, 0.0, 1.0, assumed=True),
            *near,
        ]
    elsewhere = PROBE_U * abs(supply - entering)
    return [
        HumidityInput("entering humidity", own[0], 1.0, 0.0, assumed=False),
        HumidityInput("supply humidity", hypot(own[1], elsewhere), 0.0, 1.0, assumed=True),
        HumidityInput("humidity in common", PROBE_U, 1.0, 1.0, assumed=True),
        *near,
    ]
