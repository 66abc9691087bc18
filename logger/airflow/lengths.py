"""Lengths as they are marked on a probe or walked off beside a duct."""

from __future__ import annotations

from math import gcd

from logger.config.quantities import Units

IN_M = 0.0254  # m, exact
FT_M = 0.3048  # m, exact
SIXTEENTHS = 16


def mark(length_m: float, units: Units) -> str:
    """A length to the nearest 1/16 in, or mm, without its unit.

    >>> mark(0.0841, "us"), mark(0.0841, "si"), mark(0.3048, "us"), mark(0.0127, "us")
    ('3 5/16', '84', '12', '1/2')
    """
    if units == "si":
        return f"{length_m * 1000.0:.0f}"
    whole, part = divmod(round(length_m / IN_M * SIXTEENTHS), SIXTEENTHS)
    common = gcd(part, SIXTEENTHS)
    fraction = f"{part // common}/{SIXTEENTHS // common}" if part else ""
    return f"{whole} {fraction}".strip() if whole or not part else fraction


def unit(units: Units) -> str:
    """The unit of ``mark``."""
    return "mm" if units == "si" else "in"


def distance(length_m: float, units: Units) -> str:
    """A length to judge by eye, with its unit.

    >>> distance(3.137, "us"), distance(3.137, "si")
    ('10.3 ft', '3.1 m')
    """
    return f"{length_m:.1f} m" if units == "si" else f"{length_m / FT_M:.1f} ft"
