"""What one trial's user has wrong: drawn from what the budget states, and from nothing else.

Each number comes from a stream keyed by seed, scenario, trial and purpose: neither the order of the
trials nor another setting changes it, so that two settings are compared on the same trials.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logger.core.assess import CARRY_OVER_U, CASING_MEAN
from logger.core.coil_lines import COMMON_U_K, HUMIDITY_PROBE_U
from logger.core.params import JobParams, ProbeParams, Role

AIR = (Role.RETURN, Role.MIXED, Role.SUPPLY, Role.OUTDOOR)


@dataclass(frozen=True, slots=True, kw_only=True)
class AirError:
    """One temperature probe: zero error K, gain, and what its place adds, a fraction of the rise."""

    offset_k: float
    gain: float
    placement: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """All of a trial. ``airflow`` and ``carry_over`` are fractions of the flow; ``casing`` of the input."""

    air: Mapping[str, AirError]  # by probe
    airflow: float
    carry_over: float
    pressure_pa: float
    humidity_pct: float
    casing: float


def stream(seed: int, scenario: str, trial: int, purpose: str) -> np.random.Generator:
    """The stream of one purpose in one trial."""
    return np.random.default_rng(_key(seed, scenario, trial, purpose))


def speaking_seed(seed: int, scenario: str, trial: int) -> int:
    """Seed of everything that the probes of a trial do by themselves: noise, timing, drop-outs."""
    return int(_key(seed, scenario, trial, "probes").generate_state(1, np.uint64)[0] >> 1)


def _key(seed: int, scenario: str, trial: int, purpose: str) -> np.random.SeedSequence:
    key = (zlib.crc32(scenario.encode()), trial, zlib.crc32(purpose.encode()))
    return np.random.SeedSequence(seed, spawn_key=key)


def drawn(job: JobParams, seed: int, scenario: str, trial: int) -> Errors:
    """Errors within what ``job`` states; normal ones with half of their u95, the casing's loss even."""

    def normal(purpose: str) -> float:
        return float(stream(seed, scenario, trial, purpose).standard_normal())

    def air(probe: ProbeParams) -> AirError:
        side = probe.name
        return AirError(
            offset_k=COMMON_U_K * normal("common") + probe.u95 / 2.0 * normal(f"{side} offset"),
            gain=probe.gain_u95 / 2.0 * normal(f"{side} gain"),
            placement=probe.placement_u95 / 2.0 * normal(f"{side} placement"),
        )

    barometer = job.probes_of(Role.PRESSURE)
    return Errors(
        air={probe.name: air(probe) for probe in job.probes_of(*AIR)},
        airflow=job.airflow.u95 / 2.0 * normal("airflow"),
        carry_over=CARRY_OVER_U * normal("carry-over"),
        pressure_pa=barometer[0].u95 / 2.0 * normal("pressure") if barometer else 0.0,
        humidity_pct=100.0 * HUMIDITY_PROBE_U * normal("humidity"),
        casing=2.0 * CASING_MEAN * float(stream(seed, scenario, trial, "casing").random()),
    )
