"""The air in the plane: as given, else as probes say it at the points, else assumed and said so."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logger.core.params import ProbeParams
from logger.core.readings import NS_PER_S, USABLE_FLAGS, Quantity, Reading
from logger.core.traverse import Assumed
from logger.take.hold import TAILS_S
from logger.take.notebook import Air

ASSUMED_C = 20.0  # degC, where nothing says it; assumed
STANDARD_PA = 101_325.0  # Pa, standard atmosphere (ISO 2533)
PERCENT = 100.0

QUANTITY: dict[Assumed, Quantity] = {
    Assumed.TEMPERATURE: Quantity.TEMPERATURE,
    Assumed.HUMIDITY: Quantity.HUMIDITY,
    Assumed.PRESSURE: Quantity.PRESSURE,
}
"""What a probe must measure to say a part of the air's state."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What is known without a probe; values in degC, % and Pa by the part of the state they say.

    ``said``: by an option, it wins over any probe. ``before``: what an earlier file knows, as the mean
    over ``points`` of it (0: it only stands in where no probe speaks).
    """

    said: Mapping[Assumed, float]
    before: Mapping[Assumed, float]
    points: int = 0

    def knows(self, part: Assumed) -> bool:
        """Whether it says that part of the state."""
        return part in self.said or part in self.before


class AirWatch:
    """State of the air while the probe stood at the points: on the way, and warming, no reading counts.

    Of each quantity the first probe in ``sources`` that says it counts, with its own correction.
    """

    def __init__(
        self,
        given: Given,
        sources: Mapping[Quantity, Sequence[str]],
        params: Mapping[str, ProbeParams] | None = None,
    ) -> None:
        self._given = given
        self._sources = sources
        self._params = params or {}
        self._kept: dict[tuple[str, Quantity], deque[tuple[int, float]]] = {}
        self._at_points: dict[tuple[str, Quantity], list[float]] = {}
        self._now_ns = 0

    def update(self, reading: Reading) -> None:
        """One reading; flagged ones do not count."""
        self._now_ns = max(self._now_ns, reading.t_ns)
        if reading.flag not in USABLE_FLAGS or reading.probe not in self._sources.get(reading.quantity, ()):
            return
        kept = self._kept.setdefault((reading.probe, reading.quantity), deque())
        kept.append((reading.t_ns, self._corrected(reading)))
        while kept[0][0] < self._now_ns - round(TAILS_S[-1] * NS_PER_S):
            kept.popleft()

    def captured(self, span_s: float) -> None:
        """A point was captured: what was read during its last ``span_s`` is of the plane."""
        since_ns = self._now_ns - round(max(span_s, TAILS_S[0]) * NS_PER_S)
        for key, kept in self._kept.items():
            found = [value for t_ns, value in kept if t_ns >= since_ns] or [v for _, v in kept][-1:]
            if found:
                self._at_points.setdefault(key, []).append(math.fsum(found) / len(found))

    def get(self) -> Air:
        """The air as it is known now."""
        found = {part: self._value(part) for part in Assumed}
        temperature_c, percent = found[Assumed.TEMPERATURE], found[Assumed.HUMIDITY]
        pressure_pa = found[Assumed.PRESSURE]
        return Air(
            temperature_c=ASSUMED_C if temperature_c is None else temperature_c,
            humidity=None if percent is None else percent / PERCENT,
            pressure_pa=STANDARD_PA if pressure_pa is None else pressure_pa,
            assumed=tuple(part for part in Assumed if found[part] is None),
        )

    def _value(self, part: Assumed) -> float | None:
        given = self._given
        if part in given.said:
            return given.said[part]
        names = [(name, QUANTITY[part]) for name in self._sources.get(QUANTITY[part], ())]
        read = next((values for name in names if (values := self._at_points.get(name))), [])
        before = given.before.get(part)
        if before is not None and (read or given.points):
            return (before * given.points + math.fsum(read)) / (given.points + len(read))
        if not read:  # before the first point: what is read now
            now = (self._kept[name] for name in names if name in self._kept)
            read = [value for _, value in next(now, ())]
        return math.fsum(read) / len(read) if read else before

    def _corrected(self, reading: Reading) -> float:
        params = self._params.get(reading.probe)
        if params is None:
            return reading.value
        scale, shift = params.correction(reading.quantity)
        value = scale * reading.value - shift
        return min(max(value, 0.0), PERCENT) if reading.quantity is Quantity.HUMIDITY else value
