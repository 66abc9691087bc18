"""What the screen and the broker are shown: one frozen picture of the core at one moment."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum


class Phase(StrEnum):
    """Phase of a cycle."""

    OFF = "off"
    FAN = "fan"
    WARM_UP = "warm-up"
    STEADY = "steady"
    COOL_DOWN = "cool-down"


class Freshness(StrEnum):
    """State of one stream at one moment; never stored on a reading."""

    NEVER = "never"  # no reading yet
    FRESH = "fresh"
    STALE = "stale"  # older than max_age
    FROZEN = "frozen"  # repeats one value where it must move


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something worth telling, with the next step in its text.

    ``origin`` is ``core`` (recomputed on replay) or ``shell`` (stored and fed back on replay).
    """

    t_ns: int
    code: str
    text: str
    probe: str | None = None
    origin: str = "core"


@dataclass(frozen=True, slots=True, kw_only=True)
class TestState:
    """One steadiness test: its value and limit in the same unit (fractions per second for the
    slope, fractions of the mean for the others); ``None`` where there is too little data."""

    name: str  # "slope" | "spread" | "hunting"
    value: float | None
    limit: float | None
    ok: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeState:
    """One probe as the core sees it. Values in the units of ``QUANTITIES``, after the offset."""

    name: str
    role: str
    temperature_c: float | None = None
    humidity_pct: float | None = None
    velocity_m_s: float | None = None
    pressure_pa: float | None = None
    gas_volume_m3: float | None = None
    battery_pct: float | None = None
    signal_dbm: float | None = None
    age_s: float | None = None  # of the main quantity
    state: Freshness = Freshness.NEVER


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The core at one moment. SI; ``None`` where a value cannot be had, never 0."""

    t_ns: int
    phase: Phase
    phase_since_s: float
    pause: str = ""  # of a heat pump whose heat is off: "defrost" where the air is cooled, "pause" else
    on_already: bool = False  # what is on was so before the log; in a fan phase: its rise is no fan's
    kind: str = "gas"  # of unit
    firing_start_s: float | None = None
    output_w: float | None = None
    output_u95_w: float | None = None
    output_is_final: bool = False  # the firing's result (mean of its steady stretch), not the tick
    sensible_w: float | None = None  # of a unit that cools
    sensible_u95_w: float | None = None  # of the firing's result
    latent_w: float | None = None
    latent_u95_w: float | None = None
    defrosts: int | None = None  # of a heat pump, in the open firing
    plate_output_w: float | None = None  # after derating
    stages: int = 1  # more than one where the unit has fixed stages
    stage: int | None = None  # that of the steady stretch, from 1; None where it is not known (yet)
    stage_plate_w: float | None = None  # what the plate says of it, after derating
    stage_likely: bool = False  # nothing but the output tells it
    entering_c: float | None = None
    return_c: float | None = None
    supply_c: float | None = None
    rise_k: float | None = None
    rise_window_k: tuple[float, float] | None = None
    dry_air_kg_s: float | None = None
    airflow_m3_s: float | None = None
    airflow_u95: float | None = None  # a fraction of the flow
    airflow_from: str = ""  # "traverse", "typed", "probe", "stage 1"
    tests: tuple[TestState, ...] = ()
    window_s: float | None = None
    hold_s: float = 60.0
    held_s: float = 0.0
    steady_since_s: float | None = None
    steady_for_s: float = 0.0
    residual_bound: float | None = None  # B / output, one-sided
    time_constant_s: float | None = None  # fitted, upper 95 %
    decidable_tolerance: float | None = None
    efficiency: float | None = None  # output over the measured gas input, of the steady stretch
    efficiency_u95: float | None = None
    probes: tuple[ProbeState, ...] = ()
    firings: int = 0
    silent_s: float | None = None  # no reading of any probe for so long: nothing is known of now


def silenced(snapshot: Snapshot, silent_s: float) -> Snapshot:
    """The picture of a run that no probe speaks to: without the values that are not of its moment.

    What each probe said last stays, beside its age.
    """
    return replace(
        snapshot,
        silent_s=silent_s,
        output_w=None,
        output_u95_w=None,
        output_is_final=False,
        stage=None,
        stage_plate_w=None,
        stage_likely=False,
        sensible_w=None,
        sensible_u95_w=None,
        latent_w=None,
        latent_u95_w=None,
        entering_c=None,
        return_c=None,
        supply_c=None,
        rise_k=None,
        dry_air_kg_s=None,
        airflow_m3_s=None,
        tests=(),
        window_s=None,
        held_s=0.0,
        steady_since_s=None,
        steady_for_s=0.0,
        residual_bound=None,
        efficiency=None,
        efficiency_u95=None,
    )


TRACE_COLUMNS: tuple[str, ...] = (
    "t_s",
    "phase",
    "entering_c",
    "return_c",
    "supply_c",
    "rise_k",
    "humidity_ratio",
    "pressure_pa",
    "velocity_m_s",
    "dry_air_kg_s",
    "air_heat_w",
    "output_w",
)
"""One row a tick, all numbers (``phase`` as its place in ``Phase``); None where it cannot be had."""
