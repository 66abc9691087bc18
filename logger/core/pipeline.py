"""The core as a whole: readings in, rows, events, firings and an outcome out.

``update`` takes one reading, ``update_block`` many; both first bring the grid up to the reading's
time, so that a live run and a replay walk through exactly the same ticks.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from logger.core.airflow_watch import AirflowWatch
from logger.core.align import Grid, Row, Rows, Slots
from logger.core.already_on import CODE, falls_behind, maybe_text, on_rise_k, on_text
from logger.core.assess import steady_casing_w
from logger.core.book import DEFROST_MOST_S, FiringBook
from logger.core.coil import CoilReader
from logger.core.cycles import CycleWatch, Transition
from logger.core.firing import Firing, SteadyStretch, full_fire
from logger.core.flow_hold import EVERY_S as FLOW_EVERY_S
from logger.core.flow_hold import FlowHold, change_text, held_by
from logger.core.gas_meter import GasMeter
from logger.core.humidity_watch import HumidityWatch
from logger.core.kind_words import BEYOND_FAN, BROKEN_DOWN, CHANGE, SPELL
from logger.core.ledger import Ledger
from logger.core.limits import LimitWatch
from logger.core.match_age import day_of, stale_matches, stale_timing, stale_traverse
from logger.core.moister import MoisterWatch
from logger.core.moment import Moment, MomentReader
from logger.core.params import MAIN_QUANTITY, AirflowSource, JobParams, Role, UnitKind
from logger.core.readings import NS_PER_S, Quantity, Reading, ReadingBlock
from logger.core.sides import Sides
from logger.core.snapshot import Event, Phase, Snapshot
from logger.core.steady import RISE, SteadyDetector
from logger.core.stretch import heat_ratio
from logger.core.watch import StreamWatch

PHASE_NUMBER = {phase: float(number) for number, phase in enumerate(Phase)}
FIRING = (Phase.WARM_UP, Phase.STEADY)
_OFF, _FAN, _STEADY = Phase.OFF, Phase.FAN, Phase.STEADY  # looked up once: every tick asks
BASE_S = 120  # s of fan phase whose mean rise is the cycle's zero (design choice)
BASE_LEAST_S = 20  # s before there is one
DATED_BACK_S = 150  # s a phase change may be dated back: what the series keeps beside its windows
GRID_CHECK_TICKS = 16  # s between looks at the probes' update intervals (cost)

_TRACED = 7  # values of a moment that the trace has, from the first on

TraceRow = tuple[float | None, ...]
UNTOLD = (None, None, None)  # airflow and what comes of it, while the stage that is fired is not known


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a run came to. ``speechless``: probes that never gave a usable reading."""

    job: JobParams
    firings: tuple[Firing, ...]
    events: tuple[Event, ...] = ()
    speechless: frozenset[str] = frozenset()

    @property
    def best(self) -> Firing | None:
        """The firing with the longest stretch among those of the run's highest plateau.

        One that was on already, and lacks something by it, stands behind one that does not. None where no
        firing was steady. Only full fire is compared with the full plate.
        """
        found = [(f, f.best) for f in self.firings if f.best is not None]
        full = full_fire([best for firing, best in found if not firing.aided])
        return max([f for f, best in found if f.aided or best in full], key=self._rank, default=None)

    def _rank(self, firing: Firing) -> tuple[bool, int]:
        return not falls_behind(self.job, firing), firing.best.seconds if firing.best else 0


class Pipeline:
    """One run of the core. ``traced``: somebody takes the rows of its trace."""

    def __init__(self, job: JobParams, *, traced: bool = True) -> None:
        self.job = job
        self._traced = traced
        slots = Slots(job)
        self._grid = Grid(slots)
        self.reader = MomentReader(job, slots)
        self.detector = SteadyDetector(job.steady, live_flow=job.airflow.source is AirflowSource.PROBE)
        pause_s = DEFROST_MOST_S if job.unit.kind is UnitKind.HEAT_PUMP else 0
        self.pauses = pause_s > 0  # for a defrost
        self._sign = -1 if job.unit.kind.cools else 1  # of the rise that tells a firing
        zero_u95_k = _zero_u95_k(job)
        self.cycles = CycleWatch(job.cycles, zero_u95_k, pause_s, self._sign, on_rise_k(job, zero_u95_k))
        keep_s = max(job.steady.window_max_s, job.cycles.min_fan_phase_s) + job.steady.hold_s
        self._keep_s = keep_s + DATED_BACK_S
        rows = round(self._keep_s) + DATED_BACK_S + pause_s
        self._ledger = Ledger(rows)
        self._ledger.clear(1)
        self._sides = Sides(job, slots, rows)
        self._sides.clear(1)
        self._coil = CoilReader(job, slots, rows) if job.unit.kind.cools else None
        self._gas = GasMeter(job, slots, round(self._keep_s))
        self._casing_w = steady_casing_w(job)
        self.by_stage = bool(job.airflow.stage_volume_m3_s)  # a firing's airflow is known with its stage
        self.book = FiringBook(
            job, self.detector, self._ledger, self.reader, self._sides, self._gas, self._coil
        )
        self._moister = MoisterWatch(job, self.book.say) if job.unit.kind.cools else None
        self._humidity = HumidityWatch(job, slots, self.book.say) if job.unit.kind.cools else None
        self.watch = StreamWatch(job, slots, self.book.say)
        self._limits = LimitWatch(job, slots, self.book.say)
        reference = job.airflow.reference
        self._airflow = AirflowWatch(job, reference, self.book.say) if reference is not None else None
        self._flow_hold = held_by(job)
        self.detector.reset(1, self._keep_s)
        self._gap_ns = round(job.steady.window_max_s * NS_PER_S)
        self._hides = self.by_stage or self._coil is not None
        self._trace: list[TraceRow] = []
        self._events: list[Event] = []
        self._told = 0
        self._handed = 0
        self.tick_s = 0
        self._rise_s = 0  # tick of the last rise
        self._now: tuple[Any, ...] | None = None
        self.output_w: float | None = None
        self._finished = self._on_told = False
        if job.airflow.origin:
            self.book.say(0, "airflow-source", job.airflow.origin)

    # -- input ---------------------------------------------------------------------------------

    def update(self, reading: Reading) -> tuple[Event, ...]:
        """Take a reading; give the events it brought."""
        if self._grid.last_ns is None:
            self._begin(reading.utc_us)
        if self._grid.silence_ns(reading.t_ns) > self._gap_ns:
            self._gap(reading.t_ns)
        for row in self._grid.due(reading.t_ns, self._look):
            self._tick(row)
        self._grid.latch(reading)
        self.watch.see(reading)
        return self._new_events()

    def update_block(self, block: ReadingBlock) -> tuple[Event, ...]:
        """Take many readings at once; the same numbers as one by one."""
        for _ in self.walk(block):
            pass
        return self._new_events()

    def walk(self, block: ReadingBlock) -> Generator[int, None, None]:
        """Take many readings, and give each tick once it is computed.

        Who stops before the end leaves the rest unread: the run is then as after the last tick given.
        """
        if not len(block):
            return
        if self._grid.last_ns is None:
            self._begin(int(block.utc_us[0]))
        t_ns = np.maximum.accumulate(np.maximum(block.t_ns, self._grid.last_ns or 0))
        before = np.concatenate(([self._grid.last_ns or 0], t_ns[:-1]))
        cuts = [0, *np.nonzero(t_ns - before > self._gap_ns)[0].tolist(), len(block)]
        for start, end in pairwise(cuts):
            if start == end:
                continue
            if self._grid.silence_ns(int(t_ns[start])) > self._gap_ns:
                self._gap(int(t_ns[start]))
            part = block.part(start, end)
            for row in self._grid.due_in(part, self._look):
                self._tick(row)
                yield row.tick
            self.watch.see_block(part)

    def advance(self, t_ns: int) -> tuple[Event, ...]:
        """Time moves on without a reading: nothing is computed from silence."""
        del t_ns
        return ()

    def note(self, event: Event) -> None:
        """Take a shell event in its place; a suspend empties the windows and ends the firing."""
        if event.code == "suspended":
            self._break_off(self.tick_s + 1)
        self._events.append(event)

    def finish(self) -> Outcome:
        """End the run with its last reading."""
        if not self._finished:
            self._finished = True
            end_s = self.tick_s + 1
            self._end_stretch(end_s)
            self.book.complete(self.tick_s, self.cycles.over_s(end_s))
            if self.cycles.phase is Phase.FAN:
                self.book.gauge.measure_after(self.tick_s, end_s)
            self.watch.close(self._grid.times)
            self._collect()
        return Outcome(
            job=self.job,
            firings=tuple(self.book.done),
            events=tuple(self._events),
            speechless=frozenset(self.watch.speechless),
        )

    # -- output --------------------------------------------------------------------------------

    def take_trace(self) -> list[TraceRow]:
        """Rows of ``TRACE_COLUMNS`` since the last call."""
        rows, self._trace = self._trace, []
        return rows

    def take_firings(self) -> tuple[Firing, ...]:
        """Firings completed since the last call."""
        new = tuple(self.book.done[self._handed :])
        self._handed = len(self.book.done)
        return new

    @property
    def moment(self) -> Moment | None:
        """State of the air at the last tick."""
        return None if self._now is None else Moment(*self._now)

    def sensible_w(self) -> float | None:
        """Sensible heat of a cooling unit at the last tick, W, while it is on; None of any other."""
        on = self.cycles.phase in FIRING
        return self._coil.sensible_w if self._coil is not None and on else None

    def stretch(self) -> SteadyStretch | None:
        """The running steady stretch as it stands; None when not steady."""
        if self.cycles.phase is not Phase.STEADY or not self.detector.steady:
            return None
        return self.book.stretch(self.tick_s, self.tick_s + 1)

    def remaining(self) -> float | None:
        """What the running stretch says of what may still come, a fraction of its output: its drift bound.

        None when not steady, or where there is too little. No budget is made for it.
        """
        if self.cycles.phase is not Phase.STEADY or not self.detector.steady:
            return None
        return self.book.remaining(self.tick_s, self.tick_s + 1)

    def snapshot(self, t_ns: int) -> Snapshot:
        """The core at this moment; changes nothing."""
        from logger.core.picture import picture  # noqa: PLC0415 - only who looks pays for it

        return picture(self, t_ns)

    # -- one tick ------------------------------------------------------------------------------

    def _look(self, rows: Rows) -> None:
        """What can be seen of the next ticks at once."""
        self.reader.take(rows)
        self._sides.look(rows)
        self.watch.look(rows)
        self._limits.look(rows, *self.reader.sides_c(self._sign))

    def _tick(self, row: Row) -> None:
        cycles, detector = self.cycles, self.detector
        tick, phase = row.tick, cycles.phase
        if not tick % GRID_CHECK_TICKS:
            self._fit_grid()
            self._look_on(tick)
        fan_rise_k = self._sign * cycles.base_k if cycles.has_base else 0.0
        moment = self.reader.read(tick, fan_rise_k, watch_frozen=phase is not _OFF)
        if self._coil is not None:
            values, times = row.values, row.times
            moment = self._coil.cooled(tick, moment, values, times, frozen=self._damp(tick, values, times))
            self._watch_moisture(tick, moment, phase)
        entering_c, _, supply_c, rise_k, _, _, velocity_m_s, flowing, dry_kg_s, air_w, _ = moment
        fired_k = rise_k if self._sign > 0 or rise_k is None else -rise_k
        output_w = self._account(moment, phase)
        self._sides.post(row)
        if not tick % detector.grid_s:
            self._point(tick, phase, fired_k, air_w, output_w)
        shown = dry_kg_s, air_w, output_w
        if self._hides:
            shown = self._shown(*shown)
        self.tick_s, self._now, self.output_w = tick, moment, shown[2]
        frozen = self.reader.frozen()
        parted = bool(frozen or self._coil is not None) and self._interrupted(phase, frozen)
        turn = cycles.update(tick, fired_k, flowing, detector.steady)
        if turn is not None:
            self._turn(tick, turn)
        if parted:
            self._restart()  # totals and sensible heat alone are no one series
        self.watch.tick(row, frozen, velocity_m_s)
        smooth_k = None if rise_k is None else cycles.smooth_k
        self._limits.tick(row, cycles.phase, smooth_k, supply_c, entering_c)
        if rise_k is not None:
            self._rise_s = tick
        elif self.book.open is not None:
            self._check_absence(tick)
        self._watch_beside(row)
        if self._traced:
            place = (float(tick), PHASE_NUMBER[cycles.phase])
            self._trace.append((*place, *moment[:_TRACED], *shown))

    def _watch_beside(self, row: Row) -> None:
        """What no output hangs on: gas counter, humidity and pressure, an airflow that is watched."""
        tick, counter = row.tick, self._gas.counter
        if counter is not None and (went_back := self._gas.tick(row.values, row.times, row.counts)):
            self.book.say(tick, "gas-counter-back", went_back, counter)
        if self.reader.sides_odd:
            held, refused = self.reader.sides()
            held = held and self._coil is None  # a coil's total needs it, and tells what comes of its loss
            self.watch.tick_sides(tick, held=held, refused=refused)
        if self._airflow is not None and self.moment is not None:
            self._airflow.tick(tick, self.moment)
        if self._flow_hold is not None and not tick % FLOW_EVERY_S and self.moment is not None:
            self._watch_flow(self._flow_hold, tick, self.moment)

    def _watch_flow(self, hold: FlowHold, tick: int, moment: Moment) -> None:
        """A velocity against what the fan's speed gives."""
        if hold.tick(tick, self.cycles.phase, moment) and self.book.open is not None:
            self.book.open.flow_changed_s = hold.changed_s
            self.book.say(tick, "airflow-changed", change_text(hold.share))

    def _shown(
        self, dry_kg_s: float | None, air_w: float | None, output_w: float | None
    ) -> tuple[float | None, float | None, float | None]:
        """What a tick may tell: no airflow before its stage, no sensible heat in place of an output."""
        if self.by_stage and output_w is not None:
            return UNTOLD
        if self._coil is not None and not self._coil.told:
            return dry_kg_s, None, None
        return dry_kg_s, air_w, output_w

    def _damp(self, tick: int, values: list[float], times: list[int]) -> bool:
        """Whether a humidity repeats its value; what is lost is told."""
        if self._humidity is None:
            return False
        self._humidity.tick(tick, values, times)
        return self._humidity.frozen

    def _interrupted(self, phase: Phase, frozen: list[int]) -> bool:
        """End what is steady where a probe froze, or a coil's humidity was lost or came back while it cools;
        whether a humidity was."""
        detector = self.detector
        if frozen and phase is _STEADY and detector.steady:
            detector.end(self.reader.frozen_since())
        parted_s = None if self._humidity is None else self._humidity.parted_s
        if parted_s is None or phase not in FIRING:
            return False
        if detector.steady:
            detector.end(parted_s)
        return True

    def _watch_moisture(self, tick: int, moment: tuple[Any, ...], phase: Phase) -> None:
        """Both sides of a coil that cools and is not steady."""
        if self._coil is None or self._moister is None:
            return
        supply_w = self._coil.supply_w
        if phase is not Phase.WARM_UP or supply_w is None:
            self._moister.rest()
            return
        entering_c, _, supply_c, _, w, pressure_pa, *_ = moment
        self._moister.tick(tick, (entering_c, w), (supply_c, supply_w), pressure_pa)

    def _account(self, moment: tuple[Any, ...], phase: Phase) -> float | None:
        """Post a tick to the ledger; its output while the unit fires or cools down."""
        entering_c, return_c, supply_c, rise_k, w, pressure_pa, _, _, dry_kg_s, air_w, inlet_c = moment
        if air_w is None:
            self._ledger.post(None)
            return None
        output_w: float | None = None
        fan_w = 0.0
        if phase is not _OFF and phase is not _FAN:
            gauge = self.book.gauge
            fan = gauge.phase
            ratio = 1.0 if fan is None else heat_ratio(dry_kg_s, inlet_c, w, pressure_pa, fan)
            fan_w = gauge.heat_w(ratio, dry_kg_s)
            net_w = air_w - fan_w if self._sign > 0 else -air_w
            casing_w = self._casing_w
            if phase not in FIRING:
                casing_w = 0.0
            elif casing_w is None:
                casing_w = self.book.casing_w(net_w)
            output_w = net_w + casing_w
        beside_c = entering_c if return_c is None else return_c
        heat_w = output_w or 0.0
        self._ledger.post(
            (entering_c, supply_c, rise_k, w, pressure_pa, dry_kg_s, air_w, fan_w, heat_w, beside_c, inlet_c)
        )
        return output_w

    def _point(
        self, tick: int, phase: Phase, fired_k: float | None, air_w: float | None, output_w: float | None
    ) -> None:
        """A point of the grid, to whoever needs it in this phase."""
        if phase in FIRING:
            self.detector.update(tick, fired_k, output_w)
            self.book.note_level(tick)
        elif phase is _FAN:
            none = self.cycles.wrong_way() or fired_k is None
            self._fan_point(None if none else self._sign * (fired_k or 0.0), air_w)

    def _fan_point(self, rise_k: float | None, air_w: float | None) -> None:
        """A point of the fan phase: it gives the fan heat, and the zero of the cycle's rise.

        A rise that climbs is not the fan's any more: the zero waits.
        """
        series, cycles = self.detector.series, self.cycles
        series.push(None if rise_k is None or air_w is None else (rise_k, air_w))
        window = min(series.length, BASE_S // self.detector.grid_s)
        if window * self.detector.grid_s < BASE_LEAST_S:
            return
        base_k = series.mean(RISE, window)
        if base_k is not None and cycles.may_be_zero(self._sign * base_k):
            cycles.base_k, cycles.has_base = self._sign * base_k, True

    def _turn(self, tick: int, turn: Transition) -> None:
        """Do what a change of phase asks for."""
        book, detector = self.book, self.detector
        if turn.new is Phase.STEADY:
            book.settle(tick)
            return
        if turn.old is Phase.STEADY:
            if turn.new is Phase.WARM_UP:
                book.unsettle(tick, detector.end_s)
                return
            self._end_stretch(turn.since_s)
        if self._coil is not None and not self._coil.told and turn.new_firing and self._humidity is not None:
            book.say(tick, "sensible-only", self._humidity.unknown_text(self._grid.times))
        if turn.paused:
            book.pause(tick, turn)
        elif turn.new_firing:
            book.fire(tick, turn)
            if turn.on_already and book.open is not None:
                book.say(tick, CODE, on_text(self.job, book.open, self.cycles.smooth_k or 0.0))
                self._on_told = True
        elif turn.new is Phase.COOL_DOWN:
            book.fall(tick, turn.since_s)
            book.say(tick, "cool-down", BROKEN_DOWN[self.job.unit.kind])
        elif turn.new is Phase.WARM_UP:
            book.level_found()
        else:
            self._idle(tick, turn)
        self._restart()

    def _idle(self, tick: int, turn: Transition) -> None:
        """The fan alone, or nothing any more."""
        book, fan = self.book, turn.new is Phase.FAN
        if turn.old is Phase.FAN:
            book.gauge.measure_after(tick, turn.since_s)
        book.complete(tick, turn.since_s, air_moves=fan)
        text = BEYOND_FAN[self.job.unit.kind] if self.cycles.beyond_fan else "Fan phase."
        book.say(tick, turn.new.value, text if fan else "No air moves.")

    def _restart(self) -> None:
        """Empty the windows, on the grid that the probes have now."""
        self.detector.reset(self.reader.grid_s(), self._keep_s)
        self.detector.floor = self.reader.rise_floor_k()
        self.book.windows_emptied()

    def _fit_grid(self) -> None:
        """Follow the probes: a coarser grid for a slower probe, the floor for a coarse one."""
        self.detector.floor = self.reader.rise_floor_k()
        if self.reader.grid_s() > self.detector.grid_s:
            if self.cycles.phase is Phase.STEADY:
                self._end_stretch(self.tick_s + 1)
                self.cycles.phase = Phase.WARM_UP
            self._restart()

    def _look_on(self, tick: int) -> None:
        """A unit that is on from the start perhaps, where nothing shows that air moves: told once."""
        moment, rise_k = self.moment, self.cycles.smooth_k
        if moment is None or moment.flowing is not None or rise_k is None or self._on_told:
            return
        if self.cycles.may_be_on():
            self._on_told = True
            self.book.say(tick, CODE, maybe_text(self.job, rise_k))

    def _end_stretch(self, end_s: int) -> None:
        """End the running stretch, if there is one, at ``end_s`` or where it had failed before."""
        if self.detector.steady:
            self.detector.end(end_s)
        self.book.unsettle(self.tick_s, min(self.detector.end_s, end_s))

    def _begin(self, utc_us: int) -> None:
        """The first reading says what day it is."""
        for probe, text in stale_matches(self.job, day_of(utc_us)):
            self.book.say(0, "stale-match", text, probe)
        old = stale_traverse(self.job, day_of(utc_us))
        if old is not None:
            self.book.say(0, "stale-traverse", old)
        timed = stale_timing(self.job, day_of(utc_us))
        if timed is not None:
            self.book.say(0, "stale-gas", timed)

    def _gap(self, t_ns: int) -> None:
        """Nothing came for longer than the longest window: what was open ends before it."""
        silent_s = self._grid.silence_ns(t_ns) / NS_PER_S
        self._break_off(self.tick_s + 1)
        self._grid.skip_to(t_ns)
        self._ledger.clear(self._grid.next_tick)
        self._sides.clear(self._grid.next_tick)
        if self._coil is not None:
            self._coil.clear(self._grid.next_tick)
        text = f"No reading for {silent_s:.0f} s: windows emptied, an open {SPELL[self.job.unit.kind]} ended."
        self.book.say(t_ns // NS_PER_S, "gap", text)

    def _check_absence(self, tick: int) -> None:
        """A firing without a rise for longer than the longest window ended with its last rise."""
        if tick - self._rise_s > self.job.steady.window_max_s:
            self._break_off(self._rise_s + 1)
            change, spell = CHANGE[self.job.unit.kind], SPELL[self.job.unit.kind]
            text = f"No {change} for too long: the open {spell} ended with the last one."
            self.book.say(tick, "gap", text)

    def _break_off(self, end_s: int) -> None:
        """End what is open at ``end_s`` and forget the past."""
        self._end_stretch(end_s)
        self.book.complete(self.tick_s, self.cycles.over_s(end_s))
        self.cycles.clear()
        self.cycles.since_s = end_s
        self._restart()

    def _collect(self) -> None:
        if self.book.events:
            self._events.extend(self.book.events)
            self.book.events.clear()

    def _new_events(self) -> tuple[Event, ...]:
        self._collect()
        new = tuple(self._events[self._told :])
        self._told = len(self._events)
        return tuple(e for e in new if e.origin == "core")


def _zero_u95_k(job: JobParams) -> float:
    """What the two sides' probes may differ by in the same air, K, 95 %."""
    sides = [
        p for p in job.probes if MAIN_QUANTITY[p.role] is Quantity.TEMPERATURE and p.role is not Role.OUTDOOR
    ]
    return float(sum(p.u95**2 for p in sides) ** 0.5)
