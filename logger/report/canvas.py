"""What the pictures have in common: size, style, colours, values in the reader's unit.

Nothing is told by colour alone: lines differ by dash and carry their names, areas by hatching.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.config.quantities import Dimension, from_si
from logger.screen.format import scale_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK, MUTED, SUPPLY, RETURN, BAND = "#1a1a1a", "#595959", "#a3241d", "#1b4f8a", "#d9d9d9"
PLATE, PLATE_DASH = "#6b3fa0", (0, (4, 2))
WIDTH_IN = 7.3  # inches: the width of the text on A4 and Letter
BOX = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 1.2}  # keeps a number legible on a hatch
_STYLE: dict[Any, Any] = {  # the library types its keys as literals
    "svg.fonttype": "none",  # text stays text: it can be read, searched and copied
    "svg.hashsalt": "riselog",  # the same run gives the same bytes
    "font.family": ["DejaVu Sans", "sans-serif"],
    "font.size": 7.5,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "axes.linewidth": 0.6,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "hatch.linewidth": 0.4,
    "lines.linewidth": 1.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.useoffset": False,
    "axes.unicode_minus": False,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """What the output is held against, W and fractions."""

    output_w: float | None
    tolerance: float | None


@contextmanager
def canvas(height_in: float) -> Iterator[Figure]:
    """A figure in our own style, whatever the user's settings of the library are."""
    import logging  # noqa: PLC0415 - as below

    logging.getLogger("matplotlib").setLevel(logging.ERROR)  # how its caches fare is no news to the user
    import matplotlib as mpl  # noqa: PLC0415 - costs start-up time
    from matplotlib.figure import Figure  # noqa: PLC0415

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield Figure(figsize=(WIDTH_IN, height_in), layout="constrained")


def unit_of(dimension: Dimension, units: str) -> str:
    """The unit in which a dimension is shown."""
    return scale_of(dimension, units).unit


def in_unit(value: float, dimension: Dimension, units: str) -> float:
    """An SI value in that unit."""
    return from_si(value, unit_of(dimension, units), dimension)


def thousands(value: float, _: float | None = None) -> str:
    """A number at an axis; the second argument is its place there."""
    return f"{value:,.10g}"
