"""What `check` says of records that a broker has not got."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.publish.left import left_here
from tests.shell.test_outbox import Desk

WAITS = "30 records of earlier runs wait; they are sent by the next run"
REFUSED = "2 records are kept that the broker refused when they were last sent (no)"
STEP = "mend that at the broker, and the next run sends them"


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    desk = Desk(tmp_path / "hall.db")
    desk.begin("r1")
    with desk.writer:
        yield desk


def test_what_waits_and_what_was_refused_are_two_things(desk: Desk) -> None:
    assert left_here(desk.writer.path, "b") == ("", "")
    desk.readings(30)
    assert left_here(desk.writer.path, "b") == (WAITS, "")
    desk.begin("r2")
    desk.parked(2)
    assert left_here(desk.writer.path, "b") == (WAITS, f"{REFUSED}; {STEP}")
    assert left_here(desk.writer.path, "another") == ("", "")
    assert left_here(desk.writer.path.with_name("none.db"), "b") == ("", "")
