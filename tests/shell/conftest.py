"""A broker that answers as it is told, and benches that publish to it."""

from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from logger.publish.pace import Pace
from tests.shell.fake_broker import FakeBroker
from tests.shell.publish_bench import QUICK, Bench, table


@pytest.fixture
async def broker() -> AsyncIterator[FakeBroker]:
    async with FakeBroker() as made:
        yield made


@pytest.fixture
async def make(tmp_path: Path, broker: FakeBroker) -> AsyncIterator[Callable[..., Bench]]:
    made: list[Bench] = []

    def bench(store: str = "s.db", port: int = 0, pace: Pace = QUICK, **keys: Any) -> Bench:
        new = Bench(tmp_path / store, table(port or broker.port, **keys), pace=pace)
        made.append(new)
        return new

    yield bench
    for one in made:
        await one.close()
