"""What waits for a broker: readings beyond its cursor, and the rows of its outbox.

Only what is committed is seen. Places in a run are ``seq``; a run's place among the runs is ``run_key``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from logger.core.readings import FLAG_CODES, Flag, Quantity
from logger.store import schema
from logger.store.reader import StoreReader
from logger.store.records import NAME_LIMIT
from logger.text import clean_text

COUNTED = 100_000  # readings of a run; beyond, the backlog is "more than" that

_RUN = "run_key, run, started_utc_us, simulated, coalesce(next_seq, 0), coalesce(passed_over, 0)"
_ONE_BROKER = "(SELECT broker_key FROM broker WHERE name = ?)"
_RECORD = (
    "SELECT run_key, seq, kind, event.t_ns, event.code, event.probe, event.text, event.origin,"
    " result.t_ns, result.scope, result.document FROM outbox"
    " LEFT JOIN event USING (run_key, seq) LEFT JOIN result USING (run_key, seq)"
)
_BEYOND_CURSOR = (
    f"reading.id BETWEEN (c.run_key << {schema.SEQ_BITS}) + c.next_seq"
    f" AND (c.run_key << {schema.SEQ_BITS}) + {schema.SEQ_MASK}"
)
_QUANTITIES = {quantity.value: quantity for quantity in Quantity}
_FLAGS = dict(enumerate(FLAG_CODES))


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedRun:
    """A run that a broker gets, with the broker's cursor in its readings."""

    run_key: int
    run: str
    started_utc_us: int
    simulated: bool
    next_seq: int
    above: tuple[int, ...]
    passed_over: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingReading:
    """A reading that was not delivered yet."""

    seq: int
    t_ns: int
    probe: str
    quantity: Quantity
    value: float
    flag: Flag


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingRow:
    """An event, or a result (``text`` is its document)."""

    run_key: int
    seq: int
    kind: str
    t_ns: int
    code: str  # of an event; of a result its scope
    probe: str | None = None
    text: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable:
    """A record of which the store makes no sense, and why."""

    seq: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxPlace:
    """A row of the outbox without its record. ``parked``: it was refused before; ``gone``: a reading that
    is not in the store any more; ``probe`` and ``quantity`` are a reading's."""

    run_key: int
    seq: int
    kind: str
    parked: bool
    gone: bool = False
    probe: str = ""
    quantity: str = ""

    @property
    def place(self) -> tuple[int, int]:
        """Where it lies among all."""
        return self.run_key, self.seq


class WaitingReader(StoreReader):
    """Read-only look at what one broker has not got."""

    def published_runs(self, broker: str) -> tuple[PublishedRun, ...]:
        """The runs of which something waits for the broker, oldest first."""
        rows = self._all(
            f"SELECT {_RUN} FROM delivery_cursor AS c JOIN run USING (run_key)"
            f" WHERE broker_key = {_ONE_BROKER} AND (EXISTS (SELECT 1 FROM reading WHERE {_BEYOND_CURSOR})"
            " OR EXISTS (SELECT 1 FROM outbox AS o WHERE o.broker_key = c.broker_key"
            " AND o.run_key = c.run_key)) ORDER BY run_key",
            (broker,),
        )
        return tuple(self._published(broker, row) for row in rows)

    def published_run(self, broker: str, run: str) -> PublishedRun | None:
        """One run, ``None`` while it has not begun."""
        rows = self._all(
            f"SELECT {_RUN} FROM delivery_cursor JOIN run USING (run_key)"
            f" WHERE broker_key = {_ONE_BROKER} AND run = ?",
            (broker, run),
        )
        return self._published(broker, rows[0]) if rows else None

    def any_run(self, broker: str, run_key: int) -> PublishedRun | None:
        """One run by its key, also where the broker has no cursor in it."""
        rows = self._all(
            f"SELECT {_RUN} FROM run LEFT JOIN (SELECT * FROM delivery_cursor WHERE broker_key ="
            f" {_ONE_BROKER}) USING (run_key) WHERE run_key = ?",
            (broker, run_key),
        )
        return self._published(broker, rows[0]) if rows else None

    def other_brokers(self, broker: str) -> tuple[tuple[str, int], ...]:
        """Brokers but this one for which records wait, with how many; no more than ``COUNTED`` of a run."""
        names = self._all("SELECT name FROM broker WHERE name <> ? ORDER BY broker_key", (broker,))
        counts = [(str(name), self.waiting_count(name) + self.outbox_counts(name)[1]) for (name,) in names]
        return tuple((name, count) for name, count in counts if count)

    def waiting_count(self, broker: str) -> int:
        """How many records wait for that broker and were not refused; no more than ``COUNTED`` of a run."""
        waiting, _ = self.outbox_counts(broker)
        for run in self.published_runs(broker):
            count = self.count_from(run.run_key, run.next_seq, COUNTED)
            waiting += max(0, count - len(run.above))
        return waiting

    def parked_reasons(self, broker: str) -> tuple[tuple[str, int], ...]:
        """Why records were refused, each with how many, the most frequent first."""
        return tuple(
            (str(reason), int(count))
            for reason, count in self._all(
                "SELECT parked_reason, count(*) FROM outbox"
                f" WHERE broker_key = {_ONE_BROKER} AND parked_reason IS NOT NULL"
                " GROUP BY parked_reason ORDER BY count(*) DESC, parked_reason",
                (broker,),
            )
        )

    def _published(self, broker: str, row: tuple[int, str, int, int, int, int]) -> PublishedRun:
        above = self._all(
            f"SELECT seq FROM delivered_above WHERE broker_key = {_ONE_BROKER} AND run_key = ? ORDER BY seq",
            (broker, row[0]),
        )
        return PublishedRun(
            run_key=row[0],
            run=row[1],
            started_utc_us=row[2],
            simulated=bool(row[3]),
            next_seq=row[4],
            above=tuple(seq for (seq,) in above),
            passed_over=row[5],
        )

    def readings_from(self, run_key: int, seq: int, limit: int) -> list[WaitingReading | Unreadable]:
        """Readings of a run from ``seq`` on, in order."""
        first, last = schema.key_range(run_key)
        return self._readings("id BETWEEN ? AND ? ORDER BY id LIMIT ?", (first + seq, last, limit))

    def one_reading(self, run_key: int, seq: int) -> WaitingReading | Unreadable | None:
        """The reading at that place, ``None`` where there is none."""
        found = self._readings("id = ?", (schema.key_range(run_key)[0] + seq,))
        return found[0] if found else None

    def _readings(self, where: str, values: tuple[int, ...]) -> list[WaitingReading | Unreadable]:
        rows = self._all(
            "SELECT id, t_ns, probe, quantity, value, flag FROM reading LEFT JOIN channel USING (channel_key)"
            f" WHERE {where}",
            values,
        )
        return [_reading(*row) for row in rows]

    def old_readings(self, run_key: int, seq: int, before_utc_us: int, limit: int) -> tuple[int, int]:
        """Of at most ``limit`` readings from ``seq`` on, how many lie before that time without a
        break, and the seq behind the last of them."""
        first, last = schema.key_range(run_key)
        query = "SELECT id, utc_us FROM reading WHERE id BETWEEN ? AND ? ORDER BY id LIMIT ?"
        rows = self._all(query, (first + seq, last, 1))
        if rows and rows[0][1] < before_utc_us:  # else there is no page to be read
            rows = self._all(query, (first + seq, last, limit))
        count, behind = 0, seq
        for key, utc_us in rows:
            if utc_us >= before_utc_us:
                break
            count, behind = count + 1, (key & schema.SEQ_MASK) + 1
        return count, behind

    def count_from(self, run_key: int, seq: int, limit: int) -> int:
        """How many readings there are from ``seq`` on; no more than ``limit`` are looked at."""
        first, last = schema.key_range(run_key)
        query = "SELECT count(*) FROM (SELECT 1 FROM reading WHERE id BETWEEN ? AND ? LIMIT ?)"
        return int(self._all(query, (first + seq, last, limit))[0][0])

    def outbox_page(self, broker: str, after: tuple[int, int], limit: int) -> list[OutboxPlace]:
        """Rows of the outbox behind the place ``after``, in order; no more than ``limit`` are looked at."""
        rows = self._all(
            "SELECT o.run_key, seq, kind, parked, kind = 'reading' AND id IS NULL,"
            " coalesce(probe, ''), coalesce(quantity, '') FROM"
            " (SELECT run_key, seq, kind, parked_reason IS NOT NULL AS parked FROM outbox"
            f"  WHERE broker_key = {_ONE_BROKER} AND (run_key, seq) > (?, ?) ORDER BY run_key, seq LIMIT ?) o"
            f" LEFT JOIN reading ON kind = 'reading' AND id = (o.run_key << {schema.SEQ_BITS}) + seq"
            " LEFT JOIN channel USING (channel_key) ORDER BY o.run_key, seq",
            (broker, *after, limit),
        )
        return [
            OutboxPlace(
                run_key=run_key,
                seq=seq,
                kind=kind,
                parked=bool(parked),
                gone=bool(gone),
                probe=probe,
                quantity=quantity,
            )
            for run_key, seq, kind, parked, gone, probe, quantity in rows
        ]

    def one_row(self, broker: str, run_key: int, seq: int) -> WaitingRow | Unreadable | None:
        """The event or result of a row of the outbox, ``None`` without such a row."""
        rows = self._all(
            f"{_RECORD} WHERE broker_key = {_ONE_BROKER} AND run_key = ? AND seq = ?", (broker, run_key, seq)
        )
        return _row(rows[0]) if rows else None

    def is_parked(self, broker: str, run_key: int, seq: int) -> bool | None:
        """What its row in the outbox says of a record, ``None`` without one."""
        rows = self._all(
            "SELECT parked_reason IS NOT NULL FROM outbox"
            f" WHERE broker_key = {_ONE_BROKER} AND run_key = ? AND seq = ?",
            (broker, run_key, seq),
        )
        return bool(rows[0][0]) if rows else None

    def old_parked(
        self, broker: str, after: tuple[int, int], before_utc_us: int, limit: int
    ) -> tuple[list[tuple[int, int]], tuple[int, int] | None]:
        """Of at most ``limit`` rows of the outbox behind the place ``after``: the places of readings of
        before that time or no longer in the store, and where to go on, ``None`` at the end."""
        rows = self._all(
            "SELECT o.run_key, seq, kind = 'reading' AND coalesce(utc_us < ?, 1) FROM"
            " (SELECT run_key, seq, kind FROM outbox"
            f"  WHERE broker_key = {_ONE_BROKER} AND (run_key, seq) > (?, ?) ORDER BY run_key, seq LIMIT ?) o"
            f" LEFT JOIN reading ON kind = 'reading' AND id = (o.run_key << {schema.SEQ_BITS}) + seq"
            " ORDER BY o.run_key, seq",
            (before_utc_us, broker, *after, limit),
        )
        old = [(run_key, seq) for run_key, seq, is_old in rows if is_old]
        return old, (rows[-1][0], rows[-1][1]) if len(rows) == limit else None

    def outbox_counts(self, broker: str) -> tuple[int, int]:
        """How many events and results wait untried, and how many records are parked."""
        rows = self._all(
            "SELECT count(*) - count(parked_reason), count(parked_reason) FROM outbox"
            f" WHERE broker_key = {_ONE_BROKER}",
            (broker,),
        )
        return int(rows[0][0]), int(rows[0][1])

    def count_untried(self, broker: str, after: tuple[int, int], limit: int) -> int:
        """How many events and results wait untried behind the place ``after``; no more than ``limit`` rows
        are looked at."""
        rows = self._all(
            "SELECT count(*) - count(parked_reason) FROM (SELECT parked_reason FROM outbox"
            f" WHERE broker_key = {_ONE_BROKER} AND (run_key, seq) > (?, ?) ORDER BY run_key, seq LIMIT ?)",
            (broker, *after, limit),
        )
        return int(rows[0][0])

    def passed_over(self, broker: str) -> int:
        """How many readings were too old to be sent."""
        query = f"SELECT total(passed_over) FROM delivery_cursor WHERE broker_key = {_ONE_BROKER}"
        return int(self._all(query, (broker,))[0][0])


def _reading(
    key: int, t_ns: int, probe: str | None, quantity: str | None, value: float, flag: int
) -> WaitingReading | Unreadable:
    seq, known, named = key & schema.SEQ_MASK, _QUANTITIES.get(quantity or ""), _FLAGS.get(flag)
    if probe is None:
        return Unreadable(seq=seq, why="its channel is not in the store")
    if known is None:
        return Unreadable(seq=seq, why=f"its quantity {clean_text(str(quantity), NAME_LIMIT)!r} is not known")
    if named is None:
        return Unreadable(seq=seq, why=f"its flag {flag} is not known")
    if not math.isfinite(value):
        return Unreadable(seq=seq, why=f"its value is {value}")
    return WaitingReading(seq=seq, t_ns=t_ns, probe=probe, quantity=known, value=value, flag=named)


def _row(row: tuple[Any, ...]) -> WaitingRow | Unreadable:
    run_key, seq, kind, event_t, code, probe, text, origin, result_t, scope, document = row
    if kind == "event" and event_t is not None:
        return WaitingRow(
            run_key=run_key,
            seq=seq,
            kind=kind,
            t_ns=event_t,
            code=code,
            probe=probe,
            text=text,
            origin=origin,
        )
    if kind == "result" and result_t is not None:
        return WaitingRow(run_key=run_key, seq=seq, kind=kind, t_ns=result_t, code=scope, text=document)
    return Unreadable(seq=seq, why=f"the store has no {clean_text(kind, NAME_LIMIT)} at its place")
