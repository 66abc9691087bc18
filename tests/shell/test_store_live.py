"""Storing during a live run: steps without a thread, a disk that is really full, the thread."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from logger.core.errors import StoreError
from logger.core.readings import Flag, Quantity, Reading
from logger.core.snapshot import Event, Phase, Snapshot
from logger.store import (
    Batch,
    CursorMove,
    Drop,
    RunEnd,
    RunHeader,
    StorageGap,
    StoredEvent,
    StoredResult,
    StoreReader,
    StoreWriter,
    WriterThread,
)
from logger.store.live import LiveWriter
from logger.store.reserve import Reserve
from logger.store.writer import connect_writer

RUN = "run-a"
WAIT_S = 30.0  # a limit for a broken test, never waited for


def readings(first: int, count: int) -> list[Reading]:
    return [
        Reading(seq, seq * 10**6, "ret", Quantity.TEMPERATURE, 20.0, Flag.OK, seq, seq * 10**6)
        for seq in range(first, first + count)
    ]


def event(seq: int, text: str = "noted") -> StoredEvent:
    return StoredEvent(seq=seq, event=Event(t_ns=seq, code="mark", text=text, origin="shell"))


class Disk:
    """A store whose file may grow by so many pages and no more: SQLite's own "disk is full"."""

    def __init__(self, path: Path, reserve: int = 4096) -> None:
        self.path = path
        self.writer = StoreWriter(path, "test", connect=self._connect, reserve=Reserve(path, reserve))
        self.writer.begin_run(RunHeader(run=RUN, job="invented", started_utc_us=0))
        self.writer.write(Batch(run=RUN, events=[event(0)]))
        self.told: list[str] = []
        self.texts: list[str] = []
        self.now_ns = 7
        self.live = self.new_live()

    def _connect(self, path: Path) -> sqlite3.Connection:
        self.conn = connect_writer(path)
        return self.conn

    def new_live(self, **more: int) -> LiveWriter:
        def tell(code: str, text: str) -> None:
            self.told.append(code)
            self.texts.append(text)

        return LiveWriter(self.writer, RUN, tell=tell, now_ns=lambda: self.now_ns, **more)

    def hold(self) -> sqlite3.Connection:
        """Another program takes SQLite's write lock, until it is closed."""
        self.conn.execute("PRAGMA busy_timeout = 0")
        other = sqlite3.connect(self.path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        return other

    def leave(self, pages: int) -> None:
        (used,) = self.conn.execute("PRAGMA page_count").fetchone()
        self.conn.execute(f"PRAGMA max_page_count = {used + pages}")

    def step(self, **records: object) -> None:
        self.live.put(Batch(run=RUN, **records))  # type: ignore[arg-type]
        self.live.step()


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    disk = Disk(tmp_path / "invented.db")
    with disk.writer:
        yield disk


@pytest.fixture
def reader(disk: Disk) -> Iterator[StoreReader]:
    with StoreReader(disk.path) as reader:
        yield reader


def test_batches_of_a_second_are_one_commit_in_order(disk: Disk, reader: StoreReader) -> None:
    early, late = (Snapshot(t_ns=t, phase=Phase.FAN, phase_since_s=0.0) for t in (1, 2))
    disk.live.put(Batch(run=RUN, readings=readings(1, 2), snapshot=early))
    disk.live.put(Batch(run=RUN, readings=readings(3, 2), events=[event(5)], snapshot=late))
    first, second = disk.live.committed(4), disk.live.committed(6)
    disk.live.step()
    assert first.result(0) == 0
    assert not second.done()
    assert [block.seq.tolist() for block in reader.blocks(RUN)] == [[1, 2, 3, 4]]
    assert reader.snapshot(RUN) == late
    health = disk.live.health()
    assert (health.commits, health.committed_seq, health.last_commit_ns, health.waiting) == (1, 5, 7, 0)
    assert disk.live.committed(5).result(0) == 0
    disk.live.step()  # nothing waits: no commit
    assert disk.live.health().commits == 1


def test_overrun_is_told_once_until_it_has_passed(disk: Disk) -> None:
    live = disk.new_live(high_water=10)
    for n in range(4):
        live.put(Batch(run=RUN, readings=readings(1 + n * 6, 6)))
    assert disk.told == ["overrun"]
    live.step()
    live.put(Batch(run=RUN, readings=readings(100, 1)))
    live.put(Batch(run=RUN, readings=readings(101, 11)))
    assert disk.told == ["overrun", "overrun"]
    live.step()
    assert live.health().lost_to_storage == 0


def test_full_disk_keeps_events_and_results_and_counts_readings(disk: Disk, reader: StoreReader) -> None:
    disk.step(readings=readings(1, 10))
    disk.leave(pages=1)
    assert disk.writer.reserve.held
    disk.live.put(Batch(run=RUN, readings=readings(11, 2000), events=[event(2011, "flame seen")]))
    waiter = disk.live.committed(2011)
    disk.live.step()
    assert disk.told == ["disk-full"]
    assert not disk.writer.reserve.held
    assert waiter.result(0) == 2000
    assert [stored.seq for stored in reader.events(RUN)] == [0, 2011]
    assert reader.counts(RUN)[0] == 10
    health = disk.live.health()
    assert (health.full, health.lost_to_storage, health.failed) == (True, 2000, "")

    disk.step(
        readings=readings(2012, 3000), results=[StoredResult(seq=5012, t_ns=0, scope="firing", document="{}")]
    )
    assert disk.live.health().lost_to_storage == 5000
    assert [stored.seq for stored in reader.results(RUN)] == [5012]

    disk.leave(pages=1000)
    disk.step(readings=readings(5013, 500))
    assert disk.told == ["disk-full", "disk-space-back", "storage-gap"]
    assert disk.texts[-1].startswith("5000 readings from 0 s to 5 s could not be stored")
    assert disk.writer.reserve.held
    health = disk.live.health()
    assert (health.full, health.lost_to_storage) == (False, 5000)
    assert reader.counts(RUN)[0] == 510
    assert reader.storage_gaps(RUN) == (StorageGap(first_seq=11, last_seq=5011, count=5000),)


OLD_READINGS = 100_000
MIB = 1024 * 1024


def add_old(writer: StoreWriter, count: int) -> None:
    """A run that has ended and has its result."""
    writer.begin_run(RunHeader(run="old", job="invented", started_utc_us=0))
    result = StoredResult(seq=count + 1, t_ns=0, scope="run", document="{}")
    end = RunEnd(ended_utc_us=1, end_reason="asked", result_json="{}")
    for first in range(1, count + 1, 5_000):
        writer.write(Batch(run="old", readings=readings(first, min(5_000, count + 1 - first))))
    writer.write(Batch(run="old", results=[result], end=end))


def drop(rows: int = 50_000) -> Drop:
    return Drop(run="old", what="readings", why='keep_size = "1 MB"', now_utc_us=9, rows=rows)


def test_what_may_go_goes_on_a_full_disk(disk: Disk, reader: StoreReader) -> None:
    add_old(disk.writer, 300)
    disk.leave(pages=1)
    disk.step(readings=readings(11, 2000))
    assert disk.live.health().full
    assert reader.counts("old")[0] == 300
    disk.step(drops=[drop()])
    assert reader.counts("old")[0] == 0
    assert [stored.event.code for stored in reader.events("old")] == ["readings-dropped"]


class NoLogForDrops(sqlite3.Connection):
    """A disk on which the log of a large drop does not fit."""

    most = 0

    def execute(self, sql: str, *rest: object) -> sqlite3.Cursor:  # type: ignore[override]
        done = super().execute(sql, *rest)  # type: ignore[arg-type]
        if sql.startswith("DELETE FROM reading") and done.rowcount > self.most:
            raise sqlite3.OperationalError("database or disk is full")
        return done


def test_a_drop_that_does_not_fit_harms_nothing_and_is_forgotten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its readings, the event beside it and the next ones are stored; the next piece is a small one."""

    def connect(path: Path) -> sqlite3.Connection:
        return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=NoLogForDrops)

    told: list[str] = []
    with StoreWriter(tmp_path / "x.db", "test", connect=connect) as writer:
        add_old(writer, 12_000)
        writer.begin_run(RunHeader(run=RUN, job="j", started_utc_us=0))
        live = LiveWriter(writer, RUN, tell=lambda code, _: told.append(code), now_ns=lambda: 0)
        live.put(Batch(run=RUN, readings=readings(1, 4), events=[event(5)], drops=[drop()]))
        live.step()
        assert live.committed(5).result(0) == 0
        assert (live.health().tight, live.health().full, live.idle()) == (True, False, True)
        live.put(Batch(run=RUN, readings=readings(6, 1)))
        live.step()  # nothing of the drop is left to be tried again
        assert live.health().tight
        with StoreReader(writer.path) as reader:
            assert (reader.counts(RUN)[0], len(reader.events(RUN)), reader.counts("old")[0]) == (5, 1, 12_000)
            assert reader.events("old") == ()
            monkeypatch.setattr(NoLogForDrops, "most", 5_000)
            live.put(Batch(run=RUN, drops=[drop()]))
            live.step()
            assert not live.health().tight
            assert reader.counts("old")[0] == 7_000
    assert told == []


def test_a_drop_is_not_kept_while_another_program_holds_the_file(disk: Disk, reader: StoreReader) -> None:
    """Who asked asks again: they would come all at once."""
    add_old(disk.writer, 300)
    other = disk.hold()
    for seq in range(1, 5):
        disk.step(readings=readings(seq, 1), drops=[drop(100)])
    other.close()
    disk.step(drops=[drop(100)])
    assert (reader.counts(RUN)[0], reader.counts("old")[0]) == (4, 200)


def take_all_but(folder: Path, leave: int) -> None:
    """Another program takes the space."""
    with (folder / "taken").open("ab") as file:
        file.write(b"x" * max(0, shutil.disk_usage(folder).free - leave))


@pytest.fixture
def full(tmp_path: Path) -> Iterator[Disk]:
    """A file system of its own that is really full: the log needs space as much as the file does.

    The log is half as large as the reserve, as it is by default (1,000 pages: sqlite.org/wal.html).
    """
    folder = tmp_path / "small"
    folder.mkdir()
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("a small file system is mounted for this; run the tests as root on Linux")
    mount = ["mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", str(folder)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("this machine lets nobody mount a file system")
    try:
        disk = Disk(folder / "invented.db", reserve=MIB)
        with disk.writer:
            disk.conn.execute("PRAGMA wal_autocheckpoint = 100")
            add_old(disk.writer, OLD_READINGS)
            take_all_but(folder, 0)
            for first in range(1, 60_000, 5_000):
                if not disk.told:
                    disk.step(readings=readings(first, 5_000))
            assert disk.told == ["disk-full"]
            yield disk
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_drops_on_a_really_full_disk_keep_no_event_and_no_result_out(full: Disk) -> None:
    """50,000 rows need 1.7 MB of log, and there is half of that."""
    take_all_but(full.path.parent, 300_000)
    result = StoredResult(seq=70_000, t_ns=0, scope="firing", document="{}")
    with StoreReader(full.path) as reader:
        for n in range(10):
            seq = 60_001 + 10 * n
            full.step(readings=readings(seq, 5), events=[event(seq + 6)], drops=[drop()])
            assert reader.events(RUN)[-1].seq == seq + 6
        full.step(results=[result], drops=[drop()])
        assert [stored.seq for stored in reader.results(RUN)] == [70_000]
        full.live.put(Batch(run=RUN, end=RunEnd(ended_utc_us=9, end_reason="asked"), drops=[drop()]))
        full.live.finish()
        assert full.live.health().failed == ""
        assert reader.runs()[0].end_reason == "asked"
        assert reader.counts("old")[0] <= OLD_READINGS - 11 * 5_000


def test_without_any_space_a_drop_waits_and_the_events_go_first(full: Disk) -> None:
    """Every byte is taken, and a reader keeps the log from being folded."""
    looking = sqlite3.connect(full.path, isolation_level=None)
    with closing(looking), StoreReader(full.path) as reader:
        take_all_but(full.path.parent, 0)
        for _ in range(2):
            full.step(drops=[drop()])
        left = reader.counts("old")[0]
        looking.execute("BEGIN")
        looking.execute("SELECT count(*) FROM run").fetchall()
        full.step(events=[event(60_002 + n, "x" * 1000) for n in range(90)], drops=[drop()])
        full.step(drops=[drop()])
        assert (full.live.health().tight, full.live.idle()) == (True, False)
        assert (left, reader.counts("old")[0]) == (OLD_READINGS - 10_000, left)
        looking.execute("COMMIT")
        full.live.step()  # the log can be folded now, and holds them
        assert len(reader.events(RUN)) == 1 + 90
        assert full.live.idle()
        assert reader.counts("old")[0] == left  # the drops were forgotten
        taken = full.path.parent / "taken"
        os.truncate(taken, taken.stat().st_size - 600_000)
        full.step(drops=[drop()])
        assert reader.counts("old")[0] == left - 5_000
        assert not full.live.health().tight


def test_readings_come_back_into_what_old_runs_left_free_on_a_really_full_disk(full: Disk) -> None:
    """As much as the reserve is free in the file; half of it stays for events and results."""
    take_all_but(full.path.parent, 0)
    seq, pieces, lost = 60_001, 0, full.live.health().lost_to_storage
    with StoreReader(full.path) as reader:
        stored = reader.counts(RUN)[0]
        while full.told[-1:] == ["disk-full"]:
            full.step(readings=readings(seq, 5), drops=[drop()])
            seq, pieces = seq + 5, pieces + 1
            assert pieces < 20
        assert full.told == ["disk-full", "disk-space-back", "storage-gap"]
        assert reader.storage_gaps(RUN)[0].count == lost + 5 * (pieces - 1)
        assert reader.counts(RUN)[0] == stored + 5
        first = seq
        health = full.live.health()
        assert (health.full, full.writer.reserve.held) == (True, False)
        commits = health.commits
        full.live.step()  # nothing came, nothing is written
        assert full.live.health().commits == commits

        while full.told[-1] != "disk-full":
            full.step(readings=readings(seq, 2_000))
            seq += 2_000
            assert seq < 120_000
        assert full.writer.free_bytes() > MIB // 4
        assert reader.counts(RUN)[0] == stored + 5 + seq - first - 2_000
        full.step(readings=readings(seq, 5), events=[event(seq + 6)])
        assert reader.events(RUN)[-1].seq == seq + 6
        (full.path.parent / "taken").unlink()
        full.step(readings=readings(seq + 7, 5))
        assert full.told[3:] == ["disk-full", "disk-space-back", "storage-gap"]
        assert [gap.count for gap in reader.storage_gaps(RUN)][1:] == [2_005]
        assert (full.live.health().full, full.writer.reserve.held) == (False, True)


def test_what_a_broker_has_got_is_not_worth_a_commit_a_second_on_a_full_disk(
    disk: Disk, reader: StoreReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It waits for an event, or a while: each commit would eat from the last space."""

    def stored() -> tuple[int, list[int]]:
        rows = disk.conn.execute("SELECT next_seq FROM delivery_cursor").fetchall()
        return disk.live.health().commits, [seq for (seq,) in rows]

    def got(next_seq: int) -> dict[str, object]:
        return {"cursors": [CursorMove(broker="b", run=RUN, next_seq=next_seq)]}

    disk.leave(pages=1)
    disk.step(readings=readings(1, 2000), events=[event(2001)])
    monkeypatch.setattr(disk.writer.reserve, "restore", lambda: False)
    disk.leave(pages=1000)
    commits = disk.live.health().commits
    for seq in range(10, 60):
        disk.step(**got(seq))
        disk.now_ns += 10**9
    assert stored() == (commits, [])
    disk.step(events=[event(2002)])
    assert stored() == (commits + 1, [59])
    disk.step(**got(60), readings=readings(2003, 4))
    assert stored() == (commits + 1, [59])
    assert disk.live.committed(2006).result(0) == 2004  # their readings are counted at once
    disk.now_ns += 60 * 10**9
    disk.live.step()
    assert stored() == (commits + 2, [60])
    disk.step(**got(61))
    disk.live.finish()
    assert stored() == (commits + 3, [61])
    assert reader.storage_gaps(RUN) == (StorageGap(first_seq=1, last_seq=2006, count=2004),)


def test_two_full_disks_are_two_gaps(disk: Disk, reader: StoreReader) -> None:
    for first in (1, 10_001):
        disk.leave(pages=1)
        disk.step(readings=readings(first, 2000))
        disk.leave(pages=1000)
        disk.step(readings=readings(first + 5000, 1))
    assert reader.storage_gaps(RUN) == (
        StorageGap(first_seq=1, last_seq=2000, count=2000),
        StorageGap(first_seq=10_001, last_seq=12_000, count=2000),
    )
    assert disk.live.health().lost_to_storage == 4000


def test_an_event_that_does_not_fit_waits_for_space(disk: Disk, reader: StoreReader) -> None:
    disk.leave(pages=0)
    long = [event(2001 + n, "x" * 1000) for n in range(20)]
    disk.live.put(Batch(run=RUN, readings=readings(1, 2000), events=long))
    waiter = disk.live.committed(2020)
    disk.live.step()
    disk.live.step()
    assert not waiter.done()
    assert not disk.live.idle()
    assert len(reader.events(RUN)) == 1
    disk.leave(pages=1000)
    disk.step(readings=readings(3000, 1))
    assert waiter.result(0) == 2000
    assert [stored.seq for stored in reader.events(RUN)] == [0, *range(2001, 2021)]
    assert reader.storage_gaps(RUN) == (StorageGap(first_seq=1, last_seq=2000, count=2000),)


def test_without_space_for_the_reserve_only_the_end_writes_the_gap(
    disk: Disk, reader: StoreReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each commit of nothing but the gap would eat from the last space."""
    disk.leave(pages=1)
    disk.step(readings=readings(1, 2000))
    monkeypatch.setattr(disk.writer.reserve, "restore", lambda: False)
    disk.leave(pages=1000)
    commits = disk.live.health().commits
    disk.step(readings=readings(2001, 5))
    disk.live.step()
    assert disk.live.health().commits == commits
    assert disk.live.committed(2005).result(0) == 2005
    assert reader.storage_gaps(RUN) == ()
    disk.live.finish()
    assert reader.storage_gaps(RUN) == (StorageGap(first_seq=1, last_seq=2005, count=2005),)
    assert disk.live.health().failed == ""


def test_the_result_of_a_run_on_a_full_disk_takes_the_reserve(
    disk: Disk, reader: StoreReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk.leave(pages=0)
    given: list[bool] = []
    give_up = disk.writer.reserve.give_up

    def more_space() -> None:
        given.append(disk.writer.reserve.held)
        give_up()
        disk.leave(pages=10)

    with monkeypatch.context() as patch:
        patch.setattr(disk.writer.reserve, "give_up", more_space)
        disk.writer.end_run(RUN, 5, "ended", '{"verdict":null,"reason":"' + "x" * 20_000 + '"}')
    assert given == [True]
    assert reader.results(RUN)[0].scope == "run"


def test_a_full_disk_to_the_end_is_said(disk: Disk) -> None:
    disk.leave(pages=0)
    disk.live.put(Batch(run=RUN, events=[event(1 + n, "x" * 1000) for n in range(20)]))
    waiter = disk.live.committed(20)
    disk.live.finish()
    with pytest.raises(StoreError, match="did not fit"):
        waiter.result(0)
    assert disk.told == ["disk-full", "store-failed"]
    with pytest.raises(StoreError, match="did not fit"):
        disk.live.put(Batch(run=RUN))


def test_a_file_that_another_program_holds_is_tried_again(disk: Disk, reader: StoreReader) -> None:
    other = disk.hold()
    disk.step(readings=readings(1, 3), events=[event(4)])
    disk.step(readings=readings(5, 2))
    assert disk.told == ["store-busy"]
    assert disk.live.health().waiting == 5
    other.close()
    disk.live.step()
    assert [block.seq.tolist() for block in reader.blocks(RUN)] == [[1, 2, 3, 5, 6]]
    assert [stored.seq for stored in reader.events(RUN)] == [0, 4]


def test_a_full_disk_and_then_a_held_file_lose_and_count_nothing_twice(
    disk: Disk, reader: StoreReader
) -> None:
    """What waited for the other program is stored when there is space again, and is no gap."""
    disk.leave(pages=0)
    disk.step(readings=readings(1, 2000))
    assert disk.live.health().lost_to_storage == 2000
    other = disk.hold()
    disk.step(readings=readings(2001, 10), events=[event(2011)])
    assert disk.told == ["disk-full", "store-busy"]
    assert disk.live.health().lost_to_storage == 2000
    other.close()
    disk.leave(pages=1000)
    disk.live.step()
    assert reader.counts(RUN)[0] == 10
    assert disk.live.health().lost_to_storage == 2000
    assert reader.storage_gaps(RUN) == (StorageGap(first_seq=1, last_seq=2000, count=2000),)


def test_a_disk_that_is_full_to_the_end_loses_each_reading_once(disk: Disk, reader: StoreReader) -> None:
    disk.leave(pages=0)
    disk.step(readings=readings(1, 6), events=[event(7 + n, "x" * 1000) for n in range(20)])
    disk.step(readings=readings(100, 4))
    disk.live.finish()
    assert disk.live.health().failed
    with pytest.raises(StoreError):
        disk.live.put(Batch(run=RUN, readings=readings(200, 3)))
    assert disk.live.health().lost_to_storage == 13  # those that came too late count as well
    assert reader.counts(RUN)[0] == 0


def test_a_failing_disk_counts_all_that_is_not_stored(disk: Disk) -> None:
    disk.step(readings=readings(1, 5))
    disk.live.put(Batch(run=RUN, readings=readings(6, 5)))
    disk.live.fail("planted")
    assert disk.live.health().lost_to_storage == 5


def fresh(tmp_path: Path) -> Disk:
    """A store with one run in it; the run that is live has not begun yet."""
    made = Disk(tmp_path / "fresh.db")
    made.live = LiveWriter(
        made.writer, "run-b", tell=lambda code, _: made.told.append(code), now_ns=lambda: 7
    )
    return made


HEADER = RunHeader(run="run-b", job="invented", started_utc_us=0)


def begin(disk: Disk, count: int = 2000) -> None:
    disk.live.put(Batch(run="run-b", header=HEADER))
    disk.live.put(Batch(run="run-b", readings=readings(0, count)))
    disk.live.step()


def test_a_run_begins_on_a_full_disk(tmp_path: Path) -> None:
    """The reserve takes its header and its end, and the readings are counted as a gap."""
    disk = fresh(tmp_path)
    with disk.writer, StoreReader(disk.path) as reader:
        disk.leave(pages=0)
        give_up = disk.writer.reserve.give_up

        def more_space() -> None:
            give_up()
            disk.leave(pages=2)

        disk.writer.reserve.give_up = more_space  # type: ignore[method-assign]
        begin(disk)
        assert disk.told == ["disk-full"]
        assert reader.header("run-b") == HEADER
        assert disk.live.health().lost_to_storage == 2000
        disk.writer.reserve.restore = lambda: False  # type: ignore[method-assign]
        disk.live.put(Batch(run="run-b", end=RunEnd(ended_utc_us=9, end_reason="stopped")))
        disk.live.finish()
        assert disk.live.health().failed == ""
        assert reader.runs()[-1].end_reason == "stopped"
        assert reader.storage_gaps("run-b") == (StorageGap(first_seq=0, last_seq=1999, count=2000),)
        disk.writer.reserve.give_up = give_up  # type: ignore[method-assign]


def test_a_run_that_cannot_begin_yet_begins_when_there_is_space(tmp_path: Path) -> None:
    disk = fresh(tmp_path)
    with disk.writer, StoreReader(disk.path) as reader:
        disk.conn.execute("PRAGMA cache_size = 10")
        disk.leave(pages=0)
        long = replace(HEADER, config_text="x" * 100_000)
        disk.live.put(Batch(run="run-b", header=long, readings=readings(0, 5)))
        disk.live.step()
        assert [row.run for row in reader.runs()] == [RUN]
        assert not disk.live.idle()
        disk.leave(pages=1000)
        disk.live.put(Batch(run="run-b", readings=readings(5, 5)))
        disk.live.step()
        assert reader.header("run-b") == long
        assert reader.counts("run-b")[0] == 5
        assert disk.live.health().lost_to_storage == 5


def test_a_held_file_lets_a_run_begin_and_end_later(tmp_path: Path) -> None:
    disk = fresh(tmp_path)
    with disk.writer, StoreReader(disk.path) as reader:
        other = disk.hold()
        begin(disk, 10)
        end = RunEnd(ended_utc_us=9, end_reason="stopped", result_json='{"verdict":null}')
        disk.live.put(Batch(run="run-b", end=end))
        disk.live.step()
        assert disk.told == ["store-busy"]
        assert len(reader.runs()) == 1
        other.close()
        disk.live.finish()
        row = reader.runs()[-1]
        assert (row.run, row.end_reason, row.readings) == ("run-b", "stopped", 10)
        assert disk.live.health().lost_to_storage == 0


class Faulty(sqlite3.Connection):
    """Fails every insert of readings."""

    def executemany(self, sql: str, *rest: object) -> sqlite3.Cursor:  # type: ignore[override]
        if "INTO reading" in sql:
            raise self.fault
        return super().executemany(sql, *rest)  # type: ignore[arg-type]

    fault: Exception = sqlite3.OperationalError("disk I/O error")


def faulty(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=Faulty)


@pytest.mark.parametrize("fault", [sqlite3.OperationalError("disk I/O error"), KeyError("a fault of ours")])
def test_any_other_trouble_ends_storing_aloud(
    fault: Exception, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Faulty, "fault", fault)
    told: list[tuple[str, str]] = []
    with StoreWriter(tmp_path / "x.db", "test", connect=faulty) as writer:
        writer.begin_run(RunHeader(run=RUN, job="j", started_utc_us=0))
        live = LiveWriter(writer, RUN, tell=lambda code, text: told.append((code, text)), now_ns=lambda: 0)
        live.put(Batch(run=RUN, readings=readings(0, 1)))
        waiter = live.committed(0)
        live.step()
        with pytest.raises(StoreError, match=r"disk I/O error|a fault of ours"):
            waiter.result(0)
        with pytest.raises(StoreError):
            live.put(Batch(run=RUN))
        with pytest.raises(StoreError):
            live.committed(0).result(0)
    assert [code for code, _ in told] == ["store-failed"]
    assert "\n" not in told[0][1]


def test_a_full_disk_by_its_message_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Errors without SQLite's code, as a fake raises them, count as well."""
    monkeypatch.setattr(Faulty, "fault", sqlite3.OperationalError("database or disk is full"))
    told: list[str] = []
    with StoreWriter(tmp_path / "x.db", "test", connect=faulty) as writer:
        writer.begin_run(RunHeader(run=RUN, job="j", started_utc_us=0))
        live = LiveWriter(writer, RUN, tell=lambda code, _: told.append(code), now_ns=lambda: 0)
        live.put(Batch(run=RUN, readings=readings(0, 4)))
        live.step()
        assert told == ["disk-full"]
        assert live.health().lost_to_storage == 4


def test_a_cancelled_waiter_harms_nobody(disk: Disk) -> None:
    disk.live.put(Batch(run=RUN, readings=readings(1, 1)))
    first, second = disk.live.committed(1), disk.live.committed(1)
    first.cancel()
    disk.live.step()
    assert second.result(0) == 0


# The thread.


def thread_of(disk: Disk, period_s: float) -> WriterThread:
    return WriterThread(
        disk.writer, RUN, tell=lambda code, _: disk.told.append(code), now_ns=lambda: 7, period_s=period_s
    )


def test_thread_commits_once_a_period_and_at_once_when_asked(disk: Disk, reader: StoreReader) -> None:
    slow = thread_of(disk, 3600.0)
    slow.start()
    slow.put(Batch(run=RUN, readings=readings(1, 5)))
    slow.put(Batch(run=RUN, events=[event(6)]), flush=True)
    assert slow.committed(6).result(WAIT_S) == 0
    slow.put(Batch(run=RUN, readings=readings(7, 5)))
    assert slow.stop().committed_seq == 11  # what waits is stored at the end
    assert reader.counts(RUN)[0] == 10
    with pytest.raises(StoreError, match="has ended"):
        slow.put(Batch(run=RUN))

    quick = thread_of(disk, 0.001)
    quick.start()
    quick.put(Batch(run=RUN, readings=readings(20, 5)))
    assert quick.committed(24).result(WAIT_S) == 0
    assert quick.stop().failed == ""
    disk.writer.end_run(RUN, 0, "ended", None)  # the writer is the caller's again


def test_put_never_waits_for_the_disk(disk: Disk, reader: StoreReader) -> None:
    """While a write hangs, readings are taken; all of them are stored afterwards, in order."""
    hangs, go_on = threading.Event(), threading.Event()
    write = disk.writer.write

    def hanging(batch: Batch) -> None:
        hangs.set()
        assert go_on.wait(WAIT_S)
        write(batch)

    disk.writer.write = hanging  # type: ignore[method-assign]
    thread = thread_of(disk, 3600.0)
    thread.start()
    thread.put(Batch(run=RUN, readings=readings(1, 1)), flush=True)
    assert hangs.wait(WAIT_S)
    for seq in range(2, 1002):
        thread.put(Batch(run=RUN, readings=readings(seq, 1)))
    assert thread.health().waiting == 1000
    go_on.set()
    thread.stop()
    assert [seq for block in reader.blocks(RUN) for seq in block.seq.tolist()] == list(range(1, 1002))


def test_puts_from_several_threads_are_all_stored(disk: Disk, reader: StoreReader) -> None:
    thread = thread_of(disk, 0.001)
    thread.start()

    def many(first: int) -> Callable[[], None]:
        def put() -> None:
            for seq in range(first, first + 200):
                thread.put(Batch(run=RUN, readings=readings(seq, 1)))

        return put

    putters = [threading.Thread(target=many(first)) for first in (1, 1001, 2001)]
    for putter in putters:
        putter.start()
    for putter in putters:
        putter.join(WAIT_S)
    thread.stop()
    assert reader.counts(RUN)[0] == 600


def test_missing_reserve_is_told_at_the_start(disk: Disk) -> None:
    disk.writer.reserve.give_up()
    thread = thread_of(disk, 3600.0)
    thread.start()
    thread.stop()
    assert disk.told == ["disk-low"]


def test_reserve_takes_real_space(tmp_path: Path) -> None:
    reserve = Reserve(tmp_path / "x.db")
    assert reserve.restore()
    assert reserve.path.stat().st_blocks * 512 >= 8 * 1024 * 1024
    reserve.give_up()
    assert not reserve.held
    reserve.give_up()


def test_reserve_leaves_as_much_again_free(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import shutil

    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(9, 9, 8191))  # type: ignore[attr-defined]
    assert not Reserve(tmp_path / "x.db", 4096).restore()
    assert not (tmp_path / "x.db.reserve").exists()
