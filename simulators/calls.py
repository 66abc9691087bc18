"""What is called for on the plant's grid: fan and its speed, burner, refrigerant, return air."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from simulators.unit import HeatPump, Plant, Profile, Timeline

Array = npt.NDArray[np.float64]


class Calls(NamedTuple):
    """One value for each grid point; it holds from there to the next."""

    input_w: list[float]
    fan_share: list[float]  # 0: off
    return_c: list[float | None]  # None: from the room


def calls(plant: Plant, timeline: Timeline, t_s: Array) -> Calls:
    """A call holds from its start to before its end."""
    called_w, fan = np.zeros_like(t_s), np.zeros_like(t_s)
    for start_s, end_s, stage in timeline.burner:
        on = (t_s >= start_s) & (t_s < end_s)
        called_w[on] = plant.stage_input_w[stage] * _coming_up(plant, t_s[on] - start_s)
    for start_s, end_s in timeline.fan:
        fan[(t_s >= start_s) & (t_s < end_s)] = 1.0
    if plant.input_profile:
        called_w *= _along(plant.input_profile, t_s)
    if plant.fan_profile:
        fan *= _along(plant.fan_profile, t_s)
    return_c: list[float | None] = [None] * len(t_s)
    if plant.return_profile:
        return_c = _along(plant.return_profile, t_s).tolist()
    return Calls(called_w.tolist(), fan.tolist(), return_c)


def full_input_w(plant: Plant, stage: int, end_s: float) -> float:
    """Input of a stage once it is fully there, at the conditions of ``end_s``."""
    share = plant.heat_pump.share(plant.outdoor_c) if plant.heat_pump else 1.0
    if plant.input_profile:
        share *= float(_along(plant.input_profile, np.array([end_s]))[0])
    return plant.stage_input_w[stage] * share


def fan_share(plant: Plant, at_s: float) -> float:
    """Volume over the plant's own at that moment of a running fan."""
    return float(_along(plant.fan_profile, np.array([at_s]))[0]) if plant.fan_profile else 1.0


def _along(profile: Profile, t_s: Array) -> Array:
    return np.asarray(np.interp(t_s, *np.transpose(profile)))


def _coming_up(plant: Plant, since_s: Array) -> Array:
    if plant.heat_pump is not None:
        return _heat_pump(plant.heat_pump, plant.outdoor_c, since_s)
    if plant.coil is not None:
        return -np.expm1(-since_s / plant.coil.ramp_s)
    return np.ones_like(since_s)


def _heat_pump(pump: HeatPump, outdoor_c: float, since_s: Array) -> Array:
    full = pump.share(outdoor_c)
    if not pump.defrost_every_s:
        return -full * np.expm1(-since_s / pump.ramp_s)
    running_s = since_s % (pump.defrost_every_s + pump.defrost_s)
    heating = -full * np.expm1(-running_s / pump.ramp_s)
    if pump.strip_after_s:
        after = (since_s > pump.defrost_every_s) & (running_s < pump.strip_after_s)
        heating = heating + after * pump.strip_share
    return np.where(running_s < pump.defrost_every_s, heating, pump.strip_share - pump.defrost_share)
