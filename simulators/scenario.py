"""A scenario: a plant, what happens to it, the probes that watch it, and the right answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from simulators.plant import simulate
from simulators.probes import Probe
from simulators.unit import Plant, Timeline, equilibrium

PERFECT_SUFFIX = "-perfect"


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """The right answer, of the last firing. W, K, degC, kg/s, s.

    ``output_w`` and the other powers, ``rise_k`` and ``dry_air_kg_s`` are those of the stage's
    equilibrium at the conditions of the firing's end, whether or not the firing gets there: not
    means over anything. ``steady_expected``: whether a steady stretch is there to be found.
    """

    input_w: float
    output_w: float
    air_heat_w: float
    fan_heat_w: float
    casing_loss_w: float
    return_c: float
    supply_c: float
    rise_k: float
    dry_air_kg_s: float
    volume_m3_s: float
    time_constant_s: float
    slow_time_constant_s: float | None
    burner_s: tuple[tuple[float, float], ...]
    fan_s: tuple[tuple[float, float], ...]
    steady_expected: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One named run. ``probes`` says which probe a signal (``simulators.plant.SIGNALS``) gets;
    ``airflow_text`` and ``state_text`` are the plant's flow and entering air in a config's words,
    ``unit_keys`` further lines of the config's ``[unit]``. A steady stretch is there to be found
    when the plant settles and the probes are fit to see it."""

    name: str
    text: str
    plant: Plant
    timeline: Timeline
    probes: Mapping[str, Probe]
    airflow_text: str
    state_text: tuple[str, str] = ("70 °F", "40 %")
    unit_keys: tuple[str, ...] = ()
    plant_settles: bool = True
    probes_fit: bool = True

    @property
    def truth(self) -> Truth:
        """The right answer."""
        run = simulate(self.plant, self.timeline)
        _, end_s, stage = self.timeline.burner[-1]
        end = int(run.t_s.searchsorted(end_s)) - 1
        input_w = float(run.input_w[end]) if self.plant.input_profile else self.plant.stage_input_w[stage]
        rest = equilibrium(self.plant, input_w, float(run.return_c[end]))
        slow = self.plant.slow
        return Truth(
            input_w=rest.input_w,
            output_w=rest.output_w,
            air_heat_w=rest.air_heat_w,
            fan_heat_w=rest.fan_heat_w,
            casing_loss_w=rest.casing_loss_w,
            return_c=rest.return_c,
            supply_c=rest.supply_c,
            rise_k=rest.rise_k,
            dry_air_kg_s=rest.dry_air_kg_s,
            volume_m3_s=self.plant.volume_m3_s,
            time_constant_s=self.plant.time_constant_s,
            slow_time_constant_s=slow.time_constant_s if slow else None,
            burner_s=tuple((start, stop) for start, stop, _ in self.timeline.burner),
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
        return _CONFIG.format(
            name=self.name,
            text=self.text,
            unit_keys="".join(line + "\n" for line in self.unit_keys),
            airflow=self.airflow_text,
            temperature=self.state_text[0],
            humidity=self.state_text[1],
        )


_CONFIG = """\
# {name}: {text}
# Simulated throughout: unit, site and probes are invented.

[job]
name = "sim-{name}"
units = "us"
altitude = "700 ft"            # the barometer below beats it

[unit]
kind = "gas"
input = "135000 Btu/h"         # from the plate
output = "109000 Btu/h"        # from the plate
rise = ["35 °F", "65 °F"]
tolerance = "5 %"
fan = "blow-through"
fan_heat = "measured"          # from the fan phase before the firing
fan_drive = "constant-speed"
outdoor_air = "closed"
max_supply = "160 °F"
{unit_keys}
[airflow]
source = "fixed"               # the unit's own flow, as a careful traverse would find it
volume = "{airflow}"
at = "return"
temperature = "{temperature}"
humidity = "{humidity}"
u95 = "4 %"

[probes.ret]
role = "return"
driver = "sim"
u95 = "0.3 K"                  # as matched against the supply probe
placement_u95 = "2 %"

[probes.sup]
role = "supply"
driver = "sim"
u95 = "0.3 K"
placement_u95 = "2 %"

[probes.duct]
role = "velocity"              # shows whether the fan runs
driver = "sim"

[probes.baro]
role = "pressure"
driver = "sim"

[sim]
scenario = "{name}"
speed = "max"                  # or a number: how many times faster than the wall clock
seed = 1
"""
