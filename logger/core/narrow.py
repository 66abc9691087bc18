"""A verdict that was hardly reached: by how much, and what a second measurement has to renew."""

from __future__ import annotations

from math import ceil

from logger.core.airflow_watch import is_airflow
from logger.core.firing import SteadyStretch
from logger.core.verdict import margin_w

NARROW = 0.99  # probability below which a verdict is said to be narrow: five times the risk of one (assumed)
RENEWED = 0.6  # of the variance that a second measurement is to have anew (assumed)
AIRFLOW_ANEW = "with the airflow measured anew"
_EXCHANGED = "with the probes of return and supply exchanged"
RENEWS: tuple[tuple[tuple[str, ...], str], ...] = (
    (("humidity", "near saturation", "temperature", "probe gain", "humidity in common"), _EXCHANGED),
    (("placement",), "with the probes moved"),
    (("fan heat", "residual heat"), "after a longer fan phase"),
)
"""How a budget's line ends, and what draws its error anew."""


def narrowly(probability: float, stretch: SteadyStretch, plate_w: float, nearer: str) -> str:
    """A verdict that was hardly reached: most of the units that look so by chance alone look so narrowly."""
    if probability >= NARROW:
        return ""
    share = margin_w(probability, stretch.combined.u_w, stretch.combined.nu_eff) / plate_w
    much = ceil(1000.0 * share) / 1000.0  # rounded up: what is said is enough
    return (
        f" That is decided narrowly, with {much:.1%} of the plate {nearer} it would be undecided: measure a "
        f"second time{_renewed(stretch)}, before acting on it."
    )


def _renewed(stretch: SteadyStretch) -> str:
    """What of the measurement to renew: a repeat that keeps its largest errors repeats its mistake."""
    steps: list[str] = []
    shares = sorted(zip(stretch.combined.shares, stretch.lines, strict=True), key=lambda part: -part[0])
    covered = 0.0
    for share, line in shares:
        if covered >= RENEWED:
            break
        covered += share
        step = next((step for ends, step in RENEWS if line.source.endswith(ends)), "")
        step = AIRFLOW_ANEW if is_airflow(line.source) else step
        if step and step not in steps:
            steps.append(step)
    return f", {' and '.join(steps)}" if steps else ""
