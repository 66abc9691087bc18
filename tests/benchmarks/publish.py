"""From a probe's notification to the broker, and how many messages a second, beside paho's own loop; and
for how long many refused records hold the publisher's loop.

Needs a mosquitto; without one every value but the last is null. The broker runs on this computer, so the
network's time is not in it.
"""

from __future__ import annotations

import asyncio
import shutil
import statistics
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as paho

from logger.clock import SystemClock
from logger.core.readings import Flag, Quantity, Reading
from logger.publish.live import Source
from logger.publish.order import Order
from logger.publish.outbox import Outbox
from logger.publish.publisher import Publisher
from logger.publish.settings import Broker
from logger.store import Batch, CursorMove, RunHeader, StoreWriter, WriterThread
from logger.store.records import OutboxMark
from tests.broker.conftest import Mosquitto
from tests.shell.publish_bench import Bench, table

TOPIC = "riselog/hall/north/reading/ret/temperature"
PAYLOAD = (
    b'{"id":"abcdef012345/17","t":"2025-01-02T03:04:06.500000Z","value":47.25,"unit":"degC","flag":"ok"}'
)
RATE_HZ = 5.0  # five probes at 1 Hz
WAIT_S = 120.0


class Ear:
    """Counts and stamps what the broker hands on."""

    def __init__(self, port: int) -> None:
        self.stamps: list[tuple[str, float]] = []
        self._changed = threading.Condition()
        subscribed = threading.Event()
        self.client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self.client.on_message = self._heard
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.subscribe("riselog/+/+/reading/#", 0)
        self.client.loop_start()
        subscribed.wait(WAIT_S)

    def _heard(self, client: paho.Client, data: object, message: paho.MQTTMessage) -> None:
        with self._changed:
            self.stamps.append((message.payload[:40].decode().split('"')[3], time.perf_counter()))
            self._changed.notify_all()

    def wait_for(self, count: int) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.stamps) >= count, WAIT_S), len(self.stamps)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def measure(quick: bool) -> dict[str, float | None]:  # noqa: FBT001 - as the others
    """Latency of a reading through store and outbox, and rates."""
    names = ("publish_p50_ms", "publish_p99_ms", "publish_per_s", "publish_vs_paho")
    with tempfile.TemporaryDirectory() as name:
        held = {"publish_held_ms": asyncio.run(_held_ms(Path(name), 20_000 if quick else 100_000))}
    if shutil.which("mosquitto") is None:
        return dict.fromkeys(names) | held
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder)
        # what is sent is all there at once: the subscriber's queue must not be the limit
        broker.lines.append("max_queued_messages 0")
        broker.start()
        try:
            latencies = _latencies_ms(folder, broker.port, 5.0 if quick else 30.0)
            ours = max(_rate(folder / f"{n}.db", broker.port, 20_000) for n in range(2 if quick else 4))
            theirs = max(_paho_rate(broker.port, 20_000) for _ in range(2 if quick else 4))
        finally:
            broker.kill()
    cuts = statistics.quantiles(latencies, n=100)
    return dict(zip(names, (cuts[49], cuts[98], ours, ours / theirs), strict=True)) | held


async def _held_ms(folder: Path, count: int) -> float:
    """The longest time that one try of so many refused readings, their topic barred, keeps a loop busy."""
    broker = Broker(table=table(1), job="north")
    with StoreWriter(folder / "parked.db", "benchmark") as writer:
        writer.begin_run(RunHeader(run="r1", job="north", started_utc_us=0))
        readings = [Reading(n, n, "ret", Quantity.TEMPERATURE, 20.0, Flag.OK, n, n) for n in range(count)]
        marks = [
            OutboxMark(broker=broker.key, run="r1", seq=n, kind="reading", parked="no") for n in range(count)
        ]
        move = CursorMove(broker=broker.key, run="r1", next_seq=count)
        writer.write(Batch(run="r1", readings=readings, cursors=[move], marks=marks))
        outbox = Outbox(writer.path, broker.key, "r1", broker.topics)
        outbox.rewind()
        longest_s, seen_s = 0.0, time.perf_counter()
        while (item := outbox.next()) is not None or outbox.more:
            if item is not None:
                outbox.refused(item, "no", 0x87)
            await asyncio.sleep(0)
            longest_s, seen_s = max(longest_s, time.perf_counter() - seen_s), time.perf_counter()
        outbox.close()
    return 1000.0 * longest_s


def _latencies_ms(folder: Path, port: int, for_s: float) -> list[float]:
    """Readings at the pace of five probes, through the store's thread with its commits, and the outbox."""
    broker, ear = Broker(table=table(port), job="north"), Ear(port)
    clock, sent = SystemClock(), []
    with StoreWriter(folder / "latency.db", "benchmark") as writer:
        header = RunHeader(run="r1", job="north", started_utc_us=clock.utc_us())
        writer.write(
            Batch(run="r1", header=header, cursors=[CursorMove(broker=broker.key, run="r1", next_seq=0)])
        )
        order = Order(broker=broker, store=writer.path, source=Source(run="r1", simulated=False), probes={})
        publisher = Publisher(order, tell=print, keep=lambda batch: thread.put(batch) is None)
        thread = WriterThread(writer, "r1", tell=print, now_ns=clock.now_ns, on_commit=publisher.committed)
        publisher.start()
        thread.start()
        for seq in range(round(for_s * RATE_HZ)):
            time.sleep(1.0 / RATE_HZ * 0.97)  # not in step with the commits
            sent.append(time.perf_counter())
            utc_us = clock.utc_us()
            reading = Reading(seq, seq * 10**8, "ret", Quantity.TEMPERATURE, 20.0, Flag.OK, utc_us, 0)
            thread.put(Batch(run="r1", readings=[reading]))
        ear.wait_for(len(sent))
        publisher.hold()
        thread.stop()
        publisher._inbox.end()
        publisher._thread.join()
    ear.close()
    return [1000.0 * (at - sent[int(name.split("/")[1])]) for name, at in ear.stamps]


def _rate(path: Path, port: int, count: int) -> float:
    """A backlog out of the store, from the connection on."""
    ear = Ear(port)
    bench = Bench(path, table(port))
    bench.begin("r1", publish=False)
    bench.readings(count)
    start = time.perf_counter()
    bench.publish()
    ear.wait_for(count)
    taken_s = time.perf_counter() - start
    ear.close()
    assert bench.publisher is not None
    bench.publisher._inbox.end()
    bench.publisher._thread.join()
    bench.writer.close()
    return count / taken_s


def _paho_rate(port: int, count: int) -> float:
    """The same payload by paho's own thread, as many at once as it likes."""
    ear = Ear(port)
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    start = time.perf_counter()
    client.connect("127.0.0.1", port)
    client.loop_start()
    infos = [client.publish(TOPIC, PAYLOAD, 1) for _ in range(count)]
    for info in infos:
        info.wait_for_publish(WAIT_S)
    ear.wait_for(count)
    taken_s = time.perf_counter() - start
    client.disconnect()
    client.loop_stop()
    ear.close()
    return count / taken_s
