"""The air in the plane: as given, else as probes say it on the way, else assumed and said so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logger.core.readings import USABLE_FLAGS, Quantity, Reading
from logger.take.notebook import Air

ASSUMED_C = 20.0  # degC, where nothing says it; assumed
STANDARD_PA = 101_325.0  # Pa, standard atmosphere (ISO 2533)
PERCENT = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What the command line or the config says; None where it does not. ``humidity`` is a fraction."""

    temperature_c: float | None = None
    humidity: float | None = None
    pressure_pa: float | None = None
    fallback_c: float | None = None  # of the file that is gone on with
    fallback_humidity: float = 0.5  # assumed
    fallback_pa: float = STANDARD_PA
    pressure_known: bool = False  # the fallback is the site's own
    air_known: bool = False  # the fallbacks are what a file has


class AirWatch:
    """Mean state of the air. Of each quantity the first probe in ``sources`` that says it counts."""

    def __init__(self, given: Given, sources: Mapping[Quantity, Sequence[str]]) -> None:
        self._given = given
        self._sources = sources
        self._sums: dict[tuple[str, Quantity], tuple[float, int]] = {}

    def update(self, reading: Reading) -> None:
        """One reading; flagged ones do not count."""
        if reading.flag in USABLE_FLAGS and reading.probe in self._sources.get(reading.quantity, ()):
            total, count = self._sums.get((reading.probe, reading.quantity), (0.0, 0))
            self._sums[reading.probe, reading.quantity] = (total + reading.value, count + 1)

    def get(self) -> Air:
        """The air as it is known now."""
        given = self._given
        temperature_c = _first(given.temperature_c, self._mean(Quantity.TEMPERATURE), given.fallback_c)
        percent = self._mean(Quantity.HUMIDITY)
        humidity = _first(given.humidity, None if percent is None else percent / PERCENT)
        pressure_pa = _first(given.pressure_pa, self._mean(Quantity.PRESSURE))
        assumed = [
            name
            for name, known in (
                ("temperature", temperature_c is not None),
                ("humidity", humidity is not None),
                ("pressure", pressure_pa is not None or given.pressure_known),
            )
            if not (known or given.air_known)
        ]
        return Air(
            temperature_c=ASSUMED_C if temperature_c is None else temperature_c,
            humidity=given.fallback_humidity if humidity is None else humidity,
            pressure_pa=given.fallback_pa if pressure_pa is None else pressure_pa,
            assumed=tuple(assumed),
        )

    def _mean(self, quantity: Quantity) -> float | None:
        for probe in self._sources.get(quantity, ()):
            if (found := self._sums.get((probe, quantity))) is not None:
                return found[0] / found[1]
        return None


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)
