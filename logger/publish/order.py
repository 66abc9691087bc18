"""What is published, from where, and how fast."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from logger.core.readings import Quantity
from logger.publish.live import Source
from logger.publish.pace import Pace
from logger.publish.settings import Broker

Probes = Mapping[str, tuple[str, Sequence[Quantity]]]
"""Role and quantities of each probe, by its name."""


class Calendar(Protocol):
    """As ``BelievedClock``: a wall time by which readings may be passed over."""

    @property
    def doubt(self) -> str:
        """Why a person should look at the clock; empty where nobody need."""
        ...

    def look(self, utc_us: int, elapsed_ns: int) -> int | None:
        """``None`` where it is not believed."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """``calendar``: ``None`` for one that knows what the store knows."""

    broker: Broker
    store: Path
    source: Source
    probes: Probes
    pace: Pace = field(default_factory=Pace)
    calendar: Calendar | None = None
