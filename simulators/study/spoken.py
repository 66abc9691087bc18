"""What a trial's probes say, as one block of readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from logger.core.fan_phase import LEFT_TAU_S
from logger.core.humidity_probe import NEAR_FROM
from logger.core.params import JobParams, Role
from logger.core.probe_lines import UNMATCHED_C
from logger.core.readings import Quantity, ReadingBlock
from simulators.moist_air import heat_capacity_j_kg_k, relative_humidity_pct
from simulators.plant import Array, PlantRun
from simulators.probes import Columns, Probe, lagged, said_in_order
from simulators.study.draws import AIR, AirError, Errors
from simulators.study.setting import Setting

_HEARD = {
    Role.RETURN: (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    Role.MIXED: (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    Role.SUPPLY: (Quantity.TEMPERATURE,),
    Role.OUTDOOR: (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    Role.VELOCITY: (Quantity.VELOCITY,),
    Role.PRESSURE: (Quantity.PRESSURE,),
}
"""What the result hangs on; a study leaves the rest unsaid, for its speed."""
_HEARD_OF_A_COIL = {**_HEARD, Role.SUPPLY: (Quantity.TEMPERATURE, Quantity.HUMIDITY)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cast:
    """Who speaks of what: the simulated probes, and what each of the job's looks at, by its name."""

    probes: Mapping[str, Probe]
    signals: Mapping[str, str]
    setting: Setting


def block_of(cast: Cast, job: JobParams, run: PlantRun, errors: Errors, seed: int) -> ReadingBlock:
    """All readings from the scenario's start to where ``run`` ends."""
    said: list[Columns] = []
    names: list[str] = []
    heard = _HEARD_OF_A_COIL if job.unit.kind.cools else _HEARD
    for params in job.probes:
        if params.role not in heard:
            continue
        signal = cast.signals.get(params.name, params.role.value)
        probe = _only(cast.probes[signal], heard[params.role])
        if params.role in AIR:
            own = errors.air.get(params.name, AirError())
            probe = _off(probe, cast.setting, own, run)
            truth = _followed(run, signal, params.role, errors, own, _lags(probe))
        else:
            probe = _side_off(probe, params.role, errors)
            truth = {q: _stream(run, signal, q, lag_s) for q, lag_s in _lags(probe).items()}
        prompt = replace(probe, responses=tuple((q, replace(r, lag_s=0.0)) for q, r in probe.responses))
        said.append(said_in_order(prompt, params.name, seed, run.t_s, truth))
        names.append(params.name)
    return _merged(names, said)


def _only(probe: Probe, heard: tuple[Quantity, ...]) -> Probe:
    responses = tuple((q, r) for q, r in probe.responses if q in heard)
    return replace(probe, responses=responses, battery_pct=None)


def _lags(probe: Probe) -> dict[Quantity, float]:
    return {quantity: response.lag_s for quantity, response in probe.responses}


def _off(probe: Probe, setting: Setting, own: AirError, run: PlantRun) -> Probe:
    """The scenario's probe with the trial's errors in place of its own offset and gain."""
    changes = {"offset": own.offset_k, "offset_spread": 0.0, "gain": own.gain, "gain_reference": UNMATCHED_C}
    if setting.noise_k is not None:
        changes |= {"noise": setting.noise_k, "drift_noise": 0.0}
    if setting.lag_s is not None:
        changes["lag_s"] = setting.lag_s
    probe = probe.with_response(Quantity.TEMPERATURE, **changes)
    damp = {"offset": own.humidity_pct, "offset_spread": 0.0, "gain": own.humidity_gain}
    if own.humidity_gain:
        damp["gain_reference"] = float(_stream(run, "mixed", Quantity.HUMIDITY, 0.0).mean())
    return probe.with_response(Quantity.HUMIDITY, **damp)


def _side_off(probe: Probe, role: Role, errors: Errors) -> Probe:
    if role is Role.PRESSURE:
        return probe.with_response(Quantity.PRESSURE, offset=errors.pressure_pa)
    return probe.with_response(Quantity.VELOCITY, gain=errors.velocity)


def _followed(
    run: PlantRun, signal: str, role: Role, errors: Errors, own: AirError, lags: Mapping[Quantity, float]
) -> dict[Quantity, Array]:
    """What an air probe follows with its lag: the stream, and where the probe stands in it.

    The lag is linear, so what is alike in all trials is followed once; not where the lag is the trial's.
    """
    lag_s = lags[Quantity.TEMPERATURE]
    alike_s = 0.0 if own.later_s else lag_s
    temp_c = _stream(run, signal, Quantity.TEMPERATURE, alike_s)
    if role is not Role.OUTDOOR:
        temp_c = temp_c + own.placement * _rise(run, alike_s)
    if role is Role.SUPPLY:
        if errors.left_k:
            temp_c = temp_c + errors.left_k * _left(run, alike_s)
        if errors.fan_w_per_kg_s is not None:
            as_drawn, as_it_is = _fan_rise(run, alike_s)
            temp_c = temp_c + errors.fan_w_per_kg_s * as_drawn - as_it_is
    truth = {Quantity.TEMPERATURE: lagged(run.t_s, temp_c, lag_s + own.later_s) if own.later_s else temp_c}
    if Quantity.HUMIDITY in lags:
        damp_pct = _damp(run, signal, own.placement, lags[Quantity.HUMIDITY])
        truth[Quantity.HUMIDITY] = damp_pct + own.humidity_near_pct * _near(damp_pct)
    return truth


def _damp(run: PlantRun, signal: str, placement: float, lag_s: float) -> Array:
    """Relative humidity; at a coil a place that is off has its share of both streams' water too."""
    if run.plant.coil is None or not placement or signal == "outdoor":
        return _stream(run, signal, Quantity.HUMIDITY, lag_s)
    temp_c = _stream(run, signal, Quantity.TEMPERATURE, 0.0) + placement * (run.supply_c - run.mixed_c)
    own_w = {"return": run.return_w, "mixed": run.mixed_w}.get(signal, run.supply_w)
    w = own_w + placement * (run.supply_w - run.mixed_w)
    return lagged(run.t_s, np.minimum(100.0, relative_humidity_pct(temp_c, w, run.plant.pressure_pa)), lag_s)


def _near(damp_pct: Array) -> Array:
    """How near to saturation, from 0 where a probe gets worse to 1."""
    return np.clip((damp_pct / 100.0 - NEAR_FROM) / (1.0 - NEAR_FROM), 0.0, 1.0)


@lru_cache(maxsize=64)
def _stream(run: PlantRun, signal: str, quantity: Quantity, lag_s: float) -> Array:
    return lagged(run.t_s, run.signals(signal)[quantity], lag_s)


@lru_cache(maxsize=16)
def _rise(run: PlantRun, lag_s: float) -> Array:
    return lagged(run.t_s, run.supply_c - run.mixed_c, lag_s)


@lru_cache(maxsize=16)
def _left(run: PlantRun, lag_s: float) -> Array:
    """Rise of 1 K at the fan's start that fades with the time constant of a cabinet and curb."""
    since_s = run.t_s - run.t_s[int(np.argmax(run.fan > 0.0))]
    return lagged(run.t_s, np.where(run.fan > 0.0, np.exp(-since_s / LEFT_TAU_S), 0.0), lag_s)


@lru_cache(maxsize=16)
def _fan_rise(run: PlantRun, lag_s: float) -> tuple[Array, Array]:
    """Rise by a fan of 1 W per kg/s of dry air, and by the plant's own."""
    capacity_j_kg_k = heat_capacity_j_kg_k(run.mixed_w)
    per_w = run.fan / capacity_j_kg_k
    own_k = np.divide(
        run.fan_heat_w,
        run.dry_air_kg_s * capacity_j_kg_k,
        out=np.zeros_like(run.t_s),
        where=run.dry_air_kg_s > 0.0,
    )
    return lagged(run.t_s, per_w, lag_s), lagged(run.t_s, own_k, lag_s)


def _merged(names: list[str], said: list[Columns]) -> ReadingBlock:
    """In order of time; of two at one time the earlier probe first."""
    channels = tuple((name, q) for name, columns in zip(names, said, strict=True) for q in columns.quantities)
    before = np.cumsum([0, *(len(columns.quantities) for columns in said)])
    t_ns = np.concatenate([columns.t_ns for columns in said])
    value = np.concatenate([columns.value for columns in said])
    numbered = [columns.which + first for columns, first in zip(said, before[:-1], strict=True)]
    channel = np.concatenate(numbered).astype(np.int32)
    order = np.argsort(t_ns, kind="stable")
    since_ns = t_ns[order] - t_ns[order[0]]
    return ReadingBlock(
        channels=channels,
        seq=np.arange(len(order), dtype=np.int64),
        t_ns=since_ns,
        channel=channel[order],
        value=value[order],
        flag=np.zeros(len(order), dtype=np.int8),
        utc_us=since_ns // 1000,
        arrival_ns=since_ns,
    )
