"""A live run when something inside it breaks: the readings are kept, and it is said."""

import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from logger.config.load import LoadedConfig, loads_config
from logger.core.errors import ConfigError
from logger.core.pipeline import Pipeline
from logger.core.readings import NS_PER_S
from logger.live import run_live
from logger.live_run import Manner
from logger.recompute import compute, source_of_run
from logger.registry import DriverOptions
from logger.screen.plain import PlainLines
from logger.session import Limits
from logger.store import StoreReader, StoreWriter
from simulators.scenarios import SCENARIOS

SHORT = Limits(for_ns=200 * NS_PER_S)
JSON = Manner(dashboard=False, json=True)


@pytest.fixture
def config() -> LoadedConfig:
    return loads_config(SCENARIOS["standard"].config_text, "test", DriverOptions())


class Breaking(sqlite3.Connection):
    """A disk that takes the run's header and then fails for good."""

    def executemany(self, statement: str, rows: Any) -> sqlite3.Cursor:
        if "INTO reading" in statement:
            raise sqlite3.OperationalError("disk I/O error")
        return super().executemany(statement, rows)


def breaking(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=Breaking)


async def test_a_store_that_fails_does_not_stop_the_measuring(
    config: LoadedConfig, tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    with StoreWriter(tmp_path / "s.db", "test", connect=breaking) as writer:
        assert await run_live(config, writer, SHORT, JSON) == 4
    out, err = capsysbinary.readouterr()
    document = json.loads(out)
    assert document["stored"] is False
    assert document["end_reason"] == "time"
    assert document["readings"]["stored"] == 0
    assert document["readings"]["lost_to_storage"] > 0
    assert b"not stored" in err
    assert b"disk I/O error" in err
    with StoreReader(tmp_path / "s.db") as reader:
        (row,) = reader.runs()
        assert row.readings == 0
        assert row.ended_utc_us is None  # settled by the next run


class FullDisk:
    """A store whose file cannot grow once the run has stored ``after`` readings; the reserve gives a
    little."""

    def __init__(self, path: Path, after: int) -> None:
        self.writer = StoreWriter(path, "test", connect=self._connect)
        self.after = after
        self._insert, self._give_up = self.writer._rows._insert_readings, self.writer.reserve.give_up
        self.writer._rows._insert_readings = self._counting  # type: ignore[method-assign]

    def _connect(self, path: Path) -> sqlite3.Connection:
        self.conn = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        return self.conn

    def _leave(self, pages: int) -> None:
        (used,) = self.conn.execute("PRAGMA page_count").fetchone()
        self.conn.execute(f"PRAGMA max_page_count = {used + pages}")

    def _counting(self, key: int, batch: Any) -> None:
        self.after -= len(batch.readings)
        if self.after < 0:
            self.writer.reserve.give_up = self._more  # type: ignore[method-assign]
            self.writer.reserve.restore = lambda: False  # type: ignore[method-assign]
            raise sqlite3.OperationalError("database or disk is full")
        self._insert(key, batch)

    def _more(self) -> None:
        self._give_up()
        self.writer._rows._insert_readings = self._insert  # type: ignore[method-assign]
        self.writer.reserve.give_up = self._give_up  # type: ignore[method-assign]
        self._leave(30)


@pytest.mark.parametrize("after", [0, 200])
async def test_a_full_disk_shows_the_run_to_its_end_and_names_the_gap(
    after: int, config: LoadedConfig, tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    """Full at the first reading already, or later: the result and its replay both say what lacks."""
    path = tmp_path / "s.db"
    with (disk := FullDisk(path, after)).writer as writer:
        assert await run_live(config, writer, SHORT, JSON) == 3
        document = json.loads(capsysbinary.readouterr().out)
        counts = document["readings"]
        assert counts["lost_to_storage"] > 0
        assert document["stored"] is True
        codes = [event["code"] for event in document["events"]]
        assert codes.count("disk-full") == codes.count("storage-gap") == 1
        (text,) = [e["text"] for e in document["events"] if e["code"] == "storage-gap"]
        assert text.startswith(f"{counts['lost_to_storage']} readings from ")
        assert disk.after < 0
    with StoreReader(path) as reader:
        (row,) = reader.runs()
        assert (row.end_reason, row.readings) == ("time", counts["stored"])
        (gap,) = reader.storage_gaps(row.run)
        assert gap.count == counts["lost_to_storage"]
        again, _ = compute(config, source_of_run(reader, row.run), row.run)
    assert text in [e["text"] for e in again["events"]]
    assert again["readings"]["lost_to_storage"] == gap.count


async def test_a_picture_that_breaks_is_an_event_of_the_run(
    config: LoadedConfig,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsysbinary: pytest.CaptureFixture[bytes],
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    monkeypatch.setattr(PlainLines, "update", lambda *_: 1 / 0)
    with StoreWriter(tmp_path / "s.db", "test") as writer:
        assert await run_live(config, writer, SHORT, JSON) == 3
    document = json.loads(capsysbinary.readouterr().out)
    assert [e["code"] for e in document["events"]].count("screen-trouble") == 1
    assert (document["end_reason"], document["stored"]) == ("time", True)


async def test_a_fault_of_the_core_leaves_every_reading(
    config: LoadedConfig, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    update = Pipeline.update

    def faulty(self: Pipeline, reading: Any) -> Any:
        if reading.t_ns > 100 * NS_PER_S:
            raise ZeroDivisionError("planted")
        return update(self, reading)

    monkeypatch.setattr(Pipeline, "update", faulty)
    with StoreWriter(tmp_path / "s.db", "test") as writer:
        with pytest.raises(ZeroDivisionError):
            await run_live(config, writer, SHORT, JSON)
        assert writer.unended_runs() == ()
    with StoreReader(tmp_path / "s.db") as reader:
        (row,) = reader.runs()
        assert (row.end_reason, row.verdict) == ("fault", None)
        (block,) = reader.blocks(row.run)
        assert block.t_ns.max() > 100 * NS_PER_S


async def test_a_fault_on_the_first_reading_is_said_truly(
    config: LoadedConfig,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def faulty(self: Pipeline, reading: Any) -> Any:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(Pipeline, "update", faulty)
    with StoreWriter(tmp_path / "s.db", "test") as writer, pytest.raises(ZeroDivisionError):
        await run_live(config, writer, SHORT, JSON)
    with StoreReader(tmp_path / "s.db") as reader:
        (row,) = reader.runs()
    assert (row.end_reason, row.readings > 0) == ("fault", True)
    assert f"the readings of run {row.run} are stored" in capsys.readouterr().err


async def test_a_driver_that_refuses_ends_the_command(config: LoadedConfig, tmp_path: Path) -> None:
    text = SCENARIOS["standard"].config_text.replace('scenario = "standard"', 'scenario = "standerd"')
    wrong = loads_config(text, "test", DriverOptions())
    with StoreWriter(tmp_path / "s.db", "test") as writer, pytest.raises(ConfigError, match="standerd"):
        await run_live(wrong, writer, SHORT, JSON)
    with StoreReader(tmp_path / "s.db") as reader:
        assert reader.runs() == ()
