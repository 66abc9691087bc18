"""The driver ``sim``: probes of a scenario in place of real ones, on the logger's reading clock."""

from __future__ import annotations

import difflib
import heapq
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import ClassVar

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from logger.core.errors import ConfigError
from logger.core.readings import NS_PER_US, Quantity, Sample
from logger.driver_api import DriverContext, LinkState, ProbeRequest, Reach
from simulators.plant import SIGNALS, simulate
from simulators.probes import Probe, Spoken, speak
from simulators.scenario import Scenario
from simulators.scenarios import find

_SETTINGS = ("scenario", "speed", "seed")


class SimOptions(BaseModel):
    """Keys of a simulated probe's table. The overrides touch its temperature alone.

    ``signal``: what it looks at (the role, where left out). Numbers in s and K, as named.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    signal: str | None = None
    lag_s: FiniteFloat | None = Field(default=None, ge=0.0)
    noise_k: FiniteFloat | None = Field(default=None, ge=0.0)
    resolution_k: FiniteFloat | None = Field(default=None, ge=0.0)
    interval_s: FiniteFloat | None = Field(default=None, ge=0.05, le=3600.0)


class SimDriver:
    """Simulated probes. The same scenario, seed and probe names give the same samples.

    Raises
    ------
    ConfigError
        For an unknown scenario or signal, and a setting that cannot be used.
    """

    name: ClassVar[str] = "sim"
    Options: ClassVar[type[SimOptions]] = SimOptions
    simulated: ClassVar[bool] = True

    def __init__(self, probes: Sequence[ProbeRequest], context: DriverContext) -> None:
        self._context = context
        self.scenario, self.seed = _settings(context)
        self._probes = {request.name: _probe(request, self.scenario) for request in probes}

    async def run(self) -> None:
        """Deliver the scenario's samples in order of time; return when it ends."""
        context = self._context
        start_ns = context.now_ns()
        for name, (signal, _) in self._probes.items():
            context.link(name, LinkState.LIVE, f"simulated probe on {signal!r} of {self.scenario.name!r}")
        for t_ns, sample in self.samples():
            await context.wait_until(start_ns + t_ns)
            context.emit(sample)
        end_us = round(self.scenario.timeline.duration_s * 1e6)
        await context.wait_until(start_ns + end_us * NS_PER_US)

    def samples(self) -> Iterator[tuple[int, Sample]]:
        """All samples with their time in ns from the scenario's start; ties in the config's order."""
        run = simulate(self.scenario.plant, self.scenario.timeline)
        streams = [
            _samples(name, order, speak(probe, name, self.seed, run.t_s, run.signals(signal)))
            for order, (name, (signal, probe)) in enumerate(self._probes.items())
        ]
        for t_ns, _, sample in heapq.merge(*streams, key=lambda item: item[:2]):
            yield t_ns, sample

    async def reach(self, seconds: float) -> Sequence[Reach]:
        """Simulated probes are always there."""
        del seconds
        return [
            Reach(probe=name, ok=True, text=f"simulated: {signal!r} of the scenario {self.scenario.name!r}")
            for name, (signal, _) in self._probes.items()
        ]


def _samples(name: str, order: int, spoken: Spoken) -> Iterator[tuple[int, int, Sample]]:
    for t_ns, quantity, value in zip(spoken.t_ns, spoken.quantity, spoken.value, strict=True):
        yield t_ns, order, Sample(probe=name, quantity=quantity, value=value)


def _settings(context: DriverContext) -> tuple[Scenario, int]:
    """Scenario and seed of the ``[sim]`` table; ``speed`` is the clock's."""
    settings = context.settings
    for key in settings:
        if key not in _SETTINGS:
            closest = difflib.get_close_matches(key, _SETTINGS, n=1) or _SETTINGS
            raise ConfigError(f"[sim] {key}: unknown key; did you mean {' or '.join(closest)}?")
    name, seed = settings.get("scenario", "standard"), settings.get("seed", 1)
    if not isinstance(name, str):
        raise ConfigError(f"[sim] scenario: {name!r} is not a name; put it in quotes.")
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise ConfigError(f"[sim] seed: {seed!r} is not a whole number from 0 upwards.")
    return find(name), seed


def _probe(request: ProbeRequest, scenario: Scenario) -> tuple[str, Probe]:
    """Signal and probe for a request, its own overrides taken in."""
    options = SimOptions.model_validate(dict(request.options))
    signal = options.signal or request.role
    if signal not in SIGNALS or signal not in scenario.probes:
        known = [s for s in SIGNALS if s in scenario.probes]
        raise ConfigError(
            f"[probes.{request.name}] signal: the scenario {scenario.name!r} has no signal {signal!r}; "
            f"it has {', '.join(known)}."
        )
    probe = scenario.probes[signal]
    if options.interval_s is not None:
        probe = replace(probe, interval_s=options.interval_s)
    changes = {"lag_s": options.lag_s, "noise": options.noise_k, "resolution": options.resolution_k}
    given = {field: value for field, value in changes.items() if value is not None}
    if given and Quantity.TEMPERATURE not in dict(probe.responses):
        raise ConfigError(
            f"[probes.{request.name}]: lag_s, noise_k and resolution_k are for temperature; "
            f"the signal {signal!r} has none. Take them out."
        )
    if "noise" in given:
        given["drift_noise"] = 0.0  # the number given is all the noise there is
    return signal, probe.with_response(Quantity.TEMPERATURE, **given)
