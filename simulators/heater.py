"""What warms the air: metal, the air between it (if it counts) and a slow cabinet behind (if any).

Each node is linear and is stepped by its exact exponential, with what it is coupled to held over the
step, so heat is conserved to rounding. Metal and air together are a system of two, stepped by its
exact matrix exponential.
"""

from __future__ import annotations

import math

from simulators.unit import Fan, Plant, Stream, metal_rest_c, stream

Pair = tuple[float, float]
Matrix = tuple[float, float, float, float]


def relax(start: float, rest: float, decay: float, mean_decay: float) -> Pair:
    """End and mean over a step of dx/dt = (rest - x) / tau; exact."""
    return rest + (start - rest) * decay, rest + (start - rest) * mean_decay


def decays(time_constant_s: float, step_s: float) -> Pair:
    """What is left of a distance to rest at the end of a step, and in its mean."""
    x = step_s / time_constant_s
    return math.exp(-x), -math.expm1(-x) / x


def two_nodes(matrix: Matrix, x: Pair, step_s: float) -> tuple[Pair, Pair]:
    """End and mean over a step of x' = [[a, b], [c, d]] x, matrix = (a, b, c, d); exact.

    For b c > 0 the eigenvalues are real. Source: Sylvester's formula, for the values m1, m2:
    f(A) = f(m1) + (f(m1) - f(m2)) / (m1 - m2) (A - m1), with f = exp(h x) and its mean over the step.
    """
    a, b, c, d = matrix
    middle, half = (a + d) / 2.0, math.sqrt(((a - d) / 2.0) ** 2 + b * c)
    m1, m2 = middle + half, middle - half
    grown_1, grown_2 = math.expm1(m1 * step_s), math.expm1(m2 * step_s)
    mean_1, mean_2 = grown_1 / (m1 * step_s), grown_2 / (m2 * step_s)
    end_k, mean_k = (grown_1 - grown_2) / (m1 - m2), (mean_1 - mean_2) / (m1 - m2)
    x0, x1 = x
    y0, y1 = (a - m1) * x0 + b * x1, c * x0 + (d - m1) * x1
    return (
        (x0 + grown_1 * x0 + end_k * y0, x1 + grown_1 * x1 + end_k * y1),
        (mean_1 * x0 + mean_k * y0, mean_1 * x1 + mean_k * y1),
    )


class Heater:
    """The heat exchanger of one run, and the cabinet behind it."""

    __slots__ = ("_air_c", "_decays", "_plant", "_slow", "_slow_w_k", "metal_c", "slow_c")
    water_kg = drained_kg_s = 0.0  # nothing condenses here

    def __init__(self, plant: Plant, start_c: float, step_s: float) -> None:
        self._plant = plant
        self.metal_c = self.slow_c = self._air_c = start_c
        self._decays: dict[float, Pair] = {}
        self._slow = decays(plant.slow.time_constant_s, step_s) if plant.slow else (1.0, 1.0)
        self._slow_w_k = plant.slow.share * stream(plant, start_c).capacity_w_k if plant.slow else 0.0

    def output_w(self, input_w: float) -> float:
        """What of the input gets into the metal."""
        return input_w * (1.0 - self._plant.flue_loss)

    def passed(self, entering_c: float, fan: Fan) -> tuple[Stream, Pair]:
        """The stream, and the supply air at the step's start: degC and kg/kg."""
        air = fan.at(entering_c)
        hot_c = self._air_c if self._plant.air_m3 else _hot_c(air, fan, self.metal_c)
        return air, ((self._behind_cabinet(air, hot_c, self.slow_c) if self._slow_w_k else hot_c), fan.w)

    def moved(self, air: Stream, fan: Fan, output_w: float, step_s: float) -> float:
        """One step; mean of the supply air over it in degC."""
        fan_outlet_c = air.fan_outlet_c
        rest_c = metal_rest_c(self._plant, output_w, fan.hx_w_k, fan_outlet_c)
        if self._plant.air_m3:
            hot_c = self._both_moved(air, fan, rest_c, step_s)
        else:
            self.metal_c, metal_mean_c = relax(self.metal_c, rest_c, *self._running(fan, step_s))
            hot_c = _hot_c(air, fan, metal_mean_c)
        if not self._slow_w_k:
            return hot_c
        self.slow_c, slow_mean_c = relax(self.slow_c, hot_c, *self._slow)
        return self._behind_cabinet(air, hot_c, slow_mean_c)

    def stilled(self, still_w_k: float, room_c: float, output_w: float, step_s: float) -> None:
        """One step of still air; what little of it lies between the metal keeps its heat."""
        plant = self._plant
        rest_c = metal_rest_c(plant, output_w, still_w_k, room_c)
        if still_w_k not in self._decays:
            self._decays[still_w_k] = decays(plant.metal_j_k / (still_w_k + plant.casing_w_k), step_s)
        self.metal_c, _ = relax(self.metal_c, rest_c, *self._decays[still_w_k])

    def _both_moved(self, air: Stream, fan: Fan, rest_c: float, step_s: float) -> float:
        """Metal and air: G (T - T_fan) at rest is Gm (T - T_air), Gm = G / (1 - G / capacity rate)."""
        plant = self._plant
        metal_j_k, air_j_k = plant.metal_j_k, plant.air_m3 * AIR_J_M3_K
        inner_w_k = fan.hx_w_k / (1.0 - fan.hx_w_k / air.capacity_w_k)
        matrix = (
            -(inner_w_k + plant.casing_w_k) / metal_j_k,
            inner_w_k / metal_j_k,
            inner_w_k / air_j_k,
            -(inner_w_k + air.capacity_w_k) / air_j_k,
        )
        air_rest_c = _hot_c(air, fan, rest_c)
        end, mean = two_nodes(matrix, (self.metal_c - rest_c, self._air_c - air_rest_c), step_s)
        self.metal_c, self._air_c = rest_c + end[0], air_rest_c + end[1]
        return air_rest_c + mean[1]

    def _running(self, fan: Fan, step_s: float) -> Pair:
        known = self._decays.get(fan.hx_w_k)
        if known is None:
            plant = self._plant
            slower = (plant.hx_w_k + plant.casing_w_k) / (fan.hx_w_k + plant.casing_w_k)
            known = self._decays[fan.hx_w_k] = decays(plant.time_constant_s * slower, step_s)
        return known

    def _behind_cabinet(self, air: Stream, hot_c: float, slow_c: float) -> float:
        return hot_c - self._slow_w_k * (hot_c - slow_c) / air.capacity_w_k


AIR_J_M3_K = 1200.0  # J/(m3 K), air near 20 degC: 1.2 kg/m3 x 1006 J/(kg K), rounded


def _hot_c(air: Stream, fan: Fan, metal_c: float) -> float:
    """Air that has passed metal of that temperature."""
    fan_outlet_c = air.fan_outlet_c
    return fan_outlet_c + fan.hx_w_k * (metal_c - fan_outlet_c) / air.capacity_w_k
