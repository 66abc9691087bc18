"""What `check` says of records that a broker has not got."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.publish.left import Left, left_here
from logger.store import Batch
from tests.shell.test_outbox import Desk, following

WAITS = Left(ok=True, text="still to be sent, by this run or the next: 30")
REFUSED = Left(
    ok=False,
    text="refused by the broker when last sent, and kept: 2 (no)",
    step="mend that at the broker; then the run that goes on sends them, or the next one",
)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    desk = Desk(tmp_path / "hall.db")
    desk.begin("r1")
    with desk.writer:
        yield desk


def test_what_waits_and_what_was_refused_are_two_things(desk: Desk) -> None:
    path = desk.writer.path
    assert left_here(path, "b") == []
    desk.readings(30)
    assert left_here(path, "b") == [WAITS]
    desk.begin("r2")
    desk.parked(2)
    assert left_here(path, "b") == [WAITS, REFUSED]
    assert left_here(path, "another") == []
    assert left_here(path.with_name("none.db"), "b") == []


def test_what_the_store_cannot_read_is_not_the_brokers_fault(desk: Desk) -> None:
    desk.event()
    desk.writer._conn.execute("DELETE FROM event")
    outbox = desk.outbox()
    while following(outbox):
        pass
    settled = outbox.take()
    desk.writer.write(Batch(run=desk.run, cursors=settled.cursors, marks=settled.marks))
    [left] = left_here(desk.writer.path, "b")
    assert left.ok
    assert left.text.startswith("not sent, and kept: 1; the first cannot be read: ")
