"""Keys of a probe table with ``driver = "ess"``."""

from __future__ import annotations

from pydantic import field_validator

from drivers.probe import IntervalText, ProbeOptions
from logger.driver_api import Quantity

Which = int | str
"""One of several values of a kind: its number, or what the probe calls it."""


class EssOptions(ProbeOptions):
    """Which device it is, how it is read, and which of several values of one kind is meant."""

    read_every: IntervalText | None = None
    """How often what cannot notify is read; left out: the probe's own update interval, or 1 s."""

    temperature: Which | None = None
    humidity: Which | None = None
    pressure: Which | None = None
    velocity: Which | None = None

    @field_validator("temperature", "humidity", "pressure", "velocity", mode="before")
    @classmethod
    def _one_of_several(cls, asked: object) -> object:
        number = isinstance(asked, int) and not isinstance(asked, bool) and asked >= 1
        if asked is None or number or (isinstance(asked, str) and asked.strip()):
            return asked
        raise ValueError(
            "which of several values is meant is a number from 1, or the probe's own name for it in quotes: "
            'write 2, or "supply"'
        )

    def chosen(self, quantity: Quantity) -> int | str | None:
        """The same, so that two tables can be compared."""
        asked = self.which(quantity)
        return asked.strip().casefold() if isinstance(asked, str) else asked

    def which(self, quantity: Quantity) -> int | str | None:
        """The value of that quantity that was asked for."""
        asked: dict[Quantity, int | str | None] = {
            Quantity.TEMPERATURE: self.temperature,
            Quantity.HUMIDITY: self.humidity,
            Quantity.PRESSURE: self.pressure,
            Quantity.VELOCITY: self.velocity,
        }
        return asked.get(quantity)
