"""Keeps the firings of a run: opens, measures and closes them as the phases change."""

from __future__ import annotations

from math import sqrt

from logger.core.assess import FanPhase, Means, Stretch, casing_loss_w
from logger.core.cycles import Transition
from logger.core.firing import Firing, SteadyStretch, assess_stretch
from logger.core.ledger import COLUMN, Ledger, means, total
from logger.core.line import MIN_POINTS, Line, Mark
from logger.core.params import FanHeatMode, JobParams, Role
from logger.core.readings import NS_PER_S
from logger.core.snapshot import Event, Phase
from logger.core.steady import OUTPUT, RISE, SteadyDetector
from logger.core.student import t975

MARGIN_S = 10  # s kept off the end of a fan phase: the firing may be dated late (assumed)
GRACE_S = 15  # s a fan phase may seem shorter than it was: fan and firing are dated from the air
FLAT_K = 0.1  # K: what a fan phase's slope may still bring within a time constant (design)
MIN_STRETCH_S = 30  # s: shorter stretches say nothing (design choice)
COLLAPSES = 3  # firings lit again out of their own cool-down that make a limit suspect (assumed)
FAN_HEAT_MOST = 0.10  # of the plate's output: more is no fan (assumed)


class FiringBook:
    """The run's firings, and the fan phase before each of them."""

    def __init__(self, job: JobParams, detector: SteadyDetector, ledger: Ledger) -> None:
        self._job = job
        self._detector = detector
        self._ledger = ledger
        self.done: list[Firing] = []
        self.open: Firing | None = None
        self.fan: FanPhase | None = None  # the last one accepted
        self.outdoor_suspected = False
        self.casing_w, _ = casing_loss_w(job)
        self._collapses = 0
        self._running = False  # a stretch is under way
        self._mark: Mark | None = None  # where the last stretch began
        self._start_sums: tuple[int, ...] = ()
        self._firing_sums: tuple[int, ...] = ()
        self.events: list[Event] = []

    def fan_heat_w(self, ratio: float) -> float:
        """Fan heat at a moment: measured and carried by the density ratio, typed, or 0."""
        if self.fan is not None:
            return ratio * self.fan.fan_heat_w
        return self._job.unit.fan_heat_w or 0.0

    def say(self, t_s: int, code: str, text: str, probe: str | None = None) -> None:
        """Note an event of the core."""
        self.events.append(Event(t_ns=t_s * NS_PER_S, code=code, text=text, probe=probe))

    def fire(self, tick: int, change: Transition) -> None:
        """A firing begins: measure the fan phase behind it, close a firing it cut short."""
        start_s = change.since_s
        if self.open is not None:
            self._count_collapse(tick)
            self.complete(tick, start_s)
        if self._job.unit.fan_heat is FanHeatMode.MEASURED:
            self._measure_fan(tick, start_s, had_fan=change.old is Phase.FAN)
        self.open = Firing(start_s=start_s, fan=self.fan, stretches=[])
        self._firing_sums = self._ledger.at(start_s)
        self._mark = None
        self.say(tick, "firing", f"Firing seen in the air, begun at {clock_text(start_s)}.")

    def _count_collapse(self, tick: int) -> None:
        """Count firings lit again out of their own cool-down and never steady: a limit that trips."""
        self._collapses = 0 if self.open is None or self.open.stretches else self._collapses + 1
        if self._collapses == COLLAPSES:
            self.say(
                tick,
                "limit-cycling",
                "The rise collapses again and again with the fan on: a limit may be tripping. Stop, look for "
                "too little airflow, and call the licensed person if it goes on.",
            )

    def settle(self, tick: int) -> None:
        """A steady stretch begins, dated back by the detector."""
        detector = self._detector
        self._mark = detector.series.mark((tick - detector.start_s) // detector.grid_s)
        self._start_sums = self._ledger.at(detector.start_s)
        self._running = True
        self.say(tick, "steady", f"Steady since {clock_text(detector.start_s)}.")

    def stretch(self, tick: int, end_s: int) -> SteadyStretch | None:
        """The running stretch up to ``end_s``, as it stands at ``tick``."""
        if self._mark is None or self.open is None:
            return None
        mean = means(self._start_sums, self._ledger.at(end_s))
        start_s = self._detector.start_s
        if mean is None or end_s - start_s < MIN_STRETCH_S:
            return None
        grid_s = self._detector.grid_s
        back = max((tick + 1 - end_s) // grid_s, 0)
        floor_w = self._detector.floor * abs(mean[COLUMN.output_w] / mean[COLUMN.rise_k])
        line = self._detector.series.line_since(self._mark, OUTPUT, back=back, floor=floor_w)
        has_return = bool(self._job.probes_of(Role.RETURN))
        return assess_stretch(
            self._job,
            start_s=start_s,
            end_s=end_s,
            means=means_from(mean),
            return_c=mean[COLUMN.return_c] if has_return else None,
            line=Stretch(line=line, grid_s=grid_s, tau_s=self._detector.tau_s),
            fan=self.open.fan,
        )

    def unsettle(self, tick: int, end_s: int) -> None:
        """The running stretch ends, dated back."""
        stretch = self.stretch(tick, end_s)
        self._running = False
        if stretch is not None and self.open is not None:
            self.open.stretches.append(stretch)
            self.say(tick, "steady-end", f"Steady stretch ended at {clock_text(end_s)}.")

    def fall(self, tick: int, fall_s: int) -> None:
        """The rise broke down at ``fall_s``: a stretch that ended later ends there instead."""
        firing = self.open
        if firing is None:
            return
        firing.fall_s = fall_s
        if firing.stretches and firing.stretches[-1].end_s > fall_s:
            shorter = self.stretch(tick, fall_s)
            firing.stretches.pop()
            if shorter is not None:
                firing.stretches.append(shorter)

    def complete(self, tick: int, end_s: int) -> None:
        """The firing is over: its energy is what the air took up, fan heat off, casing on."""
        firing = self.open
        if firing is None:
            return
        if self._running:
            self.unsettle(tick, end_s)
        firing.end_s = end_s
        end_sums = self._ledger.at(end_s)
        _, air_j = total(self._firing_sums, end_sums, COLUMN.air_heat_w)
        ticks = end_sums[0] - self._firing_sums[0]
        best = firing.best
        fan_w = best.means.fan_heat_w if best is not None else self.fan_heat_w(1.0)
        burning_s = max((firing.fall_s or end_s) - firing.start_s, 0)
        firing.energy_j = air_j - fan_w * ticks + self.casing_w * burning_s
        self.done.append(firing)
        self.open = None
        if firing.stages_differ() and self._job.unit.stages == 1:
            self.say(
                tick,
                "stage-suspected",
                "Two steady levels more than 10 % apart in one firing: the unit may have stages; "
                "set unit.stages and judge the full fire alone.",
            )

    def _measure_fan(self, tick: int, start_s: int, *, had_fan: bool) -> None:
        """Accept the fan phase before a firing, or say why it cannot give the fan heat."""
        least_s = self._job.cycles.min_fan_phase_s
        why = "no fan phase was seen before the firing"
        if had_fan:
            found, why = self._flat_fan(tick, start_s)
            if found is not None:
                self.fan = found
                self._check_fan(tick, found)
                return
        rest = "the last fan phase of this run is used." if self.fan else "its budget line is widened."
        self.say(
            tick,
            "fan-heat-unknown",
            f"Fan heat not measured: {why}; {rest} "
            f"Run the fan alone at heating speed for {least_s:.0f} s before the next firing.",
        )

    def _flat_fan(self, tick: int, start_s: int) -> tuple[FanPhase | None, str]:
        """Find the longest flat part of the fan phase that ends with it; or say what is wrong."""
        series, grid_s = self._detector.series, self._detector.grid_s
        end_s = start_s - MARGIN_S
        back = (tick - end_s) // grid_s
        longest = min(series.length - back, series.keep)
        asked_s = self._job.cycles.min_fan_phase_s
        least = round((asked_s - GRACE_S - MARGIN_S) / grid_s)
        if longest < max(least, MIN_POINTS):
            seen_s = max(longest * grid_s + MARGIN_S, 0)
            return None, f"the fan phase lasted {seen_s} s, {asked_s:.0f} s are needed"
        for window in sorted({longest, max((longest + least) // 2, least), least}, reverse=True):
            line = series.line(RISE, window, back=back, floor=self._detector.floor)
            if line is None or line.slope_se is None:
                continue
            creep = (abs(line.slope) + t975(line.n_eff - 2.0) * line.slope_se) / grid_s
            if creep * self._job.steady.time_constant_s >= FLAT_K:
                continue
            mean = means(self._ledger.at(end_s - window * grid_s), self._ledger.at(end_s))
            if mean is not None:
                return self._fan_phase(mean, line, window * grid_s), ""
        return None, "the rise was not flat in the fan phase (residual heat of an earlier firing?)"

    def _fan_phase(self, mean: tuple[float, ...], line: Line, seconds: float) -> FanPhase:
        cp_j_kg_k = 1006.0 + 1860.0 * mean[COLUMN.humidity_ratio]  # ASHRAE Fundamentals ch. 1 eq. (30)
        return FanPhase(
            fan_heat_w=mean[COLUMN.air_heat_w],
            entering_c=mean[COLUMN.entering_c],
            supply_c=mean[COLUMN.supply_c],
            humidity_ratio=mean[COLUMN.humidity_ratio],
            pressure_pa=mean[COLUMN.pressure_pa],
            watt_per_k=mean[COLUMN.dry_air_kg_s] * cp_j_kg_k,
            rise_u_k=line.scatter / sqrt(line.n_eff),
            rise_nu=line.n_eff - 1.0,
            seconds=seconds,
        )

    def _check_fan(self, t_s: int, fan: FanPhase) -> None:
        """Say the fan heat, and whether it can be one."""
        entering = self._job.probes_of(Role.MIXED) or self._job.probes_of(Role.RETURN)
        own_k = sqrt(sum((p.u95 / 2.0) ** 2 for p in (*entering, *self._job.probes_of(Role.SUPPLY))))
        u95_w = 2.0 * fan.watt_per_k * sqrt(own_k**2 + fan.rise_u_k**2)
        self.say(
            t_s,
            "fan-heat-measured",
            f"Fan heat {power_text(fan.fan_heat_w)} ± {power_text(u95_w)}, from {fan.seconds:.0f} s of "
            "fan phase; the probes' zero difference is in it and cancels.",
        )
        most_w = FAN_HEAT_MOST * (self._job.unit.plate_output_w or float("inf"))
        negative = fan.fan_heat_w + u95_w < 0.0
        if negative or fan.fan_heat_w - u95_w > most_w:
            self.say(
                t_s,
                "fan-heat-implausible",
                "The fan phase gives a fan heat that no fan has: look for outdoor air first, then "
                "residual heat of the last firing, then the probes (match them in the same air).",
            )
        if negative and not self._job.probes_of(Role.MIXED) and self._job.unit.outdoor_fraction == 0.0:
            self.outdoor_suspected = True
            self.say(
                t_s,
                "outdoor-air-suspected",
                "Supply air colder than return air with the fan alone: outdoor air seems to be mixed in; "
                "shut the damper or put a probe of role mixed before the heating section.",
            )


def means_from(mean: tuple[float, ...]) -> Means:
    """A ledger's means by name."""
    return Means(
        entering_c=mean[COLUMN.entering_c],
        supply_c=mean[COLUMN.supply_c],
        rise_k=mean[COLUMN.rise_k],
        humidity_ratio=mean[COLUMN.humidity_ratio],
        pressure_pa=mean[COLUMN.pressure_pa],
        dry_air_kg_s=mean[COLUMN.dry_air_kg_s],
        air_heat_w=mean[COLUMN.air_heat_w],
        fan_heat_w=mean[COLUMN.fan_heat_w],
        output_w=mean[COLUMN.output_w],
    )


def power_text(power_w: float) -> str:
    """Power in both unit systems: an event does not know its reader's. 1 Btu = 1055.056 J (NIST SP 811).

    >>> power_text(450.0)
    '450 W (1,535 Btu/h)'
    """
    return f"{power_w:,.0f} W ({power_w * 3600.0 / 1055.056:,.0f} Btu/h)"


def difference_text(difference_k: float) -> str:
    """Temperature difference in both unit systems.

    >>> difference_text(36.1)
    '36.1 K (65.0 °F)'
    """
    return f"{difference_k:.1f} K ({difference_k * 1.8:.1f} °F)"


def clock_text(t_s: float) -> str:
    """Run time as h:mm:ss.

    >>> clock_text(3723)
    '1:02:03'
    """
    minutes, seconds = divmod(int(t_s), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}"
