"""What somebody who only watches needs of a run that goes on."""

from __future__ import annotations

from logger.core.snapshot import TRACE_COLUMNS
from logger.store import schema
from logger.store.encode import broker_from_text
from logger.store.reader import EVENT_COLUMNS, StoreReader, stored_events
from logger.store.records import StoredEvent, TraceRow


class WatchedReader(StoreReader):
    """Read-only look at the newest of a run."""

    def open_run(self) -> str | None:
        """The newest run without an end, None where there is none."""
        rows = self._all("SELECT run FROM run WHERE ended_utc_us IS NULL ORDER BY run_key DESC LIMIT 1")
        return str(rows[0][0]) if rows else None

    def newest_events(self, run: str, limit: int) -> tuple[StoredEvent, ...]:
        """The last events, oldest first."""
        rows = self._all(
            f"SELECT {EVENT_COLUMNS} FROM event WHERE run_key = ? ORDER BY seq DESC LIMIT ?",
            (self._key(run), limit),
        )
        return stored_events(reversed(rows))

    def broker_words(self, run: str) -> str:
        """How it stood with a broker at the newest snapshot, empty where that says nothing."""
        rows = self._all("SELECT document FROM snapshot WHERE run_key = ?", (self._key(run),))
        return broker_from_text(rows[0][0]) if rows else ""

    def newest_trace(self, run: str, after: int, limit: int) -> tuple[list[TraceRow], int]:
        """At most ``limit`` rows of the trace behind the place ``after``, oldest first, and the place of
        the last; -1 is before the first row."""
        first, last = schema.key_range(self._key(run))
        rows = self._all(
            f"SELECT {', '.join(TRACE_COLUMNS)}, id FROM trace WHERE id BETWEEN ? AND ?"
            " ORDER BY id DESC LIMIT ?",
            (first + after + 1, last, limit),
        )
        place = (rows[0][-1] & schema.SEQ_MASK) if rows else after
        return [row[:-1] for row in reversed(rows)], place
