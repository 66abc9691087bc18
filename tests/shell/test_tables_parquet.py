"""Parquet: what was written is read back by pyarrow's own reader, bit for bit, with units and types.

Apache Parquet format: four bytes PAR1 at both ends of a file (its specification, "File format").
"""

from __future__ import annotations

import io
import json
import struct
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.readings import FLAG_CODES, QUANTITIES, Flag, Quantity, Reading, ReadingBlock
from logger.core.snapshot import TRACE_COLUMNS, Phase
from logger.tables.parquet import TRACE_UNITS, write_readings_parquet, write_trace_parquet
from tests.shell.stand_ins import block_of

START_US = 1_709_251_199_900_000  # 2024-02-29T23:59:59.9Z
ABOUT = {"riselog.run": "abc", "riselog.config": 'a = "°F"\n'}


def reading(seq: int, t_us: int, value: float, **changes: object) -> Reading:
    plain = Reading(seq, t_us * 1000, "ret", Quantity.TEMPERATURE, value, Flag.OK, 0, t_us * 1000)
    return plain._replace(**changes)


def readings_table(blocks: Sequence[ReadingBlock]) -> pa.Table:
    file = io.BytesIO()
    write_readings_parquet(blocks, START_US, file, ABOUT)
    data = file.getvalue()
    assert (data[:4], data[-4:]) == (b"PAR1", b"PAR1")
    return pq.read_table(io.BytesIO(data))


def bits(values: Sequence[float]) -> bytes:
    return struct.pack(f"<{len(values)}d", *values)


any_reading = st.builds(
    Reading,
    st.integers(0, 2**40),
    st.integers(0, 10**9 * 10**6).map(lambda t_us: t_us * 1000),
    st.sampled_from(["ret", "sup", "a-1_B"]),
    st.sampled_from(Quantity),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from(Flag),
    st.just(0),
    st.just(0),
)


@given(st.lists(st.lists(any_reading, min_size=1, max_size=20), max_size=4))
@settings(max_examples=60, deadline=None)
def test_readings_come_back(parts: list[list[Reading]]) -> None:
    table = readings_table([block_of(part) for part in parts])
    readings = [r for part in parts for r in part]
    assert table.column("seq").to_pylist() == [r.seq for r in readings]
    assert table.column("probe").to_pylist() == [r.probe for r in readings]
    assert table.column("quantity").to_pylist() == [str(r.quantity) for r in readings]
    assert table.column("unit").to_pylist() == [QUANTITIES[r.quantity].unit for r in readings]
    assert table.column("flag").to_pylist() == [str(r.flag) for r in readings]
    assert bits(table.column("value").to_pylist()) == bits([r.value for r in readings])
    assert table.column("t_s").to_pylist() == [r.t_ns / 1000 / 1e6 for r in readings]
    times = table.column("time").cast(pa.int64()).to_pylist()
    assert times == [START_US + r.t_ns // 1000 for r in readings]


def test_time_is_utc_by_the_standard_librarys_calendar() -> None:
    table = readings_table([block_of([reading(0, 0, 20.0), reading(1, 250_000, 20.1)])])
    began = datetime(2024, 2, 29, 23, 59, 59, 900_000, tzinfo=UTC)
    assert table.column("time").to_pylist() == [began, began + timedelta(seconds=0.25)]


def test_types_and_units() -> None:
    schema = readings_table([block_of([reading(0, 0, 20.0)])]).schema
    assert schema.field("time").type == pa.timestamp("us", tz="UTC")
    for name in ("probe", "quantity", "unit", "flag"):
        assert pa.types.is_dictionary(schema.field(name).type), name
        assert schema.field(name).type.value_type == pa.string()
    assert schema.field("value").type == pa.float64()
    assert schema.field("t_s").metadata[b"unit"] == b"s"
    assert schema.metadata[b"riselog.run"] == b"abc"
    assert schema.metadata[b"riselog.config"].decode() == ABOUT["riselog.config"]
    units = json.loads(schema.metadata[b"riselog.units"])
    assert units == {q: info.unit for q, info in QUANTITIES.items()}


def test_a_block_is_a_row_group_and_no_word_is_twice_in_its_dictionary() -> None:
    """One probe has several quantities, one unit belongs to several of them."""
    both = [
        reading(0, 0, 40.0, quantity=Quantity.HUMIDITY),
        reading(1, 0, 90.0, quantity=Quantity.BATTERY),
        reading(2, 0, 20.0, flag=FLAG_CODES[-1]),
    ]
    file = io.BytesIO()
    write_readings_parquet([block_of(both), block_of(both[:1])], START_US, file, {})
    found = pq.ParquetFile(file)
    assert [found.metadata.row_group(i).num_rows for i in range(found.num_row_groups)] == [3, 1]
    group = found.read_row_group(0)
    for name, words in (("probe", ["ret"]), ("unit", ["%", "degC"])):
        (chunk,) = group.column(name).chunks
        assert sorted(chunk.dictionary.to_pylist()) == words


def test_a_run_without_readings_is_a_table_without_rows() -> None:
    assert readings_table([]).num_rows == 0


ROW = tuple(float(i) for i in range(len(TRACE_COLUMNS)))
trace_rows = st.lists(
    st.tuples(
        st.floats(0, 1e6),
        st.sampled_from([float(i) for i in range(len(Phase))]),
        *[st.none() | st.floats(allow_nan=False, allow_infinity=False)] * (len(TRACE_COLUMNS) - 2),
    ),
    min_size=1,
    max_size=20,
)


@given(st.lists(trace_rows, max_size=3))
@settings(max_examples=40, deadline=None)
def test_the_trace_comes_back(parts: list[list[tuple[float | None, ...]]]) -> None:
    file = io.BytesIO()
    write_trace_parquet(parts, file, ABOUT)
    table = pq.read_table(file)
    assert tuple(table.column_names) == TRACE_COLUMNS
    rows = [row for part in parts for row in part]
    for place, name in enumerate(TRACE_COLUMNS):
        expected = [row[place] for row in rows]
        if name == "phase":
            assert table.column(name).to_pylist() == [tuple(Phase)[int(p or 0)] for p in expected]
        else:
            assert repr(table.column(name).to_pylist()) == repr(expected)  # -0.0 is not 0.0


def test_every_column_of_the_trace_but_the_phase_has_its_unit() -> None:
    """The unit is that of the name's suffix (SI symbols by the SI brochure; degC as in the readings)."""
    file = io.BytesIO()
    write_trace_parquet([[ROW]], file, ABOUT)
    schema = pq.read_schema(file)
    assert set(TRACE_UNITS) == set(TRACE_COLUMNS) - {"phase"}
    suffixes = {"_s": "s", "_c": "degC", "_k": "K", "_pa": "Pa", "_m_s": "m/s", "_kg_s": "kg/s", "_w": "W"}
    for field in schema:
        ending = next((s for s in sorted(suffixes, key=len, reverse=True) if field.name.endswith(s)), None)
        if ending is not None:
            assert field.metadata[b"unit"].decode() == suffixes[ending], field.name
    assert schema.field("humidity_ratio").metadata[b"unit"] == b"kg/kg"
    assert schema.field("phase").metadata is None


class _OneWay(io.RawIOBase):
    """A pipe: no place in it can be asked for or gone to."""

    def __init__(self) -> None:
        self.data = b""

    def writable(self) -> bool:
        return True

    def write(self, data: bytes) -> int:  # type: ignore[override]
        self.data += bytes(data)
        return len(data)

    def tell(self) -> int:
        raise OSError("a pipe")


def test_a_pipe_will_do() -> None:
    pipe = _OneWay()
    write_readings_parquet([block_of([reading(0, 0, 20.0)])], START_US, pipe, {})  # type: ignore[arg-type]
    assert pq.read_table(io.BytesIO(pipe.data)).num_rows == 1


def test_half_a_table_is_not_taken_for_a_whole_one() -> None:
    def blocks() -> Iterator[ReadingBlock]:
        yield block_of([reading(0, 0, 20.0)])
        raise KeyboardInterrupt

    file = io.BytesIO()
    with pytest.raises(KeyboardInterrupt):
        write_readings_parquet(blocks(), START_US, file, {})
    assert file.getvalue()[:4] == b"PAR1"
    with pytest.raises(pa.ArrowInvalid):
        pq.read_table(io.BytesIO(file.getvalue()))


def test_a_full_disk_is_heard_of_as_such() -> None:
    class Full(io.BytesIO):
        def write(self, _data: object) -> int:
            raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left") as caught:
        write_readings_parquet([block_of([reading(0, 0, 20.0)])], START_US, Full(), {})
    assert caught.value.errno == 28


def test_values_near_the_edges_of_a_double_are_kept() -> None:
    values = [5e-324, -0.0, 1.7976931348623157e308, 0.1 + 0.2, np.nextafter(20.0, 21.0).item()]
    table = readings_table([block_of([reading(i, i, v) for i, v in enumerate(values)])])
    assert bits(table.column("value").to_pylist()) == bits(values)
