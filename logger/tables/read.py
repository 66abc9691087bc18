"""Reading a CSV of readings: checked as a whole before anything is handed on.

The hot path works on whole columns: each distinct (probe, quantity, unit, flag) is checked
once, times and values are converted by the block. Line numbers are not carried along: when
something is wrong, the file is read again up to the faulty row to say where.
"""

from __future__ import annotations

import csv
import gc
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, TextIO, TypeVar

import numpy as np
import numpy.typing as npt

from logger.core.errors import TableError
from logger.core.readings import FLAG_CODES, NS_PER_US, QUANTITIES, Flag, Quantity, ReadingBlock
from logger.tables.columns import Floats, Ints, RowError, TimeColumn, number_column, shown
from logger.tables.units import SAME, UNITS

T = TypeVar("T")

CHUNK_ROWS = 2_048  # rows read at once: few enough that their strings stay in the cache
_CHUNKS_PER_BLOCK = 32
COLUMNS = ("time", "probe", "quantity", "value", "unit", "flag")
_OPTIONAL = frozenset({"flag"})
_KIND_COLUMNS = ("probe", "quantity", "unit", "flag")
_PROBE_NAME = re.compile(r"[A-Za-z0-9_-]{1,64}")  # design: letters, digits, - and _
_HEADER_ROW = -1
_UNFLAGGED = -1
_FLAG_CODE = {str(flag): code for code, flag in enumerate(FLAG_CODES)} | {"": _UNFLAGGED}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsTable:
    """A checked file.

    ``start_utc_us`` is the UTC of its first row; ``None`` where it has plain seconds, and
    ``utc_us`` of the readings is then 0. ``late`` counts rows without a flag that lie before an
    earlier row, ``out_of_range`` those without a flag whose value cannot be.
    """

    blocks: tuple[ReadingBlock, ...]
    start_utc_us: int | None
    rows: int
    late: int
    out_of_range: int


def read_readings(path: Path) -> ReadingsTable:
    """Read and check a whole file; rows are in order of arrival, ``seq`` counts from 0.

    A row without a flag gets ``out-of-range`` or ``late`` as a live reading would; a flag that
    is there is trusted.

    Raises
    ------
    TableError
        The first fault, with file and line.
    """
    if not path.is_file():
        raise TableError(f"{path}: there is no such file; name a CSV file of readings, or a stored run")
    try:
        with _gc_paused(), _opened(path) as stream:
            return _TableReader(csv.reader(stream, strict=True)).read()
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


class _Kinds(dict[tuple[str, ...], int]):
    """(probe, quantity, unit, flag) as text -> its number; each is checked when first seen."""

    def __init__(self) -> None:
        super().__init__()
        self.channels: list[tuple[str, Quantity]] = []
        self._channel: list[int] = []
        self._flag: list[int] = []
        self._added: list[float] = []
        self._factor: list[float] = []
        self.converts = False  # whether any has another unit than the stored one

    def __missing__(self, key: tuple[str, ...]) -> int:
        probe, quantity_text, unit, flag = (text.strip() for text in (*key, "")[: len(_KIND_COLUMNS)])
        if not _PROBE_NAME.fullmatch(probe):
            raise ValueError(f"probe {shown(probe)}: use 1 to 64 letters, digits, - and _")
        quantity = _one_of({str(q): q for q in Quantity}, quantity_text, "quantity")
        added, factor = _one_of(UNITS[quantity], unit, f"unit of {quantity}")
        code = _one_of(_FLAG_CODE, flag, "flag")
        channel = (probe, quantity)
        if channel not in self.channels:
            self.channels.append(channel)
        self._channel.append(self.channels.index(channel))
        self._flag.append(code)
        self._added.append(added)
        self._factor.append(factor)
        self.converts |= (added, factor) != SAME
        self[key] = len(self)
        return self[key]

    def channel(self, kind: Ints) -> npt.NDArray[np.int32]:
        """Channel of each row, given its kind."""
        return np.array(self._channel, dtype=np.int32)[kind]

    def flag(self, kind: Ints) -> npt.NDArray[np.int8]:
        """Flag code of each row, ``_UNFLAGGED`` where the file gives none."""
        return np.array(self._flag, dtype=np.int8)[kind]

    def conversion(self, kind: Ints) -> tuple[Floats, Floats]:
        """What to add first to each row's value, and the factor."""
        return np.array(self._added)[kind], np.array(self._factor)[kind]


class _TableReader:
    """One pass over a file, block by block."""

    def __init__(self, rows: Iterator[list[str]]) -> None:
        self._rows = rows
        self._kinds = _Kinds()
        self._times = TimeColumn()
        self._count = self._late = self._out_of_range = 0
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
        )

    def _part(self, rows: list[list[str]], places: dict[str, int], width: int) -> dict[str, Any]:
        """The columns of a ``ReadingBlock`` but its channels, which are known at the end."""
        first = self._count
        try:
            _check_widths(rows, width)
            texts = list(zip(*rows, strict=True))
            t_ns = self._times.convert(texts[places["time"]]) * NS_PER_US
            kind = self._kinds_of([texts[places[name]] for name in _KIND_COLUMNS if name in places])
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
            "flag": self._flags(kind, value, t_ns < newest_ns),
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

    def _flags(self, kind: Ints, value: Floats, late: npt.NDArray[np.bool_]) -> npt.NDArray[np.int8]:
        """The file's flags; where it gives none, what a live reading would have got."""
        flag = self._kinds.flag(kind)
        unflagged = flag == _UNFLAGGED
        ranges = [QUANTITIES[quantity] for _, quantity in self._kinds.channels]
        channel = self._kinds.channel(kind)
        low, high = np.array([r.low for r in ranges]), np.array([r.high for r in ranges])
        impossible = unflagged & ((value < low[channel]) | (value > high[channel]))
        late = unflagged & late & ~impossible
        self._out_of_range += int(impossible.sum())
        self._late += int(late.sum())
        flag[unflagged] = _FLAG_CODE[Flag.OK]
        flag[late] = _FLAG_CODE[Flag.LATE]
        flag[impossible] = _FLAG_CODE[Flag.OUT_OF_RANGE]
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


def _one_of(table: Mapping[str, T], text: str, what: str) -> T:
    try:
        return table[text]
    except KeyError:
        accepted = ", ".join(filter(None, table))
        raise ValueError(f"{what} {shown(text)} is not known; accepted: {accepted}") from None


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
