"""The file a command writes: whole or not there at all, and never in place of a store or a config."""

from __future__ import annotations

import contextlib
import errno
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, TextIO

from logger.core.errors import UsageError
from logger.faults import OutputError, standard_output

_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
_OWN_ENDINGS = (".db", ".db-wal", ".db-shm", ".db.lock", ".db.reserve", ".toml")


@contextlib.contextmanager
def opened(output: Path | None, instead: str = "a .csv file") -> Iterator[TextIO]:
    """Text to write, in UTF-8; a file appears under its name only when it is whole.

    None is standard output; ``instead`` says what to name in place of a store or a config.
    """
    if output is None:
        with standard_output() as out:
            out.reconfigure(encoding="utf-8", newline="")  # type: ignore[attr-defined]
            yield out
            out.flush()
        return
    with _put_in_place(output, instead) as part, part.open("w", encoding="utf-8", newline="") as stream:
        yield stream


@contextlib.contextmanager
def opened_bytes(output: Path | None, instead: str) -> Iterator[BinaryIO]:
    """The same for bytes; a terminal is refused, as it would take them for commands."""
    if output is None:
        with standard_output() as out:
            if out.isatty():
                raise UsageError(f"this is no text for a terminal; name {instead} with --output")
            out.flush()
            yield out.buffer
            out.buffer.flush()
        return
    with _put_in_place(output, instead) as part, part.open("wb") as stream:
        yield stream


@contextlib.contextmanager
def _put_in_place(output: Path, instead: str) -> Iterator[Path]:
    """A file beside ``output`` to write; it takes that place, or that of a link's target, at the end."""
    if not output.name or output.is_dir():
        raise UsageError(f"--output {output} is a folder; name a file in it")
    if output.exists() and not output.is_file():  # a device: root would put a file in its place
        raise UsageError(f"--output {output} is no ordinary file; name {instead}, or leave --output out")
    _refuse_own(output, instead)
    try:
        place = output.resolve()
        part = place.with_name(f".{place.name}.part")
        try:
            yield part
            if place.exists():
                shutil.copymode(place, part)
            part.replace(place)
        finally:
            with contextlib.suppress(OSError):  # the fault itself is the one to hear of
                part.unlink(missing_ok=True)
    except OSError as error:
        kind = OutputError if error.errno in _NO_ROOM else UsageError
        raise kind(f"{output} cannot be written ({error.strerror}); name another file") from error


def _refuse_own(output: Path, instead: str) -> None:
    """Never write over a store, what stands beside it, or a config."""
    own = any(path.name.lower().endswith(_OWN_ENDINGS) for path in (output, output.resolve()))
    try:
        with output.open("rb") as there:
            own = own or there.read(15) == b"SQLite format 3"
    except OSError:
        pass  # not there, or not readable: what is to be said of that is said when it is written
    if own:
        raise UsageError(
            f"--output {output}: that is a store's or a config's name, and nothing is written over those; "
            f"name {instead}"
        )
