"""The core as a whole: readings in, rows, events, firings and an outcome out.

``update`` takes one reading, ``update_block`` many; both first bring the grid up to the reading's
time, so that a live run and a replay walk through exactly the same ticks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from logger.core.align import Grid, Slots
from logger.core.assess import density_ratio
from logger.core.book import FiringBook
from logger.core.cycles import CycleWatch, Transition
from logger.core.firing import Firing, SteadyStretch
from logger.core.flow import AirflowLaw
from logger.core.ledger import Ledger
from logger.core.moment import Moment, MomentReader
from logger.core.params import MAIN_QUANTITY, JobParams, Role
from logger.core.readings import NS_PER_S, Quantity, Reading, ReadingBlock
from logger.core.snapshot import Event, Phase, Snapshot
from logger.core.steady import Change, SteadyDetector
from logger.core.watch import StreamWatch

PHASE_NUMBER = {phase: float(number) for number, phase in enumerate(Phase)}
FIRING = (Phase.WARM_UP, Phase.STEADY)
BASE_S = 120  # s of fan phase whose mean rise is the cycle's zero (design choice)
BASE_LEAST_S = 20  # s before there is one
DATED_BACK_S = 150  # s a phase change may be dated back: what the series keeps beside its windows
GRID_CHECK_TICKS = 16  # s between looks at the probes' update intervals (cost)

TraceRow = tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a run came to."""

    job: JobParams
    firings: tuple[Firing, ...]
    events: tuple[Event, ...]
    outdoor_suspected: bool
    humidity_assumed: bool

    @property
    def best(self) -> Firing | None:
        """The firing with the longest steady stretch; None where no firing was steady."""
        steady = [f for f in self.firings if f.stretches]
        return max(steady, key=lambda f: f.best.seconds if f.best else 0, default=None)


class Pipeline:
    """One run of the core."""

    def __init__(self, job: JobParams) -> None:
        self.job = job
        slots = Slots(job)
        self._grid = Grid(slots)
        self.reader = MomentReader(job, slots)
        self.detector = SteadyDetector(job.steady)
        temperature_probes = [p for p in job.probes if MAIN_QUANTITY[p.role] is Quantity.TEMPERATURE]
        zero_u95_k = sum(p.u95**2 for p in temperature_probes if p.role is not Role.OUTDOOR) ** 0.5
        self.cycles = CycleWatch(job.cycles, zero_u95_k)
        keep_s = max(job.steady.window_max_s, job.cycles.min_fan_phase_s) + job.steady.hold_s
        self._keep_s = keep_s + DATED_BACK_S
        self._ledger = Ledger(round(self._keep_s) + DATED_BACK_S)
        self._ledger.clear(1)
        self.book = FiringBook(job, self.detector, self._ledger)
        self.watch = StreamWatch(job, slots)
        flow = job.airflow
        if flow.origin:
            self.book.say(0, "airflow-source", flow.origin)
        self._reference = AirflowLaw(job, flow.reference) if flow.reference is not None else None
        self.detector.reset(1, self._keep_s)
        self._gap_ns = round(job.steady.window_max_s * NS_PER_S)
        self._trace: list[TraceRow] = []
        self._events: list[Event] = []
        self._told = 0
        self._handed = 0
        self.tick_s = 0
        self._now: tuple[Any, ...] | None = None
        self.output_w: float | None = None
        self._finished = False

    # -- input ---------------------------------------------------------------------------------

    def update(self, reading: Reading) -> tuple[Event, ...]:
        """Take a reading; give the events it brought."""
        if self._grid.silence_ns(reading.t_ns) > self._gap_ns:
            self._gap(reading.t_ns)
        for row in self._grid.due(reading.t_ns):
            self._tick(*row)
        self._grid.latch(reading)
        self.watch.see(reading)
        return self._new_events()

    def update_block(self, block: ReadingBlock) -> tuple[Event, ...]:
        """Take many readings at once; the same numbers as one by one."""
        last_ns = self._grid.last_ns
        t_ns = np.maximum.accumulate(block.t_ns)
        before = np.concatenate(([t_ns[0] if last_ns is None else last_ns], t_ns[:-1]))
        cuts = [0, *np.nonzero(t_ns - before > self._gap_ns)[0].tolist(), len(block)]
        for start, end in pairwise(cuts):
            if start == end:
                continue
            if self._grid.silence_ns(int(t_ns[start])) > self._gap_ns:
                self._gap(int(t_ns[start]))
            part = _part(block, start, end)
            for row in self._grid.due_in(part):
                self._tick(*row)
            self.watch.see_block(part)
        return self._new_events()

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
            if self.detector.steady:
                self.detector.end(end_s)
                self.book.unsettle(self.tick_s, self.detector.end_s)
            self.book.complete(self.tick_s, end_s)
            self._collect()
        return Outcome(
            job=self.job,
            firings=tuple(self.book.done),
            events=tuple(self._events),
            outdoor_suspected=self.book.outdoor_suspected,
            humidity_assumed=not self.reader.humidity_seen,
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

    def stretch(self) -> SteadyStretch | None:
        """The running steady stretch as it stands; None when not steady."""
        return self.book.stretch(self.tick_s, self.tick_s + 1) if self.detector.steady else None

    def snapshot(self, t_ns: int) -> Snapshot:
        """The core at this moment; changes nothing."""
        from logger.core.picture import picture  # noqa: PLC0415 - only who looks pays for it

        return picture(self, t_ns)

    # -- one tick ------------------------------------------------------------------------------

    def _tick(self, tick: int, values: list[float], times: list[int], counts: list[int]) -> None:
        cycles, book, detector = self.cycles, self.book, self.detector
        phase = cycles.phase
        if not tick % GRID_CHECK_TICKS:
            self._fit_grid()
        fan_rise_k = cycles.base_k if cycles.has_base else 0.0
        moment = self.reader.read(
            tick, values, times, counts, fan_rise_k, watch_frozen=phase is not Phase.OFF
        )
        entering_c, return_c, supply_c, rise_k, w, pressure_pa, velocity_m_s, flowing, dry_kg_s, air_w = (
            moment
        )
        output_w: float | None = None
        if air_w is None or entering_c is None or supply_c is None or rise_k is None or dry_kg_s is None:
            self._ledger.post(None)
        else:
            fan_w = 0.0
            if phase is not Phase.OFF and phase is not Phase.FAN:
                ratio = 1.0 if book.fan is None else density_ratio(entering_c, w, pressure_pa, book.fan)
                fan_w = book.fan_heat_w(ratio)
                output_w = air_w - fan_w
                if phase in FIRING:
                    output_w += book.casing_w
            beside_c = entering_c if return_c is None else return_c
            self._ledger.post(
                (
                    entering_c,
                    supply_c,
                    rise_k,
                    w,
                    pressure_pa,
                    dry_kg_s,
                    air_w,
                    fan_w,
                    output_w or 0.0,
                    beside_c,
                )
            )
        change = Change.NONE
        if not tick % detector.grid_s:
            if phase in FIRING:
                change = detector.update(tick, rise_k, output_w)
            elif phase is Phase.FAN:
                self._fan_point(rise_k, air_w)
        self.tick_s, self._now, self.output_w = tick, moment, output_w
        self._compare_flow(tick, moment, fan_rise_k)
        turn = cycles.update(tick, rise_k, flowing, change)
        if turn is not None:
            self._turn(tick, turn)
        if self.reader.frozen and detector.steady:
            self._end_stretch(tick, self.reader.frozen_since())
        self.watch.tick(tick, times, self.reader.frozen, cycles.smooth_k, cycles.phase, book)
        self._trace.append(
            (
                float(tick),
                PHASE_NUMBER[cycles.phase],
                entering_c,
                return_c,
                supply_c,
                rise_k,
                w,
                pressure_pa,
                velocity_m_s,
                dry_kg_s,
                air_w,
                output_w,
            )
        )

    def _compare_flow(self, tick: int, moment: tuple[Any, ...], fan_rise_k: float) -> None:
        """Hold the live airflow against the traverse's, at the state of this moment."""
        if self._reference is None:
            return
        now = Moment(*moment)
        expected = None
        if now.entering_c is not None and now.supply_c is not None:
            expected = self._reference.dry_air(
                now.entering_c, now.supply_c, now.w, now.pressure_pa, None, fan_rise_k
            )
        share = now.dry_air_kg_s / expected - 1.0 if expected and now.dry_air_kg_s is not None else None
        self.watch.see_airflow(tick, share, self.book)

    def _fan_point(self, rise_k: float | None, air_w: float | None) -> None:
        """A point of the fan phase: it gives the fan heat, and the zero of the cycle's rise."""
        series, cycles = self.detector.series, self.cycles
        series.push(None if rise_k is None or air_w is None else (rise_k, air_w))
        window = min(series.length, BASE_S // self.detector.grid_s)
        if window * self.detector.grid_s >= BASE_LEAST_S:
            base_k = series.mean(0, window)
            if base_k is not None:
                cycles.base_k, cycles.has_base = base_k, True

    def _turn(self, tick: int, turn: Transition) -> None:
        """Do what a change of phase asks for."""
        book, detector = self.book, self.detector
        if turn.new is Phase.STEADY:
            book.settle(tick)
            return
        if turn.old is Phase.STEADY:
            if turn.new is not Phase.WARM_UP:
                detector.end(turn.since_s)
            book.unsettle(tick, detector.end_s)
            if turn.new is Phase.WARM_UP:
                return
        if turn.new_firing:
            book.fire(tick, turn)
        elif turn.new is Phase.COOL_DOWN:
            book.fall(tick, turn.since_s)
            book.say(tick, "cool-down", "The rise breaks down: the burner seems to be off.")
        elif turn.new in (Phase.FAN, Phase.OFF):
            book.complete(tick, tick + 1)
            book.say(tick, turn.new.value, "Fan phase." if turn.new is Phase.FAN else "No air moves.")
        self._restart()

    def _restart(self) -> None:
        """Empty the windows, on the grid that the probes have now."""
        self.detector.reset(self.reader.grid_s(), self._keep_s)
        self.detector.floor = self.reader.resolution_k() / 12.0**0.5

    def _fit_grid(self) -> None:
        """Follow the probes: a coarser grid for a slower probe, the floor for a coarse one."""
        detector = self.detector
        detector.floor = self.reader.resolution_k() / 12.0**0.5
        if self.reader.grid_s() > detector.grid_s:
            if detector.steady:
                self._end_stretch(self.tick_s, self.tick_s + 1)
            self._restart()

    def _end_stretch(self, tick: int, end_s: int) -> None:
        """End the running stretch for a reason that the detector cannot see."""
        self.detector.end(end_s)
        self.book.unsettle(tick, self.detector.end_s)
        self.cycles.phase = Phase.WARM_UP

    def _gap(self, t_ns: int) -> None:
        """Nothing came for longer than the longest window: what was open ends before it."""
        silent_s = self._grid.silence_ns(t_ns) / NS_PER_S
        self._break_off(self.tick_s + 1)
        self._grid.skip_to(t_ns)
        self._ledger.clear(self._grid.next_tick)
        self.book.say(
            t_ns // NS_PER_S,
            "gap",
            f"No reading for {silent_s:.0f} s: windows emptied, an open firing ended.",
        )

    def _break_off(self, end_s: int) -> None:
        """End what is open at ``end_s`` and forget the past."""
        if self.detector.steady:
            self.detector.end(end_s)
            self.book.unsettle(self.tick_s, self.detector.end_s)
        self.book.complete(self.tick_s, end_s)
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


def _part(block: ReadingBlock, start: int, end: int) -> ReadingBlock:
    if start == 0 and end == len(block):
        return block
    cut = slice(start, end)
    return replace(
        block,
        seq=block.seq[cut],
        t_ns=block.t_ns[cut],
        channel=block.channel[cut],
        value=block.value[cut],
        flag=block.flag[cut],
        utc_us=block.utc_us[cut],
        arrival_ns=block.arrival_ns[cut],
    )
