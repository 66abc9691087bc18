"""A firing told in closed form: two or more probes, a fan phase, a burner, and what may go wrong."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp

import numpy as np

from logger.core.readings import Quantity, Reading
from tests.core.jobs import make_reading

RETURN_C, RISE_K, FAN_K, TAU_S = 20.0, 27.0, 0.4, 60.0
FAN_S, FIRE_S = 60, 480


@dataclass(kw_only=True)
class Story:
    """Fan at 60 s, burner from 480 s on; ``supply`` names each supply probe with what it is off by, K.

    ``jump``: factor on the rise from a time on. ``shift``: K on the supply from a time on.
    ``humidity``: what the supply probe reads, %; the return reads 50 %.
    """

    fire_end_s: int = 1800
    end_s: int = 1900
    entering_c: float = RETURN_C
    supply: dict[str, float] = field(default_factory=lambda: {"sup": 0.0})
    jump: tuple[int, float] = (10**9, 1.0)
    shift: tuple[int, float] = (10**9, 0.0)
    humidity: float | None = None
    silent_from_s: dict[str, int] = field(default_factory=dict)

    def rise_k(self, t: int) -> float:
        if t < FAN_S:
            return 4.0  # a duct in still air
        rise_k = FAN_K + (RISE_K - FAN_K) * (1.0 - exp(-max(min(t, self.fire_end_s) - FIRE_S, 0) / TAU_S))
        at_s, factor = self.jump
        rise_k *= 1.0 + (factor - 1.0) * (1.0 - exp(-max(t - at_s, 0) / TAU_S))
        if t > self.fire_end_s:
            rise_k = FAN_K + (rise_k - FAN_K) * exp(-(t - self.fire_end_s) / TAU_S)
        return rise_k + (self.shift[1] if t >= self.shift[0] else 0.0)

    def readings(self) -> list[Reading]:
        rng = np.random.default_rng(3)
        rows: list[Reading] = []

        def say(t_s: float, probe: str, value: float, quantity: Quantity = Quantity.TEMPERATURE) -> None:
            if t_s < self.silent_from_s.get(probe, 10**9):
                reading = make_reading(len(rows), t_s, probe, round(value, 3))
                rows.append(reading._replace(quantity=quantity))

        for t in range(self.end_s):
            say(t + 0.1, "ret", self.entering_c + rng.normal(0.0, 0.04))
            if self.humidity is not None:
                say(t + 0.2, "ret", 50.0 + rng.normal(0.0, 0.2), Quantity.HUMIDITY)
                if t > FAN_S:
                    say(t + 0.3, "sup", self.humidity + rng.normal(0.0, 0.2), Quantity.HUMIDITY)
            for n, (name, off_k) in enumerate(self.supply.items()):
                spot_k = off_k if t >= FIRE_S else 0.0
                value = self.entering_c + self.rise_k(t) + spot_k + rng.normal(0.0, 0.04)
                say(t + 0.4 + 0.1 * n, name, value)
        return rows
