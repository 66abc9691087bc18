"""One cell of a study: a scenario, and what is varied in it. SI; fractions, not percent."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

SHOWN = (
    ("probe_u95_k", "probes ± {:g} K"),
    ("noise_k", "noise {:g} K"),
    ("lag_s", "lag {:g} s"),
    ("humidity_u95", "humidity matched to ± {:.2%}"),
    ("airflow_u95", "airflow ± {:.1%}"),
    ("traverse", "{}"),
    ("window_s", "window {:g} s"),
    ("window_max_s", "window_max {:g} s"),
    ("hold_s", "hold {:g} s"),
    ("remaining", "remaining {:.1%}"),
    ("time_constant_s", "time_constant {:g} s"),
    ("spread", "spread {:.2%}"),
)
"""What may be varied, and how it is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """None: as the scenario has it. ``traverse``: a method and its points, such as ``equal-area 3x3``.
    ``humidity_u95``: of probes matched in humidity, against each other."""

    scenario: str
    probe_u95_k: float | None = None
    noise_k: float | None = None
    lag_s: float | None = None
    humidity_u95: float | None = None
    airflow_u95: float | None = None
    traverse: str | None = None
    window_s: float | None = None
    window_max_s: float | None = None
    hold_s: float | None = None
    remaining: float | None = None
    time_constant_s: float | None = None
    spread: float | None = None


def cells(scenarios: Sequence[str], grid: Mapping[str, Sequence[object]]) -> Iterator[Setting]:
    """Every scenario with every combination; ``grid`` names fields of ``Setting``."""
    varied = {name: values for name, values in grid.items() if values}
    for scenario in scenarios:
        for values in product(*varied.values()):
            yield Setting(scenario=scenario, **dict(zip(varied, values, strict=True)))  # type: ignore[arg-type]


def cell_name(row: Mapping[str, Any], keys: Sequence[str] | None = None) -> str:
    """Scenario and what was varied, of a study's row; of ``keys`` alone, where they are given."""
    shown = [(key, text) for key, text in SHOWN if keys is None or key in keys]
    return ", ".join(
        [str(row["name"]), *(text.format(row[key]) for key, text in shown if row[key] is not None)]
    )
