"""Records into the core, in order; and what the store is to be told of it, gathered."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from logger.collect import Noted, Record
from logger.core.readings import USABLE_FLAGS, Reading
from logger.core.snapshot import Event, Snapshot
from logger.store.records import Batch, ClockSegment, StoredEvent, StoredResult

if TYPE_CHECKING:
    from logger.core.pipeline import Pipeline


class Feed:
    """One run's way from the queue to the core and into batches for the store."""

    def __init__(self, pipeline: Pipeline, run: str, next_seq: Callable[[], int]) -> None:
        self._pipeline = pipeline
        self._run = run
        self._next_seq = next_seq
        self._readings: list[Reading] = []
        self._events: list[StoredEvent] = []
        self._results: list[StoredResult] = []
        self._segments: list[ClockSegment] = []
        self._core_told = 0  # events of the core kept so far
        self.stored = 0  # readings handed to the store
        self.flagged = 0  # of those, not used by any arithmetic
        self.last_t_ns: int | None = None  # of the newest reading

    def feed(self, records: Iterable[Record]) -> tuple[Event, ...]:
        """Feed the core; the events that came of it, the shell's own among them."""
        told: list[Event] = []
        rest = iter(records)
        try:
            for record in rest:
                self._feed_one(record, told)
        except BaseException:
            self.keep_raw(rest)
            raise
        return tuple(told)

    def _feed_one(self, record: Record, told: list[Event]) -> None:
        if isinstance(record, Reading):
            self._take(record)
            self._keep(self._pipeline.update(record), told)
        elif isinstance(record, Noted):
            self._note(record)
            told.append(record.event)
            self._pipeline.note(record.event)
        else:
            self._keep(self._pipeline.advance(record.t_ns), told)

    def keep_raw(self, records: Iterable[Record]) -> None:
        """Gather readings and shell events for the store without the core, after the core has failed."""
        for record in records:
            if isinstance(record, Reading):
                self._take(record)
            elif isinstance(record, Noted):
                self._note(record)

    def keep_last(self, events: Iterable[Event]) -> tuple[Event, ...]:
        """Of all events of the finished run, those of the core that were not kept yet."""
        fresh = tuple(e for e in events if e.origin == "core")[self._core_told :]
        self._keep(fresh, [])
        return fresh

    def keep_result(self, document: str, t_ns: int) -> None:
        """The result of a firing, as JSON text."""
        self._results.append(StoredResult(seq=self._next_seq(), t_ns=t_ns, scope="firing", document=document))

    def batch(self, snapshot: Snapshot | None = None) -> Batch:
        """What the store has not been told yet; told once."""
        readings, self._readings = self._readings, []
        events, self._events = self._events, []
        results, self._results = self._results, []
        segments, self._segments = self._segments, []
        return Batch(
            run=self._run,
            readings=readings,
            trace=self._pipeline.take_trace(),
            events=events,
            results=results,
            snapshot=snapshot,
            clock_segments=segments,
        )

    def _take(self, reading: Reading) -> None:
        self._readings.append(reading)
        self.stored += 1
        self.flagged += reading.flag not in USABLE_FLAGS
        self.last_t_ns = reading.t_ns

    def _note(self, noted: Noted) -> None:
        self._events.append(StoredEvent(seq=noted.seq, event=noted.event, utc_us=noted.utc_us))
        if noted.event.code == "clock-jump":
            self._segments.append(ClockSegment(t_ns=noted.event.t_ns, utc_us=noted.utc_us))

    def _keep(self, events: tuple[Event, ...], told: list[Event]) -> None:
        for event in events:
            self._events.append(StoredEvent(seq=self._next_seq(), event=event))
        self._core_told += len(events)
        told.extend(events)
