"""The live run's store: nothing is lost without being counted, and the run goes on."""

import sqlite3
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from logger.core.errors import StoreError
from logger.core.readings import Flag, Quantity, Reading
from logger.core.snapshot import Phase, Snapshot
from logger.keeper import FRESH_S, StoreKeeper
from logger.store import Batch, RunEnd, RunHeader, StoreReader, StoreWriter
from logger.store.watched import WatchedReader
from tests.shell.stand_ins import HandClock

UTC0 = 1_700_000_000_000_000


class Breaking(sqlite3.Connection):
    """A connection whose disk can be made to fail for good."""

    broken = False

    def executemany(self, *arguments: object) -> sqlite3.Cursor:  # type: ignore[override]
        if Breaking.broken:
            raise sqlite3.OperationalError("disk I/O error")
        return super().executemany(*arguments)  # type: ignore[arg-type]


def connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=Breaking)


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
async def keeper(tmp_path: Path, told: list[str]) -> AsyncIterator[StoreKeeper]:
    Breaking.broken = False
    with StoreWriter(tmp_path / "s.db", "test", connect=connect) as writer:
        made = StoreKeeper(
            writer, RunHeader(run="abc", job="j", started_utc_us=0), lambda code, _: told.append(code)
        )
        yield made
        await made.stop()
    Breaking.broken = False


def batch(first: int, count: int) -> Batch:
    readings = [
        Reading(n, n * 10**9, "ret", Quantity.TEMPERATURE, 20.0, Flag.OK, UTC0, n * 10**9)
        for n in range(first, first + count)
    ]
    return Batch(run="abc", readings=readings)


async def test_nothing_is_stored_before_the_first_reading(keeper: StoreKeeper, tmp_path: Path) -> None:
    assert not keeper.begun
    await keeper.stop()
    with StoreReader(tmp_path / "s.db") as reader:
        assert reader.runs() == ()


async def test_batches_are_stored_under_the_start_of_the_first_reading(
    keeper: StoreKeeper, tmp_path: Path
) -> None:
    keeper.begin(UTC0)
    keeper.keep(batch(0, 5), flush=True)
    keeper.keep(batch(5, 5), flush=False)
    await keeper.stop()
    with StoreReader(tmp_path / "s.db") as reader:
        (row,) = reader.runs()
    assert (row.readings, row.started_utc_us) == (10, UTC0)
    assert keeper.lost() == 0
    state = keeper.state()
    assert state.ok
    assert state.committed_age_s is not None


async def test_a_store_that_fails_for_good_is_said_and_counted(
    keeper: StoreKeeper, told: list[str], tmp_path: Path
) -> None:
    keeper.begin(UTC0)
    keeper.keep(batch(0, 5), flush=True)
    await keeper.settled()
    Breaking.broken = True
    keeper.keep(batch(5, 3), flush=True)
    await keeper.settled()
    keeper.keep(batch(8, 2), flush=True)  # refused, and no exception: the run goes on
    await keeper.stop()
    assert told[-1] == "store-failed"
    assert keeper.lost() == 5
    assert not keeper.state().ok
    assert "disk I/O error" in keeper.failed()
    Breaking.broken = False
    with StoreReader(tmp_path / "s.db") as reader:
        assert reader.runs()[0].readings == 5


async def test_the_end_is_stored_by_the_thread_behind_the_last_readings(
    keeper: StoreKeeper, tmp_path: Path
) -> None:
    keeper.begin(UTC0)
    keeper.keep(batch(0, 5), flush=False)
    keeper.end(RunEnd(ended_utc_us=UTC0 + 9, end_reason="stopped", result_json='{"verdict":"meets"}'))
    await keeper.stop()
    with StoreReader(tmp_path / "s.db") as reader:
        (row,) = reader.runs()
    assert (row.readings, row.ended_utc_us, row.end_reason, row.verdict) == (5, UTC0 + 9, "stopped", "meets")


def test_a_header_that_cannot_be_stored_is_refused_before_the_run(tmp_path: Path) -> None:
    with (
        StoreWriter(tmp_path / "s.db", "test") as writer,
        pytest.raises(StoreError, match="has more than"),
    ):
        StoreKeeper(
            writer,
            RunHeader(run="a", job="j", started_utc_us=0, files={"t.json": "x" * (4 * 1024 * 1024 + 1)}),
            lambda _code, _text: None,
        )


async def test_commits_are_fresh_or_there_is_a_reason_that_no_new_start_mends(
    keeper: StoreKeeper,
) -> None:
    """What the service manager's watchdog hangs on; the keeper's own clock is moved by hand."""
    clock = HandClock(1)
    keeper._wall = clock  # type: ignore[assignment]
    keeper._thread._live._now_ns = clock.now_ns
    clock.t_ns += int(10 * FRESH_S * 1e9)
    assert keeper.fresh()  # nothing has come yet: there is nothing to store
    keeper.begin(UTC0)
    assert keeper.fresh()
    keeper.keep(batch(0, 3), flush=True)
    await keeper.settled()
    clock.t_ns += int(0.9 * FRESH_S * 1e9)
    assert keeper.fresh()
    clock.t_ns += int(0.2 * FRESH_S * 1e9)
    assert not keeper.fresh()  # a disk that hangs
    health = keeper._thread._live
    for reason in ("full", "busy"):
        plain = health._health
        if reason == "full":
            health._health = replace(plain, full=True)
        else:
            health._busy = True
        assert keeper.fresh(), reason
        health._health, health._busy = plain, False
    keeper.keep(batch(3, 3), flush=True)
    await keeper.settled()
    assert keeper.fresh()
    Breaking.broken = True
    keeper.keep(batch(6, 3), flush=True)
    await keeper.settled()
    assert not keeper.fresh()
    assert "disk I/O error" in keeper.failed()


async def test_the_words_on_the_broker_are_kept_with_the_picture(tmp_path: Path) -> None:
    with StoreWriter(tmp_path / "s.db", "test") as writer:
        header = RunHeader(run="abc", job="j", started_utc_us=0)
        made = StoreKeeper(writer, header, lambda _code, _text: None, broker_words=lambda: "away, 7 wait")
        made.begin(UTC0)
        picture = Snapshot(t_ns=0, phase=Phase.OFF, phase_since_s=0.0)
        made.keep(Batch(run="abc", snapshot=picture), flush=True)
        await made.stop()
    with WatchedReader(tmp_path / "s.db") as reader:
        assert reader.broker_words("abc") == "away, 7 wait"
        assert reader.snapshot("abc") == picture
