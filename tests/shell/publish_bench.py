"""A store and a publisher, and by hand what a run would put into it."""

import asyncio
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from logger.clock import SystemClock
from logger.config.schema import MqttTable
from logger.core.readings import Flag, Quantity, Reading
from logger.core.snapshot import Event
from logger.publish.live import Source
from logger.publish.order import Calendar, Order, awake_s
from logger.publish.outbox import Outbox
from logger.publish.pace import Pace
from logger.publish.publisher import Publisher
from logger.publish.settings import Broker
from logger.store import Batch, CursorMove, RunHeader, StoredEvent, StoredResult, StoreWriter


class Sure:
    """A clock that is believed at once."""

    doubt = ""

    def look(self, utc_us: int, elapsed_ns: int) -> int | None:
        return utc_us


QUICK = Pace(first_s=0.01, most_s=0.05, parked_s=600.0, farewell_s=5.0)
CHANNELS = (("ret", Quantity.TEMPERATURE), ("sup", Quantity.TEMPERATURE), ("sup", Quantity.HUMIDITY))


def table(port: int, **keys: Any) -> MqttTable:
    return MqttTable.model_validate({"host": "127.0.0.1", "port": port, "tls": False, "site": "hall"} | keys)


@dataclass
class Bench:
    """``begin`` starts a run and its publisher; what is put is committed at once."""

    path: Path
    mqtt: MqttTable
    pace: Pace = QUICK
    calendar: Calendar = field(default_factory=Sure)
    now_s: Callable[[], float] = awake_s
    takes: bool = True  # whether the writer takes what the publisher hands over
    said: list[tuple[str, str]] = field(default_factory=list)
    run: str = ""
    seq: int = 0

    def __post_init__(self) -> None:
        self.broker = Broker(table=self.mqtt, job="north")
        self.writer = StoreWriter(self.path, "test")
        self.lock = threading.Lock()
        self.publisher: Publisher | None = None
        self.started_utc_us = SystemClock().utc_us() - 3600 * 10**6

    def begin(self, run: str, *, publish: bool = True, simulated: bool = False) -> None:
        self.run, self.seq = run, 0
        header = RunHeader(run=run, job="north", started_utc_us=self.started_utc_us, simulated=simulated)
        self._write(
            Batch(run=run, header=header, cursors=[CursorMove(broker=self.broker.key, run=run, next_seq=0)])
        )
        if publish:
            self.publish()

    def publish(self) -> None:
        self.publisher = self.publisher_of()
        self.publisher.start()

    def publisher_of(self) -> Publisher:
        order = Order(
            broker=self.broker,
            store=self.path,
            source=Source(run=self.run, simulated=False),
            probes={"sup": ("supply", (Quantity.TEMPERATURE, Quantity.HUMIDITY))},
            pace=self.pace,
            calendar=self.calendar,
            now_s=self.now_s,
        )
        return Publisher(
            order, tell=lambda code, text: self.said.append((code, text)), keep=self._keep, rng=lambda: 0.0
        )

    def readings(self, count: int, *, age_s: float = 0.0) -> None:
        """So many, in turn of all channels, as if they had come that long ago."""
        now_us = self.started_utc_us - round(age_s * 1e6)
        self.put(
            readings=[
                Reading(seq, seq * 10**8, *CHANNELS[seq % 3], 20.0 + seq / 64, Flag.OK, now_us, seq * 10**8)
                for seq in range(self.seq, self.seq + count)
            ]
        )
        self.seq += count

    def event(self, code: str = "mark") -> None:
        self.put(events=[StoredEvent(seq=self.seq, event=Event(t_ns=0, code=code, text="x", origin="shell"))])
        self.seq += 1

    def result(self, document: str = '{"verdict":null}') -> None:
        self.put(results=[StoredResult(seq=self.seq, t_ns=0, scope="firing", document=document)])
        self.seq += 1

    def put(self, **parts: Sequence[Any]) -> None:
        self._write(Batch(run=self.run, **parts))  # type: ignore[arg-type]
        if self.publisher is not None:
            self.publisher.committed()

    def _write(self, batch: Batch) -> None:
        with self.lock:
            self.writer.write(batch)

    def _keep(self, batch: Batch) -> bool:
        if self.takes:
            self._write(batch)
        return self.takes

    async def finish(self) -> None:
        if self.publisher is not None:
            last = await self.publisher.finish()
            self._write(last)
            self.publisher = None

    async def close(self) -> None:
        await self.finish()
        self.writer.close()

    def left(self) -> tuple[int, int, int]:
        """What a start of the program would find: waiting, parked, passed over."""
        outbox = Outbox(self.path, self.broker.key, "none", self.broker.topics)
        backlog = outbox.backlog()
        outbox.close()
        return backlog.waiting, backlog.parked, backlog.passed_over

    async def until(self, condition: Callable[[], object]) -> None:
        """Wait for what another thread does."""
        async with asyncio.timeout(60.0):
            while not condition():  # noqa: ASYNC110 - another thread's
                await asyncio.sleep(0.005)

    def codes(self) -> list[str]:
        return [code for code, _ in self.said]
