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
from logger.live import Manner, run_live
from logger.registry import DriverOptions
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


async def test_a_driver_that_refuses_ends_the_command(config: LoadedConfig, tmp_path: Path) -> None:
    text = SCENARIOS["standard"].config_text.replace('scenario = "standard"', 'scenario = "standerd"')
    wrong = loads_config(text, "test", DriverOptions())
    with StoreWriter(tmp_path / "s.db", "test") as writer, pytest.raises(ConfigError, match="standerd"):
        await run_live(wrong, writer, SHORT, JSON)
    with StoreReader(tmp_path / "s.db") as reader:
        assert reader.runs() == ()
