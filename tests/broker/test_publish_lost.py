"""Nothing is lost at a real broker: killed and back at random, the way cut, the logger killed."""

import asyncio
import random
import sqlite3
import subprocess
import sys
import time
import tomllib
from collections import defaultdict
from collections.abc import AsyncIterator
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from logger.publish.outbox import Outbox
from logger.publish.settings import Broker
from logger.store import StoreReader
from simulators.scenarios import SCENARIOS
from tests.broker.conftest import READY_S, Mosquitto
from tests.broker.listening import Relay, Subscriber
from tests.shell.contract import check
from tests.shell.publish_bench import CHANNELS, Bench, table

pytestmark = pytest.mark.broker

COUNT, CHUNK, KILLS, CUTS = 10_000, 50, 6, 10


@pytest.fixture
async def relay(mosquitto: Mosquitto) -> AsyncIterator[Relay]:
    async with Relay(mosquitto.port) as made:
        yield made


async def test_ten_thousand_readings_while_the_broker_dies_and_comes_back(
    tmp_path: Path, mosquitto: Mosquitto, relay: Relay
) -> None:
    """Every row arrives, in the order of its topic; what comes twice has its id; nothing is left."""
    dice = random.Random(1)
    chunks = COUNT // CHUNK
    moments = dice.sample(range(1, chunks), KILLS + CUTS)
    kills, cuts = set(moments[:KILLS]), set(moments[KILLS:])
    bench = Bench(tmp_path / "s.db", table(relay.port))
    async with Subscriber(mosquitto) as subscriber:
        bench.begin("r1")
        for chunk in range(chunks):
            so_far = len(subscriber.ids())
            bench.readings(CHUNK)
            if chunk % 20 == 0:
                bench.event()
            await asyncio.sleep(dice.uniform(0.0, 0.01))  # the broker's time, not ours
            if chunk in kills | cuts:
                # what was on its way at the last end is acknowledged: a broker that goes twice at the same
                # record would be one that cannot take it, and that record be kept apart
                await subscriber.until(partial(more_than, subscriber, so_far + 2))
            if chunk in cuts:
                relay.cut()
            if chunk in kills:
                relay.open = False
                await asyncio.to_thread(mosquitto.kill)
                await asyncio.to_thread(mosquitto.start)
                await subscriber.connect()  # before the logger: this broker keeps nothing
                relay.open = True
        await subscriber.until(lambda: len(subscriber.distinct["reading"]) == COUNT, 60.0)
        await subscriber.until(lambda: len(subscriber.distinct["event"]) == chunks // 20)
        await bench.close()
    stored: dict[str, list[str]] = defaultdict(list)
    with StoreReader(bench.path) as reader:
        for block in reader.blocks("r1"):
            for seq, channel in zip(block.seq.tolist(), block.channel.tolist(), strict=True):
                probe, quantity = block.channels[channel]
                stored[f"riselog/hall/north/reading/{probe}/{quantity}"].append(f"r1/{seq}")
    assert len(stored) == len(CHANNELS)
    for topic, ids in stored.items():
        assert subscriber.first_ids(topic) == ids
    assert bench.left() == (0, 0, 0)
    assert len(subscriber.ids()) < 1.2 * COUNT
    for heard in subscriber.heard:
        check(heard.topic, heard.payload, retain=heard.retain, live=False)


def more_than(subscriber: Subscriber, readings: int) -> bool:
    return len(subscriber.ids()) > readings


def config(folder: Path, port: int, *, speed: int) -> Path:
    path = folder / "job.toml"
    text = SCENARIOS["short-firing"].config_text.replace('speed = "max"', f"speed = {speed}")
    assert f"speed = {speed}" in text
    path.write_text(
        f'{text}\n[store]\npath = "s.db"\n'
        f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\ntls = false\nsite = "hall"\n',
        encoding="utf-8",
    )
    return path


def start(folder: Path, path: Path) -> "subprocess.Popen[bytes]":
    return subprocess.Popen(
        [sys.executable, "-m", "logger", "run", str(path), "--headless", "--json"],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def committed(path: Path) -> int:
    if not path.exists():
        return 0
    with closing(sqlite3.connect(path)) as raw:
        try:
            return int(raw.execute("SELECT count(*) FROM reading").fetchone()[0])
        except sqlite3.OperationalError:
            return 0  # not made yet


async def test_the_logger_killed_at_any_moment(
    tmp_path: Path, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """kill -9 several times: what was stored arrives all the same, from the next start on."""
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path / "data"))
    dice, store = random.Random(2), tmp_path / "s.db"
    path = config(tmp_path, mosquitto.port, speed=300)
    async with Subscriber(mosquitto) as subscriber:
        for _ in range(4):
            before = committed(store)
            process = start(tmp_path, path)
            deadline = time.monotonic() + READY_S
            while committed(store) <= before:
                assert time.monotonic() < deadline
                await asyncio.sleep(0.05)
            await asyncio.sleep(dice.uniform(0.0, 1.0))
            process.kill()
            await asyncio.to_thread(process.wait)
        process = start(tmp_path, path)
        await asyncio.to_thread(process.wait, 3 * READY_S)
        expected = stored_ids(store)
        ids = {one for ids in expected.values() for one in ids}
        await subscriber.until(lambda: subscriber.distinct.get("reading", set()) >= ids)
        await subscriber.until(
            lambda: any(h.kind == "status" and h.document["reason"] == "ended" for h in subscriber.heard)
        )
    for topic, in_store in expected.items():
        assert subscriber.first_ids(topic) == in_store
    broker = Broker(table=table(mosquitto.port), job=job_name(path))
    outbox = Outbox(store, broker.key, "none", broker.topics)
    backlog = outbox.backlog()
    outbox.close()
    assert (backlog.waiting, backlog.parked) == (0, 0)
    results = [h.document for h in subscriber.heard if h.kind == "result"]
    ends = {(r["run"], r["end_reason"]) for r in results if r["scope"] == "run"}
    with StoreReader(store) as reader:
        assert ends == {(row.run, row.end_reason) for row in reader.runs()}
    assert sum(reason == "interrupted" for _, reason in ends) == 4
    wills = [h.document for h in subscriber.heard if h.kind == "status" and h.document["reason"] != ""]
    assert [w["reason"] for w in wills] == ["connection lost"] * 4 + ["ended"]
    for heard in subscriber.heard:
        check(heard.topic, heard.payload, retain=heard.retain, live=False)


def job_name(path: Path) -> str:
    return str(tomllib.loads(path.read_text(encoding="utf-8"))["job"]["name"])


def stored_ids(store: Path) -> dict[str, list[str]]:
    """Topic -> ids in the order of the store, by plain SQL."""
    found: dict[str, list[Any]] = defaultdict(list)
    with closing(sqlite3.connect(store)) as raw:
        for run, job, seq, probe, quantity in raw.execute(
            "SELECT run, job, n.seq, probe, quantity FROM reading_named AS n JOIN run USING (run)"
            " ORDER BY run_key, n.seq"
        ):
            found[f"riselog/hall/{job}/reading/{probe}/{quantity}"].append(f"{run}/{seq}")
    return found
