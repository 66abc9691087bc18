"""What a trial's probes say, as one block of readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from logger.core.params import JobParams, Role
from logger.core.probe_lines import UNMATCHED_C
from logger.core.readings import Quantity, ReadingBlock
from simulators.plant import Array, PlantRun
from simulators.probes import Probe, Spoken, speak
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
    said: list[Spoken] = []
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
        truth = _seen(run, signal, params.role, own)
        said.append(speak(probe, params.name, seed, run.t_s, truth))
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


def _seen(run: PlantRun, signal: str, role: Role, own: AirError) -> Mapping[Quantity, Array]:
    """What passes the probe: the stream, and where the probe stands in it."""
    truth = dict(run.signals(signal))
    if Quantity.TEMPERATURE in truth and role is not Role.OUTDOOR:
        uneven_k = own.placement * (run.supply_c - run.mixed_c)
        truth[Quantity.TEMPERATURE] = truth[Quantity.TEMPERATURE] + uneven_k
    return {quantity: truth[quantity] for quantity in _HEARD[role]}


def _merged(names: list[str], said: list[Spoken]) -> ReadingBlock:
    """In order of time; of two at one time the earlier probe first."""
    channels = tuple(
        (name, q) for name, spoken in zip(names, said, strict=True) for q in dict.fromkeys(spoken.quantity)
    )
    place = {channel: n for n, channel in enumerate(channels)}
    t_ns = np.concatenate([np.array(spoken.t_ns, dtype=np.int64) for spoken in said])
    value = np.concatenate([np.array(spoken.value, dtype=np.float64) for spoken in said])
    channel = np.array(
        [place[name, q] for name, spoken in zip(names, said, strict=True) for q in spoken.quantity],
        dtype=np.int32,
    )
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
