"""What a trial's probes say, as one block of readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from logger.core.params import JobParams, Role
from logger.core.probe_lines import UNMATCHED_C
from logger.core.readings import Quantity, ReadingBlock
from simulators.plant import Array, PlantRun
from simulators.probes import Columns, Probe, lagged, said_in_order
from simulators.study.draws import AirError, Errors
from simulators.study.setting import Setting

NO_ERROR = AirError(offset_k=0.0, gain=0.0, placement=0.0)
_HEARD = {
    Role.RETURN: (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    Role.MIXED: (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    Role.SUPPLY: (Quantity.TEMPERATURE,),
    Role.OUTDOOR: (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    Role.VELOCITY: (Quantity.VELOCITY,),
    Role.PRESSURE: (Quantity.PRESSURE,),
}
"""What the result hangs on; a study leaves the rest unsaid, for its speed."""


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
    for params in job.probes:
        if params.role not in _HEARD:
            continue
        signal = cast.signals.get(params.name, params.role.value)
        own = errors.air.get(params.name, NO_ERROR)
        probe = _probe(cast.probes[signal], params.role, cast.setting, own)
        if params.role is Role.PRESSURE:
            probe = probe.with_response(Quantity.PRESSURE, offset=errors.pressure_pa)
        elif params.role is not Role.VELOCITY:
            probe = probe.with_response(Quantity.HUMIDITY, offset=errors.humidity_pct, offset_spread=0.0)
        truth = _followed(run, signal, params.role, own, probe)
        prompt = replace(probe, responses=tuple((q, replace(r, lag_s=0.0)) for q, r in probe.responses))
        said.append(said_in_order(prompt, params.name, seed, run.t_s, truth))
        names.append(params.name)
    return _merged(names, said)


def _probe(probe: Probe, role: Role, setting: Setting, own: AirError) -> Probe:
    """The scenario's probe with the trial's errors in place of its own offset and gain."""
    responses = tuple((q, r) for q, r in probe.responses if q in _HEARD[role])
    probe = replace(probe, responses=responses, battery_pct=None)
    if role in (Role.PRESSURE, Role.VELOCITY):
        return probe
    changes = {"offset": own.offset_k, "offset_spread": 0.0, "gain": own.gain, "gain_reference": UNMATCHED_C}
    if setting.noise_k is not None:
        changes |= {"noise": setting.noise_k, "drift_noise": 0.0}
    if setting.lag_s is not None:
        changes["lag_s"] = setting.lag_s
    return probe.with_response(Quantity.TEMPERATURE, **changes)


def _followed(
    run: PlantRun, signal: str, role: Role, own: AirError, probe: Probe
) -> Mapping[Quantity, Array]:
    """What the probe follows with its lag: the stream, and where the probe stands in it.

    The lag is linear, so what is alike in all trials is followed once.
    """
    lags = {quantity: response.lag_s for quantity, response in probe.responses}
    truth = {quantity: _stream(run, signal, quantity, lags.get(quantity, 0.0)) for quantity in _HEARD[role]}
    if Quantity.TEMPERATURE in truth and role is not Role.OUTDOOR:
        rise_k = _rise(run, lags.get(Quantity.TEMPERATURE, 0.0))
        truth[Quantity.TEMPERATURE] = truth[Quantity.TEMPERATURE] + own.placement * rise_k
    return truth


@lru_cache(maxsize=64)
def _stream(run: PlantRun, signal: str, quantity: Quantity, lag_s: float) -> Array:
    return lagged(run.t_s, run.signals(signal)[quantity], lag_s)


@lru_cache(maxsize=16)
def _rise(run: PlantRun, lag_s: float) -> Array:
    return lagged(run.t_s, run.supply_c - run.mixed_c, lag_s)


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
