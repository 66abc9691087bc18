"""Reading a store, while it is written to or not. Every look is short: fetch all, end, then use.

A transaction that stays open would keep the write-ahead log from being folded back.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from logger.core.errors import StoreError, UnknownRunError
from logger.core.readings import FLAG_CODES, USABLE_FLAGS, Quantity, ReadingBlock
from logger.core.snapshot import TRACE_COLUMNS, Event, Snapshot
from logger.store import schema
from logger.store.drop import READINGS_DROPPED, TRACE_DROPPED
from logger.store.encode import json_object, snapshot_from_text
from logger.store.faults import store_error
from logger.store.paths import is_file, refuse_folder
from logger.store.records import (
    NAME_LIMIT,
    ClockSegment,
    RunHeader,
    RunRow,
    StorageGap,
    StoredEvent,
    StoredResult,
    TraceRow,
)
from logger.text import clean_text

BLOCK_ROWS = 65_536
EVENT_COLUMNS = "seq, t_ns, utc_us, origin, code, probe, text"
_LISTED = 5  # candidates named in a message
_RUN_COLUMNS = "run_key, run, job, started_utc_us, ended_utc_us, end_reason, simulated, scenario, replay_of"


class StoreReader:
    """A read-only connection; it never writes, checkpoints or waits for the writer.

    Raises
    ------
    StoreError
        There is no store at the path, it is not one, or it cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        refuse_folder(path)
        if not is_file(path):
            raise StoreError(f"there is no store at {path}; `riselog runs` lists the stores there are")
        try:
            uri = f"{path.resolve().as_uri()}?mode=ro"
            self._conn = sqlite3.connect(uri, uri=True, isolation_level=None)
        except sqlite3.Error as error:
            raise store_error(error, path, "opening the store to read") from error
        try:
            self._conn.execute("PRAGMA query_only = 1")
            self._check()
        except BaseException:
            self._conn.close()
            raise

    def close(self) -> None:
        """End; a second call does nothing."""
        self._conn.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def store_id(self) -> str:
        """The store's random id, part of a broker's client id."""
        return str(self._all("SELECT id FROM store")[0][0])

    def runs(self, *, count: bool = True) -> tuple[RunRow, ...]:
        """Every run, oldest first; ``count``: with its number of readings, which all are looked at for."""
        readings = (
            f"(SELECT count(*) FROM reading WHERE id BETWEEN run.run_key << {schema.SEQ_BITS}"
            f" AND (run.run_key << {schema.SEQ_BITS}) + {schema.SEQ_MASK})"
        )
        rows = self._all(
            f"SELECT {_RUN_COLUMNS},"
            " (SELECT document FROM result WHERE result.run_key = run.run_key AND scope = 'run'"
            f"  ORDER BY seq DESC LIMIT 1), {readings if count else 'NULL'},"
            f" EXISTS (SELECT 1 FROM event WHERE event.run_key = run.run_key AND code = '{READINGS_DROPPED}')"
            " FROM run ORDER BY run_key"
        )
        return tuple(_run_row(row) for row in rows)

    def run_count(self) -> int:
        """How many runs there are."""
        return int(self._all("SELECT count(*) FROM run")[0][0])

    def end_reason(self, run: str) -> str | None:
        """Why a run ended, ``None`` while it has not."""
        rows = self._all("SELECT end_reason FROM run WHERE run_key = ?", (self._key(run),))
        return None if rows[0][0] is None else str(rows[0][0])

    def find_run(self, text: str) -> str:
        """The id of the run that ``text`` names: an id, a prefix of only one, or ``last``.

        Raises
        ------
        UnknownRunError
            None or several answer; the text names candidates.
        """
        runs = [run for (run,) in self._all("SELECT run FROM run ORDER BY run_key")]
        if not runs:
            raise UnknownRunError(f"{self.path} holds no run yet; `riselog run` makes one")
        if text in runs:
            return str(text)
        if text == "last":
            return str(runs[-1])
        found = [run for run in runs if run.startswith(text)]
        if len(found) == 1:
            return str(found[0])
        shown = clean_text(text, NAME_LIMIT)
        if found:
            raise UnknownRunError(
                f"run {shown!r} could be any of {len(found)} in {self.path}: {_some(found)}; give more of it"
            )
        raise UnknownRunError(f"no run {shown!r} in {self.path}; the newest are {_some(runs)} (or say last)")

    def header(self, run: str) -> RunHeader:
        """What is known of a run, with the clock segments so far."""
        key = self._key(run)
        row = self._all(
            "SELECT run, job, started_utc_us, boot_id, versions, config, simulated, scenario, seed, replay_of"
            " FROM run WHERE run_key = ?",
            (key,),
        )[0]
        files = self._all("SELECT name, content FROM run_file WHERE run_key = ? ORDER BY name", (key,))
        segments = self._all("SELECT t_ns, utc_us FROM clock_segment WHERE run_key = ? ORDER BY t_ns", (key,))
        return RunHeader(
            run=row[0],
            job=row[1],
            started_utc_us=row[2],
            boot_id=row[3],
            versions=json.loads(row[4]),
            config_text=row[5],
            files=dict(files),
            simulated=bool(row[6]),
            scenario=row[7],
            seed=row[8],
            replay_of=row[9],
            clock_segments=tuple(ClockSegment(t_ns=t, utc_us=utc) for t, utc in segments),
        )

    def blocks(self, run: str, size: int = BLOCK_ROWS) -> Iterator[ReadingBlock]:
        """The readings in order of ``seq``, as blocks of at most ``size``."""
        first, last = schema.key_range(self._key(run))
        channels = {key: (probe, Quantity(name)) for key, probe, name in self._channels()}
        while True:
            rows = self._all(
                "SELECT * FROM reading WHERE id BETWEEN ? AND ? ORDER BY id LIMIT ?", (first, last, size)
            )
            if not rows:
                return
            first = rows[-1][0] + 1
            if not channels.keys() >= {row[2] for row in rows}:  # a probe that came since
                channels = {key: (probe, Quantity(name)) for key, probe, name in self._channels()}
            yield _block(rows, channels)

    def counts(self, run: str) -> tuple[int, int]:
        """How many readings are stored, and how many of them no arithmetic uses."""
        usable = ", ".join(str(code) for code, flag in enumerate(FLAG_CODES) if flag in USABLE_FLAGS)
        row = self._all(
            f"SELECT count(*), total(flag NOT IN ({usable})) FROM reading WHERE id BETWEEN ? AND ?",
            schema.key_range(self._key(run)),
        )[0]
        return int(row[0]), int(row[1])

    def events(self, run: str) -> tuple[StoredEvent, ...]:
        """Every event in order."""
        query = f"SELECT {EVENT_COLUMNS} FROM event WHERE run_key = ? ORDER BY seq"
        return stored_events(self._all(query, (self._key(run),)))

    def shell_events(self, run: str) -> tuple[StoredEvent, ...]:
        """The events that a replay feeds back, each before the first reading of a higher ``seq``."""
        return tuple(stored for stored in self.events(run) if stored.event.origin == "shell")

    def results(self, run: str) -> tuple[StoredResult, ...]:
        """Result documents in order: firings, then the run's own."""
        rows = self._all(
            "SELECT seq, t_ns, scope, document FROM result WHERE run_key = ? ORDER BY seq", (self._key(run),)
        )
        return tuple(StoredResult(seq=s, t_ns=t, scope=scope, document=text) for s, t, scope, text in rows)

    def trace(self, run: str) -> list[TraceRow]:
        """Rows of ``TRACE_COLUMNS``, one a tick."""
        return [row for rows in self.trace_blocks(run) for row in rows]

    def trace_blocks(self, run: str, size: int = BLOCK_ROWS) -> Iterator[list[TraceRow]]:
        """The same in lists of at most ``size`` rows; none of a trace that is being dropped."""
        if self._said(run, TRACE_DROPPED):
            return
        first, last = schema.key_range(self._key(run))
        while True:
            rows = self._all(
                f"SELECT {', '.join(TRACE_COLUMNS)}, id FROM trace WHERE id BETWEEN ? AND ?"
                " ORDER BY id LIMIT ?",
                (first, last, size),
            )
            if not rows:
                return
            first = rows[-1][-1] + 1
            yield [row[:-1] for row in rows]

    def snapshot(self, run: str) -> Snapshot | None:
        """The newest snapshot, ``None`` before the first."""
        rows = self._all("SELECT document FROM snapshot WHERE run_key = ?", (self._key(run),))
        return snapshot_from_text(rows[0][0]) if rows else None

    def dropped(self, run: str) -> str:
        """A sentence on the readings of a run that were dropped, or nothing."""
        return self._said(run, READINGS_DROPPED)

    def _said(self, run: str, code: str) -> str:
        query = "SELECT text FROM event WHERE run_key = ? AND code = ? LIMIT 1"
        rows = self._all(query, (self._key(run), code))
        return str(rows[0][0]) if rows else ""

    def storage_gaps(self, run: str) -> tuple[StorageGap, ...]:
        """Where a full disk kept readings out."""
        rows = self._all(
            "SELECT first_seq, last_seq, lost FROM storage_gap WHERE run_key = ? ORDER BY first_seq",
            (self._key(run),),
        )
        return tuple(StorageGap(first_seq=a, last_seq=b, count=n) for a, b, n in rows)

    def _check(self) -> None:
        """A readable store of a version that is known here."""
        try:
            self._conn.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_CANTOPEN:
                raise StoreError(
                    f"{self.path} cannot be read: its -wal and -shm files cannot be opened or made in "
                    f"{self.path.parent}; read it as the user who writes it, or copy the store elsewhere"
                ) from error
            raise store_error(error, self.path, "opening the store to read") from error
        except sqlite3.Error as error:
            raise store_error(error, self.path, "opening the store to read") from error
        version = schema.store_version(self._conn, self.path)
        if version == 0:
            raise StoreError(f"{self.path} is empty; `riselog run` makes a store")
        if version < schema.SCHEMA_VERSION:
            raise StoreError(
                f"{self.path} has store version {version}, this riselog reads {schema.SCHEMA_VERSION}; "
                "any writing command (`riselog run`) brings it up to date"
            )

    def _all(self, query: str, values: tuple[object, ...] = ()) -> list[Any]:
        """All rows at once, so that no transaction stays open."""
        try:
            return self._conn.execute(query, values).fetchall()
        except sqlite3.Error as error:
            raise store_error(error, self.path, "reading") from error

    def _key(self, run: str) -> int:
        rows = self._all("SELECT run_key FROM run WHERE run = ?", (run,))
        if not rows:
            raise UnknownRunError(f"no run {clean_text(run, NAME_LIMIT)!r} in {self.path}")
        return int(rows[0][0])

    def _channels(self) -> list[Any]:
        return self._all("SELECT channel_key, probe, quantity FROM channel")


def stored_events(rows: Iterable[Any]) -> tuple[StoredEvent, ...]:
    """Events of rows of ``EVENT_COLUMNS``."""
    return tuple(
        StoredEvent(
            seq=seq,
            utc_us=utc_us,
            event=Event(t_ns=t_ns, code=code, text=text, probe=probe, origin=origin),
        )
        for seq, t_ns, utc_us, origin, code, probe, text in rows
    )


def _run_row(row: tuple[Any, ...]) -> RunRow:
    document = json_object(row[9]) if row[9] is not None else None
    return RunRow(
        run=row[1],
        job=row[2],
        started_utc_us=row[3],
        ended_utc_us=row[4],
        end_reason=row[5],
        simulated=bool(row[6]),
        scenario=row[7],
        replay_of=row[8],
        verdict=None if document is None else document.get("verdict"),
        readings=row[10],
        dropped=bool(row[11]),
    )


def _block(rows: list[Any], channels: dict[int, tuple[str, Quantity]]) -> ReadingBlock:
    """Rows of the table as columns."""
    ids, t_ns, keys, values, flags, utc_us, arrival_ns = zip(*rows, strict=True)
    used, channel = np.unique(np.array(keys, dtype=np.int64), return_inverse=True)
    return ReadingBlock(
        channels=tuple(channels[key] for key in used.tolist()),
        seq=np.array(ids, dtype=np.int64) & schema.SEQ_MASK,
        t_ns=np.array(t_ns, dtype=np.int64),
        channel=channel.astype(np.int32),
        value=np.array(values, dtype=np.float64),
        flag=np.array(flags, dtype=np.int8),
        utc_us=np.array(utc_us, dtype=np.int64),
        arrival_ns=np.array(arrival_ns, dtype=np.int64),
    )


def _some(runs: list[str]) -> str:
    """The newest few names."""
    return ", ".join(reversed(runs[-_LISTED:]))
