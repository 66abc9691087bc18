"""One firing of the unit, from the first sign in the air to the end of the cool-down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import inf

from logger.core.air import enthalpy_j_kg
from logger.core.assess import budget, casing_loss_w, drift_bound_w, slow_tau_s
from logger.core.budget import BudgetLine, Combined, combine
from logger.core.coil_parts import Parts, parts_u95
from logger.core.gas import GasInput
from logger.core.params import FanPosition, JobParams, Role
from logger.core.stretch import CoilMeans, FanPhase, Means, Seen, Stretch
from logger.core.student import t975
from logger.core.tail import start_bound
from logger.core.verdict import Verdict, decidable_tolerance, judge

STAGE_CHANGE = 0.10  # two plateaus further apart are two stages (design)


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyStretch:
    """A steady stretch: when, what, and how sure. Times in s since the run's start."""

    start_s: int
    end_s: int
    means: Means
    return_c: float | None
    line: Stretch
    drift_w: float | None
    start_share: float | None = None  # of the output: bound of what was still to come at its start
    lines: tuple[BudgetLine, ...]
    combined: Combined
    parts_u95: Parts | None = None  # of a unit that cools, where its total is told
    sensible_u95_w: float | None = None  # of a unit that cools
    gas: GasInput | str = ""  # input over the stretch, or why there is none
    seen: Seen
    stage: int | None = None  # whose airflow it was reckoned with, where each stage has its own
    untold: str = ""  # why that stage is not known, and with it neither airflow nor output

    @property
    def total_told(self) -> bool:
        """Whether ``means.output_w`` is the output; where a unit cools it may be sensible heat alone."""
        return self.line.coil is None or self.line.coil.told

    @property
    def seconds(self) -> int:
        """Length of the stretch."""
        return self.end_s - self.start_s


def full_fire(stretches: Sequence[SteadyStretch]) -> list[SteadyStretch]:
    """The stretches of the highest plateau."""
    full_w = max((s.means.output_w for s in stretches), default=0.0)
    return [s for s in stretches if s.means.output_w >= (1.0 - STAGE_CHANGE) * full_w]


@dataclass(slots=True, kw_only=True)
class Firing:
    """A firing as it grows; complete once ``end_s`` is set."""

    start_s: int
    fan: FanPhase | None
    stretches: list[SteadyStretch]
    end_s: int | None = None
    energy_j: float | None = 0.0  # None where the airflow between its stages, or a humidity, is not known
    fall_s: int | None = None  # where the rise broke down
    onset_seen: bool = True  # its beginning was seen, or a velocity showed that air moved
    on_already: bool = False  # it was on before any fan phase was seen
    outdoor_suspected: bool = False  # the fan phase before it shows outdoor air
    fan_velocity_m_s: float | None = None  # in the fan phase, where the config has an airflow for each stage
    fan_implausible: bool = False  # the fan heat that it shows is none
    flow_changed_s: int | None = None  # from when a velocity probe showed that the airflow had changed
    aided: bool = False  # a higher level may be auxiliary heat: none is taken for the full one
    highest_k: float = 0.0  # highest mean rise over a shortest window
    defrosts: list[tuple[int, int]] = field(default_factory=list)  # from, to
    pauses: list[tuple[int, int]] = field(default_factory=list)  # the heat off for a while, and no defrost

    @property
    def best(self) -> SteadyStretch | None:
        """The longest steady stretch of the highest plateau, or of all; the earlier of two equals.

        Only full fire is compared with the full plate, so a lower plateau of a burner never wins.
        """
        told = [s for s in self.stretches if not s.untold]
        told = [s for s in told if s.total_told] or told  # a coil's sensible heat where there is no total
        return max(told if self.aided else full_fire(told), key=lambda s: s.seconds, default=None)

    def stages_differ(self) -> bool:
        """Whether two plateaus lie more than 10 % apart."""
        best = self.best
        return best is not None and any(
            abs(s.means.output_w - best.means.output_w) > STAGE_CHANGE * abs(best.means.output_w)
            for s in self.stretches
            if not s.untold and s.total_told and best.total_told  # sensible heat alone is no level of a total
        )

    def higher_level_seen(self) -> bool:
        """Whether the rise stood more than 10 % above every plateau without being steady there."""
        low_k = (1.0 - STAGE_CHANGE) * self.highest_k
        return self.best is not None and all(abs(s.means.rise_k) < low_k for s in self.stretches)


def assess_stretch(
    job: JobParams,
    *,
    start_s: int,
    end_s: int,
    means: Means,
    return_c: float | None,
    line: Stretch,
    fan: FanPhase | None,
    seen: Seen,
) -> SteadyStretch:
    """Put the budget of a stretch together."""
    drift_w = stretch_drift_w(line)
    lines = budget(job, means, fan, line, drift_w, seen)
    parts = parts_u95(job, means, line, seen, lines)
    start_share = None
    if drift_w is not None and means.output_w:
        slope_1_s = drift_w / slow_tau_s(line) / abs(means.output_w)
        start_share = start_bound(slope_1_s, end_s - start_s, line.tau_s or 0.0, job.steady.remaining)
    return SteadyStretch(
        start_s=start_s,
        end_s=end_s,
        means=means,
        return_c=return_c,
        line=line,
        drift_w=drift_w,
        start_share=start_share,
        lines=tuple(lines),
        combined=combine(lines),
        seen=seen,
        parts_u95=parts,
        sensible_u95_w=parts.sensible_w if parts else _sensible_u95_w(job, means, line, drift_w, seen),
    )


def _sensible_u95_w(
    job: JobParams, means: Means, line: Stretch, drift_w: float | None, seen: Seen
) -> float | None:
    """U95 of the sensible heat where the supply's moisture is not told: that of a dry process."""
    if line.coil is None:
        return None
    dry = replace(means, air_heat_w=-line.coil.sensible_w, output_w=line.coil.sensible_w)
    untold = replace(line, coil=replace(line.coil, told=False))
    return combine(budget(job, dry, None, untold, drift_w, seen)).u95_w


def stretch_drift_w(behaviour: Stretch) -> float | None:
    """Bound of what may still come beyond the mean of a stretch, W; None if it is not to be had."""
    line = behaviour.line
    t_factor = t975(line.n_eff - 2.0) if line is not None and line.slope_se is not None else 0.0
    return drift_bound_w(behaviour, t_factor)


def plate_output_w(job: JobParams) -> float | None:
    """The plate's output, lowered where the unit was derated."""
    plate_w = job.unit.plate_output_w
    return None if plate_w is None else plate_w * job.unit.derate_factor


def verdict_of(job: JobParams, stretch: SteadyStretch) -> Verdict | None:
    """JCGM 106 against the plate; None without one."""
    plate_w = plate_output_w(job)
    if plate_w is None:
        return None
    sum_ = stretch.combined
    return judge(stretch.means.output_w, sum_.u_w, sum_.nu_eff, plate_w, job.unit.tolerance)


def expected(job: JobParams) -> tuple[float, float] | None:
    """Before any firing: u95 that this set-up may reach, W, and the tolerance it can decide.

    Taken at the plate's output, with a measured fan phase and no scatter; None without a plate.
    """
    plate_w = plate_output_w(job)
    if plate_w is None or plate_w <= 0.0:
        return None
    casing_w, _ = casing_loss_w(job, plate_w)
    heat_w = plate_w - casing_w
    if job.unit.kind.cools:
        return _expected_cooling(job, plate_w)
    rise_k = 25.0 if job.unit.kind.fan_apart else 12.0  # K: typical of fire, and of a heat pump (assumed)
    if job.unit.rise_window_k is not None:
        rise_k = sum(job.unit.rise_window_k) / 2.0
    flow_kg_s = heat_w / (1_018.0 * rise_k)  # J/kg K of moist air at 20 degC, 50 %
    means = Means(
        entering_c=20.0,
        supply_c=20.0 + rise_k,
        rise_k=rise_k,
        humidity_ratio=0.0073,
        pressure_pa=job.pressure_pa,
        dry_air_kg_s=flow_kg_s,
        air_heat_w=heat_w,
        fan_heat_w=0.0,
        output_w=plate_w,
        return_c=20.0,
        inlet_c=20.0 + (rise_k if job.unit.fan is FanPosition.DRAW_THROUGH else 0.0),
    )
    fan = FanPhase(
        fan_heat_w=0.0,
        entering_c=20.0,
        supply_c=20.0,
        humidity_ratio=0.0073,
        pressure_pa=job.pressure_pa,
        watt_per_k=heat_w / rise_k,
        return_c=20.0,
        inlet_c=20.0,
        rise_u_k=0.0,
        rise_nu=inf,
        seconds=0.0,
    )
    measured = job.unit.fan_heat.value == "measured" and job.unit.kind.fan_apart
    seen = Seen(humidity=False, pressure=bool(job.probes_of(Role.PRESSURE)))
    nothing = Stretch(line=None, grid_s=1, tau_s=None)
    sum_ = combine(budget(job, means, fan if measured else None, nothing, None, seen))
    return sum_.u95_w, decidable_tolerance(sum_.u95_w, plate_w)


ROOM_C, ROOM_W = 26.7, 0.0112  # 80 degF dry, 67 degF wet bulb, the usual rating condition; recalled
COIL_C, COIL_W = 14.0, 0.0092  # air behind a usual coil (assumed)


def _expected_cooling(job: JobParams, plate_w: float) -> tuple[float, float]:
    """The same of a coil at its usual conditions, with both humidities."""
    fall_j_kg = enthalpy_j_kg(ROOM_C, ROOM_W) - enthalpy_j_kg(COIL_C, COIL_W)
    flow_kg_s = plate_w / fall_j_kg
    sensible_w = flow_kg_s * (enthalpy_j_kg(ROOM_C, COIL_W) - enthalpy_j_kg(COIL_C, COIL_W))
    means = Means(
        entering_c=ROOM_C,
        supply_c=COIL_C,
        rise_k=COIL_C - ROOM_C,
        humidity_ratio=ROOM_W,
        pressure_pa=job.pressure_pa,
        dry_air_kg_s=flow_kg_s,
        air_heat_w=-plate_w,
        fan_heat_w=0.0,
        output_w=plate_w,
        return_c=ROOM_C,
        inlet_c=COIL_C if job.unit.fan is FanPosition.DRAW_THROUGH else ROOM_C,
    )
    coil = CoilMeans(sensible_w, COIL_W, told=True)
    seen = Seen(humidity=True, pressure=bool(job.probes_of(Role.PRESSURE)))
    nothing = Stretch(line=None, grid_s=1, tau_s=None, coil=coil)
    sum_ = combine(budget(job, means, None, nothing, None, seen))
    return sum_.u95_w, decidable_tolerance(sum_.u95_w, plate_w)
