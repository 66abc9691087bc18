"""Writing Parquet: readings and trace as typed columns, one row group a block, units in the metadata.

Apache Parquet by pyarrow, which is an extra: import this module where it is needed.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from logger.core.readings import FLAG_CODES, NS_PER_S, NS_PER_US, QUANTITIES, ReadingBlock
from logger.core.snapshot import TRACE_COLUMNS
from logger.tables.write import PHASE_PLACE, PHASES

READINGS = "riselog.readings/1"
TRACE = "riselog.trace/1"
TRACE_UNITS: dict[str, str] = {  # of those columns of TRACE_COLUMNS that have one
    "t_s": "s",
    "entering_c": "degC",
    "return_c": "degC",
    "supply_c": "degC",
    "rise_k": "K",
    "humidity_ratio": "kg/kg",  # water over dry air
    "pressure_pa": "Pa",
    "velocity_m_s": "m/s",
    "dry_air_kg_s": "kg/s",
    "air_heat_w": "W",
    "output_w": "W",
}
_US_PER_S = NS_PER_S // NS_PER_US
_WORD = pa.dictionary(pa.int32(), pa.string())
_READINGS_FIELDS = (
    pa.field("time", pa.timestamp("us", tz="UTC"), nullable=False),
    pa.field("t_s", pa.float64(), nullable=False, metadata={"unit": "s"}),
    pa.field("seq", pa.int64(), nullable=False),
    pa.field("probe", _WORD, nullable=False),
    pa.field("quantity", _WORD, nullable=False),
    pa.field("value", pa.float64(), nullable=False),
    pa.field("unit", _WORD, nullable=False),
    pa.field("flag", _WORD, nullable=False),
)


def write_readings_parquet(
    blocks: Iterable[ReadingBlock], start_utc_us: int, stream: BinaryIO, about: Mapping[str, str]
) -> None:
    """Readings in order of arrival; ``about`` goes into the schema's metadata."""
    units = json.dumps({quantity: info.unit for quantity, info in QUANTITIES.items()})
    schema = pa.schema(_READINGS_FIELDS, {**about, "riselog.schema": READINGS, "riselog.units": units})
    with _writer(stream, schema) as writer:
        for block in blocks:
            writer.write_batch(_readings(block, start_utc_us, schema))


def write_trace_parquet(
    blocks: Iterable[Sequence[Sequence[float | None]]], stream: BinaryIO, about: Mapping[str, str]
) -> None:
    """Rows of ``TRACE_COLUMNS``; null where a value could not be had."""
    fields = [_trace_field(name) for name in TRACE_COLUMNS]
    units = json.dumps(TRACE_UNITS)
    schema = pa.schema(fields, {**about, "riselog.schema": TRACE, "riselog.units": units})
    with _writer(stream, schema) as writer:
        for rows in blocks:
            writer.write_batch(_trace(rows, schema))


def _trace_field(name: str) -> pa.Field:
    if name == TRACE_COLUMNS[PHASE_PLACE]:
        return pa.field(name, _WORD)
    unit = TRACE_UNITS.get(name)
    return pa.field(name, pa.float64(), metadata=None if unit is None else {"unit": unit})


def _readings(block: ReadingBlock, start_utc_us: int, schema: pa.Schema) -> pa.RecordBatch:
    t_us = block.t_ns // NS_PER_US
    probes, quantities = zip(*block.channels, strict=True) if block.channels else ((), ())
    columns = [
        pa.array(t_us + start_utc_us).cast(schema.field("time").type),
        pa.array(t_us / _US_PER_S),
        pa.array(block.seq),
        _words(probes, block.channel),
        _words(quantities, block.channel),
        pa.array(block.value),
        _words([QUANTITIES[quantity].unit for quantity in quantities], block.channel),
        _words(FLAG_CODES, block.flag),
    ]
    return pa.record_batch(columns, schema=schema)


def _words(words: Sequence[str], places: npt.NDArray[np.integer]) -> pa.DictionaryArray:
    """``words[place]`` of each place; every word stands in the dictionary once."""
    kinds = [str(word) for word in dict.fromkeys(words)]
    kind = np.array([kinds.index(word) for word in words], dtype=np.int32)
    return pa.DictionaryArray.from_arrays(pa.array(kind[places]), pa.array(kinds, pa.string()))


def _trace(rows: Sequence[Sequence[float | None]], schema: pa.Schema) -> pa.RecordBatch:
    columns = list(zip(*rows, strict=True))
    phases = [None if place is None else int(place) for place in columns[PHASE_PLACE]]
    arrays = [pa.array(column, pa.float64()) for column in columns]
    arrays[PHASE_PLACE] = pa.DictionaryArray.from_arrays(
        pa.array(phases, pa.int32()), pa.array([str(phase) for phase in PHASES])
    )
    return pa.record_batch(arrays, schema=schema)


class _OneWay(io.RawIOBase):
    """What pyarrow writes into: it asks where it stands, which a pipe cannot say, so that is counted."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream: BinaryIO | None = stream
        self._written = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:  # noqa: ANN401 - pyarrow hands bytes over
        if self._stream is not None:
            self._stream.write(data)
        self._written += len(data)
        return len(data)

    def tell(self) -> int:
        return self._written

    def cut(self) -> None:
        """Let nothing more through."""
        self._stream = None


@contextmanager
def _writer(stream: BinaryIO, schema: pa.Schema) -> Iterator[pq.ParquetWriter]:
    """A writer that ends the table where all went well; half a table gets no end and cannot be read."""
    way = _OneWay(stream)
    writer = pq.ParquetWriter(way, schema)
    try:
        yield writer
        writer.close()
    except BaseException:
        way.cut()
        with suppress(OSError):
            writer.close()
        raise
