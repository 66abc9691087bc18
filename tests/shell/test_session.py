"""The live run: what ends it, what goes to the store and in which order. No real time."""

import asyncio
import math
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from logger.clock import SteppedClock
from logger.collect import Collector
from logger.core.errors import ConfigError, DriverError
from logger.core.readings import Quantity, Reading, Sample
from logger.core.snapshot import Event, Phase, Snapshot
from logger.driver_api import LinkState
from logger.feed import Feed
from logger.session import EndReason, Limits, Session
from logger.silence import Silence
from logger.store.records import Batch

S = 1_000_000_000
Step = Callable[["ScriptedDriver"], Awaitable[None]]


@dataclass
class FakeFiring:
    stretches: list[str]


class FakePipeline:
    """A core with a call log; ``at`` says what a reading's second brings."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, Any]] = []
        self.events_at: dict[int, Event] = {}
        self.firings_at: dict[int, FakeFiring] = {}
        self.steady_from_s: float | None = None
        self.bound: float | None = None
        self.breaks_at: int | None = None
        self._firings: list[FakeFiring] = []

    def update(self, reading: Reading) -> tuple[Event, ...]:
        second = reading.t_ns // S
        if second == self.breaks_at:
            raise ZeroDivisionError("a fault of the core")
        self.calls.append(("update", reading.seq))
        if second in self.firings_at:
            self._firings.append(self.firings_at.pop(second))
        event = self.events_at.pop(second, None)
        return () if event is None else (event,)

    def note(self, event: Event) -> None:
        self.calls.append(("note", event.code))

    def advance(self, t_ns: int) -> tuple[Event, ...]:
        self.calls.append(("advance", t_ns))
        return ()

    def snapshot(self, t_ns: int) -> Snapshot:
        steady = self.steady_from_s is not None and t_ns >= self.steady_from_s * S
        return Snapshot(
            t_ns=t_ns,
            phase=Phase.STEADY if steady else Phase.FAN,
            phase_since_s=0.0,
            held_s=60.0 if steady else 0.0,
            residual_bound=self.bound,
        )

    def take_trace(self) -> list[tuple[float | None, ...]]:
        return []

    def take_firings(self) -> tuple[FakeFiring, ...]:
        firings, self._firings = tuple(self._firings), []
        return firings


@dataclass
class FakeKeeper:
    begun: list[int] = field(default_factory=list)
    batches: list[tuple[Batch, bool]] = field(default_factory=list)

    def begin(self, started_utc_us: int) -> None:
        self.begun.append(started_utc_us)

    def keep(self, batch: Batch, *, flush: bool) -> None:
        assert self.begun, "a batch before the run began"
        self.batches.append((batch, flush))

    def seqs(self) -> list[int]:
        return [r.seq for b, _ in self.batches for r in b.readings]  # type: ignore[union-attr]

    def codes(self) -> list[str]:
        return [e.event.code for b, _ in self.batches for e in b.events]


@dataclass
class FakeListener:
    events: list[Event] = field(default_factory=list)
    seconds: list[int] = field(default_factory=list)

    def __call__(self, snapshot: Snapshot, events: Sequence[Event]) -> None:
        self.events.extend(events)
        self.seconds.append(snapshot.t_ns // S)


class ScriptedDriver:
    """One reading a second for so long, then ``then`` (an exception), else a quiet end."""

    name = "scripted"

    def __init__(
        self,
        rig: "Rig",
        seconds: int,
        then: Exception | None = None,
        *,
        stay: bool = False,
        probe: str = "ret",
    ) -> None:
        self.rig, self.seconds, self.then, self.stay, self.probe = rig, seconds, then, stay, probe
        self.cancelled = False

    async def run(self) -> None:
        try:
            for second in range(self.seconds):
                await self.rig.clock.wait_until(second * S)
                self.rig.collector.emit(
                    Sample(probe=self.probe, quantity=Quantity.TEMPERATURE, value=20.0 + second / 10)
                )
            if self.then is not None:
                raise self.then
            if self.stay:
                await asyncio.Event().wait()
        except asyncio.CancelledError:
            self.cancelled = True
            raise

    async def reach(self, seconds: float) -> Sequence[Any]:
        return ()


class Rig:
    """A session on fakes. ``turns`` is how often time-keeping may come round before it stands."""

    def __init__(
        self, limits: Limits | None = None, *, turns: int = 0, silent_after_s: float = math.inf
    ) -> None:
        self.pipeline = FakePipeline()
        self.clock = SteppedClock(speed=None, utc_start_us=1_700_000_000_000_000)
        self.keeper, self.listener = FakeKeeper(), FakeListener()
        self.logged: list[str] = []
        self.turns = turns
        self.on_events: Callable[[], None] = lambda: None
        self.on_shot: Callable[[Snapshot], None] = lambda _shot: None
        session: list[Session] = []
        self.collector = Collector(self.clock, ["ret", "sup"], wake=lambda: session and session[0].wake())
        self.session = Session(
            pipeline=self.pipeline,  # type: ignore[arg-type]
            collector=self.collector,
            clock=self.clock,
            feed=Feed(self.pipeline, "abc", self.collector.next_seq),  # type: ignore[arg-type]
            keeper=self.keeper,
            limits=limits or Limits(),
            listener=self.listen,
            silent_after_s=silent_after_s,
            pause=self.pause,
            log=lambda error, what: self.logged.append(what) or "the.log",  # type: ignore[func-returns-value]
        )
        session.append(self.session)

    def listen(self, snapshot: Snapshot, events: Sequence[Event]) -> None:
        self.listener(snapshot, events)
        self.on_shot(snapshot)
        if events:
            self.on_events()

    async def pause(self, seconds: float) -> None:
        if self.turns <= 0:
            await asyncio.Event().wait()
        self.turns -= 1
        await asyncio.sleep(0)

    async def run(self, **drivers: ScriptedDriver) -> EndReason:
        return await asyncio.wait_for(self.session.run(drivers), timeout=20)  # type: ignore[arg-type]


async def test_a_scenario_that_ends() -> None:
    rig = Rig()
    assert await rig.run(a=ScriptedDriver(rig, 150)) is EndReason.ENDED
    assert rig.keeper.seqs() == list(range(150))
    assert rig.keeper.begun == [1_700_000_000_000_000]
    assert [c for c in rig.pipeline.calls if c[0] == "update"] == [("update", n) for n in range(150)]
    assert rig.listener.seconds == list(range(150))
    assert rig.keeper.batches[-1][1]


async def test_readings_go_to_the_store_with_their_event_at_once() -> None:
    rig = Rig()
    rig.pipeline.events_at[3] = Event(t_ns=3 * S, code="phase", text="fan", probe=None)
    await rig.run(a=ScriptedDriver(rig, 5))
    batch, flush = rig.keeper.batches[0]
    assert flush
    assert [r.seq for r in batch.readings] == [0, 1, 2, 3]  # type: ignore[union-attr]
    assert [(e.seq, e.event.code) for e in batch.events] == [(4, "phase")]
    assert rig.keeper.seqs() == [0, 1, 2, 3, 5]
    assert [e.code for e in rig.listener.events] == ["phase"]


async def test_for_counts_in_reading_time_and_ends_exactly() -> None:
    rig = Rig(Limits(for_ns=10 * S))
    driver = ScriptedDriver(rig, 1000)
    assert await rig.run(a=driver) is EndReason.TIME
    assert rig.keeper.seqs() == list(range(11))
    assert driver.cancelled


async def test_for_ends_a_silent_run_too() -> None:
    rig = Rig(Limits(for_ns=10 * S), turns=5)
    driver = ScriptedDriver(rig, 0, stay=True)
    await rig.clock.wait_until(11 * S)
    assert await rig.run(a=driver) is EndReason.TIME
    assert rig.keeper.begun == []


async def test_until_result_waits_for_the_slow_part() -> None:
    rig = Rig(Limits(until_result=True, remaining=0.01))
    rig.pipeline.steady_from_s, rig.pipeline.bound = 20, 0.02
    rig.pipeline.events_at[50] = Event(t_ns=50 * S, code="x", text="x")
    driver = ScriptedDriver(rig, 100)
    assert await rig.run(a=driver) is EndReason.ENDED

    rig = Rig(Limits(until_result=True, remaining=0.01))
    rig.pipeline.steady_from_s, rig.pipeline.bound = 20, 0.009
    assert await rig.run(a=ScriptedDriver(rig, 100)) is EndReason.RESULT
    assert rig.keeper.seqs()[-1] in (20, 21)


async def test_until_result_says_why_it_did_not_wait() -> None:
    rig = Rig(Limits(until_result=True))
    rig.pipeline.firings_at = {10: FakeFiring([]), 30: FakeFiring(["one"])}
    assert await rig.run(a=ScriptedDriver(rig, 100)) is EndReason.RESULT
    assert 30 <= rig.keeper.seqs()[-1] <= 32
    assert rig.keeper.codes() == ["result-not-settled"]


async def test_stop_ends_in_order() -> None:
    rig = Rig()
    rig.pipeline.events_at[7] = Event(t_ns=7 * S, code="x", text="x")
    rig.on_events = lambda: rig.session.stop(EndReason.STOPPED)
    driver = ScriptedDriver(rig, 1000)
    assert await rig.run(a=driver) is EndReason.STOPPED
    assert driver.cancelled
    assert rig.keeper.seqs()[:8] == [0, 1, 2, 3, 4, 5, 6, 7]
    rig.session.stop(EndReason.TIME)
    assert rig.session._end is EndReason.STOPPED


async def test_one_broken_driver_leaves_the_others_going() -> None:
    rig = Rig()
    broken = ScriptedDriver(rig, 3, ValueError("index out of range"), probe="sup")
    assert await rig.run(a=ScriptedDriver(rig, 50), b=broken) is EndReason.ENDED
    assert rig.keeper.codes() == ["driver-fault"]
    assert rig.logged == ["driver b"]
    assert ("note", "driver-fault") in rig.pipeline.calls
    text = rig.listener.events[0].text
    assert "driver 'b' broke (ValueError: index out of range)" in text
    assert "the.log" in text


async def test_a_driver_that_cancels_itself_is_a_failure() -> None:
    rig = Rig()
    driver = ScriptedDriver(rig, 5, asyncio.CancelledError())  # type: ignore[arg-type]
    assert await rig.run(a=driver) is EndReason.NO_SOURCE
    assert "gave up without a reason" in str(rig.session.fatal)


@pytest.mark.parametrize("error", [DriverError("no adapter; plug one in"), ConfigError("no scenario")])
async def test_no_driver_left_that_can_work(error: Exception) -> None:
    rig = Rig()
    assert await rig.run(a=ScriptedDriver(rig, 0, error)) is EndReason.NO_SOURCE
    assert rig.session.fatal is error
    assert rig.keeper.begun == []


async def test_a_fault_of_the_core_keeps_every_reading() -> None:
    rig = Rig()
    rig.pipeline.breaks_at = 20
    with pytest.raises(ZeroDivisionError):
        await rig.run(a=ScriptedDriver(rig, 40))
    seqs = rig.keeper.seqs()
    assert seqs == list(range(len(seqs)))
    assert len(seqs) > 20


async def test_a_fault_on_the_very_first_reading_loses_none() -> None:
    rig = Rig()
    rig.pipeline.breaks_at = 0
    with pytest.raises(ZeroDivisionError):
        await rig.run(a=ScriptedDriver(rig, 3, stay=True))
    assert rig.keeper.begun
    assert rig.keeper.seqs()[0] == 0


async def test_a_fault_of_the_core_keeps_marks_and_suspends_too() -> None:
    """The replay that is then recommended needs them in their place."""
    rig = Rig()
    rig.pipeline.breaks_at = 1

    class Marking(ScriptedDriver):
        async def run(self) -> None:
            for second in (0, 1, 2):
                await self.rig.clock.wait_until(second * S)
                self.rig.collector.emit(Sample(probe="ret", quantity=Quantity.TEMPERATURE, value=20.0))
                self.rig.session.mark(f"mark {second}")

    with pytest.raises(ZeroDivisionError):
        await rig.run(a=Marking(rig, 0))
    seqs = [(e.seq, e.event.text) for b, _ in rig.keeper.batches for e in b.events]
    assert (1, "mark 0") in seqs
    assert (3, "mark 1") in seqs


async def test_a_listener_that_breaks_costs_the_picture_and_not_the_run() -> None:
    rig = Rig()
    calls: list[int] = []

    def broken(snapshot: Snapshot, events: Sequence[Event]) -> None:
        calls.append(snapshot.t_ns)
        raise KeyError("no such colour")

    rig.session._listener = broken
    assert await rig.run(a=ScriptedDriver(rig, 50)) is EndReason.ENDED
    assert len(calls) == 1
    assert rig.keeper.codes() == ["screen-trouble"]
    assert len(rig.keeper.seqs()) == 50
    assert rig.logged == ["showing the run"]


async def test_every_turn_of_the_time_commits() -> None:
    """What waits is committed at once, once a second: no second timer comes on top."""
    rig = Rig(turns=3)

    class Slow(ScriptedDriver):
        async def run(self) -> None:
            for second in range(20):
                await self.rig.clock.wait_until(second * S)
                self.rig.collector.emit(Sample(probe="ret", quantity=Quantity.TEMPERATURE, value=20.0))
                await asyncio.sleep(0)

    await rig.run(a=Slow(rig, 0))
    assert len(rig.keeper.batches) > 1
    assert all(flush for _, flush in rig.keeper.batches)


async def test_ticks_come_only_where_no_reading_does() -> None:
    rig = Rig(turns=3)

    class Pausing(ScriptedDriver):
        async def run(self) -> None:
            self.rig.collector.emit(Sample(probe="ret", quantity=Quantity.TEMPERATURE, value=20.0))
            await self.rig.clock.wait_until(30 * S)
            for _ in range(20):
                await asyncio.sleep(0)

    await rig.run(a=Pausing(rig, 0))
    assert ("advance", 30 * S) in rig.pipeline.calls


async def test_marks_and_links_take_their_place_in_the_queue() -> None:
    rig = Rig()

    class Marking(ScriptedDriver):
        async def run(self) -> None:
            self.rig.collector.link("ret", LinkState.LIVE, "found")
            self.rig.collector.emit(Sample(probe="ret", quantity=Quantity.TEMPERATURE, value=20.0))
            self.rig.session.mark("damper closed")
            self.rig.collector.emit(Sample(probe="ret", quantity=Quantity.TEMPERATURE, value=20.1))

    await rig.run(a=Marking(rig, 0))
    assert rig.pipeline.calls == [("note", "probe-live"), ("update", 1), ("note", "mark"), ("update", 3)]
    assert rig.keeper.codes() == ["probe-live", "mark"]


class Falling(ScriptedDriver):
    """A firing's readings up to 10 s, then nothing until ``back_s``, then one a second for 10 s."""

    def __init__(self, rig: "Rig", *, back_s: int, stamps: Sequence[int]) -> None:
        super().__init__(rig, 0)
        self.back_s, self.stamps = back_s, stamps

    async def run(self) -> None:
        for second in [*range(11), *self.stamps, *range(self.back_s, self.back_s + 10)]:
            await self.rig.clock.wait_until(second * S)
            if second not in self.stamps:
                for probe in ("ret", "sup"):
                    self.rig.collector.emit(
                        Sample(probe=probe, quantity=Quantity.TEMPERATURE, value=20.0 + second)
                    )
            for _ in range(9):  # the time-keeping comes round, and what it puts in the queue is worked off
                await asyncio.sleep(0)


async def test_silence_of_every_probe_is_told_and_no_old_value_is_shown_as_now() -> None:
    """`common practice, no source`: an instrument that has lost its sensors shows no number."""
    rig = Rig(turns=10_000, silent_after_s=5.0)
    shots: list[Snapshot] = []
    rig.on_shot = shots.append
    rig.pipeline.steady_from_s, rig.pipeline.bound = 5, 0.02
    await rig.run(a=Falling(rig, back_s=60, stamps=range(11, 60)))
    told = [event for event in rig.listener.events if event.code == "no-readings"]
    assert [(event.origin, event.probe) for event in told] == [("shell", None)]
    assert 15 < told[0].t_ns / S < 20
    assert rig.keeper.codes() == ["no-readings"]
    silent = [shot for shot in shots if told[0].t_ns < shot.t_ns < 60 * S]
    assert len(silent) > 30
    for shot in silent:
        assert shot.silent_s == shot.t_ns / S - 10.0
        assert (shot.residual_bound, shot.held_s) == (None, 0.0)
    speaking = [shot for shot in shots if shot.t_ns <= 15 * S or shot.t_ns >= 60 * S]
    assert speaking
    assert all(shot.silent_s is None for shot in speaking)


async def test_a_silence_is_told_each_time_but_not_for_ever() -> None:
    silence = Silence(5.0)
    told = 0
    for last_s in range(0, 1000, 100):
        assert not silence.look(last_s * S, last_s * S)
        assert not silence.look((last_s + 6) * S, last_s * S)
        told += silence.look((last_s + 7) * S, last_s * S)
        assert not silence.look((last_s + 8) * S, last_s * S)
        shown = silence.shown(rig_snapshot((last_s + 8) * S), last_s * S)
        assert shown.silent_s == 8.0
    assert told == 5


async def test_a_loop_that_was_held_up_is_no_silence() -> None:
    """Readings' time may run 60 times as fast as the wall's: from look to look a minute goes by."""
    silence = Silence(5.0)
    for minute in range(1, 50):
        assert not silence.look(minute * 60 * S, (minute * 60 - 20) * S)
        assert silence.shown(rig_snapshot(minute * 60 * S), (minute * 60 - 20) * S).silent_s is None


def rig_snapshot(t_ns: int) -> Snapshot:
    return Snapshot(t_ns=t_ns, phase=Phase.STEADY, phase_since_s=0.0, output_w=30_000.0)
