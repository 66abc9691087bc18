"""The tables of a store, and the rules by which a file is taken for one.

``reading`` and ``trace`` have one integer key, ``run_key << 40 | place in the run``: rows of a
run lie together in order, and a row costs 46 bytes instead of 51 with a key of two columns.
A released schema is never edited: a change is a new version and a step in ``STEPS``.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path

from logger.core.errors import StoreError
from logger.core.readings import FLAG_CODES
from logger.store.faults import StoreFullError, store_error

APPLICATION_ID = 0x52534C47  # "RSLG" in ASCII
SCHEMA_VERSION = 1
SEQ_BITS = 40  # 2^40 records: 35,000 years at one a second
SEQ_MASK = (1 << SEQ_BITS) - 1
_MIN_PAGE_BYTES = 512  # sqlite.org/fileformat.html 1.3.2
MIN_SQLITE = (3, 37, 0)  # STRICT tables: sqlite.org/stricttables.html
_SPARE_BYTES = 16 * 1024 * 1024  # left free beside a backup: assumed

VERSION_1: tuple[str, ...] = (
    "CREATE TABLE store (id TEXT NOT NULL, created_utc_us INTEGER NOT NULL) STRICT",
    """CREATE TABLE run (
        run_key INTEGER PRIMARY KEY,
        run TEXT NOT NULL UNIQUE,
        job TEXT NOT NULL,
        started_utc_us INTEGER NOT NULL,
        ended_utc_us INTEGER,
        end_reason TEXT,
        boot_id TEXT NOT NULL,
        versions TEXT NOT NULL,
        config TEXT NOT NULL,
        simulated INTEGER NOT NULL,
        scenario TEXT,
        seed INTEGER,
        replay_of TEXT
    ) STRICT""",
    """CREATE TABLE run_file (
        run_key INTEGER NOT NULL REFERENCES run, name TEXT NOT NULL, content TEXT NOT NULL,
        PRIMARY KEY (run_key, name)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE clock_segment (
        run_key INTEGER NOT NULL REFERENCES run, t_ns INTEGER NOT NULL, utc_us INTEGER NOT NULL,
        PRIMARY KEY (run_key, t_ns)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE storage_gap (
        run_key INTEGER NOT NULL REFERENCES run,
        first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, lost INTEGER NOT NULL,
        PRIMARY KEY (run_key, first_seq)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE channel (
        channel_key INTEGER PRIMARY KEY,
        probe TEXT NOT NULL, quantity TEXT NOT NULL, unit TEXT NOT NULL,
        UNIQUE (probe, quantity)
    ) STRICT""",
    "CREATE TABLE flag (code INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    # No REFERENCES here: it costs a fifth of the writing rate, and only the writer makes keys.
    """CREATE TABLE reading (
        id INTEGER PRIMARY KEY,
        t_ns INTEGER NOT NULL,
        channel_key INTEGER NOT NULL,
        value REAL NOT NULL,
        flag INTEGER NOT NULL,
        utc_us INTEGER NOT NULL,
        arrival_ns INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE trace (
        id INTEGER PRIMARY KEY,
        t_s REAL, phase REAL, entering_c REAL, return_c REAL, supply_c REAL, rise_k REAL,
        humidity_ratio REAL, pressure_pa REAL, velocity_m_s REAL, dry_air_kg_s REAL,
        air_heat_w REAL, output_w REAL
    ) STRICT""",
    """CREATE TABLE event (
        run_key INTEGER NOT NULL REFERENCES run, seq INTEGER NOT NULL,
        t_ns INTEGER NOT NULL, utc_us INTEGER, origin TEXT NOT NULL, code TEXT NOT NULL,
        probe TEXT, text TEXT NOT NULL,
        PRIMARY KEY (run_key, seq)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE result (
        run_key INTEGER NOT NULL REFERENCES run, seq INTEGER NOT NULL,
        t_ns INTEGER NOT NULL, scope TEXT NOT NULL, document TEXT NOT NULL,
        PRIMARY KEY (run_key, seq)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE snapshot (
        run_key INTEGER PRIMARY KEY REFERENCES run, t_ns INTEGER NOT NULL, document TEXT NOT NULL
    ) STRICT""",
    "CREATE TABLE broker (broker_key INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    """CREATE TABLE delivery_cursor (
        broker_key INTEGER NOT NULL REFERENCES broker, run_key INTEGER NOT NULL REFERENCES run,
        next_seq INTEGER NOT NULL, passed_over INTEGER NOT NULL DEFAULT 0,
        PRIMARY KEY (broker_key, run_key)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE delivered_above (
        broker_key INTEGER NOT NULL REFERENCES broker, run_key INTEGER NOT NULL REFERENCES run,
        seq INTEGER NOT NULL,
        PRIMARY KEY (broker_key, run_key, seq)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE outbox (
        broker_key INTEGER NOT NULL REFERENCES broker, run_key INTEGER NOT NULL REFERENCES run,
        seq INTEGER NOT NULL, kind TEXT NOT NULL,
        parked_reason TEXT, tries INTEGER NOT NULL DEFAULT 0,
        PRIMARY KEY (broker_key, run_key, seq)
    ) STRICT, WITHOUT ROWID""",
    # For a human with the sqlite3 shell.
    """CREATE VIEW reading_named AS
        SELECT run.run AS run, reading.id & 1099511627775 AS seq, reading.t_ns / 1e9 AS t_s,
            channel.probe AS probe, channel.quantity AS quantity, reading.value AS value,
            channel.unit AS unit, flag.name AS flag,
            strftime('%Y-%m-%dT%H:%M:%fZ', reading.utc_us / 1e6, 'unixepoch') AS utc
        FROM run
        JOIN reading ON reading.id BETWEEN run.run_key << 40 AND (run.run_key << 40) + 1099511627775
        JOIN channel ON channel.channel_key = reading.channel_key
        JOIN flag ON flag.code = reading.flag""",
)

Steps = Mapping[int, Sequence[str]]
STEPS: Steps = {}
"""Version -> the statements that lead from it to the next."""


def key_range(run_key: int) -> tuple[int, int]:
    """First and last possible ``id`` of a run's readings or trace rows.

    >>> key_range(1)
    (1099511627776, 2199023255551)
    """
    return run_key << SEQ_BITS, (run_key << SEQ_BITS) | SEQ_MASK


def store_version(conn: sqlite3.Connection, path: Path, newest: int = SCHEMA_VERSION) -> int:
    """The schema version of an open file; 0 for an empty file.

    Raises
    ------
    StoreError
        The file is not a store, or was written by a newer riselog.
    """
    not_ours = StoreError(f"{path} is not a riselog store; name another file or move this one away")
    try:
        # SQLite takes a file of one byte for an empty one. The file is not opened to look: closing
        # it would take SQLite's own locks from this process (sqlite.org/howtocorrupt.html 2.2).
        if 0 < path.stat().st_size < _MIN_PAGE_BYTES:
            raise not_ours
        (application,) = conn.execute("PRAGMA application_id").fetchone()
        (version,) = conn.execute("PRAGMA user_version").fetchone()
        (tables,) = conn.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except (sqlite3.Error, OSError) as error:
        raise store_error(error, path, "opening the store") from error
    if application == 0 and version == 0 and tables == 0:
        return 0
    if application != APPLICATION_ID or version < 1:
        raise not_ours
    if version > newest:
        raise StoreError(
            f"{path} was written by a newer riselog (store version {version}, this one knows {newest}); "
            "use that riselog or another store file"
        )
    return int(version)


def create(conn: sqlite3.Connection, store_id: str, now_utc_us: int) -> None:
    """Make the tables of the newest version in an empty file, in one transaction."""
    conn.execute("BEGIN IMMEDIATE")
    try:
        for statement in VERSION_1:
            conn.execute(statement)
        conn.executemany("INSERT INTO flag VALUES (?, ?)", [(i, str(f)) for i, f in enumerate(FLAG_CODES)])
        conn.execute("INSERT INTO store VALUES (?, ?)", (store_id, now_utc_us))
        conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        conn.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        conn.execute("COMMIT")
    except sqlite3.Error:
        if conn.in_transaction:
            conn.execute("ROLLBACK")
        raise


def migrate(
    conn: sqlite3.Connection, path: Path, version: int, newest: int = SCHEMA_VERSION, steps: Steps = STEPS
) -> Path | None:
    """Bring a store to the newest version; returns where the copy of the old one lies.

    First a copy by SQLite's backup, then all steps in one transaction: a store is old or new,
    never between.
    """
    if version == newest:
        return None
    copy_path = path.with_name(f"{path.name}.v{version}")
    try:
        size = path.stat().st_size
        if shutil.disk_usage(path.parent).free < 2 * size + _SPARE_BYTES:
            raise StoreFullError(
                f"{path} must be copied before it is brought to store version {newest}, and there is"
                f" no space; free {(2 * size + _SPARE_BYTES) // 1_000_000} MB on that disk"
            )
        _back_up(conn, copy_path)
        conn.execute("BEGIN IMMEDIATE")
        for old in range(version, newest):
            for statement in steps[old]:
                conn.execute(statement)
        conn.execute(f"PRAGMA user_version = {newest}")
        conn.execute("COMMIT")
    except (sqlite3.Error, OSError) as error:
        if conn.in_transaction:
            conn.execute("ROLLBACK")
        raise store_error(error, path, f"bringing the store to version {newest}") from error
    return copy_path


def _back_up(conn: sqlite3.Connection, copy_path: Path) -> None:
    """A whole copy of the open store, readable by its owner alone."""
    copy_path.unlink(missing_ok=True)
    copy_path.touch(mode=0o600)
    target = sqlite3.connect(copy_path)
    try:
        conn.backup(target)
    finally:
        target.close()
