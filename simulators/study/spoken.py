"""What a trial's probes say, as one block of readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from logger.core.params import JobParams, Role
from logger.core.probe_lines import UNMATCHED_C
from logger.core.readings import Quantity, ReadingBlock
from simulators.plant import Array, PlantRun
from simulators.probes import Probe, Spoken, speak
from simulators.scenario import Scenario
from simulators.study.draws import AirError, Errors
from simulators.study.setting import Setting

_HEARD = {
    Role.RETURN: (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    Role.MIXED: (Quantity.TEMPERATURE, Quantity.HUMIDITY),
    Role.SUPPLY: (Quantity.TEMPERATURE,),
    Role.VELOCITY: (Quantity.VELOCITY,),
    Role.PRESSURE: (Quantity.PRESSURE,),
}
"""What the result hangs on; a study leaves the rest unsaid, for its speed."""


def block_of(
    scenario: Scenario, job: JobParams, run: PlantRun, setting: Setting, errors: Errors, seed: int
) -> ReadingBlock:
    """All readings from the scenario's start to where ``run`` ends."""
    said: list[Spoken] = []
    names: list[str] = []
    for params in job.probes:
        if params.role not in _HEARD:
            continue
        signal = params.role.value
        probe = _probe(scenario.probes[signal], params.role, setting, errors)
        truth = _seen(run, params.role, errors)
        said.append(speak(probe, params.name, seed, run.t_s, truth))
        names.append(params.name)
    return _merged(names, said)


def _air_error(role: Role, errors: Errors) -> AirError:
    return errors.supply if role is Role.SUPPLY else errors.entering


def _probe(probe: Probe, role: Role, setting: Setting, errors: Errors) -> Probe:
    """The scenario's probe with the trial's errors in place of its own."""
    responses = tuple((q, r) for q, r in probe.responses if q in _HEARD[role])
    probe = replace(probe, responses=responses, battery_pct=None)
    if role is Role.PRESSURE:
        return probe.with_response(Quantity.PRESSURE, offset=errors.pressure_pa)
    if role is Role.VELOCITY:
        return probe
    changes = {"offset": _air_error(role, errors).offset_k, "gain": _air_error(role, errors).gain}
    changes |= {"gain_reference": UNMATCHED_C, "offset_spread": 0.0}
    if setting.noise_k is not None:
        changes |= {"noise": setting.noise_k, "drift_noise": 0.0}
    if setting.lag_s is not None:
        changes["lag_s"] = setting.lag_s
    probe = probe.with_response(Quantity.TEMPERATURE, **changes)
    return probe.with_response(Quantity.HUMIDITY, offset=errors.humidity_pct, offset_spread=0.0)


def _seen(run: PlantRun, role: Role, errors: Errors) -> Mapping[Quantity, Array]:
    """What passes the probe: the stream, and where the probe stands in it."""
    truth = dict(run.signals(role.value))
    if Quantity.TEMPERATURE in truth:
        uneven_k = _air_error(role, errors).placement * (run.supply_c - run.return_c)
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
