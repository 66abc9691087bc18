"""Whether a path lies on a network file system, where a store can be damaged.

Locks or shared memory fail there between hosts (sqlite.org/wal.html: no network file system).
Each system tells it in its own way; where one tells nothing, nothing is refused.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path, PureWindowsPath

from logger.core.errors import StoreError

# Names as the systems' own tables have them: mount(8), mount_*(8), fuse file systems by their subtype.
# 9p and virtiofs are left out: some sandboxes and virtual machines have one as their root, with locks
# that work.
_NETWORK_TYPES = frozenset({
    "nfs", "nfs4", "cifs", "smb2", "smb3", "smbfs", "afs", "afpfs", "webdav", "davfs", "ftp", "coda", "ncpfs",
    "ceph", "lustre", "gpfs", "beegfs", "gfs", "gfs2", "ocfs2", "orangefs", "pvfs2", "panfs", "glusterfs",
})  # fmt: skip
_LOCAL_FUSE = frozenset({  # everything else on fuse is taken for a way to somewhere else
    "fuse.ntfs", "fuse.ntfs-3g", "fuse.exfat", "fuse.ext2", "fuse.lxcfs", "fuse.bindfs", "fuse.mergerfs",
    "fuse.encfs", "fuse.gocryptfs", "fuse.cryfs", "fuse.zfs", "fuse.fuse-overlayfs", "fuse.unionfs",
})  # fmt: skip
_OCTAL = re.compile(r"\\([0-7]{3})")  # how mountinfo writes blanks: proc_pid_mountinfo(5)
_BSD_LINE = re.compile(r"^(?P<what>.*) on (?P<point>/.*) \((?P<kind>[^,)]+)[^()]*\)$")  # mount(8) on macOS
_MOUNT_S = 5.0  # s for mount(8) to answer; assumed
_DRIVE_REMOTE = 4  # GetDriveTypeW, fileapi.h

Mounts = Iterator[tuple[Path, str]]


def refuse_network(path: Path, mounts: str | None = None, system: str = sys.platform) -> None:
    """Raise ``StoreError`` when a path lies on a network file system.

    ``mounts`` is what the system says of its mounts; left out, it is asked.
    """
    kind = _SYSTEMS.get(system, _nothing_known)(path, mounts)
    if kind:
        raise StoreError(
            f"{path} lies on a network file system ({kind}), where a store can be damaged; "
            "use a local folder ([store] path, or RISELOG_DATA_DIR)"
        )


def is_network(kind: str) -> bool:
    """Whether a type of file system, by its name, leads to another host.

    >>> is_network("fuse.sshfs"), is_network("ext4"), is_network("fuse.ntfs-3g")
    (True, False, False)
    """
    return kind in _NETWORK_TYPES or (kind.startswith("fuse.") and kind not in _LOCAL_FUSE)


def _linux(path: Path, mounts: str | None) -> str:
    if mounts is None:
        try:
            mounts = Path("/proc/self/mountinfo").read_text(errors="replace")
        except OSError:
            return ""
    return _deepest(path.resolve(), _linux_mounts(mounts))


def _linux_mounts(mounts: str) -> Mounts:
    for line in mounts.splitlines():
        left, _, right = line.partition(" - ")
        fields, kinds = left.split(), right.split()
        if len(fields) >= 5 and kinds:  # noqa: PLR2004 - the fifth field is the mount point
            yield Path(_OCTAL.sub(lambda m: chr(int(m[1], 8)), fields[4])), kinds[0]


def _macos(path: Path, mounts: str | None) -> str:
    if mounts is None:
        try:
            done = subprocess.run(
                ["/sbin/mount"], capture_output=True, text=True, timeout=_MOUNT_S, check=False
            )
        except (OSError, subprocess.SubprocessError):
            return ""
        mounts = done.stdout
    found = (match for line in mounts.splitlines() if (match := _BSD_LINE.match(line)))
    return _deepest(path.resolve(), ((Path(match["point"]), match["kind"]) for match in found))


def _windows(path: Path, mounts: str | None) -> str:
    """A share by its name, or a drive letter that stands for one (``mounts``: such letters)."""
    drive = PureWindowsPath(path.absolute() if mounts is None else path).drive
    if drive.startswith("\\\\") and not drive.startswith(("\\\\?\\", "\\\\.\\")):
        return "a share"
    remote = drive[:1].upper() in mounts if mounts is not None else _is_remote(drive)
    return "a network drive" if drive and remote else ""


def _is_remote(drive: str) -> bool:
    if sys.platform != "win32":
        return False
    import ctypes  # noqa: PLC0415 - there alone

    return bool(ctypes.windll.kernel32.GetDriveTypeW(f"{drive}\\") == _DRIVE_REMOTE)


def _nothing_known(path: Path, mounts: str | None) -> str:
    del path, mounts
    return ""


def _deepest(path: Path, mounts: Mounts) -> str:
    """The network type of the deepest mount point of a path, the last of equals; empty for a local one."""
    found, depth = "", -1
    for point, kind in mounts:
        if path.is_relative_to(point) and len(point.parts) >= depth:
            found, depth = kind, len(point.parts)
    return found if is_network(found) else ""


_SYSTEMS: dict[str, Callable[[Path, str | None], str]] = {
    "linux": _linux,
    "darwin": _macos,
    "win32": _windows,
}
