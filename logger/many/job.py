"""One of many: what is computed, what has to be sent along for it, and the answer.

``answered`` is all that runs elsewhere; it takes the way of ``riselog replay``, so the numbers are the same.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

from logger.config.load import LoadedConfig, loads_config
from logger.core.errors import RiselogError, TableError
from logger.documents import versions
from logger.faults import INTERNAL_FAULT, fault_sentence, said
from logger.recompute import Source, compute, source_of_run
from logger.source_file import file_source
from logger.store import RunHeader, StoreReader

_ID_DIGITS = 12  # hexadecimal digits, as many as a run's id has
_READING_BYTES = 45  # of one reading as columns: five numbers of 8 bytes, one of 4, one of 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigText:
    """A config as it travels: effective text without secrets, and the files that it names."""

    name: str
    text: str
    files: Mapping[str, str]

    def loaded(self) -> LoadedConfig:
        """As it was; no driver is asked about its options."""
        return loads_config(self.text, self.name, None, stored=self.files)


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """What a job's file holds: a whole file of readings, or one run of a store."""

    table: bytes = b""
    stored: tuple[RunHeader, Source] | None = None

    @property
    def size(self) -> int:
        """Bytes, about."""
        if self.stored is None:
            return len(self.table)
        return _READING_BYTES * sum(len(block) for block in self.stored[1].blocks)


class Work(Protocol):
    """What can be computed elsewhere: it is sent there, and its answer comes back."""

    @property
    def label(self) -> str:
        """How the user knows it."""

    @property
    def size(self) -> int:
        """Bytes that are sent, about."""

    def packed(self) -> Work:
        """It with all that it needs, for a computer that sees no file of this one."""

    def answered(self) -> Answer:
        """What came of it; never raises."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One run of a store, or (``run`` None) one file of readings.

    Without ``config``, its own is used. ``content`` is for a computer that does not see the file.
    """

    label: str
    path: str
    run: str | None = None
    config: ConfigText | None = None
    now_utc_us: int
    content: Content | None = None

    @property
    def size(self) -> int:
        """Bytes that are sent, about."""
        return 0 if self.content is None else self.content.size

    def packed(self) -> Job:
        """See ``packed``."""
        return packed(self)

    def answered(self) -> Answer:
        """See ``answered``."""
        return answered(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What came of a job: a result document, or ``reason`` why there is none."""

    label: str
    document: Mapping[str, Any] | None = None
    units: str = "si"
    notes: tuple[str, ...] = ()
    reason: str = ""
    exit_code: int = 0
    versions: Mapping[str, str] = field(default_factory=dict)  # of the computer that answered


def answered(job: Job) -> Answer:
    """The answer to a job; never raises: one that fails must not harm the others."""
    try:
        return _of_file(job) if job.run is None else _of_run(job, job.run)
    except Exception as error:  # noqa: BLE001 - whatever it is, it is told of this job alone
        return failed(job.label, error)


def failed(label: str, error: Exception) -> Answer:
    """The answer of a job that cannot be computed."""
    if isinstance(error, RiselogError):
        return Answer(label=label, reason=said(error), exit_code=error.exit_code)
    sentence = fault_sentence(error, f"replay of {label}")
    return Answer(label=label, reason=sentence, exit_code=INTERNAL_FAULT)


def packed(job: Job) -> Job:
    """The job with everything that it needs, read here.

    Raises
    ------
    StoreError, TableError
        It cannot be read.
    """
    if job.run is not None:
        return replace(job, content=Content(stored=_stored(job.path, job.run)))
    try:
        return replace(job, content=Content(table=Path(job.path).read_bytes()))
    except OSError as error:
        raise TableError(
            f"{job.path}: cannot be read ({error.strerror}); check the file and its rights"
        ) from error


def _stored(path: str, run: str) -> tuple[RunHeader, Source]:
    with StoreReader(Path(path)) as reader:
        header, source = reader.header(run), source_of_run(reader, run)
        return header, replace(source, blocks=tuple(source.blocks))


def _of_run(job: Job, run: str) -> Answer:
    there = None if job.content is None else job.content.stored
    header, source = there or _stored(job.path, run)
    own = ConfigText(name=f"config of run {run}", text=header.config_text, files=header.files)
    return _computed(job.label, (job.config or own).loaded(), source, run)


def _of_file(job: Job) -> Answer:
    if job.content is None:
        return _of_table(job, Path(job.path))
    with tempfile.TemporaryDirectory(prefix="riselog-") as folder:  # the reader looks twice at a faulty file
        path = Path(folder) / Path(job.path).name
        path.write_bytes(job.content.table)
        try:
            return _of_table(job, path)
        except RiselogError as error:  # the sentence names the file that the user knows
            text = said(error).replace(str(path), job.path)
            return Answer(label=job.label, reason=text, exit_code=error.exit_code)


def _of_table(job: Job, path: Path) -> Answer:
    found = file_source(path, None if job.config is None else job.config.loaded(), job.now_utc_us)
    notes = tuple(note.replace(str(path), job.path) for note in found.notes)
    digest = hashlib.sha256(path.read_bytes() + found.config.effective_text.encode())
    return _computed(job.label, found.config, found.source, digest.hexdigest()[:_ID_DIGITS], notes)


def _computed(
    label: str, config: LoadedConfig, source: Source, run: str, notes: tuple[str, ...] = ()
) -> Answer:
    """The document; what is computed from a file has an id of what is in it, the same every time."""
    document, replayer = compute(config, source, run)
    warning = replayer.warning()
    return Answer(
        label=label,
        document=document,
        units=config.units,
        notes=(*notes, warning) if warning else notes,
        versions=versions(),
    )
