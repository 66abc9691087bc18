"""The air in the plane: as given, else as probes say it at the points, else assumed and said so."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from logger.core.air import standard_pressure_pa
from logger.core.airflow import INDOOR_C
from logger.core.params import ProbeParams
from logger.core.readings import NS_PER_S, USABLE_FLAGS, Quantity, Reading
from logger.core.traverse import Assumed, PressureFrom
from logger.take.hold import TAILS_S
from logger.take.notebook import Air

PERCENT = 100.0
MAX_AGE_S = 5.0  # s, of a probe without parameters; that of the config
SLOW_AGE_S = 300.0  # s: humidity and pressure change slowly; beyond it their probe is gone (assumed)

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
    over ``points`` of it (0: it only stands in where no probe speaks). ``pressure_from``: how the
    pressure that stands in either was had. ``inlet_c``: of the air at the fan's inlet, in that file.
    """

    said: Mapping[Assumed, float]
    before: Mapping[Assumed, float]
    points: int = 0
    pressure_from: PressureFrom | None = None
    inlet_c: float | None = None

    def value(self, part: Assumed) -> float | None:
        """What it says of that part of the state."""
        return self.said.get(part, self.before.get(part))


class AirWatch:
    """State of the air while the probe stood at the points: on the way, and warming, no reading counts.

    Of each quantity, at each point, the first probe in ``sources`` counts that says it, with its own
    correction. What a probe said last counts for its ``max_age``, humidity and pressure for some minutes.
    ``inlet``: probes that say how the air at the fan's inlet is.
    """

    def __init__(
        self,
        given: Given,
        sources: Mapping[Quantity, Sequence[str]],
        params: Mapping[str, ProbeParams] | None = None,
        inlet: Sequence[str] = (),
    ) -> None:
        self._given = given
        self._sources = sources
        self._params = params or {}
        self._inlet = inlet
        self._inlet_c: list[float] = []  # at the points
        self._kept: dict[tuple[str, Quantity], deque[tuple[int, float]]] = {}
        self._at_points: dict[Quantity, list[float]] = {}
        self._points = 0
        self._now_ns = 0

    def update(self, reading: Reading) -> None:
        """One reading; flagged ones do not count."""
        self._now_ns = max(self._now_ns, reading.t_ns)
        if reading.flag not in USABLE_FLAGS or reading.probe not in self._probes(reading.quantity):
            return
        kept = self._kept.setdefault((reading.probe, reading.quantity), deque())
        kept.append((reading.t_ns, self._corrected(reading)))
        while kept[0][0] < self._now_ns - round(TAILS_S[-1] * NS_PER_S):
            kept.popleft()

    def captured(self, span_s: float, now_ns: int) -> None:
        """A point was captured: what was read during its last ``span_s`` is of the plane."""
        self._now_ns = max(self._now_ns, now_ns)
        since_ns = self._now_ns - round(max(span_s, TAILS_S[0]) * NS_PER_S)
        self._points += 1
        for quantity, probes in self._sources.items():
            if (value := self._fresh(probes, quantity, since_ns)) is not None:
                self._at_points.setdefault(quantity, []).append(value)
        if (inlet_c := self._fresh(self._inlet, Quantity.TEMPERATURE, since_ns)) is not None:
            self._inlet_c.append(inlet_c)

    def get(self) -> Air:
        """The air as it is known now."""
        found = {part: self._value(part) for part in Assumed}
        temperature_c, percent = found[Assumed.TEMPERATURE], found[Assumed.HUMIDITY]
        pressure_pa = found[Assumed.PRESSURE]
        return Air(
            temperature_c=INDOOR_C if temperature_c is None else temperature_c,
            humidity=None if percent is None else percent / PERCENT,
            pressure_pa=standard_pressure_pa(0.0) if pressure_pa is None else pressure_pa,
            pressure_from=self._pressure_from(pressure_pa),
            inlet_c=self._mean(self._given.inlet_c, self._inlet_c),
            assumed=tuple(part for part in Assumed if found[part] is None),
        )

    def _value(self, part: Assumed) -> float | None:
        given = self._given
        if part in given.said:
            return given.said[part]
        quantity, before = QUANTITY[part], given.before.get(part)
        found = self._mean(before, self._at_points.get(quantity, []))
        if self._points or (before is not None and given.points):
            return found
        now = self._fresh(self._sources.get(quantity, ()), quantity, 0)  # before the first point
        return before if now is None else now

    def _mean(self, before: float | None, read: Sequence[float]) -> float | None:
        """Mean over the points of the earlier file and those of now."""
        points = self._given.points
        if before is None or not points:
            return math.fsum(read) / len(read) if read else before
        return (before * points + math.fsum(read)) / (points + len(read))

    def _pressure_from(self, pressure_pa: float | None) -> PressureFrom | None:
        """How the pressure was had; None where it is assumed, or the earlier file does not say."""
        given, before = self._given, self._given.before.get(Assumed.PRESSURE)
        if pressure_pa is None:
            return None
        told = Assumed.PRESSURE in given.said or (before is not None and given.points > 0)
        return given.pressure_from if told or pressure_pa == before else PressureFrom.PROBE

    def _probes(self, quantity: Quantity) -> Sequence[str]:
        """Those whose readings of it count anywhere."""
        found = self._sources.get(quantity, ())
        return [*found, *self._inlet] if quantity is Quantity.TEMPERATURE else found

    def _fresh(self, probes: Sequence[str], quantity: Quantity, since_ns: int) -> float | None:
        """Mean since then of the first probe that says it, or its last value where that is not too old."""
        for probe in probes:
            kept = self._kept.get((probe, quantity))
            if not kept or self._now_ns - kept[-1][0] > self._max_age_ns(probe, quantity):
                continue
            found = [value for t_ns, value in kept if t_ns >= since_ns] or [kept[-1][1]]
            return math.fsum(found) / len(found)
        return None

    def _max_age_ns(self, probe: str, quantity: Quantity) -> int:
        params = self._params.get(probe)
        age_s = MAX_AGE_S if params is None else params.max_age_s
        return round((age_s if quantity is Quantity.TEMPERATURE else max(age_s, SLOW_AGE_S)) * NS_PER_S)

    def _corrected(self, reading: Reading) -> float:
        params = self._params.get(reading.probe)
        if params is None:
            return reading.value
        scale, shift = params.correction(reading.quantity)
        value = scale * reading.value - shift
        return min(max(value, 0.0), PERCENT) if reading.quantity is Quantity.HUMIDITY else value
