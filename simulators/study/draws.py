"""What one trial's user has wrong: drawn from what the budget states, and from nothing else.

Each number comes from a stream keyed by seed, scenario, trial and purpose: neither the order of the
trials nor another setting changes it, so that two settings are compared on the same trials.
``DRAWN`` says which of it each line of the budget speaks of.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from logger.core.assess import CARRY_OVER_TORQUE_U, CARRY_OVER_U, CASING_MEAN
from logger.core.coil_lines import COMMON_U_K
from logger.core.humidity_probe import NEAR_U, PROBE_U
from logger.core.params import FanDrive, JobParams, ProbeParams, Role
from logger.core.probe_lines import LAG_K_S
from logger.core.stretch import FAN_W_PER_KG_S

AIR = (Role.RETURN, Role.MIXED, Role.SUPPLY, Role.OUTDOOR)
LEFT_K = 0.4  # K: most rise at the fan's start by heat of an earlier firing; as the fan's own (assumed)

SIMULATED = "simulated"
"""No number: the plant or the probes of every trial do it."""
NO_SCENARIO = "no scenario"
"""No scenario has a config that the line comes up with: nothing of it is tested by a study."""
DRAWN: Mapping[str, str] = {
    "supply temperature": "air.offset_k",
    "entering temperature": "air.offset_k",
    "supply probe gain": "air.gain",
    "entering probe gain": "air.gain",
    "supply placement": "air.placement",
    "entering placement": "air.placement",
    "probe lag": "air.later_s",
    "airflow": "airflow",
    "airflow: ...": "airflow",  # a traverse's own: ``study.traverses``
    "velocity probe": "velocity",
    "flow carry-over": "carry_over",
    "burner not said": NO_SCENARIO,
    "fan inlet then": NO_SCENARIO,
    "pressure": "pressure_pa",
    "humidity": "air.humidity_pct",
    "outdoor air": "outdoor_share",
    "scatter": SIMULATED,  # noise of the probes
    "residual drift": SIMULATED,  # the approach of the metal, a slow cabinet, a room that warms
    "fan heat": "fan_w_per_kg_s",  # where no fan phase shows it, else its noise and creep: simulated
    "fan-phase residual heat": "left_k",
    "casing loss": "casing",
    "entering humidity": "air.humidity_pct",
    "supply humidity": "air.humidity_gain",  # where matched; its zero error as of the entering one
    "humidity in common": "air.humidity_pct",  # where matched: ``--humidity-u95``
    "supply humidity near saturation": "air.humidity_near_pct",
    "entering humidity near saturation": NO_SCENARIO,  # drawn of every probe all the same
    "temperature in common": "air.offset_k",
    "supply moisture": NO_SCENARIO,
    "stage not sure": SIMULATED,  # the rise that tells it is a probe's
    "fan at this stage": SIMULATED,  # the plant's fan goes by the laws
}
"""Field of ``Errors`` (``air.``: of ``AirError``) behind each line of the budget, or why there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirError:
    """One probe of air: zero error K, gain, what its place adds (a fraction of the rise), how much later
    than the other side it follows (s), the zero error of its humidity in %, what of that grows from the
    entering air's humidity on, where it was matched, and what it is off by on top at saturation, in %."""

    offset_k: float = 0.0
    gain: float = 0.0
    placement: float = 0.0
    later_s: float = 0.0
    humidity_pct: float = 0.0
    humidity_gain: float = 0.0
    humidity_near_pct: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """All of a trial. ``airflow``, ``carry_over`` and ``velocity`` are fractions of the flow, ``casing`` of
    the input, ``outdoor_share`` is absolute; ``left_k``: rise from heat of an earlier firing, at the fan's
    start; ``fan_w_per_kg_s``: the fan's true heat, None where it is the plant's."""

    air: Mapping[str, AirError] = field(default_factory=dict)  # by probe
    airflow: float = 0.0
    carry_over: float = 0.0
    velocity: float = 0.0
    pressure_pa: float = 0.0
    outdoor_share: float = 0.0
    left_k: float = 0.0
    fan_w_per_kg_s: float | None = None
    casing: float = CASING_MEAN


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What the scenario itself decides. ``fan_seen``: a fan phase shows the fan's heat. ``places``: of an
    uneven stream how far, in fractions of the rise, a probe's place may be off, by probe."""

    fan_seen: bool = True
    places: Mapping[str, float] = field(default_factory=dict)


def stream(seed: int, scenario: str, trial: int, purpose: str) -> np.random.Generator:
    """The stream of one purpose in one trial."""
    return np.random.default_rng(_key(seed, scenario, trial, purpose))


def speaking_seed(seed: int, scenario: str, trial: int) -> int:
    """Seed of everything that the probes of a trial do by themselves: noise, timing, drop-outs."""
    return int(_key(seed, scenario, trial, "probes").generate_state(1, np.uint64)[0] >> 1)


def _key(seed: int, scenario: str, trial: int, purpose: str) -> np.random.SeedSequence:
    key = (zlib.crc32(scenario.encode()), trial, zlib.crc32(purpose.encode()))
    return np.random.SeedSequence(seed, spawn_key=key)


@dataclass(frozen=True, slots=True)
class _Dice:
    seed: int
    scenario: str
    trial: int

    def normal(self, purpose: str) -> float:
        """Standard deviation 1."""
        return float(stream(self.seed, self.scenario, self.trial, purpose).standard_normal())

    def even(self, purpose: str, low: float, high: float) -> float:
        """A rectangle."""
        return low + (high - low) * float(stream(self.seed, self.scenario, self.trial, purpose).random())


def drawn(job: JobParams, seed: int, scenario: str, trial: int, ground: Ground) -> Errors:
    """Errors within what ``job`` states: a u95 is two standard deviations, a bound is a rectangle."""
    dice, apart = _Dice(seed, scenario, trial), job.unit.kind.fan_apart
    later_s = dice.even("lag", -LAG_K_S, LAG_K_S)  # of supply behind entering; else the other way round
    late = {Role.SUPPLY: max(later_s, 0.0), job.entering_probes()[0].role: max(-later_s, 0.0)}
    barometer = job.probes_of(Role.PRESSURE)
    pressure_u_pa = barometer[0].u95 / 2.0 if barometer else job.pressure_u_pa
    velocity = sum(p.u95 / 2.0 for p in job.probes_of(Role.VELOCITY) if p.name == job.airflow.probe)
    torque = job.unit.fan_drive is FanDrive.TORQUE
    unknown_fan = apart and not ground.fan_seen
    return Errors(
        air={p.name: _air(dice, job, p, ground, late.get(p.role, 0.0)) for p in job.probes_of(*AIR)},
        airflow=job.airflow.u95 / 2.0 * dice.normal("airflow"),
        carry_over=(CARRY_OVER_TORQUE_U if torque else CARRY_OVER_U) * dice.normal("carry-over"),
        velocity=velocity * dice.normal("velocity probe"),
        pressure_pa=pressure_u_pa * dice.normal("pressure"),
        outdoor_share=job.unit.outdoor_fraction_u95 / 2.0 * dice.normal("outdoor share"),
        left_k=dice.even("left", 0.0, LEFT_K) if apart and ground.fan_seen else 0.0,
        fan_w_per_kg_s=dice.even("fan", 0.0, 2.0 * FAN_W_PER_KG_S) if unknown_fan else None,
        casing=dice.even("casing", 0.0, 2.0 * CASING_MEAN),
    )


def _air(dice: _Dice, job: JobParams, probe: ProbeParams, ground: Ground, later_s: float) -> AirError:
    """Gains of one side are one gain, as the budget has it; what all temperatures share is one draw."""
    name, first = probe.name, job.probes_of(probe.role)[0].name
    far = ground.places.get(name)
    place = probe.placement_u95 / 2.0 * dice.normal(f"{name} placement")
    return AirError(
        offset_k=COMMON_U_K * dice.normal("common") + probe.u95 / 2.0 * dice.normal(f"{name} offset"),
        gain=probe.gain_u95 / 2.0 * dice.normal(f"{first} gain"),
        placement=place if far is None else dice.even(f"{name} placement", -far, far),
        later_s=later_s,
        humidity_pct=_humidity_pct(dice, probe),
        humidity_gain=_humidity_gain(dice, probe),
        humidity_near_pct=100.0 * NEAR_U * dice.normal(f"{name} humidity near saturation"),
    )


def _humidity_pct(dice: _Dice, probe: ProbeParams) -> float:
    """A match leaves what the probes share, and a little of each one's own."""
    all_u_pct = 100.0 * PROBE_U
    if probe.humidity_u95 is None:
        return all_u_pct * dice.normal(f"{probe.name} humidity")
    return all_u_pct * dice.normal("humidity") + probe.humidity_u95 / 2.0 * dice.normal(
        f"{probe.name} humidity"
    )


def _humidity_gain(dice: _Dice, probe: ProbeParams) -> float:
    """A match holds at one humidity: elsewhere on the scale a probe differs by its share again."""
    if probe.humidity_u95 is None or probe.role is not Role.SUPPLY:
        return 0.0
    return PROBE_U * dice.normal(f"{probe.name} humidity gain")
