"""What an export must never write over, and a machine without a home folder."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import platformdirs
import pytest

from logger.core.errors import StoreError, UsageError
from logger.faults import log_fault
from logger.store.paths import data_folder
from logger.stored import opened


@pytest.mark.parametrize("name", ["job.db", "job.db-wal", "job.db.lock", "job.db.reserve", "JOB.TOML"])
def test_an_export_never_takes_the_place_of_a_store_or_a_config(tmp_path: Path, name: str) -> None:
    there = tmp_path / name
    there.write_text("kept", encoding="utf-8")
    with pytest.raises(UsageError, match=r"name a \.csv file"), opened(there) as stream:
        stream.write("lost")
    assert there.read_text(encoding="utf-8") == "kept"


def test_a_store_under_another_name_is_known_by_its_content(tmp_path: Path) -> None:
    there = tmp_path / "table.csv"
    with sqlite3.connect(there) as conn:
        conn.execute("CREATE TABLE t (x)")
    conn.close()
    before = there.read_bytes()
    with pytest.raises(UsageError), opened(there) as stream:
        stream.write("lost")
    assert there.read_bytes() == before


def test_an_older_table_may_be_written_over(tmp_path: Path) -> None:
    there = tmp_path / "table.csv"
    there.write_text("old", encoding="utf-8")
    with opened(there) as stream:
        stream.write("new")
    assert there.read_text(encoding="utf-8") == "new"


def test_without_a_home_folder_the_variable_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def homeless(*_: object, **__: object) -> Path:
        raise RuntimeError("could not determine the home directory")

    monkeypatch.delenv("RISELOG_DATA_DIR", raising=False)
    monkeypatch.setattr(platformdirs, "user_data_path", homeless)
    monkeypatch.setattr(platformdirs, "user_log_path", homeless)
    with pytest.raises(StoreError, match="RISELOG_DATA_DIR"):
        data_folder()
    assert "RISELOG_DATA_DIR" in log_fault(ValueError("x"), "test")
