"""The uncertainty budget of one output: which lines there are, and how large each is.

Source: GUM (JCGM 100) 5.1.2 for the sensitivities, G.4 for independence: the fan phase gives fan
heat and the probes' zero difference together, so what is common to both phases cancels in
output = m1 dh1 - (rho1/rho0) m0 dh0 and is taken out before the lines are drawn up.

What may be wrong                              line
own zero error of each probe                   supply temperature, entering temperature: what of it
                                               the fan phase before the firing does not cancel
error common to all probes                     none: it cancels in the rise; what it does to the
                                               density at the fan is below 0.1 % of the output
gain of each probe                             supply probe gain, entering probe gain
one spot for a whole stream                    supply placement, entering placement
one probe follows later than the other         probe lag
airflow: calibration, sampling, area ...       airflow (typed), airflow: ... (a traverse's own lines)
live velocity                                  velocity probe, beside the airflow's
from the traverse to the firing                flow carry-over; fan inlet then, where its temperature counts;
                                               burner not said, where it counts and is not plain
mass of a volume                               pressure, humidity
stated share of outdoor air                    outdoor air
noise of the stretch's mean                    scatter: by lag-1 correlation or by batches, the larger
what is still to come                          residual drift
fan heat: measured, typed, unknown             fan heat; noise and creep of the fan phase are in it, and
                                               where a drive keeps the mass of ever hotter air, its work
heat that an earlier firing left in the metal  fan-phase residual heat
heat through the casing                        casing loss
cooling: humidity of both sides                entering humidity, supply humidity, each also near
                                               saturation, and of matched probes humidity in common; else
                                               supply moisture
cooling: error common to all probes            temperature in common: it does not cancel in the moisture
"""

from __future__ import annotations

from math import hypot, inf, sqrt
from typing import NamedTuple

from logger.core.budget import BudgetLine
from logger.core.carry import burner_u, carry, dried
from logger.core.coil_lines import Both, Swells, both, coil_lines, unknown_moisture
from logger.core.heat import WATER_CP_RATIO
from logger.core.humidity_probe import PROBE_U
from logger.core.params import (
    AirflowSource,
    FanDrive,
    FanHeatMode,
    JobParams,
    OutdoorAir,
    Role,
    UnitKind,
)
from logger.core.probe_lines import probe_lines
from logger.core.stretch import (
    FAN_W_PER_KG_S,
    ROOT3,
    SLOW_TAU_S,
    WATER_V_RATIO,
    FanPhase,
    Means,
    Seen,
    Stretch,
    fan_ratio,
)
from logger.core.units import ZERO_C_K

CASING_MEAN, CASING_U = 0.01, 0.02 / 2 / ROOT3  # of input: 0..2 %, rectangular (assumed, design)
CASING_EFFICIENCY = {  # where the plate has no input: input = output over this, else air heat over it
    UnitKind.GAS: 0.8,  # (assumed)
    UnitKind.ELECTRIC: 1.0,  # no flue
}
CARRY_OVER_U, CARRY_OVER_TORQUE_U = 0.01, 0.03  # of the flow: assumed (design)
LEAST_RH = 0.2  # fraction: driest room in which its relative error is taken (assumed)
GIVEN_FAN_U95 = 0.10  # of a fan power that is typed in (assumed)


def casing_loss_w(job: JobParams, net_w: float) -> tuple[float, float]:
    """Casing loss and its standard uncertainty, W; assumed 0..2 % of input where not given.

    ``net_w``: air heat less fan heat; where the plate says nothing the input comes of it.
    """
    if not job.unit.kind.fan_apart:
        return 0.0, 0.0
    if job.unit.casing_loss_w is not None:
        return job.unit.casing_loss_w, 0.0
    share = CASING_EFFICIENCY[job.unit.kind]
    plate_w = job.unit.plate_input_w or (job.unit.plate_output_w or 0.0) / share
    input_w = plate_w * job.unit.derate_factor or max(net_w, 0.0) / share
    return CASING_MEAN * input_w, CASING_U * input_w


def steady_casing_w(job: JobParams) -> float | None:
    """Casing loss where it is the same whatever the air takes up, W; None where it goes with that."""
    without, with_heat = (casing_loss_w(job, net_w)[0] for net_w in (0.0, 1.0))
    return without if without == with_heat else None


def drift_bound_w(stretch: Stretch, t_factor: float) -> float | None:
    """One-sided bound B of what a slow tail may still add or take beyond the stretch's mean, W.

    None if not to be had. Of the mean, for that is what is published: an approach of time constant tau
    has |slope| tau = what is left, and the slope of a line through a stretch is that near its middle. At
    the stretch's start more was left: of a tail of 900 s half as much again after 12 minutes. Over
    stretches of several tau the line's slope says less than the mean lacks, which by then is little
    (a tail of 900 s over 30 minutes: 6 % too little).
    """
    line = stretch.line
    if line is None:
        return None
    slope = abs(line.slope)
    if line.slope_se is not None:
        slope += t_factor * line.slope_se
    else:  # too few independent points: the scatter may all be slope
        slope += 4.0 * line.scatter / line.n
    return slope / stretch.grid_s * slow_tau_s(stretch)


def slow_tau_s(stretch: Stretch) -> float:
    """Time constant by which the bound of the mean is reckoned, s."""
    return max(stretch.tau_s or 0.0, SLOW_TAU_S)


def budget(
    job: JobParams,
    means: Means,
    fan: FanPhase | None,
    stretch: Stretch,
    drift_w: float | None,
    seen: Seen,
) -> list[BudgetLine]:
    """Draw up the budget of an output; lines that weigh nothing are left out."""
    watt_per_k = means.air_heat_w / means.rise_k if means.rise_k else 0.0
    coil = both(means, stretch.coil)
    net_w = means.air_heat_w - means.fan_heat_w
    lines = [
        *probe_lines(job, means, fan, stretch, coil.watt_per_k() if coil else (watt_per_k, watt_per_k)),
        *_flow_lines(job, means),
        *_state_lines(job, means, seen, coil),
        _outdoor_line(job, means, fan, watt_per_k),
        *_stretch_lines(stretch, drift_w),
        _fan_line(job, means, fan),
        _residual_line(means, fan),
        BudgetLine("casing loss", casing_loss_w(job, net_w)[1], assumed=job.unit.casing_loss_w is None),
    ]
    if stretch.coil is not None and coil is None:
        lines.append(unknown_moisture(means, net_w))
    return [line for line in lines if line.u_w > 0.0]


def _flow_lines(job: JobParams, means: Means) -> list[BudgetLine]:
    """Airflow, its way from the traverse to the firing, and what turns volume into dry mass."""
    flow, net_w = job.airflow, abs(means.air_heat_w - means.fan_heat_w)
    lines = [BudgetLine("airflow", flow.u95 / 2.0 * net_w, assumed=flow.u95_assumed)]
    if flow.lines:
        lines = [
            BudgetLine(f"airflow: {part.source}", part.u * net_w, nu=part.nu, assumed=part.assumed)
            for part in flow.lines
        ]
    if flow.source is AirflowSource.PROBE:
        u = sum(p.u95 / 2.0 for p in job.probes_of(Role.VELOCITY) if p.name == flow.probe)
        guess = any(p.u95_assumed for p in job.probes_of(Role.VELOCITY) if p.name == flow.probe)
        lines.append(BudgetLine("velocity probe", u * net_w, assumed=guess))
    else:
        torque = job.unit.fan_drive is FanDrive.TORQUE
        over_u = CARRY_OVER_TORQUE_U if torque else CARRY_OVER_U
        lines.append(BudgetLine("flow carry-over", over_u * net_w, assumed=True))
        lines.append(
            BudgetLine(
                "burner not said",
                burner_u(job.unit, flow, means.entering_c, means.inlet_c) * net_w,
                assumed=True,
            )
        )
        inlet_u = carry(job.unit, flow).inlet_u_k / (means.inlet_c + ZERO_C_K)  # m goes with T then / T now
        lines.append(BudgetLine("fan inlet then", inlet_u * net_w, assumed=True))
    return lines


class PressureU(NamedTuple):
    """Standard uncertainty of the pressure now, Pa, and the power with which the dry mass goes with it; then
    what the mass is uncertain by, a fraction, from the pressure at the measurement of the airflow."""

    u_pa: float
    now: float
    then: tuple[float, ...]
    assumed: bool


def pressure_u(job: JobParams, means: Means, seen: Seen) -> PressureU:
    """How well the pressure is known, now and when the airflow was measured."""
    carried = carry(job.unit, job.airflow)
    u_pa, guess = job.pressure_u_pa, job.pressure_assumed
    if seen.pressure:
        probe = job.probes_of(Role.PRESSURE)[0]
        u_pa, guess = probe.u95 / 2.0, probe.u95_assumed
    if not carried.pressure_then:
        return PressureU(u_pa, carried.pressure_now, (), guess)
    # two sources; one of them may be wrong by all that they differ
    then_pa = job.airflow.pressure_pa or means.pressure_pa
    gap_u_pa = (then_pa - job.pressure_pa) / ROOT3
    then = tuple(carried.pressure_then * part / then_pa for part in (job.airflow.pressure_u_pa, gap_u_pa))
    return PressureU(u_pa, carried.pressure_now, then, assumed=True)


def water_swells(job: JobParams) -> Swells:
    """Water in a volume displaces dry air; a standard velocity was misread by it. Behind a coil it is the
    dried air's, where that is what the fan or the velocity probe has."""
    carried = carry(job.unit, job.airflow)
    swells = 0.0 if carried.holds_mass else WATER_V_RATIO - (WATER_V_RATIO - 1.0) * carried.reading
    behind = job.unit.kind.cools and dried(job) is not None
    return Swells(0.0, swells) if behind else Swells(swells, 0.0)


def _state_lines(job: JobParams, means: Means, seen: Seen, coil: Both | None) -> list[BudgetLine]:
    """Pressure and humidity: what turns a volume or a velocity into dry mass, and mass into heat."""
    net_w = abs(means.air_heat_w - means.fan_heat_w)
    air, swells = pressure_u(job, means, seen), water_swells(job)
    now = air.now * air.u_pa / means.pressure_pa
    if coil is not None:  # what it does to the moisture of both sides, with its sign
        now = abs(now + coil.pressure_w_pa() * air.u_pa / net_w) if net_w else 0.0
    lines = [BudgetLine("pressure", hypot(now, *air.then) * net_w, assumed=air.assumed)]
    if coil is not None:
        return lines + coil_lines(job, coil, net_w, swells)
    # the humidity ratio goes with the relative humidity; a drier room than assumed is the larger part
    u_rh = PROBE_U if seen.humidity else job.humidity_u / job.humidity
    u_ratio = u_rh / LEAST_RH if seen.humidity else u_rh
    weight_w = abs(WATER_CP_RATIO - sum(swells)) * means.humidity_ratio * net_w
    lines.append(BudgetLine("humidity", u_ratio * weight_w, assumed=True))
    return lines


def _outdoor_line(job: JobParams, means: Means, fan: FanPhase | None, watt_per_k: float) -> BudgetLine:
    """A stated share of outdoor air: what of its error the fan phase does not cancel."""
    share = job.unit.outdoor_fraction
    if job.unit.outdoor_air is not OutdoorAir.FRACTION or share <= 0.0 or job.probes_of(Role.MIXED):
        return BudgetLine("outdoor air", 0.0)
    mixed_w = watt_per_k * (means.return_c - means.entering_c)
    if fan is not None:
        mixed_w -= fan_ratio(means, fan) * fan.watt_per_k * (fan.return_c - fan.entering_c)
    return BudgetLine("outdoor air", job.unit.outdoor_fraction_u95 / 2.0 / share * abs(mixed_w))


def _stretch_lines(stretch: Stretch, drift_w: float | None) -> list[BudgetLine]:
    """Scatter of the mean, the larger of two estimates, and the slow tail."""
    line = stretch.line
    if line is None:
        return []
    scatter = BudgetLine("scatter", line.scatter / sqrt(line.n_eff), nu=max(line.n_eff - 2.0, 1.0))
    if stretch.batch_w is not None and stretch.batch_w[0] > scatter.u_w:
        scatter = BudgetLine("scatter", *stretch.batch_w)
    return [scatter, BudgetLine("residual drift", (drift_w or 0.0) / ROOT3)]


def _fan_line(job: JobParams, means: Means, fan: FanPhase | None) -> BudgetLine:
    """Fan heat: as well as the fan phase gave it, as typed, or not known at all."""
    mode = job.unit.fan_heat
    if mode is FanHeatMode.NONE or not job.unit.kind.fan_apart:
        return BudgetLine("fan heat", 0.0)
    if mode is FanHeatMode.GIVEN:
        return BudgetLine("fan heat", GIVEN_FAN_U95 / 2.0 * (job.unit.fan_heat_w or 0.0), assumed=True)
    if fan is None:  # 0 .. twice the usual power, whose middle is taken off (GUM 3.2.4, 4.3.7)
        return BudgetLine("fan heat", FAN_W_PER_KG_S * means.dry_air_kg_s / ROOT3, assumed=True)
    ratio, nu = fan_ratio(means, fan), max(fan.rise_nu, 1.0)
    u_w = ratio * fan.watt_per_k * fan.rise_u_k
    gap_w = 0.0
    if job.unit.fan_drive in (FanDrive.PROGRAMMED_FLOW, FanDrive.TORQUE):
        # volume x pressure, and the pressure of a duct goes with m2 / rho: the work of one mass goes with
        # 1 / rho2, not with rho. Fan laws (ASHRAE Handbook HVAC Systems and Equipment, fans; recalled)
        gap_w = abs(ratio**-2 - ratio) * abs(fan.fan_heat_w) / ROOT3
    both_w = hypot(u_w, gap_w)
    return BudgetLine(
        "fan heat", both_w, nu=nu * (both_w / u_w) ** 4 if u_w > 0.0 else inf, assumed=gap_w > u_w
    )


def _residual_line(means: Means, fan: FanPhase | None) -> BudgetLine:
    """Heat left in cabinet and curb passes for fan heat: one-sided, as the slow tail of a stretch."""
    tail_w = 0.0 if fan is None else fan_ratio(means, fan) * fan.watt_per_k * fan.tail_k
    return BudgetLine("fan-phase residual heat", tail_w / ROOT3)
