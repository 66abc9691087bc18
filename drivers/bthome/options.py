"""Keys of a probe table with ``driver = "bthome"``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import Field

from drivers.bthome.table import FIELDS
from drivers.probe import ProbeOptions
from logger.driver_api import Quantity

Number = Annotated[int, Field(strict=True, ge=1, le=255, examples=[2])]
"""Which of several objects of one kind in a packet, counted from 1."""


class BthomeOptions(ProbeOptions):
    """Which device it is, and which of its values."""

    temperature: Number | None = None
    humidity: Number | None = None
    pressure: Number | None = None
    velocity: Number | None = None
    gas_volume: Number | None = None
    power: Number | None = None
    battery: Number | None = None

    @property
    def numbers(self) -> Mapping[Quantity, int]:
        """The number of the object asked for, where one is."""
        kinds = {field.quantity for field in FIELDS.values()}
        asked = {kind: getattr(self, kind.replace("-", "_")) for kind in kinds}
        return {kind: number for kind, number in asked.items() if number is not None}
