"""One writer for one store: an OS lock on a file beside it, given back by the OS on a crash."""

from __future__ import annotations

import contextlib
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
    """The right to write to a store; held from creation to ``release`` or ``remove``.

    The file of a store's lock stays. Where it is taken away (``remove``), who waits for it looks whether
    the file that was locked is still the one of that name: two files of one name are never both held.

    Raises
    ------
    StoreHeldError
        Another process (or another writer of this one) has it.
    """

    def __init__(self, store: Path, command: str, *, pause: Callable[[float], None] = time.sleep) -> None:
        self.path = store.with_name(store.name + ".lock")
        self._handle: int | None = None
        handle = self._open()
        try:
            for left in reversed(range(_TRIES)):
                if _try_lock(handle) and self._is_mine(handle):
                    break
                if not left:
                    raise _held(store, handle)
                pause(_AGAIN_S)
                if not self._is_mine(handle):  # its holder took it away meanwhile
                    self.release()
                    handle = self._open()
            os.ftruncate(handle, 0)
            note = {"pid": os.getpid(), "command": clean_text(command)}
            os.write(handle, json.dumps(note).encode())
        except OSError as error:
            self.release()
            raise store_error(error, self.path, "locking") from error
        except StoreError:
            self.release()
            raise

    def _open(self) -> int:
        try:
            self._handle = handle = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise store_error(error, self.path, "opening the lock file") from error
        return handle

    def _is_mine(self, handle: int) -> bool:
        """Whether the open file is the one of that name."""
        try:
            return os.path.samestat(os.fstat(handle), self.path.stat())
        except FileNotFoundError:
            return False

    @property
    def held(self) -> bool:
        """Whether it is still held here."""
        return self._handle is not None

    def release(self) -> None:
        """Give the lock back; a second call does nothing."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    def remove(self) -> None:
        """Give the lock back and take its file away, as is fit for one in a user's own folder."""
        if self._handle is None:
            return
        if sys.platform == "win32":  # an open file cannot be deleted there, by nobody
            self.release()
        with contextlib.suppress(OSError):
            self.path.unlink()
        self.release()

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
