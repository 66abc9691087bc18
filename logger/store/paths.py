"""Where stores are kept, and whether a place can hold one."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

from logger.core.errors import StoreError, UsageError
from logger.store.records import NAME_LIMIT, clean_text

DATA_DIR_VARIABLE = "RISELOG_DATA_DIR"
_JOB_NAME = re.compile(rf"[A-Za-z0-9_][A-Za-z0-9_-]{{0,{NAME_LIMIT - 1}}}")

# Locks or shared memory fail there between hosts (sqlite.org/wal.html: no network file system).
# 9p is left out: some sandboxes have it as their root, with locks that work.
_NETWORK_TYPES = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "afs", "ceph", "fuse.sshfs", "fuse.glusterfs", "fuse.rclone"}
)
_OCTAL = re.compile(r"\\([0-7]{3})")  # how mountinfo writes blanks: proc_pid_mountinfo(5)


def data_folder(data_dir: Path | None = None) -> Path:
    """The folder of the stores: ``riselog`` in the given, the set, or the platform's data folder."""
    if data_dir is None and (override := os.environ.get(DATA_DIR_VARIABLE)):
        data_dir = Path(override)
    if data_dir is None:
        import platformdirs  # noqa: PLC0415 - only needed where nothing overrides it

        data_dir = platformdirs.user_data_path()
    return data_dir.expanduser() / "riselog"


def store_path(job: str, data_dir: Path | None = None) -> Path:
    """The store of a job. Raises ``UsageError`` for a name that cannot be a file name."""
    if not _JOB_NAME.fullmatch(job):
        raise UsageError(
            f"job name {clean_text(job, NAME_LIMIT)!r}: use up to {NAME_LIMIT} letters, digits, - and _"
        )
    return data_folder(data_dir) / f"{job}.db"


def is_file(path: Path) -> bool:
    """Whether there is a file; a path that cannot even be looked at (too long) leads to none."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def refuse_folder(path: Path) -> None:
    """Raise ``StoreError`` for a folder where a store's file is meant."""
    if not is_file(path) and os.path.isdir(path):  # noqa: PTH112 - never raises
        raise StoreError(f"{path} is a folder; name a file in it, such as {path / 'job.db'} ([store] path)")


def all_stores(data_dir: Path | None = None) -> tuple[Path, ...]:
    """Every store in the data folder, by name."""
    return tuple(sorted(path for path in data_folder(data_dir).glob("*.db") if path.is_file()))


def refuse_network(path: Path, mountinfo: str | None = None) -> None:
    """Raise ``StoreError`` when a path lies on a network file system, where the system tells.

    ``mountinfo`` is the text of Linux's /proc/self/mountinfo; elsewhere nothing is known.
    """
    if mountinfo is None:
        if sys.platform != "linux":
            return
        try:
            mountinfo = Path("/proc/self/mountinfo").read_text(errors="replace")
        except OSError:
            return
    kind = _file_system(path.resolve(), mountinfo)
    if kind in _NETWORK_TYPES:
        raise StoreError(
            f"{path} lies on a network file system ({kind}), where a store can be damaged; "
            f"use a local folder ([store] path, or {DATA_DIR_VARIABLE})"
        )


def _file_system(path: Path, mountinfo: str) -> str:
    """Type of the file system of a path: that of the deepest mount point, the last of equals."""
    found, depth = "", -1
    for line in mountinfo.splitlines():
        left, _, right = line.partition(" - ")
        fields, kinds = left.split(), right.split()
        if len(fields) < 5 or not kinds:  # noqa: PLR2004 - the fifth field is the mount point
            continue
        point = Path(_OCTAL.sub(lambda m: chr(int(m[1], 8)), fields[4]))
        if path.is_relative_to(point) and len(point.parts) >= depth:
            found, depth = kinds[0], len(point.parts)
    return found
