"""Keeps the firings of a run: opens, measures and closes them as the phases change."""

from __future__ import annotations

from dataclasses import replace

from logger.core.assess import casing_loss_w
from logger.core.coil import CoilReader
from logger.core.cycles import Transition
from logger.core.doubts import FiringDoubts
from logger.core.evidence import Evidence
from logger.core.fan_phase import FanGauge
from logger.core.firing import STAGE_CHANGE, Firing, SteadyStretch, assess_stretch, stretch_drift_w
from logger.core.gas_meter import GasMeter, site_pressure
from logger.core.kind_words import AUXILIARY, CHANGE, CYCLING, FULL, OTHER_CAUSE, PAUSES, SEEN, SEEN_ON, SPELL
from logger.core.ledger import COLUMN, Ledger, Sums, means, total
from logger.core.moment import MomentReader
from logger.core.params import FanHeatMode, JobParams, Role, UnitKind
from logger.core.readings import NS_PER_S
from logger.core.sides import Sides
from logger.core.snapshot import Event, Phase
from logger.core.stage_flow import by_stage
from logger.core.steady import RISE, SteadyDetector
from logger.core.stretch import Seen, means_from
from logger.core.texts import clock_text

MIN_STRETCH_S = 30  # s: shorter stretches say nothing (design choice)
LOOK_S = 300  # s between looks for doubts while a stretch runs (design choice)
DEFROST_MOST_S = 900  # s: a heat pump that gives no heat for longer has stopped (common practice, no source)
COLLAPSES = 3  # firings in a row that collapse with the fan on and make a limit suspect (assumed)


class FiringBook:
    """The run's firings. ``say`` notes an event; who owns the book collects ``events``."""

    def __init__(
        self,
        job: JobParams,
        detector: SteadyDetector,
        ledger: Ledger,
        reader: MomentReader,
        sides: Sides,
        gas: GasMeter,
        coil: CoilReader | None = None,
    ) -> None:
        self._job = job
        self._detector = detector
        self._ledger = ledger
        self._reader = reader
        self._gas = gas
        self.events: list[Event] = []
        self.gauge = FanGauge(job, detector, ledger, self.say)
        self.done: list[Firing] = []
        self.open: Firing | None = None
        self._collapses = 0
        self._humidity_said = self._untold_said = self._auxiliary_said = False
        self._firing_sums: Sums = ()
        self._coil = coil
        self._coil_sums: Sums = ()
        self._fan_velocity_m_s: float | None = None  # of the last fan phase
        # the last stretch: whether it still runs, where it began, and how it behaves
        self._running = False
        self._start_s = 0
        self._start_sums: Sums = ()
        self._looked_s = 0
        self._evidence = Evidence(detector, ledger, sides, coil)
        self._doubts = FiringDoubts(job, self.say)
        self._tau_s: float | None = None  # of the last firing, when its rise broke down

    def say(self, t_s: int, code: str, text: str, probe: str | None = None) -> None:
        """Note an event of the core."""
        self.events.append(Event(t_ns=t_s * NS_PER_S, code=code, text=text, probe=probe))

    def fire(self, tick: int, change: Transition) -> None:
        """A firing begins: measure the fan phase behind it, close a firing it cut short."""
        start_s = change.since_s
        if self.open is not None:
            self.complete(tick, start_s, air_moves=True)
        if self._job.unit.fan_heat is FanHeatMode.MEASURED:
            before = self.gauge.phase
            self.gauge.measure(tick, start_s, had_fan=change.old is Phase.FAN, on_already=change.on_already)
            if (phase := self.gauge.phase) is not None and phase is not before:
                self._fan_velocity_m_s = self._evidence.velocity_m_s(start_s - round(phase.seconds), start_s)
        self.open = Firing(
            start_s=start_s,
            fan=self.gauge.phase if self._job.unit.kind.fan_apart else None,
            stretches=[],
            onset_seen=change.onset_seen,
            on_already=change.on_already,
            fan_velocity_m_s=self._fan_velocity_m_s,
            outdoor_suspected=self.gauge.outdoor_suspected,
            fan_implausible=self.gauge.implausible,
            aided=self._job.unit.kind is UnitKind.HEAT_PUMP and self._job.unit.stages == 1,
        )
        self._firing_sums = self._ledger.at(start_s)
        self._coil_sums = () if self._coil is None else self._coil.at(start_s)
        self._evidence.clear()
        self._doubts.fire()
        self._untold_said = False
        self._tau_s = None
        seen = SEEN_ON if change.on_already else SEEN[self._job.unit.kind]
        self.say(tick, "firing", seen.format(at=clock_text(start_s)))
        if self._job.unit.kind is UnitKind.HEAT_PUMP and not self._auxiliary_said:
            self._auxiliary_said = True
            self.say(tick, "auxiliary-heat", AUXILIARY)
        if not self._reader.carried.humidity_seen and not self._humidity_said:
            self._humidity_said = True
            text = f"No humidity of the entering air: {self._job.humidity:.0%} is assumed, and in the budget."
            self.say(tick, "humidity-assumed", text)

    def _count_collapse(self, tick: int, firing: Firing) -> None:
        """Count firings in a row that collapse with the fan on and were never steady: a limit that trips."""
        self._collapses = 0 if firing.stretches else self._collapses + 1
        kind = self._job.unit.kind
        if self._collapses == COLLAPSES:
            self.say(
                tick,
                "limit-cycling",
                f"The {CHANGE[kind]} collapses again and again with the fan on: {CYCLING[kind]}. Stop, look "
                "for too little airflow, and call the licensed person if it goes on.",
            )

    def settle(self, tick: int) -> None:
        """A steady stretch begins, dated back by the detector."""
        detector = self._detector
        self._start_s = detector.start_s
        self._evidence.begin(tick, self._start_s)
        self._gas.begin(self._start_s)
        self._start_sums = self._ledger.at(self._start_s)
        self._running = True
        self.say(tick, "steady", f"Steady since {clock_text(self._start_s)}.")
        self._look(tick)

    def _look(self, tick: int) -> None:
        """What the running stretch shows by now, over-firing above all: nobody should wait for its end."""
        self._looked_s = tick
        found = self.stretch(tick, tick + 1)
        if found is not None:
            self._say_untold(tick, found)
            self._doubts.stretch(tick, found)

    def _say_untold(self, tick: int, stretch: SteadyStretch) -> None:
        """Why a stretch has no output; once a firing."""
        if stretch.untold and not self._untold_said:
            self._untold_said = True
            self.say(tick, "stage-unknown", f"Steady, but without an output: {stretch.untold}.")

    def note_level(self, tick: int) -> None:
        """Remember the highest rise that lasted: full fire may have been there and gone."""
        if self._running:
            self._evidence.grow()
            if tick - self._looked_s >= LOOK_S:
                self._look(tick)
        series, window = self._detector.series, self._detector.rungs[0]
        if self.open is not None and series.length >= window and self._detector.judges:
            rise_k = series.mean(RISE, window) or 0.0
            if rise_k > self.open.highest_k:
                self.open.highest_k = rise_k
                self._doubts.level(tick, rise_k)

    def stretch(self, tick: int, end_s: int) -> SteadyStretch | None:
        """The last stretch up to ``end_s``, as it stands at ``tick``; None if there is too little."""
        mean = means(self._start_sums, self._ledger.at(end_s)) if self._start_sums else None
        if mean is None or self.open is None or end_s - self._start_s < MIN_STRETCH_S:
            return None
        behaviour = self._evidence.until(tick, end_s, mean)
        if behaviour is None:  # the windows have been emptied since: what was known then stands
            behaviour = self.open.stretches[-1].line
        stretch = assess_stretch(
            self._job,
            start_s=self._start_s,
            end_s=end_s,
            means=means_from(mean),
            return_c=mean[COLUMN.return_c] if self._job.probes_of(Role.RETURN) else None,
            line=behaviour,
            fan=self.open.fan,
            seen=Seen(
                humidity=self._reader.carried.humidity_seen, pressure=self._reader.carried.pressure_seen
            ),
        )
        if self._job.airflow.stage_volume_m3_s:
            before = [s for s in self.open.stretches if s.start_s != self._start_s]
            stretch = by_stage(self._job, stretch, self.open.fan, before)
        site_pa = site_pressure(
            self._job, stretch.means.pressure_pa, measured=self._reader.carried.pressure_seen
        )
        return replace(stretch, gas=self._gas.over(end_s, site_pa))

    def remaining(self, tick: int, end_s: int) -> float | None:
        """The last stretch's drift bound up to ``end_s``, a fraction of its output; None if there is none."""
        mean = means(self._start_sums, self._ledger.at(end_s)) if self._start_sums else None
        if mean is None or end_s - self._start_s < MIN_STRETCH_S:
            return None
        behaviour = self._evidence.until(tick, end_s, mean)
        bound_w = None if behaviour is None else stretch_drift_w(behaviour)
        return None if bound_w is None else bound_w / abs(mean[COLUMN.output_w])

    def unsettle(self, tick: int, end_s: int) -> None:
        """The running stretch ends, dated back."""
        if not self._running:
            return
        stretch = self.stretch(tick, end_s)
        self._running = False
        if stretch is not None and self.open is not None:
            self.open.stretches.append(stretch)
            self.say(tick, "steady-end", f"Steady stretch ended at {clock_text(end_s)}.")
            self._say_untold(tick, stretch)
            self._doubts.stretch(tick, stretch)

    def fall(self, tick: int, fall_s: int) -> None:
        """The rise broke down at ``fall_s``: a stretch that ended later ends there instead."""
        firing = self.open
        if firing is None:
            return
        firing.fall_s = fall_s
        self._tau_s = self._detector.tau_s
        last = firing.stretches[-1] if firing.stretches else None
        if last is not None and last.end_s > fall_s and last.start_s == self._start_s:
            shorter = self.stretch(tick, fall_s)
            firing.stretches.pop()
            if shorter is not None:
                firing.stretches.append(shorter)

    def level_found(self) -> None:
        """What broke down has found a lower level: the heat goes on."""
        if self.open is not None:
            self.open.fall_s = None

    def pause(self, tick: int, change: Transition) -> None:
        """The heat is back after a pause that began at ``fall``: the firing goes on.

        A defrost takes heat from the room. Where nothing did, a defrost under auxiliary heat, a thermostat
        and a lower stage look alike, in depth, length and rhythm: none of them is named for certain.
        """
        firing = self.open
        if firing is None or firing.fall_s is None:
            return
        end_s, code = change.since_s, "defrost" if change.reversed else "pause"
        start_s, firing.fall_s = self._without_part_heat(firing, firing.fall_s, end_s), None
        (firing.defrosts if change.reversed else firing.pauses).append((start_s, end_s))
        text = PAUSES["part-heat" if change.partly else code]
        self.say(tick, code, text.format(start=clock_text(start_s), end=clock_text(end_s)))

    def _without_part_heat(self, firing: Firing, fall_s: int, end_s: int) -> int:
        """Where a pause began that was steady at a lower level; that level is taken out of the firing."""
        while len(firing.stretches) > 1:
            full, low = firing.stretches[-2:]
            lower = low.means.output_w < (1.0 - STAGE_CHANGE) * full.means.output_w
            if self._job.unit.stages > 1 or not lower or end_s - full.end_s > DEFROST_MOST_S:
                break
            firing.stretches.pop()
            fall_s = full.end_s
        return fall_s

    def windows_emptied(self) -> None:
        """The series has been cleared: what is known of places in it is void."""
        self._evidence.clear()

    def _fan_heat_w(self, end_sums: Sums) -> float:
        """Fan heat over a firing that was never steady."""
        ticks, kg_s = total(self._firing_sums, end_sums, COLUMN.dry_air_kg_s)
        return self.gauge.heat_w(1.0, kg_s / max(ticks, 1))

    def casing_w(self, net_w: float) -> float:
        """Heat lost through the casing while the air takes up ``net_w`` from the burner."""
        return casing_loss_w(self._job, net_w)[0]

    def _sensible_in_it(self, end_s: int) -> bool:
        """Whether a coil's firing has sensible heat alone in it, where a humidity was not known."""
        parts = None if self._coil is None else self._coil.between(self._coil_sums, self._coil.at(end_s))
        return parts is not None and not parts.told

    def complete(self, tick: int, end_s: int, *, air_moves: bool = False) -> None:
        """The firing is over: its energy is what the air took up, fan heat off, casing on.

        ``air_moves``: it was the burner that ended it, not the fan or the log.
        """
        firing = self.open
        if firing is None:
            return
        self.unsettle(tick, end_s)
        if air_moves:
            firing.fall_s = end_s if firing.fall_s is None else firing.fall_s
            self._count_collapse(tick, firing)
        firing.end_s = max(end_s, firing.start_s)
        end_sums = self._ledger.at(firing.end_s)
        ticks, air_j = total(self._firing_sums, end_sums, COLUMN.air_heat_w)
        if self._job.unit.kind.cools:
            air_j = -air_j
        best = firing.best
        fan_w = best.means.fan_heat_w if best is not None else self._fan_heat_w(end_sums)
        burning_s = max((firing.fall_s or firing.end_s) - firing.start_s, 0)
        net_j = air_j - fan_w * ticks
        firing.energy_j = net_j + self.casing_w(net_j / max(burning_s, 1)) * burning_s
        if self._job.airflow.stage_volume_m3_s or self._sensible_in_it(firing.end_s):
            firing.energy_j = None
        self._doubts.complete(tick, firing, self._detector.tau_s or self._tau_s)
        self.done.append(firing)
        self.open = None
        self._start_sums = ()
        kind = self._job.unit.kind
        if (firing.stages_differ() or firing.higher_level_seen()) and self._job.unit.stages == 1:
            self.say(
                tick,
                "stage-suspected",
                f"Two levels more than 10 % apart in one {SPELL[kind]}: {OTHER_CAUSE[kind]}; set "
                f"unit.stages, hold {FULL[kind]}, and judge that alone.",
            )
