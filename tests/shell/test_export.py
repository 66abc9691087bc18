"""`export`: format and table asked for, what is said of the run, and how far it has come."""

from __future__ import annotations

import hashlib
import io
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from logger.core.errors import TableError, UsageError
from logger.core.readings import Flag, Quantity, Reading
from logger.core.snapshot import Event
from logger.export import Progress, export_command, form_of, told_to
from logger.faults import OutputError
from logger.store import Batch, RunHeader, StorageGap, StoredEvent, StoreReader, StoreWriter
from logger.tables import read_readings

S = 1_000_000_000
T0_US = 1_700_000_000_000_000
CONFIG = '[job]\nname = "invented"\n'
FILES = {"traverse.json": '{"schema": "riselog.traverse/1"}\n'}


def reading(seq: int) -> Reading:
    return Reading(seq, seq * S, "ret", Quantity.TEMPERATURE, 20.0 + seq / 3, Flag.OK, T0_US, seq * S)


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[StoreWriter]:
    """A run of ten readings that goes on, the only one there is."""
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path / "data"))
    path = tmp_path / "data" / "riselog" / "invented.db"
    path.parent.mkdir(parents=True)
    with StoreWriter(path, "riselog run invented.toml") as writer:
        writer.begin_run(
            RunHeader(
                run="abc",
                job="invented",
                started_utc_us=T0_US,
                config_text=CONFIG,
                files=FILES,
                versions={"riselog": "1"},
            )
        )
        writer.write(Batch(run="abc", readings=[reading(i) for i in range(10)]))
        yield writer


def export(output: Path, form: str | None = None, what: str = "readings") -> int:
    return export_command("last", None, output=output, form=form, what=what)


@pytest.mark.parametrize(
    ("form", "name", "expected"),
    [
        (None, None, "csv"),
        (None, "a.csv", "csv"),
        (None, "a.PARQUET", "parquet"),
        (None, "a.txt", "csv"),
        ("parquet", None, "parquet"),
        ("parquet", "a", "parquet"),
        ("csv", "a.tsv", "csv"),
    ],
)
def test_the_format_is_the_one_asked_for_or_that_of_the_ending(
    form: str | None, name: str | None, expected: str
) -> None:
    assert form_of(form, None if name is None else Path(name)) == expected


@pytest.mark.parametrize(
    ("form", "what", "name", "part"),
    [
        ("xml\x1b[2J", "readings", "a", "'xml[2J': write csv or parquet"),
        (None, "results", "a", "'results': write readings or trace"),
        ("csv", "readings", "a.parquet", "end it .csv"),
        ("parquet", "trace", "a.csv", "end it .parquet"),
    ],
)
def test_what_cannot_be_is_told(
    store: StoreWriter, tmp_path: Path, form: str | None, what: str, name: str, part: str
) -> None:
    with pytest.raises(UsageError) as caught:
        export(tmp_path / name, form, what)
    assert part in str(caught.value)
    assert not (tmp_path / name).exists()


def test_without_pyarrow_the_extra_is_named(
    store: StoreWriter, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)  # as importlib has it: an import of it fails
    monkeypatch.delitem(sys.modules, "logger.tables.parquet", raising=False)
    monkeypatch.delattr("logger.tables.parquet", raising=False)
    with pytest.raises(UsageError, match=r"pip install 'riselog\[parquet\]', or write csv") as caught:
        export(tmp_path / "r.parquet")
    assert caught.value.exit_code == 2
    assert not list(tmp_path.glob("*parquet*"))
    assert export(tmp_path / "r.csv") == 0


def test_a_parquet_file_says_where_it_comes_from(store: StoreWriter, tmp_path: Path) -> None:
    assert export(tmp_path / "r.parquet") == 0
    assert export(tmp_path / "r.csv") == 0
    about = {k.decode(): v.decode() for k, v in pq.read_schema(tmp_path / "r.parquet").metadata.items()}
    assert about["riselog.run"] == "abc"
    assert (about["riselog.job"], about["riselog.simulated"]) == ("invented", "false")
    assert about["riselog.started_utc"] == "2023-11-14T22:13:20.000000Z"  # date -u -d @1700000000
    assert about["riselog.config"] == CONFIG
    assert json.loads(about["riselog.files"]) == FILES
    assert json.loads(about["riselog.versions"]) == {"riselog": "1"}
    digest = hashlib.sha256((tmp_path / "r.csv").read_bytes()).hexdigest()
    assert about["riselog.readings_sha256"] == digest


def test_of_a_run_that_goes_on_the_digest_is_over_the_rows_that_are_there(
    store: StoreWriter, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the two looks at the store more readings come in."""
    look = StoreReader.blocks
    looks = []

    def blocks(reader: StoreReader, run: str) -> Any:
        looks.append(run)
        if len(looks) == 2:
            store.write(Batch(run="abc", readings=list(map(reading, range(10, 14)))))
        return look(reader, run, 4)

    expected = tmp_path / "before.csv"
    assert export(expected) == 0
    monkeypatch.setattr(StoreReader, "blocks", blocks)
    assert export(tmp_path / "r.parquet") == 0
    table = pq.read_table(tmp_path / "r.parquet")
    assert len(looks) == 2
    assert table.column("seq").to_pylist() == list(range(10))
    digest = hashlib.sha256(expected.read_bytes()).hexdigest()
    assert table.schema.metadata[b"riselog.readings_sha256"].decode() == digest


def test_what_a_table_cannot_carry_is_told(
    store: StoreWriter, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert export(tmp_path / "r.csv") == 0
    assert len(capsys.readouterr().err.splitlines()) == 1
    slept = Event(t_ns=9 * S, code="suspended", text="slept", origin="shell")
    gap = StorageGap(first_seq=20, last_seq=24, count=5)
    store.write(Batch(run="abc", events=[StoredEvent(seq=30, event=slept)], gaps=[gap]))
    assert export(tmp_path / "r.csv") == 0
    sleep, lost, written = capsys.readouterr().err.splitlines()
    assert "riselog replay abc" in sleep
    assert "5 readings" in lost
    assert written.endswith("r.csv")


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_run_without_a_trace_says_so(
    store: StoreWriter, tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    assert export(tmp_path / "t", form, "trace") == 0
    assert "riselog replay abc computes one" in capsys.readouterr().err


def test_parquet_is_not_taken_for_csv(store: StoreWriter, tmp_path: Path) -> None:
    assert export(tmp_path / "r.parquet") == 0
    with pytest.raises(TableError, match=r"is Parquet .* ending \.parquet"):
        read_readings(tmp_path / "r.parquet")


def test_standard_output_that_fails_is_told(
    store: StoreWriter, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    class Full(io.BytesIO):
        def write(self, _data: object) -> int:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(Full()))
    with pytest.raises(OutputError, match="No space left"):
        export_command("last", None, output=None, form="parquet", what="readings")


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_long_export_tells_a_terminal_how_far_it_is() -> None:
    """Quiet for two seconds, then at most every half second; taken away at the end."""
    now_ns = 0
    terminal = Terminal()
    progress = Progress(terminal, lambda: now_ns)
    texts = []
    for _ in progress.over([b"x" * 1000] * 12):
        now_ns += S // 4
        texts.append(terminal.getvalue())
    drawn = terminal.getvalue().split("\r\x1b[K")
    assert set(texts[:8]) == {""}
    assert drawn[1:-1] == [
        "riselog: 8,000 rows written",
        "riselog: 10,000 rows written",
        "riselog: 12,000 rows written",
    ]
    assert drawn[-1] == ""
    assert progress.rows == 12_000


def test_a_short_export_and_one_without_a_terminal_tell_nothing() -> None:
    terminal = Terminal()
    assert list(Progress(terminal, lambda: 0).over([b"x"] * 3)) == [b"x"] * 3
    assert terminal.getvalue() == ""
    later = iter(range(0, 100 * S, S)).__next__
    assert list(Progress(None, later).over([b"x"] * 30)) == [b"x"] * 30


def test_no_progress_where_the_table_itself_goes(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr(sys, "stdout", Terminal())
    assert told_to(None) is None
    assert told_to(Path("r.csv")) is terminal
    monkeypatch.setenv("TERM", "dumb")
    assert told_to(Path("r.csv")) is None
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    monkeypatch.setenv("TERM", "xterm")
    assert told_to(Path("r.csv")) is None
