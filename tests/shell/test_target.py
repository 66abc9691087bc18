"""What a command's file must never take the place of, and that it is there whole or not at all."""

from __future__ import annotations

import io
import os
import sqlite3
import sys
from pathlib import Path

import pytest

from logger.core.errors import UsageError
from logger.target import opened, opened_bytes


@pytest.mark.parametrize("name", ["job.db", "job.db-wal", "job.db.lock", "job.db.reserve", "JOB.TOML"])
def test_an_export_never_takes_the_place_of_a_store_or_a_config(tmp_path: Path, name: str) -> None:
    there = tmp_path / name
    there.write_text("kept", encoding="utf-8")
    with pytest.raises(UsageError, match=r"name a \.csv file"), opened(there) as stream:
        stream.write("lost")
    with pytest.raises(UsageError, match="name it"), opened_bytes(there, "it") as raw:
        raw.write(b"lost")
    assert there.read_text(encoding="utf-8") == "kept"


def test_nor_through_a_link(tmp_path: Path) -> None:
    there, link = tmp_path / "job.toml", tmp_path / "readings.csv"
    there.write_text("kept", encoding="utf-8")
    link.symlink_to(there)
    with pytest.raises(UsageError), opened(link) as stream:
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


def test_an_older_table_may_be_written_over_and_keeps_its_rights(tmp_path: Path) -> None:
    there = tmp_path / "table.csv"
    there.write_text("old", encoding="utf-8")
    there.chmod(0o600)
    with opened(there) as stream:
        stream.write("new")
    assert there.read_text(encoding="utf-8") == "new"
    assert there.stat().st_mode & 0o777 == 0o600


def test_a_link_stays_and_its_target_is_written(tmp_path: Path) -> None:
    there, link = tmp_path / "table.csv", tmp_path / "link.csv"
    link.symlink_to(there)
    with opened(link) as stream:
        stream.write("new")
    assert link.is_symlink()
    assert there.read_text(encoding="utf-8") == "new"


def test_what_is_no_file_is_left_alone(tmp_path: Path) -> None:
    """As root, a file put in the place of a device would harm the whole machine."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for place in (pipe, tmp_path):
        with pytest.raises(UsageError), opened(place) as stream:
            stream.write("lost")
    assert pipe.is_fifo()


def test_half_a_file_is_none(tmp_path: Path) -> None:
    there = tmp_path / "table.bin"
    there.write_bytes(b"old")
    with pytest.raises(TypeError), opened_bytes(there, "it") as stream:
        stream.writelines([b"half", None])  # type: ignore[list-item]
    assert there.read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["table.bin"]


class _Terminal(io.TextIOWrapper):
    def isatty(self) -> bool:
        return True


def test_a_terminal_gets_no_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", _Terminal(seen))
    with pytest.raises(UsageError, match="name it with --output"), opened_bytes(None, "it") as stream:
        stream.write(b"\x1b")
    assert seen.getvalue() == b""
