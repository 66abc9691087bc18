"""Space kept for the end: a file that is given up when the disk is full."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

RESERVE_BYTES = 8 * 1024 * 1024  # design: enough for the events and results of any run


class Reserve:
    """A file of ``size`` bytes beside the store."""

    def __init__(self, store: Path, size: int = RESERVE_BYTES) -> None:
        self.path = store.with_name(store.name + ".reserve")
        self.size = size

    @property
    def held(self) -> bool:
        """Whether the space is kept."""
        try:
            return self.path.stat().st_size >= self.size
        except OSError:
            return False

    def restore(self) -> bool:
        """Take the space if as much again stays free; tells whether it is kept now."""
        if self.held:
            return True
        try:
            if shutil.disk_usage(self.path.parent).free < 2 * self.size:
                return False
            handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(handle, "wb") as file:
                file.write(os.urandom(self.size))  # zeros may take no space on the disk
                file.flush()
                os.fsync(file.fileno())
        except OSError:
            self.give_up()
            return False
        return True

    def give_up(self) -> None:
        """Give the space back to the disk."""
        try:
            self.path.unlink(missing_ok=True)
        except OSError:
            return  # nothing is gained then, and the write that follows says so
