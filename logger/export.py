"""``riselog export``: a stored run as a table, for `replay` or for other programs."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sized
from contextlib import suppress
from pathlib import Path
from typing import TextIO, TypeVar

from logger.clock import SystemClock, utc_text
from logger.config.load import load_config
from logger.core.errors import UsageError
from logger.core.readings import NS_PER_S, ReadingBlock
from logger.faults import complain
from logger.recompute import refuse_dropped
from logger.registry import DriverOptions
from logger.store import RunHeader, StoreReader
from logger.stored import find_stored
from logger.tables import ReadingsDigest, write_readings, write_trace
from logger.target import opened, opened_bytes
from logger.text import clean_text, one_line

FORMS = ("csv", "parquet")
TABLES = ("readings", "trace")
QUIET_S = 2.0  # wall time before progress is told; assumed
REDRAW_S = 0.5  # wall time between two tellings; assumed
_CLEAR = "\r\x1b[K"  # ECMA-48 EL: to the start of the line, and wipe it
_SHOWN = 40  # characters of a faulty option in a message

Block = TypeVar("Block", bound=Sized)


def export_command(
    text: str, config_path: Path | None, *, output: Path | None, form: str | None, what: str
) -> int:
    """Body of ``riselog export``; the exit code."""
    if what not in TABLES:
        raise UsageError(f"--what '{clean_text(what)[:_SHOWN]}': write {' or '.join(TABLES)}")
    parquet = form_of(form, output) == "parquet"
    if parquet:
        _need_pyarrow()
    config = None if config_path is None else load_config(config_path, DriverOptions())
    path, run = find_stored(text, config)
    with StoreReader(path) as reader:
        if what == "readings" or not any(reader.trace_blocks(run, 1)):
            refuse_dropped(reader, run)
        rows = (_parquet if parquet else _csv)(reader, run, what, output)
        told = [*_left_out(reader, run, what), *_empty(run, what, rows)]
    for sentence in told:
        complain(sentence)
    if output is not None:
        complain(f"{what} of run {run} written to {output}")
    return 0


def form_of(form: str | None, output: Path | None) -> str:
    """The format asked for, or that of the file's ending.

    >>> form_of(None, Path("readings.parquet")), form_of(None, None)
    ('parquet', 'csv')
    """
    ending = "" if output is None else output.suffix.lower().removeprefix(".")
    if form is None:
        return ending if ending in FORMS else "csv"
    if form not in FORMS:
        raise UsageError(f"--format '{clean_text(form)[:_SHOWN]}': write {' or '.join(FORMS)}")
    if ending in FORMS and ending != form:
        raise UsageError(
            f"--format {form} and --output {output} contradict; leave --format out, or end it .{form}"
        )
    return form


def _need_pyarrow() -> None:
    try:
        import logger.tables.parquet  # noqa: F401, PLC0415 - an extra, and heavy
    except ImportError as error:
        raise UsageError(
            f"--format parquet needs pyarrow, which cannot be loaded ({one_line(str(error))}); "
            "pip install 'riselog[parquet]', or write csv"
        ) from error


def _csv(reader: StoreReader, run: str, what: str, output: Path | None) -> int:
    with opened(output) as stream:
        progress = Progress(told_to(output))
        if what == "readings":
            start_us = reader.header(run).started_utc_us
            write_readings(progress.over(reader.blocks(run)), start_us, stream)
        else:
            write_trace((row for rows in progress.over(reader.trace_blocks(run)) for row in rows), stream)
    return progress.rows


def _parquet(reader: StoreReader, run: str, what: str, output: Path | None) -> int:
    from logger.tables import parquet  # noqa: PLC0415 - an extra, and heavy

    header = reader.header(run)
    with opened_bytes(output, "a .parquet file") as stream:
        progress = Progress(told_to(output))
        digest = ReadingsDigest(header.started_utc_us)
        for block in progress.over(reader.blocks(run), "readings looked through"):
            digest.update(block)
        said = about(header, digest.hexdigest())
        if what == "readings":  # of a run that goes on: those that the digest is over
            blocks = progress.over(_first(reader.blocks(run), progress.rows))
            parquet.write_readings_parquet(blocks, header.started_utc_us, stream, said)
        else:
            parquet.write_trace_parquet(progress.over(reader.trace_blocks(run)), stream, said)
    return progress.rows


def _first(blocks: Iterable[ReadingBlock], rows: int) -> Iterator[ReadingBlock]:
    for block in blocks:
        if rows <= 0:
            return
        yield block.part(0, min(rows, len(block)))
        rows -= len(block)


def about(header: RunHeader, readings_sha256: str) -> dict[str, str]:
    """What a Parquet file says of its run; JSON where it is more than one text.

    The config is the effective one, without secrets, and the files are those it names; the digest is
    over the run's readings as CSV, as the report states it.
    """
    return {
        "riselog.run": header.run,
        "riselog.job": header.job,
        "riselog.simulated": json.dumps(header.simulated),
        "riselog.started_utc": utc_text(header.started_utc_us),
        "riselog.replay_of": header.replay_of or "",
        "riselog.versions": json.dumps(dict(header.versions)),
        "riselog.config": header.config_text,
        "riselog.files": json.dumps(dict(header.files)),
        "riselog.readings_sha256": readings_sha256,
    }


def _left_out(reader: StoreReader, run: str, what: str) -> Iterator[str]:
    """What a table of readings cannot carry, where it would change what `replay` computes from it."""
    if what != "readings":
        return
    if any(stored.event.code == "suspended" for stored in reader.shell_events(run)):
        yield (
            "the computer slept during this run, which no table of readings says; "
            f"for the same result compute the run itself again: riselog replay {run}"
        )
    lost = sum(gap.count for gap in reader.storage_gaps(run))
    if lost:
        yield f"{lost} readings of this run were never stored (full disk): the table lacks them"


def _empty(run: str, what: str, rows: int) -> Iterator[str]:
    if rows:
        return
    again = f"; riselog replay {run} computes one" if what == "trace" else ""
    yield f"run {run} has no {what} stored{again}: the table has no rows"


def told_to(output: Path | None) -> TextIO | None:
    """The terminal that is told how far it has come: none where the table itself goes there."""
    out, told = sys.stdout, sys.stderr
    taken = output is None and out is not None and out.isatty()
    dumb = os.environ.get("TERM", "") in {"", "dumb", "unknown"}
    return told if told is not None and told.isatty() and not taken and not dumb else None


class Progress:
    """Counts rows as they pass; tells a terminal of a long export, after ``QUIET_S`` of wall time."""

    def __init__(self, stream: TextIO | None, now_ns: Callable[[], int] | None = None) -> None:
        self._stream = stream
        self._now_ns = now_ns or SystemClock().now_ns
        self._due_ns = self._now_ns() + int(QUIET_S * NS_PER_S)
        self._drawn = False
        self.rows = 0

    def over(self, blocks: Iterable[Block], done: str = "rows written") -> Iterator[Block]:
        """The blocks as they are; ``rows`` counts from 0 again."""
        self.rows = 0
        try:
            for block in blocks:
                yield block
                self.rows += len(block)
                self._tell(done)
        finally:
            if self._drawn:
                self._write(_CLEAR)
                self._drawn = False

    def _tell(self, done: str) -> None:
        if self._stream is None or self._now_ns() < self._due_ns:
            return
        self._due_ns = self._now_ns() + int(REDRAW_S * NS_PER_S)
        self._drawn = True
        self._write(f"{_CLEAR}riselog: {self.rows:,} {done}")

    def _write(self, text: str) -> None:
        if self._stream is None:
            return
        with suppress(OSError, ValueError):  # nobody reads: the export goes on
            self._stream.write(text)
            self._stream.flush()
