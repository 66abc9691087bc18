"""A file of readings, CSV or Parquet, as something to compute from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from logger.config.load import LoadedConfig, loads_config
from logger.core.errors import UsageError
from logger.recompute import Source
from logger.store import is_file
from logger.tables import ReadingsTable, read_readings
from logger.text import one_line

_ENDINGS = (".csv", ".parquet")


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSource:
    """What a file holds; ``notes`` says what was found in it, a sentence each."""

    source: Source
    config: LoadedConfig
    notes: tuple[str, ...]


def is_readings_file(text: str) -> bool:
    """Whether a text names a file and not a run."""
    return text.lower().endswith(_ENDINGS) or "/" in text or "\\" in text or is_file(Path(text))


def file_source(path: Path, config: LoadedConfig | None, now_utc_us: int) -> FileSource:
    """Read and check a file; without ``config`` the one that a Parquet file carries.

    Raises
    ------
    UsageError
        There is no config, or no reader for Parquet.
    TableError
        The file cannot be used.
    """
    if path.suffix.lower() == ".parquet" and is_file(path):
        table, config = _parquet(path, config)
    else:
        if config is None:
            raise UsageError(f"{path} is a file of readings: name the job's config with --config")
        table = read_readings(path)
    start_us = table.start_utc_us
    source = Source(
        blocks=table.blocks,
        started_utc_us=now_utc_us if start_us is None else start_us,
        simulated=config.simulated,
    )
    return FileSource(source=source, config=config, notes=tuple(_notes(path, table)))


def _parquet(path: Path, config: LoadedConfig | None) -> tuple[ReadingsTable, LoadedConfig]:
    try:
        from logger.tables.parquet_read import read_parquet  # noqa: PLC0415 - an extra, and heavy
    except ImportError as error:
        raise UsageError(
            f"{path} needs pyarrow, which cannot be loaded ({one_line(str(error))}); "
            "pip install 'riselog[parquet]', or give the readings as CSV"
        ) from error
    found = read_parquet(path)
    if config is None:
        if found.config_text is None:
            raise UsageError(f"{path} carries no config: name the job's config with --config")
        config = loads_config(found.config_text, f"config of {path}", None, stored=found.files)
        config = replace(config, store_path=None)  # that of another computer, or another's
    return found.table, config


def _notes(path: Path, table: ReadingsTable) -> list[str]:
    notes = []
    if table.start_utc_us is None:
        notes.append(f"{path} gives seconds, not times of day: the run is dated now")
    if table.late or table.out_of_range:
        also = f" ({table.overruled} of them called usable there)" if table.overruled else ""
        order = "; sort the rows by time if they stand in another order than they came" if table.late else ""
        notes.append(
            f"{path}: {table.late} late and {table.out_of_range} out-of-range readings{also} are kept, "
            f"flagged and not used{order}"
        )
    return notes
