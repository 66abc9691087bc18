"""A scenario: a plant, what happens to it, the probes that watch it, and the right answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from simulators.calls import fan_share
from simulators.config_text import ConfigWords
from simulators.plant import simulate
from simulators.probes import Probe
from simulators.rest import rest_at
from simulators.unit import Kind, Plant, Timeline

PERFECT_SUFFIX = "-perfect"
Spans = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """The right answer, of the last stage of the last firing. W, K, degC, kg/s, s.

    ``output_w`` and the other powers (``Equilibrium`` says what they are for each kind), ``rise_k`` and
    ``dry_air_kg_s`` are those of the stage's equilibrium at the conditions of the firing's end, whether
    or not the firing gets there: not means over anything. ``rise_k`` is from the entering air
    (``mixed_c``) on. ``steady_expected``: whether a steady stretch is there to be found.
    """

    kind: Kind
    input_w: float
    output_w: float
    sensible_w: float
    latent_w: float
    condensate_kg_s: float
    air_heat_w: float
    fan_heat_w: float
    casing_loss_w: float
    return_c: float
    mixed_c: float
    supply_c: float
    rise_k: float
    dry_air_kg_s: float
    volume_m3_s: float
    time_constant_s: float
    slow_time_constant_s: float | None
    burner_s: Spans
    fan_s: Spans
    steady_expected: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One named run. ``probes`` says which probe a signal (``simulators.plant.SIGNALS``) gets;
    ``words`` are those of the config. A steady stretch is there to be found when the plant settles and
    the probes are fit to see it. ``errors_stated``: whether what is wrong is no more than what the
    config states, so that the result's u95 can be expected to hold."""

    name: str
    text: str
    plant: Plant
    timeline: Timeline
    probes: Mapping[str, Probe]
    words: ConfigWords
    plant_settles: bool = True
    probes_fit: bool = True
    errors_stated: bool = True

    @property
    def truth(self) -> Truth:
        """The right answer."""
        run = simulate(self.plant, self.timeline)
        _, end_s, stage = self.timeline.burner[-1]
        rest = rest_at(run, stage, end_s)
        end = int(run.t_s.searchsorted(end_s)) - 1
        slow = self.plant.slow
        return Truth(
            kind=self.plant.kind,
            input_w=rest.input_w,
            output_w=rest.output_w,
            sensible_w=rest.sensible_w,
            latent_w=rest.latent_w,
            condensate_kg_s=rest.condensate_kg_s,
            air_heat_w=rest.air_heat_w,
            fan_heat_w=rest.fan_heat_w,
            casing_loss_w=rest.casing_loss_w,
            return_c=float(run.return_c[end]),
            mixed_c=rest.return_c,
            supply_c=rest.supply_c,
            rise_k=rest.rise_k,
            dry_air_kg_s=rest.dry_air_kg_s,
            volume_m3_s=self.plant.volume_m3_s * fan_share(self.plant, float(run.t_s[end])),
            time_constant_s=self.plant.time_constant_s,
            slow_time_constant_s=slow.time_constant_s if slow else None,
            burner_s=_firings(self.timeline),
            fan_s=self.timeline.fan,
            steady_expected=self.plant_settles and self.probes_fit,
        )

    def with_perfect_probes(self) -> Scenario:
        """The same plant and events, seen by probes without fault."""
        return replace(
            self,
            name=self.name + PERFECT_SUFFIX,
            text=self.text + " (perfect probes)",
            probes_fit=True,
            probes={signal: probe.perfect() for signal, probe in self.probes.items()},
        )

    @property
    def config_text(self) -> str:
        """A job config (TOML) that runs this scenario as fast as it goes."""
        return self.words.text(self.name, self.text, self.plant.kind, self.plant.fan)


def _firings(timeline: Timeline) -> Spans:
    """Spans of the burner, whatever its stage: one that follows without a pause is the same firing."""
    firings: list[tuple[float, float]] = []
    for start_s, end_s, _ in timeline.burner:
        if firings and firings[-1][1] == start_s:
            firings[-1] = (firings[-1][0], end_s)
        else:
            firings.append((start_s, end_s))
    return tuple(firings)
