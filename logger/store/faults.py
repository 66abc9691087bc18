"""Foreign errors become ours here: what could not be done, where, and what to do next."""

from __future__ import annotations

import errno
import sqlite3
from pathlib import Path

from logger.core.errors import StoreError

_BUSY = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_PRIMARY = 0xFF  # low byte of an extended result code: sqlite.org/rescode.html


class StoreFullError(StoreError):
    """No space is left for the store; nothing of the transaction was stored."""


class StoreBusyError(StoreError):
    """Another program holds SQLite's own write lock; the same write may work later."""


class StoreHeldError(StoreError):
    """Another riselog writes to the store; ``pid`` is its process, 0 where it is not known, ``command``
    how it was called."""

    def __init__(self, text: str, pid: int = 0, command: str = "") -> None:
        super().__init__(text)
        self.pid, self.command = pid, command


def store_error(error: sqlite3.Error | OSError, path: Path, doing: str) -> StoreError:
    """The ``StoreError`` that stands for a foreign error while ``doing`` something to a store."""
    if is_full(error):
        return StoreFullError(f"{path}: no space left while {doing}; free some space on that disk")
    code = getattr(error, "sqlite_errorcode", 0) & _PRIMARY
    if code in _BUSY:
        return StoreBusyError(f"{path}: another program holds the file while {doing}; close it there")
    if code == sqlite3.SQLITE_NOTADB:
        return StoreError(f"{path} is not a riselog store; name another file or move this one away")
    if code == sqlite3.SQLITE_CORRUPT:
        return StoreError(
            f"{path} is damaged ({error}) while {doing}; keep a copy of it and go on with a new store file"
        )
    if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
        return StoreError(f"{path}: {error} while {doing}; nothing of it was stored; report this as a fault")
    reason = error.strerror if isinstance(error, OSError) and error.strerror else error
    return StoreError(f"{path}: {reason} while {doing}; check the disk and the rights to the folder")


def is_full(error: BaseException) -> bool:
    """Whether an error says that the disk is full."""
    if isinstance(error, sqlite3.Error):
        code = getattr(error, "sqlite_errorcode", None)
        # A shared-memory file that cannot grow is a full disk too.
        return code in {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_SHMSIZE} or "disk is full" in str(error)
    return isinstance(error, OSError) and error.errno in {errno.ENOSPC, errno.EDQUOT}
