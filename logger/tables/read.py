"""Reading a CSV of readings: checked as a whole before anything is handed on.

The hot path works on whole columns: each distinct (probe, quantity, unit, flag) is checked
once, times and values are converted by the block. Line numbers are not carried along: when
something is wrong, the file is read again up to the faulty row to say where.
"""

from __future__ import annotations

import csv
import gc
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

import numpy as np
import numpy.typing as npt

from logger.core.errors import TableError
from logger.core.quantity_units import SAME
from logger.core.readings import (
    FLAG_CODES,
    NS_PER_US,
    QUANTITIES,
    USABLE_FLAGS,
    Flag,
    Quantity,
    ReadingBlock,
)
from logger.tables.columns import Floats, Ints, RowError, TimeColumn, number_column, shown
from logger.tables.kinds import FLAG_CODE, KIND_COLUMNS, UNFLAGGED, Kinds

CHUNK_ROWS = 2_048  # rows read at once: few enough that their strings stay in the cache
_CHUNKS_PER_BLOCK = 32
COLUMNS = ("time", "probe", "quantity", "value", "unit", "flag")
_OPTIONAL = frozenset({"flag"})
_PARQUET_MARK = b"PAR1"  # at both ends of such a file: Apache Parquet's specification, "File format"
_HEADER_ROW = -1
_USABLE = np.array([*(flag in USABLE_FLAGS for flag in FLAG_CODES), False])  # the last: UNFLAGGED
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsTable:
    """A checked file.

    ``start_utc_us`` is the UTC of its first row; ``None`` where it has plain seconds, and
    ``utc_us`` of the readings is then 0. ``late`` counts rows that were flagged because they lie
    before an earlier row, ``out_of_range`` those whose value cannot be; ``overruled`` are those of
    both that the file itself called usable.
    """

    blocks: tuple[ReadingBlock, ...]
    start_utc_us: int | None
    rows: int
    late: int
    out_of_range: int
    overruled: int


def read_readings(path: Path) -> ReadingsTable:
    """Read and check a whole file; rows are in order of arrival, ``seq`` counts from 0.

    A row without a flag, or with one that lets it be used, gets ``out-of-range`` or ``late`` as a
    live reading would: an export has no such row. Any other flag that is there is trusted.

    Raises
    ------
    TableError
        The first fault, with file and line.
    """
    try:
        if not path.is_file():
            raise TableError(f"{path}: there is no such file; name a CSV file of readings, or a stored run")
        if _is_parquet(path):
            raise TableError(f"{path} is Parquet by what it holds; give its name the ending .parquet")
        with _opened(path) as stream:
            return read_rows(csv.reader(stream, strict=True))
    except RowError as error:
        raise TableError(f"{path}:{_line_of(path, error.row)}: {error}") from error
    except csv.Error as error:
        line = _unreadable_line(path)
        raise TableError(f"{path}:{line}: not readable as CSV ({error}); check the quotes there") from error
    except UnicodeDecodeError as error:
        line = _undecodable_line(path)
        raise TableError(f"{path}:{line}: not UTF-8 text; save the file as CSV in UTF-8") from error
    except OSError as error:
        raise TableError(
            f"{path}: cannot be read ({error.strerror}); check the file and its rights"
        ) from error


def read_rows(rows: Iterator[list[str]]) -> ReadingsTable:
    """The same from rows of text, the header first; a ``RowError`` counts them from 0 below it."""
    with _gc_paused():
        return _TableReader(rows).read()


class _TableReader:
    """One pass over a file, block by block."""

    def __init__(self, rows: Iterator[list[str]]) -> None:
        self._rows = rows
        self._kinds = Kinds()
        self._times = TimeColumn()
        self._count = self._late = self._out_of_range = self._overruled = 0
        self._newest_ns: int = np.iinfo(np.int64).min

    def read(self) -> ReadingsTable:
        """All blocks, or ``RowError``."""
        places, width = _header(self._rows)
        parts = []
        while rows := list(islice(self._rows, CHUNK_ROWS)):
            if not all(rows):
                rows = list(filter(None, rows))  # blank lines mean nothing
            if rows:
                parts.append(self._part(rows, places, width))
        if not parts:
            raise RowError(_HEADER_ROW, "no reading below the header; name a file with readings")
        channels = tuple(self._kinds.channels)
        return ReadingsTable(
            blocks=tuple(
                _joined(channels, parts[i : i + _CHUNKS_PER_BLOCK])
                for i in range(0, len(parts), _CHUNKS_PER_BLOCK)
            ),
            start_utc_us=self._times.start_utc_us,
            rows=self._count,
            late=self._late,
            out_of_range=self._out_of_range,
            overruled=self._overruled,
        )

    def _part(self, rows: list[list[str]], places: dict[str, int], width: int) -> dict[str, Any]:
        """The columns of a ``ReadingBlock`` but its channels, which are known at the end."""
        first = self._count
        try:
            _check_widths(rows, width)
            texts = list(zip(*rows, strict=True))
            t_ns = self._times.convert(texts[places["time"]]) * NS_PER_US
            kind = self._kinds_of([texts[places[name]] for name in KIND_COLUMNS if name in places])
            value = self._converted(texts[places["value"]], kind)
        except RowError as error:
            raise RowError(first + error.row, str(error)) from error
        newest_ns = np.maximum(np.maximum.accumulate(t_ns), self._newest_ns)
        self._newest_ns = int(newest_ns[-1])
        self._count += len(rows)
        start = self._times.start_utc_us
        return {
            "seq": np.arange(first, self._count, dtype=np.int64),
            "t_ns": t_ns,
            "channel": self._kinds.channel(kind),
            "value": value,
            "flag": self._flags(kind, value, late=t_ns < newest_ns),
            "utc_us": np.zeros_like(t_ns) if start is None else t_ns // NS_PER_US + start,
            "arrival_ns": newest_ns,
        }

    def _kinds_of(self, texts: list[tuple[str, ...]]) -> Ints:
        try:
            return np.array(list(map(self._kinds.__getitem__, zip(*texts, strict=True))), dtype=np.int64)
        except ValueError as error:
            row = next(row for row, key in enumerate(zip(*texts, strict=True)) if key not in self._kinds)
            raise RowError(row, str(error)) from error

    def _converted(self, texts: tuple[str, ...], kind: Ints) -> Floats:
        """Values in the stored unit; what is in it already is not touched by arithmetic."""
        value = number_column(texts, "value")
        if self._kinds.converts:
            added, factor = self._kinds.conversion(kind)
            other = (added != SAME[0]) | (factor != SAME[1])
            with np.errstate(over="ignore"):
                value[other] = (value[other] + added[other]) * factor[other]
            beyond = np.flatnonzero(~np.isfinite(value))
            if len(beyond):
                row = int(beyond[0])
                raise RowError(row, f"value {shown(texts[row])} is too large in its unit; correct it")
        return value

    def _flags(self, kind: Ints, value: Floats, *, late: Mask) -> npt.NDArray[np.int8]:
        """The file's flags, or what a live reading would have got: where the file gives none, and where
        it calls usable what no live reading of that flag can be (a file sorted by probe, an edited value).
        """
        flag = self._kinds.flag(kind)
        unflagged = flag == UNFLAGGED
        judged = unflagged | _USABLE[flag]
        ranges = [QUANTITIES[quantity] for _, quantity in self._kinds.channels]
        channel = self._kinds.channel(kind)
        low, high = np.array([r.low for r in ranges]), np.array([r.high for r in ranges])
        impossible = judged & ((value < low[channel]) | (value > high[channel]))
        late = judged & late & ~impossible
        self._out_of_range += int(impossible.sum())
        self._late += int(late.sum())
        self._overruled += int(((impossible | late) & ~unflagged).sum())
        flag[unflagged] = FLAG_CODE[Flag.OK]
        flag[late] = FLAG_CODE[Flag.LATE]
        flag[impossible] = FLAG_CODE[Flag.OUT_OF_RANGE]
        return flag


def _header(rows: Iterator[list[str]]) -> tuple[dict[str, int], int]:
    """Where each column stands, and how many there are."""
    names = [name.strip() for name in next(filter(None, rows), [])]
    wanted = ",".join(COLUMNS)
    missing = [name for name in COLUMNS if name not in names and name not in _OPTIONAL]
    if missing:
        raise RowError(_HEADER_ROW, f"no column {', '.join(missing)}; the first line must be {wanted}")
    double = next((name for name in COLUMNS if names.count(name) > 1), None)
    if double:
        raise RowError(_HEADER_ROW, f"column {double} is there twice; the first line must be {wanted}")
    return {name: names.index(name) for name in COLUMNS if name in names}, len(names)


def _joined(channels: tuple[tuple[str, Quantity], ...], parts: list[dict[str, Any]]) -> ReadingBlock:
    """One block of several parts."""
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return ReadingBlock(channels=channels, **columns)


def _check_widths(rows: list[list[str]], width: int) -> None:
    if set(map(len, rows)) != {width}:
        row = next(row for row, fields in enumerate(rows) if len(fields) != width)
        raise RowError(
            row,
            f"{len(rows[row])} fields where the header has {width}; "
            "fill them up, and write the decimal mark as a point",
        )


@contextmanager
def _gc_paused() -> Iterator[None]:
    """Millions of small strings that hold no cycles: looking for some would double the time."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


def _is_parquet(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(len(_PARQUET_MARK)) == _PARQUET_MARK


def _opened(path: Path) -> TextIO:
    return path.open(encoding="utf-8-sig", newline="")


def _line_of(path: Path, row: int) -> int:
    """The line on which a row begins: rows may span lines, and blank lines are no rows."""
    with _opened(path) as stream:
        reader = csv.reader(stream, strict=True)
        line, seen = 1, _HEADER_ROW
        for fields in reader:
            if fields:
                if seen == row:
                    break
                seen += 1
            line = reader.line_num + 1
        return line


def _unreadable_line(path: Path) -> int:
    with _opened(path) as stream:
        reader = csv.reader(stream, strict=True)
        try:
            for _ in reader:
                pass
        except csv.Error:
            pass
        return reader.line_num


def _undecodable_line(path: Path) -> int:
    with path.open("rb") as stream:
        for number, line in enumerate(stream, start=1):
            try:
                line.decode()
            except UnicodeDecodeError:
                return number
    return 1
