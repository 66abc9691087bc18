"""The live run's store: nothing is lost without being counted, and the run goes on."""

import sqlite3
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from logger.core.errors import StoreError
from logger.core.readings import Flag, Quantity, Reading
from logger.keeper import StoreKeeper
from logger.store import Batch, RunEnd, RunHeader, StoreReader, StoreWriter

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
