"""The fan phase before a firing: fan heat and the probes' zero difference, had together."""

from __future__ import annotations

from dataclasses import replace
from math import hypot, sqrt

from logger.core.carry import carry
from logger.core.coil_lines import zero_u_w
from logger.core.kind_words import CHANGE, INLET, SPELL
from logger.core.ledger import Ledger, means
from logger.core.line import MIN_POINTS, Line
from logger.core.params import FanHeatMode, JobParams, Role, UnitKind
from logger.core.probe_lines import WRONG_WAY_K, mean_own_u
from logger.core.steady import RISE, SteadyDetector
from logger.core.stretch import (
    BLOCK_S,
    FAN_W_PER_KG_S,
    ROOT3,
    FanPhase,
    Means,
    drifts_k_s,
    heat_ratio,
    means_from,
)
from logger.core.student import t975
from logger.core.texts import Say, difference_text, duration_text, power_text

RUN_UP_S = 30  # s left out after the fan's start where the rest is enough: probes and duct follow (assumed)
MARGIN_S = 10  # s kept off the end of a fan phase: the firing may be dated late (assumed)
UNSEEN_S = 60  # s that a fan runs before the rise alone shows it: a flat minute after a jump (derived)
GRACE_S = 15  # s a fan phase may seem shorter than it was: fan and firing are dated from the air
FLAT_K = 0.1  # K: what a fan phase's slope may still bring within a time constant (design)
TREND_TOLD = 1.5  # times t SE: slow noise passes for a trend more often than the 5 % of t SE (assumed)
LEFT_TAU_S = 1_800.0  # s: time constant of the heat that a cabinet and curb still hold (assumed)
WRONG_WAY = (
    "Supply air {gap} colder than return air with the fan alone: see first whether the probes of return and "
    "supply were swapped; else outdoor air seems to be mixed in; shut the damper or put a probe of role "
    "mixed before the {inlet}."
)
NOT_APART = "; the plate's output has the fan in it, so it is not taken off."
USUAL_FAN_TEXT = "773 W per m3/s (365 W per 1000 cfm)"
USUAL_RISE_K = FAN_W_PER_KG_S / 1_018.0  # K: of the usual fan; J/kg K of moist air at 20 degC, 50 %


class FanGauge:
    """Measures fan phases; ``phase`` is the last one accepted, the flags are what it shows."""

    def __init__(self, job: JobParams, detector: SteadyDetector, ledger: Ledger, say: Say) -> None:
        self._job = job
        self._detector = detector
        self._ledger = ledger
        self._say = say
        self.phase: FanPhase | None = None
        self.outdoor_suspected = False
        self.implausible = False  # no fan has the heat that it shows
        self._fired = False  # since the last accepted phase
        self._ended_s = 0  # where that phase ended
        self._apart = job.unit.kind.fan_apart
        self._spell, self._inlet = SPELL[job.unit.kind], INLET[job.unit.kind]
        guess = job.unit.fan_heat is FanHeatMode.MEASURED and self._apart
        self._usual_w_per_kg_s = FAN_W_PER_KG_S if guess else 0.0
        self._unseen_s = 0 if job.probes_of(Role.VELOCITY) else UNSEEN_S
        self._by_mass = carry(job.unit, job.airflow).fan_by_mass

    def heat_w(self, ratio: float, dry_air_kg_s: float) -> float:
        """Fan heat at a moment: measured and carried by ``ratio``, typed, or the usual of such a flow.

        None is taken off where the plate's output has it in.
        """
        if not self._apart:
            return 0.0
        if self.phase is not None:
            return ratio * self.phase.fan_heat_w
        return (self._job.unit.fan_heat_w or 0.0) + self._usual_w_per_kg_s * dry_air_kg_s

    def measure(self, tick: int, start_s: int, *, had_fan: bool, on_already: bool = False) -> None:
        """Accept the fan phase before a firing that began at ``start_s``, or say why not.

        ``on_already``: what was taken for a fan phase is the firing itself.
        """
        why = (
            f"no fan phase was seen before the {self._spell} (without a velocity probe the fan must be seen "
            "to start)"
        )
        if on_already:
            why = "the unit was on already when the log began or went on"
        elif had_fan and (gap_k := self._wrong_way_k(start_s)):
            self.outdoor_suspected = True
            why = f"the supply air was {'warmer' if gap_k < 0.0 else 'colder'} than the entering air"
            if self._apart:
                self._say(
                    tick,
                    "outdoor-air-suspected",
                    WRONG_WAY.format(gap=difference_text(gap_k), inlet=self._inlet),
                )
        elif had_fan:
            found, why = self._flat(tick, start_s)
            if found is not None:
                self._compare(tick, found)
                self.phase, self._fired, self._ended_s = found, True, start_s
                self._check(tick, found)
                return
        self._fired = self.phase is not None
        if not self._apart:
            return
        age = duration_text(start_s - self._ended_s)
        rest = f"the last fan phase of this run is used, which ended {age} before."
        if self.phase is None:
            rest = f"the usual {USUAL_FAN_TEXT} is assumed and taken off, none to twice that in the budget."
        least_s = self._job.cycles.min_fan_phase_s + self._unseen_s
        self._say(
            tick,
            "fan-heat-unknown",
            f"Fan heat not measured: {why}; {rest} "
            f"Run the fan alone at heating speed for {least_s:.0f} s before the next {self._spell}.",
        )

    def _wrong_way_k(self, start_s: int) -> float:
        """How much colder (below 0: warmer) the supply air was, K, where no fan phase has it so; or 0."""
        end_s = start_s - MARGIN_S
        at = self._ledger.at
        mean = means(at(end_s - round(self._job.cycles.min_fan_phase_s)), at(end_s))
        rise_k = 0.0 if mean is None else means_from(mean).rise_k
        return -rise_k if (rise_k if self._job.unit.kind.cools else -rise_k) > WRONG_WAY_K else 0.0

    def measure_after(self, tick: int, end_s: int) -> None:
        """A fan phase ends with no firing behind it: a second estimate of what stood before the firing."""
        if self._fired and self.phase is not None:
            found, _ = self._flat(tick, end_s)
            if found is not None:
                self._compare(tick, found)

    def _compare(self, t_s: int, after: FanPhase) -> None:
        """Hold a fan phase against the one before the firing between them.

        What the probes are off by is in both; scatter, creep and the tail of residual heat are not.
        """
        before = self.phase
        if before is None or not self._fired:
            return
        self._fired = False
        ratio = heat_ratio(
            after.watt_per_k / _cp(after.humidity_ratio),
            *(after.inlet_c, after.humidity_ratio, after.pressure_pa),
            before,
        )
        moved_w = after.fan_heat_w - ratio * before.fan_heat_w
        u_w = hypot(
            *(
                scale * phase.watt_per_k * hypot(phase.rise_u_k, phase.tail_k / ROOT3)
                for scale, phase in ((ratio, before), (1.0, after))
            )
        )
        u95_w = t975(max(min(before.rise_nu, after.rise_nu), 1.0)) * u_w
        if abs(moved_w) > u95_w:
            text = (
                f"The fan phase after the {self._spell} gives {power_text(abs(moved_w))} "
                f"{'more' if moved_w > 0.0 else 'less'} than the one before it, beyond the "
                f"{power_text(u95_w)} that scatter and residual heat allow: a probe has moved its zero, or "
                "the airflow has changed. Match the probes again, take one traverse point again."
            )
            self._say(t_s, "fan-phase-drift", text)

    def _flat(self, tick: int, start_s: int) -> tuple[FanPhase | None, str]:
        """Find the longest flat part of the fan phase that ends with it; or say what is wrong.

        Flat: the slope brings less than ``FLAT_K`` in a time constant. What its uncertainty leaves
        open is no reason to refuse the phase: it goes into the budget. Nor is the far slower tail of a
        cabinet that an earlier firing has warmed: its slope times ``LEFT_TAU_S`` goes there too.
        """
        series, grid_s = self._detector.series, self._detector.grid_s
        end_s = start_s - MARGIN_S
        back = (tick - end_s) // grid_s
        longest = min(series.available(back), series.keep)
        asked_s = self._job.cycles.min_fan_phase_s
        least = max(round((asked_s - GRACE_S - MARGIN_S) / grid_s), MIN_POINTS)
        if longest < least:
            seen_s = max(longest * grid_s + MARGIN_S, 0)
            late = ", the minute before it is seen not counted" if self._unseen_s else ""
            return None, f"the fan phase lasted {seen_s} s, {asked_s:.0f} s are needed{late}"
        tau_s = self._job.steady.time_constant_s
        longest = max(longest - RUN_UP_S // grid_s, least)
        for window in sorted({longest, max((longest + least) // 2, least), least}, reverse=True):
            line = series.line(RISE, window, self._detector.floor, back=back)
            if line is None or line.slope_se is None:
                continue
            if abs(line.slope) / grid_s * tau_s >= FLAT_K:
                continue
            mean = means(self._ledger.at(end_s - window * grid_s), self._ledger.at(end_s))
            if mean is not None:
                found = self._found(means_from(mean), line, line.slope_se, window)
                return replace(found, drifts_k_s=self._drifts_k_s(end_s - window * grid_s, end_s)), ""
        return (
            None,
            f"the {CHANGE[self._job.unit.kind]} was not flat in the fan phase (residual heat of an earlier "
            f"{self._spell}, or noise?)",
        )

    def _drifts_k_s(self, start_s: int, end_s: int) -> tuple[float, float]:
        """Change of supply and entering temperature over the phase, K/s."""
        at, block_s = self._ledger.at, min(BLOCK_S, (end_s - start_s) // 4)
        head, tail = (at(start_s), at(start_s + block_s)), (at(end_s - block_s), at(end_s))
        return drifts_k_s(head, tail, end_s - start_s - block_s)

    def _found(self, mean: Means, line: Line, slope_se: float, window: int) -> FanPhase:
        """A flat part as it is kept, with what its slope and that slope's uncertainty leave open."""
        grid_s = self._detector.grid_s
        spread = t975(line.n_eff - 2.0) * slope_se
        creep_k = spread / grid_s * self._job.steady.time_constant_s
        slope_k_s = line.slope / grid_s if abs(line.slope) > TREND_TOLD * spread else 0.0
        tail_k = (abs(line.slope) + spread) / grid_s * LEFT_TAU_S
        return replace(
            _phase(mean, line, creep_k / 2.0, window * grid_s),
            tail_k=min(tail_k, self._most_left_k(line, climbs=slope_k_s > 0.0)),
            slope_k_s=slope_k_s,
            held_kg_s=mean.dry_air_kg_s if self._by_mass else None,
        )

    def _most_left_k(self, line: Line, *, climbs: bool) -> float:
        """What of a rise a tail may hold at most, K, as the half-width of a rectangle.

        A fan gives no less than nothing and no more than twice the usual; the probes' zero difference
        comes on top.
        """
        most_k = 2.0 * USUAL_RISE_K - line.mean if climbs else line.mean
        return hypot(max(most_k, 0.0), ROOT3 * self._zero_u_k())

    def _zero_u_k(self) -> float:
        job = self._job
        return hypot(mean_own_u(job.entering_probes()), mean_own_u(job.probes_of(Role.SUPPLY)))

    def _heat_u_w(self, fan: FanPhase) -> float:
        """Of the fan heat; at a cooling coil it is that of moist air on both sides."""
        rise_u_k = hypot(self._zero_u_k(), fan.rise_u_k)
        if self._job.unit.kind is not UnitKind.COOLING:
            return fan.watt_per_k * rise_u_k
        kg_s = fan.watt_per_k / _cp(fan.humidity_ratio)
        return zero_u_w(self._job, fan.supply_c, fan.humidity_ratio, fan.pressure_pa, kg_s, rise_u_k)

    def _check(self, t_s: int, fan: FanPhase) -> None:
        """Say the fan heat, and whether it can be one."""
        job = self._job
        u95_w = 2.0 * self._heat_u_w(fan)
        told_w = hypot(u95_w, 2.0 * fan.watt_per_k * fan.tail_k / ROOT3)
        self._say(
            t_s,
            "fan-heat-measured",
            f"Fan heat {power_text(fan.fan_heat_w)} ± {power_text(told_w)}, from {fan.seconds:.0f} s of "
            f"fan phase (its ends left out); the probes' zero difference is in it"
            f"{f' and cancels.{_trend(fan)}' if self._apart else NOT_APART}",
        )
        most_w = 2.0 * USUAL_RISE_K * fan.watt_per_k
        negative = fan.fan_heat_w + u95_w < 0.0
        self.implausible = negative or fan.fan_heat_w - u95_w > most_w
        if self.implausible:
            self._say(
                t_s,
                "fan-heat-implausible",
                f"The fan phase gives a fan heat that no fan has: look for outdoor air first, then "
                f"residual heat of the last {self._spell}, then the probes (match them in the same air).",
            )
        self.outdoor_suspected = (
            negative and not job.probes_of(Role.MIXED) and job.unit.outdoor_fraction == 0.0
        )
        if self.outdoor_suspected:
            self._say(
                t_s,
                "outdoor-air-suspected",
                "Supply air colder than return air with the fan alone: outdoor air seems to be mixed "
                f"in; shut the damper or put a probe of role mixed before the {self._inlet}.",
            )


def _cp(w: float) -> float:
    """J/(kg K) of moist air per kg of dry air. ASHRAE Fundamentals ch. 1 eq. (30)."""
    return 1006.0 + 1860.0 * w


def _trend(fan: FanPhase) -> str:
    """What a rise that still moves says of the fan heat, and to which side; nothing if it lies flat."""
    if not fan.slope_k_s:
        return ""
    tail_w = fan.watt_per_k * fan.tail_k
    if fan.slope_k_s < 0.0:
        return (
            f" The rise still falls: up to {power_text(tail_w)} of it may be heat left from before, "
            "and the output that much higher than told. A longer fan phase shows it."
        )
    return (
        f" The rise still climbs: up to {power_text(tail_w)} may be missing yet, and the output that much "
        "lower than told. A longer fan phase shows it."
    )


def _phase(mean: Means, line: Line, creep_k: float, seconds: float) -> FanPhase:
    return FanPhase(
        fan_heat_w=mean.air_heat_w,
        entering_c=mean.entering_c,
        supply_c=mean.supply_c,
        return_c=mean.return_c,
        inlet_c=mean.inlet_c,
        humidity_ratio=mean.humidity_ratio,
        pressure_pa=mean.pressure_pa,
        watt_per_k=mean.dry_air_kg_s * _cp(mean.humidity_ratio),
        rise_u_k=sqrt(line.scatter**2 / line.n_eff + creep_k**2),
        rise_nu=line.n_eff - 2.0,
        seconds=seconds,
    )
