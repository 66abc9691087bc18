"""What a cooling unit's total is made of beside its sensible heat: how near each part came to the plant's."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np

from simulators.study.binomial import bounds

PER_H = 3600.0  # s in 1 h; exact


class PartFound(NamedTuple):
    """One part of one trial: where the unit would rest at the conditions of the stretch, found, u95."""

    true: float
    found: float
    u95: float

    @property
    def covered(self) -> bool:
        """Whether the truth lies within the stated u95."""
        return abs(self.found - self.true) <= self.u95


class PartsFound(NamedTuple):
    """Latent heat in W, sensible over total, condensate in kg/s."""

    latent: PartFound
    sensible_heat_ratio: PartFound
    condensate: PartFound


class Part(NamedTuple):
    """One part as a row has it: its keys begin with ``key``, its bias and u95 end with ``unit``."""

    key: str
    unit: str
    title: str
    scale: Callable[[float], float]  # from the trial's true output, W, to what a value is multiplied by
    shown: tuple[str, str]  # bias and u95, as text
    shown_scale: float = 1.0

    @property
    def bias(self) -> str:
        """Key of the mean error."""
        return f"{self.key}_bias{self.unit}"

    @property
    def u95(self) -> str:
        """Key of the median u95."""
        return f"{self.key}_u95{self.unit}"


PARTS = (
    Part(
        "latent",
        "_percent",
        "Latent heat of a unit that cools (bias and u95: in percent of its total)",
        lambda truth_w: 100.0 / truth_w,
        ("{:+.2f} %", "{:.1f} %"),
    ),
    Part(
        "sensible_heat_ratio",
        "",
        "Its sensible heat ratio, sensible over total",
        lambda _: 1.0,
        ("{:+.4f}", "{:.3f}"),
    ),
    Part(
        "condensate",
        "_kg_s",
        "Its condensate, kg/h",
        lambda _: 1.0,
        ("{:+.2f}", "{:.1f}"),
        PER_H,
    ),
)
"""In the order of ``PartsFound``."""


def part_row(found: Sequence[tuple[float, PartsFound]]) -> dict[str, Any]:
    """Of each part the mean error, the median u95 and how often that held; all null of any other unit.

    ``found``: each trial's true output, W, and its parts.
    """
    row: dict[str, Any] = {}
    for place, part in enumerate(PARTS):
        keys = (f"{part.key}_coverage{end}" for end in ("", "_low", "_high"))
        one = [(part.scale(truth_w), parts[place]) for truth_w, parts in found]
        if not one:
            row |= dict.fromkeys((part.bias, part.u95, *keys))
            continue
        covered = sum(value.covered for _, value in one)
        row[part.bias] = float(np.mean([scale * (value.found - value.true) for scale, value in one]))
        row[part.u95] = float(np.median([scale * value.u95 for scale, value in one]))
        row |= dict(zip(keys, (covered / len(one), *bounds(covered, len(one))), strict=True))
    return row
