"""CSV of readings. Expected values are written out from the format's description, or come from
the standard library's own calendar and the sources named beside them."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.core.errors import TableError
from logger.core.readings import (
    FLAG_CODES,
    QUANTITIES,
    USABLE_FLAGS,
    Flag,
    Quantity,
    ReadingBlock,
    in_range,
)
from logger.core.snapshot import TRACE_COLUMNS, Phase
from logger.tables import ReadingsTable, read_readings, write_readings, write_trace

HEADER = "time,probe,quantity,value,unit,flag\n"
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def us(*moment: int) -> int:
    """Microseconds since 1970 of a UTC date, by the standard library."""
    return (datetime(*moment, tzinfo=UTC) - EPOCH) // timedelta(microseconds=1)  # type: ignore[misc,arg-type]


def read(tmp_path: Path, text: str | bytes) -> ReadingsTable:
    path = tmp_path / "readings.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_readings(path)


def rows_of(table: ReadingsTable) -> list[tuple[float, str, str, float, str]]:
    """(seconds, probe, quantity, value, flag) of every reading."""
    return [
        (t / 1e9, *block.channels[channel], value, FLAG_CODES[flag])
        for block in table.blocks
        for t, channel, value, flag in zip(
            block.t_ns.tolist(),
            block.channel.tolist(),
            block.value.tolist(),
            block.flag.tolist(),
            strict=True,
        )
    ]


GOOD = {
    "iso with fraction": (
        HEADER + "2024-02-29T23:59:59.900000Z,ret,temperature,20.5,degC,ok\n"
        "2024-03-01T00:00:00.150000Z,sup,humidity,40,%,clock-jump\n",
        [(0.0, "ret", "temperature", 20.5, "ok"), (0.25, "sup", "humidity", 40.0, "clock-jump")],
    ),
    "iso, uneven fractions, offset": (
        HEADER + "2024-01-01T00:00:00Z,r,temperature,1,C,ok\n"
        "2024-01-01T00:00:00.5Z,r,temperature,2,C,ok\n"
        "2024-01-01 01:00:01+01:00,r,temperature,3,C,ok\n",
        [
            (0.0, "r", "temperature", 1.0, "ok"),
            (0.5, "r", "temperature", 2.0, "ok"),
            (1.0, "r", "temperature", 3.0, "ok"),
        ],
    ),
    "seconds": (
        HEADER + "5,r,pressure,98600,Pa,ok\n5.000001,r,signal,-60,dBm,not-known\n",
        [(5.0, "r", "pressure", 98600.0, "ok"), (5.000001, "r", "signal", -60.0, "not-known")],
    ),
    "byte order mark and carriage returns": (
        "\ufeff" + HEADER.replace("\n", "\r\n") + "0,r,battery,90,%,ok\r\n",
        [(0.0, "r", "battery", 90.0, "ok")],
    ),
    "other order, extra columns, no flag": (
        'note,value,unit,quantity,probe,time\n"a ""note"", \nof two lines",20,degC,temperature,r_1-A,0\n',
        [(0.0, "r_1-A", "temperature", 20.0, "ok")],
    ),
    "blank lines": (
        "\n" + HEADER + "\n0,r,power,450,W,ok\n\n\n",
        [(0.0, "r", "power", 450.0, "ok")],
    ),
    "no flag: late and out of range as live": (
        HEADER + "10,a,temperature,20,degC,\n9,b,temperature,20,degC,\n10,a,humidity,655.35,%,\n"
        "8,a,temperature,20,degC,ok\n",
        [
            (10.0, "a", "temperature", 20.0, "ok"),
            (9.0, "b", "temperature", 20.0, "late"),
            (10.0, "a", "humidity", 655.35, "out-of-range"),
            (8.0, "a", "temperature", 20.0, "late"),
        ],
    ),
    "flags that can be are trusted": (
        HEADER + "5,a,temperature,20,degC,ok\n5,b,temperature,20,degC,duplicate\n"
        "4,b,temperature,327.67,degC,not-known\n4,b,temperature,999,degC,late\n",
        [
            (5.0, "a", "temperature", 20.0, "ok"),
            (5.0, "b", "temperature", 20.0, "duplicate"),
            (4.0, "b", "temperature", 327.67, "not-known"),
            (4.0, "b", "temperature", 999.0, "late"),
        ],
    ),
    "a usable flag on what no live reading of that flag can be": (
        HEADER + "5,a,temperature,20,degC,ok\n6,a,temperature,9999,degC,ok\n"
        "4,b,temperature,20,degC,ok\n5,b,humidity,40,%,clock-jump\n6,b,humidity,40,%,clock-jump\n",
        [
            (5.0, "a", "temperature", 20.0, "ok"),
            (6.0, "a", "temperature", 9999.0, "out-of-range"),
            (4.0, "b", "temperature", 20.0, "late"),
            (5.0, "b", "humidity", 40.0, "late"),
            (6.0, "b", "humidity", 40.0, "clock-jump"),
        ],
    ),
}


@pytest.mark.parametrize("name", GOOD)
def test_good_file(name: str, tmp_path: Path) -> None:
    text, expected = GOOD[name]
    assert rows_of(read(tmp_path, text)) == expected


def test_start_and_utc(tmp_path: Path) -> None:
    table = read(tmp_path, GOOD["iso with fraction"][0])
    assert table.start_utc_us == us(2024, 2, 29, 23, 59, 59, 900000)
    assert table.blocks[0].utc_us.tolist() == [table.start_utc_us, us(2024, 3, 1, 0, 0, 0, 150000)]
    assert table.blocks[0].seq.tolist() == [0, 1]
    seconds = read(tmp_path, GOOD["seconds"][0])
    assert seconds.start_utc_us is None
    assert seconds.blocks[0].utc_us.tolist() == [0, 0]


def test_unflagged_rows_are_counted(tmp_path: Path) -> None:
    contradicted = read(tmp_path, GOOD["a usable flag on what no live reading of that flag can be"][0])
    assert (contradicted.late, contradicted.out_of_range, contradicted.overruled) == (2, 1, 3)
    table = read(tmp_path, GOOD["no flag: late and out of range as live"][0])
    assert (table.rows, table.late, table.out_of_range, table.overruled) == (4, 2, 1, 1)
    assert table.blocks[0].arrival_ns.tolist() == [10_000_000_000] * 4


# Factors: NIST SP 811 appendix B.8, as printed there (seven digits) where they are not exact.
UNITS = [
    ("temperature", "degF", "212", 100.0),
    ("temperature", "°F", "-40", -40.0),
    ("temperature", "F", "32", 0.0),
    ("temperature", "K", "273.15", 0.0),
    ("humidity", "1", "0.4", 40.0),
    ("pressure", "hPa", "986", 98_600.0),
    ("pressure", "mbar", "986", 98_600.0),
    ("pressure", "kPa", "98.6", 98_600.0),
    ("pressure", "psi", "14", 14 * 6894.757),
    ("pressure", "inHg", "29", 29 * 3386.389),
    ("velocity", "fpm", "1000", 5.08),
    ("velocity", "ft/min", "1000", 5.08),
    ("velocity", "ft/s", "10", 3.048),
    ("velocity", "km/h", "36", 10.0),
    ("dry-air-flow", "kg/h", "3600", 1.0),
    ("dry-air-flow", "lb/h", "1000", 1000 * 1.259979e-4),
    ("dry-air-flow", "lb/min", "100", 100 * 7.559873e-3),
    ("gas-volume", "ft3", "2", 2 * 2.831685e-2),
    ("gas-volume", "L", "5", 0.005),
    ("power", "kW", "0.45", 450.0),
    ("power", "Btu/h", "1000", 1000 * 2.930711e-1),
    ("power", "BTU/h", "1000", 1000 * 2.930711e-1),
    ("power", "MBH", "10", 10_000 * 2.930711e-1),
    ("pressure", "inH2O", "400", 400 * 249.0889),
]


@pytest.mark.parametrize(("quantity", "unit", "text", "expected"), UNITS)
def test_unit(quantity: str, unit: str, text: str, expected: float, tmp_path: Path) -> None:
    table = read(tmp_path, f"{HEADER}0,r,{quantity},{text},{unit},ok\n1,r,temperature,20.1,degC,ok\n")
    first, second = rows_of(table)
    assert first[3] == pytest.approx(expected, rel=3e-7, abs=1e-9)
    assert second[3] == 20.1  # what stands in the stored unit is not touched


ROW = "0,r,temperature,20,degC,ok\n"
BAD = {
    "empty file": ("", 1, "no column time, probe, quantity, value, unit"),
    "header only": (HEADER, 1, "no reading"),
    "column missing": ("time,probe,value,unit\n0,r,2,degC\n", 1, "no column quantity"),
    "column twice": ("time,time,probe,quantity,value,unit\n", 1, "column time is there twice"),
    "nan": (HEADER + ROW + "1,r,temperature,nan,degC,ok\n", 3, "value 'nan' is not finite"),
    "inf": (HEADER + ROW + "1,r,temperature,-inf,degC,ok\n", 3, "is not finite"),
    "too large": (HEADER + "1,r,temperature,1e999,degC,ok\n", 2, "is not finite"),
    "too large in its unit": (HEADER + ROW + "1,r,pressure,1e306,kPa,ok\n", 3, "too large"),
    "empty value": (HEADER + ROW + "1,r,temperature,,degC,ok\n", 3, "no value"),
    "text value": (HEADER + ROW + "1,r,temperature,warm,degC,ok\n", 3, "value 'warm' is no number"),
    "decimal comma": (HEADER + '1,r,temperature,"20,5",degC,ok\n', 2, "decimal mark as a point"),
    "decimal comma unquoted": (
        HEADER + "1,r,temperature,20,5,degC,ok\n",
        2,
        "7 fields where the header has 6",
    ),
    "underscore": (HEADER + "1,r,temperature,2_0,degC,ok\n", 2, "no plain number"),
    "digits of another script": (HEADER + "1,r,temperature,٢٠,degC,ok\n", 2, "no plain number"),
    "short row": (HEADER + ROW + "\n1,r\n", 4, "2 fields"),
    "quantity": (
        HEADER + ROW + "1,r,temp,20,degC,ok\n",
        3,
        "quantity 'temp' is not known; accepted: temperature",
    ),
    "unit": (
        HEADER + ROW + "1,r,temperature,20,degR,ok\n",
        3,
        "unit of temperature 'degR' is not known; accepted",
    ),
    "no unit": (HEADER + ROW + "1,r,temperature,20,,ok\n", 3, "unit of temperature ''"),
    "unit of another quantity": (HEADER + "1,r,velocity,20,degC,ok\n", 2, "accepted: m/s"),
    "flag": (
        HEADER + ROW + "1,r,temperature,20,degC,good\n",
        3,
        "flag 'good' is not known; accepted: ok, late",
    ),
    "probe": (HEADER + ROW + "1,r 1,temperature,20,degC,ok\n", 3, "probe 'r 1'"),
    "a probe like a formula": (HEADER + ROW + "1,-A1,temperature,20,degC,ok\n", 3, "not - first"),
    "no probe": (HEADER + ROW + "1,,temperature,20,degC,ok\n", 3, "probe ''"),
    "escape in a probe": (HEADER + "1,\x1b[2Jr,temperature,20,degC,ok\n", 2, "probe '[2Jr'"),
    "long probe": (HEADER + f"1,{'r' * 65},temperature,20,degC,ok\n", 2, "1 to 64 letters"),
    "negative seconds": (HEADER + "-0.5,r,temperature,20,degC,ok\n", 2, "before the start"),
    "before the first of iso": (
        HEADER
        + "2024-01-01T00:00:04Z,r,temperature,20,degC,ok\n2024-01-01T00:00:00Z,s,temperature,20,degC,ok\n",
        3,
        "before that of the first row, where the run starts; sort",
    ),
    "seconds since 1970": (HEADER + "1700000000,r,temperature,20,degC,ok\n", 2, "over 31 years"),
    "time nan": (HEADER + ROW + "nan,r,temperature,20,degC,ok\n", 3, "time 'nan'"),
    "no time": (HEADER + ROW + ",r,temperature,20,degC,ok\n", 3, "no time"),
    "time text": (HEADER + ROW + "noon,r,temperature,20,degC,ok\n", 3, "time 'noon'"),
    "iso among seconds": (
        HEADER + ROW + "2024-01-01T00:00:00Z,r,temperature,20,degC,ok\n",
        3,
        "one kind throughout",
    ),
    "seconds among iso": (
        HEADER + "2024-01-01T00:00:00Z,r,temperature,20,degC,ok\n" + ROW,
        3,
        "one kind throughout",
    ),
    "iso without zone": (HEADER + "2024-01-01T00:00:00,r,temperature,20,degC,ok\n", 2, "with Z"),
    "no such day": (
        HEADER
        + "2023-02-28T00:00:00Z,r,temperature,20,degC,ok\n2023-02-29T00:00:00Z,r,temperature,20,degC,ok\n",
        3,
        "time '2023-02-29T00:00:00Z'",
    ),
    "leap second": (HEADER + "2016-12-31T23:59:60Z,r,temperature,20,degC,ok\n", 2, "23:59:60"),
    "far from the start": (
        HEADER
        + "1970-01-01T00:00:00Z,r,temperature,20,degC,ok\n2024-01-01T00:00:00Z,r,temperature,20,degC,ok\n",
        3,
        "over 31 years",
    ),
    "open quote": (HEADER + ROW + '1,"r,temperature,20,degC,ok\n', 3, "not readable as CSV"),
    "text after a quote": (HEADER + ROW + '1,"r"x,temperature,20,degC,ok\n', 3, "not readable as CSV"),
    "huge field": (HEADER + ROW + f"1,{'r' * 200_000},temperature,20,degC,ok\n", 3, "not readable as CSV"),
    "behind a field of two lines": (
        'time,probe,quantity,value,unit,note\n0,r,temperature,20,degC,"a\nb"\n1,r,temperature,x,degC,c\n',
        4,
        "value 'x'",
    ),
    "not UTF-8": (HEADER.encode() + ROW.encode() + b"1,r,temperature,20,\xb0C,ok\n", 3, "not UTF-8"),
    "UTF-16": (HEADER.encode("utf-16"), 1, "not UTF-8"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_file_names_file_and_line(name: str, tmp_path: Path) -> None:
    text, line, part = BAD[name]
    with pytest.raises(TableError) as caught:
        read(tmp_path, text)
    sentence = str(caught.value)
    assert sentence.startswith(f"{tmp_path / 'readings.csv'}:{line}: ")
    assert part in sentence
    assert sentence.isprintable()


def test_line_number_far_into_the_file(tmp_path: Path) -> None:
    """Beyond several chunks of rows."""
    rows = [f"{i},r,temperature,20,degC,ok\n" for i in range(10_000)]
    rows[9_000] = "9000,r,temperature,oops,degC,ok\n"
    with pytest.raises(TableError, match=r":9002: value 'oops'"):
        read(tmp_path, HEADER + "".join(rows))


def test_late_across_chunks(tmp_path: Path) -> None:
    """The newest time so far is carried from one chunk to the next."""
    rows = ["100000,r,temperature,20,degC,\n"] + [f"{i},r,temperature,20,degC,\n" for i in range(5_000)]
    assert read(tmp_path, HEADER + "".join(rows)).late == 5_000


@pytest.mark.parametrize("name", ["none.csv", "."])
def test_no_file(name: str, tmp_path: Path) -> None:
    with pytest.raises(TableError, match="there is no such file"):
        read_readings(tmp_path / name)


names = st.from_regex(r"[a-zX-Z0-9_][a-zX-Z0-9_-]{0,11}", fullmatch=True)
finite = st.floats(allow_nan=False, allow_infinity=False)
channels = st.lists(st.tuples(names, st.sampled_from(Quantity)), min_size=1, max_size=4, unique=True)


@st.composite
def blocks(draw: st.DrawFn) -> ReadingBlock:
    """A run's readings: any values, any order of times, the first at the start; flags that can be."""
    found = draw(channels)
    times = [0, *draw(st.lists(st.integers(0, 10**12), max_size=20))]
    n = len(times)
    several = {"min_size": n, "max_size": n}
    t_ns = np.array(times, dtype=np.int64) * 1000
    channel = draw(st.lists(st.integers(0, len(found) - 1), **several))
    value = draw(st.lists(finite, **several))
    flags = draw(st.lists(st.sampled_from(FLAG_CODES), **several))
    for row, flag in enumerate(flags):  # as the collector gives them
        if flag in USABLE_FLAGS and times[row] < max(times[: row + 1]):
            flags[row] = Flag.LATE
        elif flag in USABLE_FLAGS and not in_range(found[channel[row]][1], value[row]):
            flags[row] = Flag.OUT_OF_RANGE
    return ReadingBlock(
        channels=tuple(found),
        seq=np.arange(n, dtype=np.int64),
        t_ns=t_ns,
        channel=np.array(channel, dtype=np.int32),
        value=np.array(value, dtype=np.float64),
        flag=np.array([FLAG_CODES.index(flag) for flag in flags], dtype=np.int8),
        utc_us=np.zeros(n, dtype=np.int64),
        arrival_ns=t_ns,
    )


@settings(max_examples=100, deadline=None)
@given(block=blocks(), start=st.integers(us(1990, 1, 1), us(2100, 1, 1)))
def test_round_trip_is_exact(
    block: ReadingBlock, start: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    text = io.StringIO(newline="")
    write_readings([block], start, text)
    table = read(tmp_path_factory.mktemp("trip"), text.getvalue())
    (back,) = table.blocks
    assert table.start_utc_us == start
    assert back.t_ns.tolist() == block.t_ns.tolist()
    assert back.value.tobytes() == block.value.tobytes()  # the sign of zero too
    assert back.flag.tolist() == block.flag.tolist()
    assert [back.channels[i] for i in back.channel] == [block.channels[i] for i in block.channel]


@settings(max_examples=100, deadline=None)
@given(
    moments=st.lists(
        st.datetimes(datetime(1990, 1, 1), datetime(2015, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
        min_size=1,
        max_size=30,
    ),
    digits=st.sampled_from([0, 3, 6]),
)
def test_times_against_the_standard_library(
    moments: list[datetime], digits: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    spec = {0: "seconds", 3: "milliseconds", 6: "microseconds"}[digits]
    moments.sort()
    texts = [m.isoformat(timespec=spec).replace("+00:00", "Z") for m in moments]
    body = "".join(f"{text},r,temperature,20,degC,ok\n" for text in texts)
    table = read(tmp_path_factory.mktemp("times"), HEADER + body)
    expected = [(datetime.fromisoformat(text) - EPOCH) // timedelta(microseconds=1) for text in texts]
    assert [u for block in table.blocks for u in block.utc_us.tolist()] == expected


@settings(max_examples=200, deadline=None)
@given(
    rows=st.lists(
        st.lists(
            st.one_of(
                st.sampled_from(["0", "1", "2024-01-01T00:00:00Z", "r", "temperature", "degC", "ok", ""]),
                st.text(max_size=8),
            ),
            max_size=7,
        ),
        max_size=5,
    ),
    header=st.booleans(),
)
def test_any_text_is_read_or_refused_with_its_line(
    rows: list[list[str]], *, header: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    text = HEADER * header + "".join(",".join(fields) + "\n" for fields in rows)
    try:
        table = read(tmp_path_factory.mktemp("any"), text.encode(errors="surrogatepass"))
    except TableError as error:
        fault = str(error)
    else:
        assert table.rows == sum(len(block) for block in table.blocks) > 0
        return
    assert "readings.csv:" in fault
    assert fault.isprintable()


def test_written_text() -> None:
    block = ReadingBlock(
        channels=(("ret", Quantity.TEMPERATURE),),
        seq=np.array([7]),
        t_ns=np.array([1_500_000]),
        channel=np.array([0], dtype=np.int32),
        value=np.array([0.1 + 0.2]),
        flag=np.array([FLAG_CODES.index(Flag.LATE)], dtype=np.int8),
        utc_us=np.array([12345]),
        arrival_ns=np.array([0]),
    )
    text = io.StringIO(newline="")
    write_readings([block], us(2024, 2, 29), text)
    assert text.getvalue() == (
        HEADER + "2024-02-29T00:00:00.001500Z,ret,temperature,0.30000000000000004,degC,late\n"
    )


@pytest.mark.parametrize("name", ["=cmd()", "-A1", "+1", "@x", 'a"b', "a,b"])
def test_a_name_from_a_strange_store_is_no_formula(name: str) -> None:
    block = ReadingBlock(
        channels=((name, Quantity.TEMPERATURE),),
        seq=np.array([0]),
        t_ns=np.array([0]),
        channel=np.array([0], dtype=np.int32),
        value=np.array([20.0]),
        flag=np.array([0], dtype=np.int8),
        utc_us=np.array([0]),
        arrival_ns=np.array([0]),
    )
    text = io.StringIO(newline="")
    write_readings([block], 0, text)
    (row,) = csv.DictReader(io.StringIO(text.getvalue()))
    assert row["probe"] == f"'{name}"
    assert row["value"] == "20.0"


def test_trace_names_the_phase_and_leaves_gaps_empty() -> None:
    row = (0.0, float(tuple(Phase).index(Phase.WARM_UP)), 20.5, *[None] * (len(TRACE_COLUMNS) - 3))
    text = io.StringIO(newline="")
    write_trace([row], text)
    (found,) = csv.DictReader(io.StringIO(text.getvalue()))
    assert found["phase"] == "warm-up"
    assert (found["t_s"], found["entering_c"], found["output_w"]) == ("0.0", "20.5", "")


def test_every_quantity_has_its_stored_unit() -> None:
    from logger.core.quantity_units import SAME, UNITS

    assert UNITS.keys() == QUANTITIES.keys()
    assert all(UNITS[q][info.unit] == SAME for q, info in QUANTITIES.items())
