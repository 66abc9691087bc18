"""How the records of a batch become rows. No transaction is begun or ended here."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from pathlib import Path

from logger.core.errors import StoreError
from logger.core.readings import FLAG_CODES, QUANTITIES, Quantity, Reading, ReadingBlock
from logger.core.snapshot import TRACE_COLUMNS
from logger.store.drop import LAST_RECORD, drop_rows
from logger.store.encode import checked_json, json_text, snapshot_text
from logger.store.records import (
    FILE_LIMIT,
    NAME_LIMIT,
    Batch,
    CursorMove,
    OutboxMark,
    RunEnd,
    RunHeader,
)
from logger.store.schema import SEQ_BITS, SEQ_MASK, key_range
from logger.text import clean_text

_FLAG_CODE = {flag: code for code, flag in enumerate(FLAG_CODES)}
_READING = "(?, ?, ?, ?, ?, ?, ?)"
_WIDTH = _READING.count("?")
_AT_ONCE = 999 // _WIDTH  # readings; every SQLite takes 999 parameters (sqlite.org/limits.html, 9)
_INSERT_TRACE = f"INSERT INTO trace VALUES (?{', ?' * len(TRACE_COLUMNS)})"
_ONE_BROKER = "(SELECT broker_key FROM broker WHERE name = ?)"


class BatchInserter:
    """Inserts batches over one connection and remembers the small keys it gave.

    After a rollback the keys may be gone with it: ``forget`` then.
    """

    def __init__(self, conn: sqlite3.Connection, path: Path) -> None:
        self._conn = conn
        self._path = path
        self._channels: dict[tuple[str, Quantity], int] = {}
        self._runs: dict[str, int] = {}
        self._next_trace: dict[int, int] = {}

    def forget(self) -> None:
        """Look every key up again."""
        self._channels.clear()
        self._runs.clear()
        self._next_trace.clear()

    def insert(self, batch: Batch) -> None:
        """All rows of a batch: the state of delivery, readings, then what was derived from them.

        Delivery first: it says whether the run's events and results have a way to go.
        """
        if batch.header is not None:
            self._insert_header(batch.header)
        key = self.run_key(batch.run)
        self._move_cursors(batch.cursors)
        self._mark_outbox(batch.marks)
        self._insert_readings(key, batch)
        self._insert_trace(key, batch)
        self._insert_events(key, batch)
        self._insert_results(key, batch)
        self._replace_snapshot(key, batch)
        self._insert_clock_and_gaps(key, batch)
        for drop in batch.drops:
            drop_rows(self._conn, drop)
        if batch.end is not None:
            self._end(key, batch.run, batch.end)

    def run_key(self, run: str) -> int:
        """The small number of a run that has begun."""
        if run not in self._runs:
            row = self._conn.execute("SELECT run_key FROM run WHERE run = ?", (run,)).fetchone()
            if row is None:
                raise StoreError(f"{self._path} has no run {clean_text(run, NAME_LIMIT)!r}; begin it first")
            self._runs[run] = int(row[0])
        return self._runs[run]

    def _next_record(self, key: int) -> tuple[int, int]:
        """Seq behind every record of the run, and elapsed time of its last reading."""
        last = self._conn.execute(
            "SELECT id, t_ns FROM reading WHERE id BETWEEN ? AND ? ORDER BY id DESC LIMIT 1", key_range(key)
        ).fetchone()
        seq, t_ns = (-1, 0) if last is None else (last[0] & SEQ_MASK, last[1])
        (other,) = self._conn.execute(LAST_RECORD, (key,)).fetchone()
        return max(seq, other) + 1, t_ns

    def _insert_header(self, header: RunHeader) -> None:
        check_header(header)
        self._conn.execute(
            "INSERT INTO run (run, job, started_utc_us, boot_id, versions, config, simulated, scenario,"
            " seed, replay_of) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                header.run,
                header.job,
                header.started_utc_us,
                clean_text(header.boot_id, NAME_LIMIT),
                json_text(dict(header.versions), "the list of versions"),
                header.config_text,
                int(header.simulated),
                header.scenario,
                header.seed,
                header.replay_of,
            ),
        )
        key = self.run_key(header.run)
        self._many(
            "INSERT INTO run_file VALUES (?, ?, ?)",
            ((key, clean_text(name), text) for name, text in header.files.items()),
        )
        self._insert_clock_and_gaps(key, Batch(run=header.run, clock_segments=header.clock_segments))

    def _end(self, key: int, run: str, end: RunEnd) -> None:
        ended = self._conn.execute(
            "UPDATE run SET ended_utc_us = ?, end_reason = ? WHERE run_key = ? AND ended_utc_us IS NULL",
            (end.ended_utc_us, clean_text(end.end_reason), key),
        )
        if ended.rowcount != 1:
            raise StoreError(f"run {run} has ended before; a run ends once")
        if end.result_json is not None:
            seq, t_ns = self._next_record(key)
            row = (key, seq, t_ns, "run", checked_json(end.result_json, "the run's result"))
            self._conn.execute("INSERT INTO result VALUES (?, ?, ?, ?, ?)", row)
            self._queue_for_brokers(key, "result", [seq])

    def _many(self, statement: str, rows: Iterable[Sequence[object]]) -> None:
        self._conn.executemany(statement, rows)

    def _channel_key(self, channel: tuple[str, Quantity]) -> int:
        """The small number of a probe's quantity, given at its first reading."""
        if channel not in self._channels:
            probe, quantity = checked_name(channel[0], "probe name"), channel[1]
            self._conn.execute(
                "INSERT OR IGNORE INTO channel (probe, quantity, unit) VALUES (?, ?, ?)",
                (probe, str(quantity), QUANTITIES[quantity].unit),
            )
            (key,) = self._conn.execute(
                "SELECT channel_key FROM channel WHERE probe = ? AND quantity = ?", (probe, str(quantity))
            ).fetchone()
            self._channels[channel] = key
        return self._channels[channel]

    def _insert_readings(self, key: int, batch: Batch) -> None:
        readings = batch.readings
        if len(readings) == 0:
            return
        if isinstance(readings, ReadingBlock):
            _check_seqs(int(readings.seq.min()), int(readings.seq.max()))
            self._insert_block(key << SEQ_BITS, readings)
        else:
            _check_seqs(min(r.seq for r in readings), max(r.seq for r in readings))
            self._insert_list(key << SEQ_BITS, readings)

    def _insert_list(self, base: int, readings: Sequence[Reading]) -> None:
        self._many(
            f"INSERT INTO reading VALUES {_READING}",
            [
                (
                    base + seq,
                    t_ns,
                    self._channel_key((probe, quantity)),
                    value,
                    _FLAG_CODE[flag],
                    utc_us,
                    arrival,
                )
                for seq, t_ns, probe, quantity, value, flag, utc_us, arrival in readings
            ],
        )

    def _insert_block(self, base: int, block: ReadingBlock) -> None:
        # Only channels that have a reading here get a row.
        used = set(block.channel.tolist())
        keys = [self._channel_key(c) if i in used else 0 for i, c in enumerate(block.channels)]
        columns = (
            (block.seq + base).tolist(),
            block.t_ns.tolist(),
            [keys[channel] for channel in block.channel.tolist()],
            block.value.tolist(),
            block.flag.tolist(),
            block.utc_us.tolist(),
            block.arrival_ns.tolist(),
        )
        fields: list[object] = [None] * (_WIDTH * len(block))
        for place, column in enumerate(columns):
            fields[place::_WIDTH] = column
        start = 0
        for rows in (_AT_ONCE, 1):  # to run a statement takes about as long as to store a row
            size = rows * _WIDTH
            end = len(fields) - (len(fields) - start) % size
            self._many(
                f"INSERT INTO reading VALUES {', '.join([_READING] * rows)}",
                (fields[at : at + size] for at in range(start, end, size)),
            )
            start = end

    def _insert_trace(self, key: int, batch: Batch) -> None:
        if not batch.trace:
            return
        if key not in self._next_trace:
            (last,) = self._conn.execute(
                "SELECT max(id) FROM trace WHERE id BETWEEN ? AND ?", key_range(key)
            ).fetchone()
            self._next_trace[key] = key_range(key)[0] if last is None else last + 1
        first = self._next_trace[key]
        self._many(_INSERT_TRACE, ((first + n, *row) for n, row in enumerate(batch.trace)))
        self._next_trace[key] = first + len(batch.trace)

    def _insert_events(self, key: int, batch: Batch) -> None:
        self._many(
            "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (
                (key, s.seq, e.t_ns, s.utc_us, e.origin, e.code, e.probe, clean_text(e.text))
                for s, e in ((stored, stored.event) for stored in batch.events)
            ),
        )
        self._queue_for_brokers(key, "event", [stored.seq for stored in batch.events])

    def _insert_results(self, key: int, batch: Batch) -> None:
        self._many(
            "INSERT INTO result VALUES (?, ?, ?, ?, ?)",
            ((key, r.seq, r.t_ns, r.scope, checked_json(r.document, "a result")) for r in batch.results),
        )
        self._queue_for_brokers(key, "result", [stored.seq for stored in batch.results])

    def _replace_snapshot(self, key: int, batch: Batch) -> None:
        if batch.snapshot is not None:
            row = (key, batch.snapshot.t_ns, snapshot_text(batch.snapshot, clean_text(batch.broker)))
            self._conn.execute("INSERT OR REPLACE INTO snapshot VALUES (?, ?, ?)", row)

    def _insert_clock_and_gaps(self, key: int, batch: Batch) -> None:
        self._many(
            "INSERT OR REPLACE INTO clock_segment VALUES (?, ?, ?)",
            ((key, s.t_ns, s.utc_us) for s in batch.clock_segments),
        )
        self._many(
            "INSERT OR REPLACE INTO storage_gap VALUES (?, ?, ?, ?)",
            ((key, g.first_seq, g.last_seq, g.count) for g in batch.gaps),
        )

    def _queue_for_brokers(self, key: int, kind: str, seqs: Sequence[int]) -> None:
        """A row in the outbox for each broker that the run is published to."""
        self._many(
            "INSERT INTO outbox (broker_key, run_key, seq, kind)"
            " SELECT broker_key, run_key, ?, ? FROM delivery_cursor WHERE run_key = ?",
            ((seq, kind, key) for seq in seqs),
        )

    def _move_cursors(self, moves: Sequence[CursorMove]) -> None:
        for move in moves:
            key = self.run_key(move.run)
            self._conn.execute("INSERT OR IGNORE INTO broker (name) VALUES (?)", (move.broker,))
            self._conn.execute(
                "INSERT INTO delivery_cursor (broker_key, run_key, next_seq, passed_over)"
                f" VALUES ({_ONE_BROKER}, ?, ?, ?) ON CONFLICT (broker_key, run_key) DO UPDATE"
                " SET next_seq = max(next_seq, excluded.next_seq),"
                " passed_over = passed_over + excluded.passed_over",
                (move.broker, key, move.next_seq, move.passed_over),
            )
            self._conn.execute(
                f"DELETE FROM delivered_above WHERE broker_key = {_ONE_BROKER} AND run_key = ? AND seq < ?",
                (move.broker, key, move.next_seq),
            )
            self._many(
                f"INSERT OR IGNORE INTO delivered_above VALUES ({_ONE_BROKER}, ?, ?)",
                ((move.broker, key, seq) for seq in move.above),
            )

    def _mark_outbox(self, marks: Sequence[OutboxMark]) -> None:
        # Of one record the last mark holds: the others need not be written.
        last = {(mark.broker, self.run_key(mark.run), mark.seq): mark for mark in marks}
        self._many(
            f"DELETE FROM outbox WHERE broker_key = {_ONE_BROKER} AND run_key = ? AND seq = ?",
            (place for place, mark in last.items() if mark.parked is None),
        )
        self._many(
            "INSERT INTO outbox (broker_key, run_key, seq, kind, parked_reason, tries)"
            f" VALUES ({_ONE_BROKER}, ?, ?, ?, ?, 1) ON CONFLICT (broker_key, run_key, seq) DO UPDATE"
            " SET parked_reason = excluded.parked_reason, tries = tries + 1",
            (
                (*place, mark.kind, clean_text(mark.parked))
                for place, mark in last.items()
                if mark.parked is not None
            ),
        )


def check_header(header: RunHeader) -> None:
    """Raise ``StoreError`` for a header that cannot be stored."""
    if header.run == "last":
        raise StoreError("run id 'last' cannot be stored: it is the word for the newest run")
    for name, content in (("config", header.config_text), *header.files.items()):
        if len(content) > FILE_LIMIT:
            raise StoreError(f"{clean_text(name)} has more than {FILE_LIMIT} characters; make it smaller")
    checked_name(header.run, "run id")
    checked_name(header.job, "job name")


def checked_name(name: str, what: str) -> str:
    """A name as it came, when it can be shown; else ``StoreError``."""
    if not name or clean_text(name, NAME_LIMIT) != name:
        raise StoreError(
            f"{what} {clean_text(name, NAME_LIMIT)!r} cannot be stored;"
            f" use 1 to {NAME_LIMIT} printable characters"
        )
    return name


def _check_seqs(lowest: int, highest: int) -> None:
    if lowest < 0 or highest > SEQ_MASK:
        raise StoreError(f"seq {lowest} to {highest} do not fit the store; report this as a fault")
