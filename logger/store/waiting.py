"""What waits for a broker: readings beyond its cursor, and the rows of its outbox.

Only what is committed is seen. Places in a run are ``seq``; a run's place among the runs is ``run_key``.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger.core.readings import FLAG_CODES, Flag, Quantity
from logger.store import schema
from logger.store.reader import StoreReader

_RUN = "run_key, run, started_utc_us, simulated, next_seq, passed_over"
_ONE_BROKER = "(SELECT broker_key FROM broker WHERE name = ?)"
_RECORD = (
    "SELECT run_key, seq, kind, event.t_ns, event.code, event.probe, event.text, event.origin,"
    " result.t_ns, result.scope, result.document FROM outbox"
    " LEFT JOIN event USING (run_key, seq) LEFT JOIN result USING (run_key, seq)"
)


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
    """A row of the outbox; by ``kind`` it is an event, a result (``text`` is its document), or a
    reading that was parked, of which only the place is told."""

    run_key: int
    seq: int
    kind: str
    t_ns: int = 0
    code: str = ""  # of an event; of a result its scope
    probe: str | None = None
    text: str = ""
    origin: str = ""


class WaitingReader(StoreReader):
    """Read-only look at what one broker has not got."""

    def published_runs(self, broker: str) -> tuple[PublishedRun, ...]:
        """Every run that the broker gets, oldest first."""
        rows = self._all(
            f"SELECT {_RUN} FROM delivery_cursor JOIN run USING (run_key)"
            f" WHERE broker_key = {_ONE_BROKER} ORDER BY run_key",
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

    def readings_from(self, run_key: int, seq: int, limit: int) -> list[WaitingReading]:
        """Readings of a run from ``seq`` on, in order."""
        first, last = schema.key_range(run_key)
        return self._readings("id BETWEEN ? AND ? ORDER BY id LIMIT ?", (first + seq, last, limit))

    def one_reading(self, run_key: int, seq: int) -> WaitingReading | None:
        """The reading at that place, ``None`` where there is none."""
        found = self._readings("id = ?", (schema.key_range(run_key)[0] + seq,))
        return found[0] if found else None

    def _readings(self, where: str, values: tuple[int, ...]) -> list[WaitingReading]:
        rows = self._all(
            "SELECT id, t_ns, probe, quantity, value, flag FROM reading JOIN channel USING (channel_key)"
            f" WHERE {where}",
            values,
        )
        return [
            WaitingReading(
                seq=key & schema.SEQ_MASK,
                t_ns=t_ns,
                probe=probe,
                quantity=Quantity(quantity),
                value=value,
                flag=FLAG_CODES[flag],
            )
            for key, t_ns, probe, quantity, value, flag in rows
        ]

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

    def waiting_rows(self, broker: str, after: tuple[int, int], limit: int) -> list[WaitingRow]:
        """Events and results that were not tried yet, behind the place ``after``, in order."""
        return self._rows(broker, after, "parked_reason IS NULL", limit)

    def parked_rows(self, broker: str, after: tuple[int, int], limit: int) -> list[WaitingRow]:
        """Records that the broker refused, behind the place ``after``, in order."""
        return self._rows(broker, after, "parked_reason IS NOT NULL", limit)

    def _rows(self, broker: str, after: tuple[int, int], where: str, limit: int) -> list[WaitingRow]:
        rows = self._all(
            f"{_RECORD} WHERE broker_key = {_ONE_BROKER} AND (run_key, seq) > (?, ?) AND {where}"
            " ORDER BY run_key, seq LIMIT ?",
            (broker, *after, limit),
        )
        return [_row(row) for row in rows]

    def old_parked(self, broker: str, before_utc_us: int, limit: int) -> list[tuple[int, int]]:
        """Of the oldest parked readings, at most ``limit``, the places of those before that time."""
        rows = self._all(
            "SELECT run_key, seq, utc_us FROM outbox"
            f" JOIN reading ON reading.id = (run_key << {schema.SEQ_BITS}) + seq"
            f" WHERE broker_key = {_ONE_BROKER} AND kind = 'reading' ORDER BY run_key, seq LIMIT ?",
            (broker, limit),
        )
        return [(run_key, seq) for run_key, seq, utc_us in rows if utc_us < before_utc_us]

    def outbox_counts(self, broker: str, limit: int) -> tuple[int, int]:
        """How many events and results wait, and how many records are parked; no more than ``limit``
        rows are looked at."""
        rows = self._all(
            "SELECT count(*) - count(parked_reason), count(parked_reason) FROM"
            f" (SELECT parked_reason FROM outbox WHERE broker_key = {_ONE_BROKER} LIMIT ?)",
            (broker, limit),
        )
        return int(rows[0][0]), int(rows[0][1])

    def passed_over(self, broker: str) -> int:
        """How many readings were too old to be sent."""
        query = f"SELECT total(passed_over) FROM delivery_cursor WHERE broker_key = {_ONE_BROKER}"
        return int(self._all(query, (broker,))[0][0])


def _row(row: tuple[object, ...]) -> WaitingRow:
    run_key, seq, kind, event_t, code, probe, text, origin, result_t, scope, document = row
    values = {"run_key": run_key, "seq": seq, "kind": kind}
    if kind == "event":
        values |= {"t_ns": event_t, "code": code, "probe": probe, "text": text, "origin": origin}
    elif kind == "result":
        values |= {"t_ns": result_t, "code": scope, "text": document}
    return WaitingRow(**values)  # type: ignore[arg-type]  # the table is STRICT
