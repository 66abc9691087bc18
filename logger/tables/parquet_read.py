"""Reading Parquet of readings back: row by row the same checks as for CSV.

Apache Parquet by pyarrow, which is an extra: import this module where it is needed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from logger.core.errors import TableError
from logger.tables.columns import RowError
from logger.tables.read import COLUMNS, ReadingsTable, read_rows
from logger.text import one_line

BATCH_ROWS = 65_536
_TIME, _VALUE = COLUMNS.index("time"), COLUMNS.index("value")
_TYPES = [pa.float64() if name == "value" else pa.string() for name in COLUMNS]
_TYPES[_TIME] = pa.timestamp("us", tz="UTC")


@dataclass(frozen=True, slots=True, kw_only=True)
class ParquetReadings:
    """A checked file; ``config_text`` is the config that it carries, ``files`` what that names."""

    table: ReadingsTable
    config_text: str | None
    files: Mapping[str, str]


def read_parquet(path: Path) -> ParquetReadings:
    """Read and check a whole file; the columns are those of the CSV, others are passed over.

    Raises
    ------
    TableError
        The first fault, with file and row (the first is 1).
    """
    try:
        with pq.ParquetFile(path) as file:
            about = file.schema_arrow.metadata or {}
            table = read_rows(_rows(file))
    except RowError as error:
        row = f" row {error.row + 1}:" if error.row >= 0 else ""
        raise TableError(f"{path}:{row} {error}") from error
    except (pa.ArrowException, OSError) as error:
        if reason := getattr(error, "strerror", None):
            raise TableError(f"{path}: cannot be read ({reason}); check the file and its rights") from error
        raise TableError(
            f"{path}: not readable as Parquet of readings ({one_line(str(error))}); export the run again"
        ) from error
    config = about.get(b"riselog.config")
    return ParquetReadings(
        table=table,
        config_text=None if config is None else config.decode(errors="replace"),
        files=_files(path, about.get(b"riselog.files", b"{}")),
    )


def _rows(file: pq.ParquetFile) -> Iterator[list[str]]:
    """The file as rows of a CSV, header first; a null is an empty field, which the checks name."""
    there = [name for name in COLUMNS if name in file.schema_arrow.names]
    yield there
    kinds = [_TYPES[COLUMNS.index(name)] for name in there]
    for batch in file.iter_batches(BATCH_ROWS, columns=there):
        texts = [_texts(batch.column(name).cast(kind)) for name, kind in zip(there, kinds, strict=True)]
        yield from map(list, zip(*texts, strict=True))


def _texts(column: pa.Array) -> list[str]:
    if column.type == _TYPES[_TIME]:
        times = column.cast(pa.timestamp("us")).to_numpy(zero_copy_only=False)
        return [f"{text}Z" for text in np.datetime_as_string(times, unit="us").tolist()]
    if column.type == _TYPES[_VALUE]:
        return ["" if value is None else repr(value) for value in column.to_pylist()]
    return [text or "" for text in column.to_pylist()]


def _files(path: Path, text: bytes) -> dict[str, str]:
    try:
        found = json.loads(text)
    except ValueError:
        found = None
    if not isinstance(found, dict) or not all(isinstance(value, str) for value in found.values()):
        raise TableError(f"{path}: its riselog.files cannot be read; export the run again, or give --config")
    return found
