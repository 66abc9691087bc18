"""Where stores are kept, and whether a place can hold one."""

from __future__ import annotations

import contextlib
import os
import re
from pathlib import Path

from logger.core.errors import StoreError, UsageError
from logger.store.records import NAME_LIMIT
from logger.text import clean_text

DATA_DIR_VARIABLE = "RISELOG_DATA_DIR"
_JOB_NAME = re.compile(rf"[A-Za-z0-9_][A-Za-z0-9_-]{{0,{NAME_LIMIT - 1}}}")

ELSEWHERE = "elsewhere.txt"  # in the data folder: stores that configs keep in other places, one a line


def data_folder(data_dir: Path | None = None) -> Path:
    """The folder of the stores: ``riselog`` in the given, the set, or the platform's data folder.

    Raises ``StoreError`` where the set one is none, or there is no home.
    """
    if data_dir is None and (override := os.environ.get(DATA_DIR_VARIABLE)):
        data_dir = Path(override)
        _refuse_file(data_dir.expanduser())
    if data_dir is None:
        import platformdirs  # noqa: PLC0415 - only needed where nothing overrides it

        try:
            data_dir = platformdirs.user_data_path()
        except RuntimeError as error:
            raise StoreError(
                f"there is no home folder to store in; set {DATA_DIR_VARIABLE} to a folder of yours"
            ) from error
    return data_dir.expanduser() / "riselog"


def _refuse_file(folder: Path) -> None:
    """A file, or a link that leads nowhere, where the folder or one above it is meant."""
    there = next((path for path in (folder, *folder.parents) if os.path.lexists(path)), None)
    if there is not None and not os.path.isdir(there):  # noqa: PTH112 - never raises
        raise StoreError(f"{DATA_DIR_VARIABLE}: {there} is no folder; set it to a folder of yours")


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
    """Every store in the data folder by name, then those in other places that were written from here."""
    folder = data_folder(data_dir)
    own = sorted(path for path in folder.glob("*.db") if is_file(path))
    others = [path for path in _elsewhere(folder) if is_file(path)]
    return tuple(dict.fromkeys([*own, *others]))


def remember(path: Path, data_dir: Path | None = None) -> None:
    """Note a store outside the data folder, so that `runs` and `last` find it; a note that cannot be
    written is no reason for no run."""
    folder, path = data_folder(data_dir), path.resolve()
    if path.parent == folder.resolve() or path in _elsewhere(folder):
        return
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = os.open(folder / ELSEWHERE, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as notes:
            notes.write(f"{path}\n")


def _elsewhere(folder: Path) -> list[Path]:
    try:
        return [Path(line) for line in (folder / ELSEWHERE).read_text(encoding="utf-8").splitlines() if line]
    except (OSError, ValueError):
        return []
