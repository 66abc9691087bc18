"""One writer for one store: an OS lock on a file beside it, given back by the OS on a crash."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

from logger.core.errors import StoreError
from logger.store.faults import StoreHeldError, store_error
from logger.text import clean_text

_INFO_LIMIT = 4096  # bytes read of the holder's note; assumed
_TRIES, _AGAIN_S = 5, 0.02  # s between; assumed: far longer than a look at the lock takes
_COMMAND_LIMIT = 80  # characters shown of the holder's command; assumed

if sys.platform == "win32":
    import msvcrt

    _LOCKED_BYTE = 1 << 30  # far behind the note: a locked byte cannot be read by others there

    def _try_lock(handle: int, *, shared: bool = False) -> bool:
        os.lseek(handle, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(handle, 0, os.SEEK_SET)
        return True
else:
    import fcntl

    def _try_lock(handle: int, *, shared: bool = False) -> bool:
        try:
            fcntl.flock(handle, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


class StoreLock:
    """The right to write to a store; held from creation to ``release``.

    The lock file stays: to delete it would let two writers lock two files of one name.

    Raises
    ------
    StoreHeldError
        Another process (or another writer of this one) has it.
    """

    def __init__(self, store: Path, command: str, *, pause: Callable[[float], None] = time.sleep) -> None:
        self.path = store.with_name(store.name + ".lock")
        try:
            self._handle: int | None = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise store_error(error, self.path, "opening the lock file") from error
        try:
            for left in reversed(range(_TRIES)):
                if _try_lock(self._handle):
                    break
                if not left:
                    raise _held(store, self._handle)
                pause(_AGAIN_S)
            os.ftruncate(self._handle, 0)
            note = {"pid": os.getpid(), "command": clean_text(command)}
            os.write(self._handle, json.dumps(note).encode())
        except OSError as error:
            self.release()
            raise store_error(error, self.path, "locking") from error
        except StoreError:
            self.release()
            raise

    @property
    def held(self) -> bool:
        """Whether it is still held here."""
        return self._handle is not None

    def release(self) -> None:
        """Give the lock back; a second call does nothing."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    def __enter__(self) -> StoreLock:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


def refuse_held(store: Path) -> None:
    """Raise ``StoreHeldError`` when somebody writes to the store. It is looked at for an instant: no note
    is left, and a writer that comes at that moment tries again."""
    path = store.with_name(store.name + ".lock")
    try:
        handle = os.open(path, os.O_RDWR if sys.platform == "win32" else os.O_RDONLY)
    except FileNotFoundError:
        return
    except OSError as error:
        raise store_error(error, path, "opening the lock file") from error
    try:
        if not _try_lock(handle, shared=True):
            raise _held(store, handle)
    finally:
        os.close(handle)


def _held(store: Path, handle: int) -> StoreHeldError:
    """Who holds it, as far as its note can be read."""
    try:
        note = json.loads(os.read(handle, _INFO_LIMIT))
        pid, command = int(note["pid"]), clean_text(str(note["command"]), _COMMAND_LIMIT)
    except (OSError, ValueError, KeyError, TypeError):
        return StoreHeldError(f"{store} is held by another riselog; end it first or use another store file")
    return StoreHeldError(
        f"{store} is held by pid {pid} ({command}); end it first or use another store file", pid, command
    )
