"""Rows that a store need not keep for ever: of ended runs, never a result, never an event."""

from __future__ import annotations

import datetime
import re
import sqlite3

from logger.store.records import Drop
from logger.store.schema import SEQ_MASK, key_range

READINGS_DROPPED, TRACE_DROPPED = "readings-dropped", "trace-dropped"  # codes of events
_ORIGIN = "store"  # of these events: no replay makes them or feeds them back
_CODES = {"readings": READINGS_DROPPED, "trace": TRACE_DROPPED}
_TABLES = {"readings": "reading", "trace": "trace"}
_AFTER = {
    "readings": "they cannot be computed again; the result and the events stay",
    "trace": "`riselog replay` of this run makes one again as long as its readings are there",
}

LAST_RECORD = (
    "SELECT max(coalesce((SELECT max(seq) FROM event WHERE run_key = ?1), -1),"
    " coalesce((SELECT max(seq) FROM result WHERE run_key = ?1), -1),"
    " coalesce((SELECT max(last_seq) FROM storage_gap WHERE run_key = ?1), -1))"
)
"""Highest seq of a run's records beside its readings, -1 without one; takes the run's key."""

ENDED_WITH_RESULT = (
    "ended_utc_us IS NOT NULL AND EXISTS"
    " (SELECT 1 FROM result WHERE result.run_key = run.run_key AND scope = 'run')"
)
"""What a run must be before anything of it goes."""


def drop_rows(conn: sqlite3.Connection, drop: Drop) -> None:
    """Delete the rows of one drop, inside the caller's transaction; nothing of a run that goes on, or that
    has no result yet.

    A drop never fails for what it finds: it must not keep the readings beside it from being stored.
    """
    which = f"SELECT run_key FROM run WHERE run = ? AND {ENDED_WITH_RESULT}"
    row = conn.execute(which, (drop.run,)).fetchone()
    if row is None:
        return
    (key,) = row
    first, last = key_range(key)
    table = _TABLES[drop.what]
    (up_to,) = conn.execute(
        f"SELECT max(id) FROM (SELECT id FROM {table} WHERE id BETWEEN ? AND ? ORDER BY id LIMIT ?)",
        (first, last, drop.rows),
    ).fetchone()
    if up_to is None:
        return
    _tell(conn, key, drop)
    if drop.what == "readings":
        _pass_over(conn, key, up_to & SEQ_MASK)  # before the rows go, as it counts them
    conn.execute(f"DELETE FROM {table} WHERE id BETWEEN ? AND ?", (first, up_to))


def why_dropped(text: str | None) -> str:
    """The key of the config in an event of a drop, empty where there is none.

    >>> why_dropped('9 readings were dropped on 2024-02-22 ([store] keep = "90 days"); they are gone')
    'keep = "90 days"'
    """
    found = re.search(r"\(\[store\] (.*?)\); ", text or "")
    return found[1] if found else ""


def _pass_over(conn: sqlite3.Connection, key: int, seq: int) -> None:
    """No broker waits for what is gone, up to and with ``seq``; what it had not got counts as passed over."""
    for broker, count in _not_delivered(conn, key, seq):
        conn.execute(
            "UPDATE delivery_cursor SET next_seq = max(next_seq, ?), passed_over = passed_over + ?"
            " WHERE broker_key = ? AND run_key = ?",
            (seq + 1, count, broker, key),
        )
    conn.execute("DELETE FROM outbox WHERE run_key = ? AND seq <= ? AND kind = 'reading'", (key, seq))
    conn.execute("DELETE FROM delivered_above WHERE run_key = ? AND seq <= ?", (key, seq))


def _not_delivered(conn: sqlite3.Connection, key: int, seq: int = SEQ_MASK) -> list[tuple[int, int]]:
    """Brokers that the run is published to, each with how many readings it has not got: those beyond its
    cursor and those that it refused; up to and with ``seq``."""
    first, _ = key_range(key)
    return conn.execute(
        "SELECT broker_key, (SELECT count(*) FROM reading WHERE id BETWEEN ?1 + c.next_seq AND ?1 + ?2)"
        " - (SELECT count(*) FROM delivered_above AS a WHERE a.broker_key = c.broker_key"
        "    AND a.run_key = c.run_key AND a.seq BETWEEN c.next_seq AND ?2)"
        " + (SELECT count(*) FROM outbox AS o WHERE o.broker_key = c.broker_key"
        "    AND o.run_key = c.run_key AND o.seq <= ?2 AND kind = 'reading')"
        " FROM delivery_cursor AS c WHERE run_key = ?3 ORDER BY broker_key",
        (first, seq, key),
    ).fetchall()


def _tell(conn: sqlite3.Connection, key: int, drop: Drop) -> None:
    """The event, once for a run and what goes of it; before the rows go, as it counts them."""
    code = _CODES[drop.what]
    if conn.execute("SELECT 1 FROM event WHERE run_key = ? AND code = ?", (key, code)).fetchone():
        return
    (count,) = conn.execute(
        f"SELECT count(*) FROM {_TABLES[drop.what]} WHERE id BETWEEN ? AND ?", key_range(key)
    ).fetchone()
    (last,) = conn.execute(LAST_RECORD, (key,)).fetchone()  # the run's result came after every reading
    (t_ns,) = conn.execute("SELECT coalesce(max(t_ns), 0) FROM event WHERE run_key = ?", (key,)).fetchone()
    day = datetime.datetime.fromtimestamp(drop.now_utc_us / 1e6, datetime.UTC).date()
    rows = "readings" if drop.what == "readings" else "rows of the trace"
    text = f"{count} {rows} were dropped on {day.isoformat()} ([store] {drop.why}); {_AFTER[drop.what]}"
    if drop.what == "readings":
        text += _never_sent(conn, key)
    conn.execute(
        "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, NULL, ?)",
        (key, last + 1, t_ns, drop.now_utc_us, _ORIGIN, code, text),
    )


def _never_sent(conn: sqlite3.Connection, key: int) -> str:
    names = dict(conn.execute("SELECT broker_key, name FROM broker").fetchall())
    return "".join(
        f'; {count} of them never reached the broker "{names[broker]}"'
        for broker, count in _not_delivered(conn, key)
        if count
    )
