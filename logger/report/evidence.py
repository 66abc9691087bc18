"""What the store gives of one run, fetched at once: result, trace, settings, and a hash over the readings."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from logger.config.load import LoadedConfig, loads_config
from logger.core.errors import ConfigError
from logger.core.readings import ReadingBlock
from logger.core.result import result_document
from logger.documents import versions
from logger.faults import said
from logger.recompute import Replayer, source_of_run
from logger.store import RunHeader, StoreHeldError, StoreReader
from logger.store.lock import refuse_held
from logger.store.records import TraceRow
from logger.tables import readings_sha256

RUN_SHOWN = 8  # characters of the run's id in the file's name and at the foot of the page
NO_HASH = "none: the readings were dropped"
RUNNING = "running"  # the end reason of a run that has not ended
CUT_OFF = "interrupted"  # that of one whose logger is gone; the next command that writes says so in the store


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One run as it is stored, and what had to be done to have it.

    ``config`` is None where the run's settings cannot be used by this version; ``settings`` are the
    tables as they were written. ``sha256`` is over the text that `riselog export RUN` writes.
    """

    header: RunHeader
    document: Mapping[str, Any]
    trace: Sequence[TraceRow]
    end_reason: str
    sha256: str
    readings: int
    flagged: int
    config: LoadedConfig | None
    settings: Mapping[str, Any]
    remarks: tuple[str, ...] = ()
    made_with: Mapping[str, str]

    @property
    def mark(self) -> str:
        """Job and the beginning of the run's id, of ASCII letters, digits, - and _ alone."""
        text = f"{self.header.job}-{self.header.run[:RUN_SHOWN]}"
        return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "_" for c in text)

    @property
    def units(self) -> str:
        """``us`` or ``si``, as the job has it."""
        job = self.settings.get("job")
        return "si" if isinstance(job, Mapping) and job.get("units") == "si" else "us"


def _has_writer(path: Path) -> bool:
    """Whether somebody holds the store to write to it."""
    try:
        refuse_held(path)
    except StoreHeldError:
        return True
    return False


def gather(path: Path, run: str) -> Evidence:
    """Everything of a run that the report shows; the store is closed again when this returns.

    Raises
    ------
    StoreError
        The store cannot be read.
    """
    with StoreReader(path) as reader:
        header = reader.header(run)
        config, remarks = _config(header)
        end_reason = reader.end_reason(run) or (RUNNING if _has_writer(path) else CUT_OFF)
        document = _stored_result(reader, run)
        trace: Sequence[TraceRow] = reader.trace(run)
        blocks: Iterable[ReadingBlock] = reader.blocks(run)
        dropped = reader.dropped(run)
        if dropped:
            remarks += (f"{dropped[0].upper()}{dropped[1:]}.",)
        elif document is None or not trace:
            blocks = list(blocks)  # of a run that goes on: one look for the result and for the hash
            document, trace, more = _computed(reader, header, config, document, trace, blocks)
            remarks += more
        readings, flagged = _counted(document) if dropped else reader.counts(run)
        sha256 = NO_HASH if dropped else readings_sha256(blocks, header.started_utc_us)
    return Evidence(
        header=header,
        document=document or {},
        trace=trace,
        end_reason=end_reason,
        sha256=sha256,
        readings=readings,
        flagged=flagged,
        config=config,
        settings=_settings(header.config_text),
        remarks=remarks,
        made_with=versions(),
    )


def _config(header: RunHeader) -> tuple[LoadedConfig | None, tuple[str, ...]]:
    name = f"config of run {header.run}"
    try:
        return loads_config(header.config_text, name, None, stored=header.files), ()
    except ConfigError as error:
        first = said(error).splitlines()[0]
        return None, (
            f"The run's settings are not those of this version ({first}); they are shown as written.",
        )


def _counted(document: Mapping[str, Any] | None) -> tuple[int, int]:
    """Stored and flagged readings as the result has them, where they are there no more."""
    counts = (document or {}).get("readings")
    stored, flagged = (counts.get(key) if isinstance(counts, dict) else 0 for key in ("stored", "flagged"))
    return (stored if isinstance(stored, int) else 0), (flagged if isinstance(flagged, int) else 0)


def _settings(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        return {}


def _stored_result(reader: StoreReader, run: str) -> dict[str, Any] | None:
    """The run's own result, the newest; None where there is none that can be read."""
    texts = [result.document for result in reader.results(run) if result.scope == "run"]
    try:
        found = json.loads(texts[-1], parse_constant=_no_number) if texts else None
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _no_number(text: str) -> None:
    raise ValueError(f"{text} is no number of JSON")


def _computed(
    reader: StoreReader,
    header: RunHeader,
    config: LoadedConfig | None,
    document: dict[str, Any] | None,
    trace: Sequence[TraceRow],
    blocks: Sequence[ReadingBlock],
) -> tuple[dict[str, Any], Sequence[TraceRow], tuple[str, ...]]:
    """Result and trace computed again from the readings, where one of them is not stored."""
    if config is None:
        reason = "No result: none is stored, and the run's settings are not those of this version."
        return document or {"verdict": None, "reason": reason, "job": header.job}, trace, ()
    replayer = Replayer(config, replace(source_of_run(reader, header.run), blocks=blocks))
    rows: list[TraceRow] = []
    for _ in replayer.blocks():
        rows += replayer.pipeline.take_trace()
    outcome = replayer.pipeline.finish()
    rows += replayer.pipeline.take_trace()
    if document is not None:
        return document, rows, ()
    fresh = result_document(outcome, replayer.facts(header.run, stored=False))
    return fresh, rows, ("No result is stored: this one was computed from the readings for this report.",)
