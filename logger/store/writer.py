"""The one writing connection to a store. Every write is one transaction: all of it or nothing."""

from __future__ import annotations

import os
import shutil
import sqlite3
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

from logger.core.errors import StoreError
from logger.store import schema
from logger.store.faults import StoreFullError, store_error
from logger.store.insert import BatchInserter
from logger.store.lock import StoreLock
from logger.store.network import refuse_network
from logger.store.paths import refuse_folder
from logger.store.records import Batch, RunEnd, RunHeader
from logger.store.reserve import Reserve

Connect = Callable[[Path], sqlite3.Connection]

_PRAGMAS = (
    "PRAGMA synchronous = FULL",
    "PRAGMA foreign_keys = ON",
    "PRAGMA busy_timeout = 5000",  # ms; assumed: longer than any sane reader's lock
    "PRAGMA temp_store = MEMORY",
    "PRAGMA journal_size_limit = 16777216",  # bytes; assumed
)


def connect_writer(path: Path) -> sqlite3.Connection:
    """A connection without implicit transactions; one thread at a time may use it."""
    return sqlite3.connect(path, isolation_level=None, check_same_thread=False)


class StoreWriter:
    """Holds the store's lock from creation to ``close``.

    ``command`` is what a second writer is told about this one. A store that is not there is
    made. ``connect`` and ``reserve`` can be replaced for tests.

    Raises
    ------
    StoreHeldError
        Another process writes to this store.
    StoreError
        Not a store, a newer one, a network file system, no rights, no space.
    """

    def __init__(
        self,
        path: Path,
        command: str,
        *,
        now_utc_us: int = 0,
        connect: Connect = connect_writer,
        reserve: Reserve | None = None,
    ) -> None:
        self.path = path
        self.reserve = reserve or Reserve(path)
        refuse_folder(path)
        refuse_network(path)
        _make_folder(path)
        self._lock = StoreLock(path, command)
        try:
            _make_file(path)
            self._conn = connect(path)
        except (sqlite3.Error, OSError) as error:
            self._lock.release()
            raise store_error(error, path, "opening the store") from error
        self._rows = BatchInserter(self._conn, path)
        try:
            self._prepare(now_utc_us)
        except BaseException:
            self._conn.close()
            self._lock.release()
            raise
        self.reserve.restore()

    def begin_run(self, header: RunHeader) -> None:
        """Store a new run's header. Its id must be new to the store."""
        self.write(Batch(run=header.run, header=header))

    def write(self, batch: Batch) -> None:
        """Store a batch in one transaction: readings first, then what was derived from them.

        Raises
        ------
        StoreFullError, StoreBusyError, StoreError
            Nothing of the batch was stored.
        """
        with self._transaction("writing"):
            self._rows.insert(batch)

    def fold(self) -> bool:
        """Write the log back into the file, so that its space is used again; whether all of it was.

        It cannot where a reader still looks at what was before, and is not tried where the file would have
        to grow by more than the disk has: it would eat the last space and not come to an end.
        """
        try:
            ((pages,), (size,)) = (self._pragma(name) for name in ("page_count", "page_size"))
            growth = pages * size - self.path.stat().st_size
            if growth > 0 and growth > shutil.disk_usage(self.path.parent).free:
                return False
            busy, logged, folded = self._pragma("wal_checkpoint(PASSIVE)")
        except (sqlite3.Error, OSError):
            return False
        return not busy and logged == folded

    def free_bytes(self) -> int:
        """Bytes of the pages that are free inside the file: they are used before it grows."""
        try:
            ((pages,), (size,)) = (self._pragma(name) for name in ("freelist_count", "page_size"))
        except sqlite3.Error as error:
            raise store_error(error, self.path, "looking for free pages") from error
        return int(pages * size)

    @contextmanager
    def whole(self) -> Iterator[None]:
        """What is written inside is stored together at the end, or nothing of it."""
        with self._transaction("storing a whole run"):
            yield

    def unended_runs(self) -> tuple[str, ...]:
        """Runs without an end, oldest first: the running one, and those a crash cut off."""
        try:
            rows = self._conn.execute("SELECT run FROM run WHERE ended_utc_us IS NULL ORDER BY run_key")
            return tuple(run for (run,) in rows.fetchall())
        except sqlite3.Error as error:
            raise store_error(error, self.path, "listing runs") from error

    def end_run(self, run: str, ended_utc_us: int, end_reason: str, result_json: str | None) -> None:
        """End a run and store its result document. A full disk gives up the reserve for it."""
        end = RunEnd(ended_utc_us=ended_utc_us, end_reason=end_reason, result_json=result_json)
        try:
            self.write(Batch(run=run, end=end))
        except StoreFullError:
            self.reserve.give_up()
            self.write(Batch(run=run, end=end))

    def mark_ended(self, run: str, end_reason: str = "interrupted", result_json: str | None = None) -> None:
        """End a run that was cut off, at the time of its last reading."""
        with self._transaction("looking for the end of a run"):
            (ended,) = self._conn.execute(
                "SELECT coalesce((SELECT utc_us FROM reading WHERE id BETWEEN ? AND ?"
                " ORDER BY id DESC LIMIT 1), started_utc_us) FROM run WHERE run = ?",
                (*schema.key_range(self._rows.run_key(run)), run),
            ).fetchone()
        self.end_run(run, ended, end_reason, result_json)

    def close(self) -> None:
        """Fold the log into the file, give back the reserve and the lock; a second call does nothing."""
        self._conn.close()
        if self._lock.held:
            self.reserve.give_up()
        self._lock.release()

    def __enter__(self) -> StoreWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _prepare(self, now_utc_us: int) -> None:
        """Check what the file is, then set it up; nothing is changed in a file that is not ours."""
        if sqlite3.sqlite_version_info < schema.MIN_SQLITE:
            raise StoreError(f"SQLite {sqlite3.sqlite_version} is too old; use a Python with 3.37 or newer")
        version = schema.store_version(self._conn, self.path)
        try:
            (mode,) = self._conn.execute("PRAGMA journal_mode = WAL").fetchone()
            if mode != "wal":
                raise StoreError(f"{self.path}: write-ahead logging does not work there; use a local folder")
            for pragma in _PRAGMAS:
                self._conn.execute(pragma)
            if version == 0:
                schema.create(self._conn, uuid.uuid4().hex[:12], now_utc_us)
            else:
                schema.migrate(self._conn, self.path, version)
        except sqlite3.Error as error:
            raise store_error(error, self.path, "opening the store") from error

    def _pragma(self, name: str) -> tuple[int, ...]:
        row: tuple[int, ...] = self._conn.execute(f"PRAGMA {name}").fetchone()
        return row

    @contextmanager
    def _transaction(self, doing: str) -> Iterator[None]:
        if self._conn.in_transaction:  # inside ``whole``, which ends it
            yield
            return
        try:
            self._conn.execute("BEGIN IMMEDIATE")
            yield
            self._conn.execute("COMMIT")
        except sqlite3.Error as error:
            self._roll_back()
            raise store_error(error, self.path, doing) from error
        except BaseException:
            self._roll_back()
            raise

    def _roll_back(self) -> None:
        """Undo, and forget keys that may have been made in the undone part."""
        self._rows.forget()
        if self._conn.in_transaction:
            self._conn.execute("ROLLBACK")


def _make_folder(path: Path) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as error:
        raise store_error(error, path, "making the store's folder") from error


def _make_file(path: Path) -> None:
    """For its owner alone, so that SQLite's side files are so too.

    A file that is there is not opened: closing it would take SQLite's own locks from this
    process (sqlite.org/howtocorrupt.html 2.2). One that is empty becomes a store as well.
    """
    if path.exists():
        if path.stat().st_size == 0:
            path.chmod(0o600)
    else:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
