"""Many loggers, one broker, two consumers that share the work, and all runs computed again on a cluster."""

import asyncio
import json
import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from logger.core.readings import FLAG_CODES, Reading
from logger.store import StoredResult
from logger.tables import read_readings
from tests.benchmarks.day import CONFIG, write_day
from tests.broker.conftest import Mosquitto, free_port
from tests.broker.consumer import WINDOW, Archive, Row, Seen, main, row_of, rows_of
from tests.broker.listening import Relay
from tests.e2e.conftest import Program
from tests.shell.cluster import ROOT, local_cluster
from tests.shell.publish_bench import Bench, table

pytestmark = pytest.mark.broker

LOGGERS = 4
SECONDS, EVERY_S = 2_700, 3  # one firing; a reading of each stream every third second
BATCH = 250  # readings a commit
ARRIVE_S = 120.0  # a reading that never comes fails the test
# Of mosquitto: it drops a message for a full queue (1,000 by default) without a word to the sender.
FOR_A_FLEET = ["allow_anonymous true", "max_queued_messages 0", "max_inflight_messages 0"]


def write_logger(path: Path, number: int) -> list[Reading]:
    """A simulated logger's readings, each logger's own: invented air, a little warmer on every roof."""
    write_day(path, SECONDS)
    head, *lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for n, line in enumerate(lines) if n // 5 % EVERY_S == 0]
    for n, line in enumerate(kept):
        fields = line.split(",")
        if fields[1] == "sup":
            fields[3] = repr(float(fields[3]) + number / 7)
            kept[n] = ",".join(fields)
    path.write_text(head + "".join(kept), encoding="utf-8")
    return [
        Reading(seq, t_ns, *block.channels[channel], value, FLAG_CODES[flag], utc_us, arrival_ns)
        for block in read_readings(path).blocks
        for seq, t_ns, channel, value, flag, utc_us, arrival_ns in zip(
            block.seq.tolist(),
            block.t_ns.tolist(),
            block.channel.tolist(),
            block.value.tolist(),
            block.flag.tolist(),
            block.utc_us.tolist(),
            block.arrival_ns.tolist(),
            strict=True,
        )
    ]


class Consumers:
    """Members of the group, each a process."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder = folder
        self._port = port
        self._running: dict[str, subprocess.Popen[str]] = {}

    def start(self, name: str) -> None:
        command = [sys.executable, "-m", "tests.broker.consumer", "127.0.0.1", str(self._port)]
        process = subprocess.Popen(
            [*command, str(self.folder), name], cwd=ROOT, stdout=subprocess.PIPE, text=True
        )
        self._running[name] = process
        assert process.stdout is not None
        assert process.stdout.readline() == "listening\n"

    def kill(self, name: str) -> None:
        """As a power cut would."""
        with self._running.pop(name) as process:
            process.kill()

    def close(self) -> None:
        for name in list(self._running):
            self.kill(name)


@pytest.fixture
def consumers(mosquitto: Mosquitto, tmp_path: Path) -> Iterator[Consumers]:
    mosquitto.kill()
    mosquitto.lines = FOR_A_FLEET
    mosquitto.start()
    made = Consumers(tmp_path / "archive", mosquitto.port)
    yield made
    made.close()


def numbers(document: dict[str, Any]) -> dict[str, Any]:
    """What was computed: the simulated loggers ran at another time than their tables say."""
    apart = ("source", "run", "stored", "started_utc", "ended_utc")
    return {key: value for key, value in document.items() if key not in apart}


async def test_many_loggers_to_results_bit_for_bit(
    tmp_path: Path, mosquitto: Mosquitto, consumers: Consumers
) -> None:
    """Ways are cut and a consumer is killed meanwhile: every row is there once, and computes the same."""
    dice = random.Random(7)
    benches: list[Bench] = []
    readings = [write_logger(tmp_path / f"{n}.csv", n) for n in range(LOGGERS)]
    for name in ("one", "two"):
        await asyncio.to_thread(consumers.start, name)
    async with Relay(mosquitto.port) as relay:
        for n in range(LOGGERS):
            bench = Bench(tmp_path / f"{n}.db", table(relay.port, site=f"roof-{n}"))
            bench.begin(f"run{n}")
            benches.append(bench)
        count = len(readings[0])
        moments = sorted(dice.sample(range(BATCH, count, BATCH), 5))
        for start in range(0, count, BATCH):
            for bench, own in zip(benches, readings, strict=True):
                batch = own[start : start + BATCH]  # of this hour: what is too old is not sent
                bench.put(readings=[r._replace(utc_us=bench.started_utc_us) for r in batch])
            await asyncio.sleep(dice.uniform(0.0, 0.1))  # the broker's time, not ours
            if start in moments[:4]:
                relay.cut()
            if start == moments[4]:
                await asyncio.to_thread(consumers.kill, "one")
                await asyncio.to_thread(consumers.start, "one")
        for bench in benches:
            document = json.dumps({"run": bench.run, "readings": {"stored": count}})
            bench.put(results=[StoredResult(seq=count, t_ns=0, scope="run", document=document)])
        await asyncio.to_thread(until, lambda: all(bench.left() == (0, 0, 0) for bench in benches))
        for bench in benches:
            await bench.close()
    folder = consumers.folder
    await asyncio.to_thread(until, lambda: rows_in(folder) >= LOGGERS * count)

    await asyncio.to_thread(until, lambda: len(list(folder.glob("*/*/*/result.json"))) == LOGGERS)

    runs = [folder / f"roof-{n}" / "north" / f"run{n}" for n in range(LOGGERS)]
    for run, own in zip(runs, readings, strict=True):
        found = rows_of(run)
        assert json.loads((run / "result.json").read_bytes())["readings"]["stored"] == found.num_rows
        assert found.column("seq").to_pylist() == [reading.seq for reading in own]
        assert found.column("value").to_pylist() == [reading.value for reading in own]
        assert found.column("probe").to_pylist() == [reading.probe for reading in own]
        assert found.column("flag").to_pylist() == [reading.flag for reading in own]
    assert not (folder / "strange").exists()
    await asyncio.to_thread(compute_again, tmp_path, folder)


def rows_in(folder: Path) -> int:
    """How many readings are written, each counted once."""
    return sum(rows_of(run).num_rows for run in folder.glob("*/*/*") if any(run.glob("*.parquet")))


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + ARRIVE_S
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.5)  # other threads and processes; nothing tells us


def compute_again(tmp_path: Path, archive: Path) -> None:
    """`replay` of each logger's own table, alone, against `replay --many` of what came over the broker."""
    config, joined = tmp_path / "north.toml", tmp_path / "joined"
    config.write_text(CONFIG.replace("bench-day", "north"), encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "tests.broker.consumer",
        "join",
        str(archive),
        str(tmp_path),
        str(joined),
    ]
    subprocess.run(command, cwd=ROOT, check=True)
    with ExitStack() as stack:
        program = Program(tmp_path)
        stack.callback(program.close)
        alone = [
            program("replay", tmp_path / f"{n}.csv", "--config", config, "--no-store", "--json").document
            for n in range(LOGGERS)
        ]
        address = stack.enter_context(local_cluster(tmp_path / "cluster"))
        inputs = sorted(joined.glob("*.parquet"))
        many = program("replay", "--many", *inputs, "--scheduler", address, "--json").document
    assert many["failed"] == []
    assert [numbers(found) for found in many["results"]] == [numbers(found) for found in alone]
    outputs = [found["firing"]["output_w"] for found in many["results"]]
    assert len(set(outputs)) == LOGGERS  # each its own answer
    assert json.dumps(outputs) == json.dumps(sorted(outputs))  # warmer supply, more output


def row(seq: int, value: float = 1.0) -> Row:
    time_utc = datetime(2026, 1, 12, 6, tzinfo=UTC)
    return Row(("hall", "north", "r1"), time_utc, seq, "sup", "temperature", value, "degC", "ok")


def test_a_repeat_is_known_within_the_window_and_memory_is_bounded() -> None:
    seen = Seen()
    for seq in range(5 * WINDOW):
        assert seen.new(row(seq))
        assert not seen.new(row(max(0, seq - WINDOW + 1)))
    (places,) = seen._runs.values()
    assert len(places) <= 2 * WINDOW
    assert seen.new(row(0))  # too far back to tell: it passes, and `join` sorts it out


def test_join_takes_each_once_and_refuses_what_contradicts(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    for rows in ([row(3), row(1)], [row(1), row(2)]):
        archive.rows = rows
        archive.flush()
    run = tmp_path / "hall" / "north" / "r1"
    assert rows_of(run).column("seq").to_pylist() == [1, 2, 3]
    archive.rows = [row(2, value=2.0)]
    archive.flush()
    with pytest.raises(ValueError, match="two readings have the id r1/2"):
        rows_of(run)


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("riselog/hall/north/reading/sup/temperature", b""),
        ("riselog/hall/north/reading/sup/temperature", b"[]"),
        ("riselog/hall/north/reading/sup/temperature", b"\xff"),
        ("riselog/hall/north/reading/sup/temperature", b'{"id":"..//1"}'),
        ("riselog/hall/north/reading/sup/temperature", b'{"id":"../1","t":"2026-01-12T06:00:00Z"}'),
        ("riselog/../north/reading/sup/temperature", b'{"id":"r/1","t":"2026-01-12T06:00:00Z"}'),
        ("riselog/hall/north/reading/sup", b"{}"),
    ],
)
def test_a_message_of_another_kind_stops_nothing(topic: str, payload: bytes) -> None:
    with pytest.raises((ValueError, KeyError, TypeError)):
        row_of(topic, payload)


@pytest.mark.parametrize("words", [[], ["join"], ["hall", "port", "folder", "name"]])
def test_the_example_says_how_it_is_used(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    assert capsys.readouterr().err.startswith("usage: ")


def test_the_example_names_a_broker_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["127.0.0.1", str(free_port()), str(tmp_path), "a"]) == 4
    assert "cannot be reached" in capsys.readouterr().err
