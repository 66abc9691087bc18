"""The publisher: a thread with a loop of its own, so that no broker ever holds a reading up.

It reads what is committed over a read-only connection; what the broker has answered goes to the
store's one writer. It goes on for ever; trouble is told once, not at each try.
"""

from __future__ import annotations

import asyncio
import random
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

from logger import __version__
from logger.clock import SystemClock
from logger.core.errors import StoreError
from logger.core.readings import Quantity
from logger.faults import fault_sentence
from logger.publish.about import about_post
from logger.publish.client import connected
from logger.publish.connection import Connection, Ports, keep_books
from logger.publish.inbox import Inbox
from logger.publish.live import Backlog, Picture, Source, status_post
from logger.publish.outbox import Outbox, Settled
from logger.publish.pace import Pace, delay_s
from logger.publish.post import Post
from logger.publish.reasons import BrokerError, refusal
from logger.publish.settings import Broker
from logger.store.records import Batch

REPEAT_S = 600.0  # wall time before the same trouble is told again; assumed
CAREFUL_FROM = 3  # connections ended by the broker with nothing acknowledged; assumed
PARK_FROM = 5  # as above, before the one record in flight is parked; assumed
_JOIN_S = 3.0  # wall time for the thread's own end; assumed

Probes = Mapping[str, tuple[str, Sequence[Quantity]]]
"""Role and quantities of each probe, by its name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is published, from where."""

    broker: Broker
    store: Path
    source: Source
    probes: Probes
    pace: Pace = field(default_factory=Pace)


class Publisher:
    """``tell`` takes code and sentence, ``keep`` a batch for the store's writer; both may be called
    from the publisher's thread, ``keep`` says whether the batch was taken."""

    def __init__(
        self,
        order: Order,
        *,
        tell: Callable[[str, str], None],
        keep: Callable[[Batch], bool],
        rng: Callable[[], float] = random.random,
    ) -> None:
        self._order = order
        self._tell = tell
        self._keep = keep
        self._rng = rng
        self._inbox = Inbox()
        self._clock = SystemClock()
        self._numbers = count()
        self._told: dict[str, int] = {}
        self._away = True
        self._trouble = ""
        self._losses = 0  # in a row, by the broker, with nothing acknowledged
        self._lasted = False
        self._held = False
        self._stopped = False  # by a fault of ours: nothing more is published
        self._backlog: Backlog | None = None
        self._left = Settled()
        self._thread = threading.Thread(target=self._run, name="publisher", daemon=True)

    @property
    def broker(self) -> str:
        """What the store knows the broker by."""
        return self._order.broker.key

    def start(self) -> None:
        """Begin; the store must be there."""
        self._thread.start()

    def committed(self) -> None:
        """The store has something new; from any thread."""
        self._inbox.commit()

    def show(self, picture: Picture) -> None:
        """The newest picture; from any thread, at any rate."""
        self._inbox.show(picture)

    def hold(self) -> None:
        """From now on nothing is handed to the writer: it is about to end."""
        self._held = True

    async def finish(self) -> Batch:
        """Send what is left, as long as the broker takes it and no longer than the pace allows; then
        what the store is still to be told."""
        self.hold()
        self._inbox.end()
        if self._thread.ident is not None:
            wait_s = 0.0 if self._trouble else self._order.pace.farewell_s
            await asyncio.to_thread(self._thread.join, wait_s + _JOIN_S)
        return self._batch(self._left)

    def words(self) -> str:
        """For the dashboard: how it stands, in a few words."""
        backlog = self._backlog
        if self._stopped:
            return "stopped by a fault"
        if backlog is None:
            return "away" if self._trouble else "connecting"
        number = f"over {backlog.waiting:,}" if backlog.more else f"{backlog.waiting:,}"
        parts = ["away"] if self._away else []
        parts.append(f"{number} to send" if backlog.waiting else "all sent")
        parts += [f"{backlog.parked:,} refused"] if backlog.parked else []
        parts += [f"{backlog.passed_over:,} passed over"] if backlog.passed_over else []
        return ", ".join(parts)

    def left_behind(self) -> str:
        """A sentence on what the broker has not got, or nothing."""
        backlog = self._backlog
        if backlog is None or not (backlog.waiting or backlog.parked):
            return ""
        why = f": {self._trouble}" if self._trouble else ""
        return (
            f"the broker {self._order.broker.name} has not got everything ({self.words()}){why}; it is kept, "
            "and the next run of this job sends it"
        )

    def _run(self) -> None:
        try:
            # not the default loop: on Windows that one cannot watch the client's socket
            with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
                runner.get_loop().set_default_executor(_Threads())
                runner.run(self._main())
        except StoreError as error:
            self._stopped = True
            self._say("broker-fault", f"nothing more is published: {error}", "store")
        except Exception as error:  # noqa: BLE001 - a thread that dies unseen would publish nothing
            self._stopped = True
            self._say("broker-fault", f"nothing more is published: {fault_sentence(error, 'publishing')}", "")

    async def _main(self) -> None:
        self._inbox.belongs_to(asyncio.get_running_loop())
        order = self._order
        outbox = Outbox(order.store, order.broker.key, order.source.run, order.broker.topics)
        rounds = asyncio.ensure_future(self._rounds(outbox))
        ending = asyncio.ensure_future(self._inbox.ending.wait())
        both: set[asyncio.Future[Any]] = {rounds, ending}
        try:
            await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
            if not rounds.done() and not self._trouble:
                await asyncio.wait({rounds}, timeout=order.pace.farewell_s)
        finally:
            ending.cancel()
            rounds.cancel()
            await asyncio.gather(rounds, ending, return_exceptions=True)
            self._backlog = outbox.backlog()
            self._left = outbox.take()
            outbox.close()
        if not rounds.cancelled():
            rounds.result()

    async def _rounds(self, outbox: Outbox) -> None:
        """Connection after connection, until the run has ended and all is sent."""
        attempt = 0
        while True:
            await self._pass_over_old(outbox)
            try:
                await self._connect(outbox)
            except (BrokerError, StoreError) as error:
                self._away = True
                self._trouble = str(error)
                self._say("broker-away", f"{error}; nothing is lost: it waits in the store", str(error))
            else:
                return
            keep_books(outbox, self._keep_settled)
            if self._inbox.ending.is_set():
                return
            attempt = 0 if self._lasted else attempt + 1
            with suppress(TimeoutError):
                async with asyncio.timeout(delay_s(self._order.pace, attempt, self._rng)):
                    await self._inbox.ending.wait()
                    return

    async def _connect(self, outbox: Outbox) -> None:
        order = self._order
        self._lasted = False
        identifier = order.broker.client_id(outbox.store_id())
        async with connected(order.broker, identifier, self._will()) as client:
            connection = Connection(client, self._ports(outbox), careful=self._losses >= CAREFUL_FROM)
            self._greet()
            try:
                await connection.work()
            except BrokerError as error:
                self._look_for_culprit(outbox, connection, error)
                raise
            finally:
                self._lasted = connection.lasted
                if self._inbox.ending.is_set():
                    with suppress(BrokerError, TimeoutError):
                        await connection.farewell()

    def _greet(self) -> None:
        if self._trouble:
            self._say("broker-back", f"the broker {self._order.broker.name} is there again", "back")
        self._away, self._trouble = False, ""

    def _look_for_culprit(self, outbox: Outbox, connection: Connection, error: BrokerError) -> None:
        """A record at which the broker hangs up each time must not hold up all others."""
        if connection.answered or not connection.flying or not error.by_peer:
            self._losses = 0 if connection.answered else self._losses
            return
        self._losses += 1
        if self._losses >= PARK_FROM and len(connection.flying) == 1:
            (item,) = connection.flying.values()
            why = refusal(error.code) if error.code is not None else "hangs up each time it comes"
            outbox.refused(item, why)
            self._say(
                "record-refused",
                f"the broker {self._order.broker.name} {why} when a record of {item.post.topic} comes: that "
                "one is kept apart and tried again every 10 min",
                f"{item.post.topic} hang-up",
            )

    def _ports(self, outbox: Outbox) -> Ports:
        order = self._order
        return Ports(
            broker=order.broker,
            source=order.source,
            outbox=outbox,
            inbox=self._inbox,
            tell=self._say,
            keep=self._keep_settled,
            counted=self._count,
            number=lambda: next(self._numbers),
            utc_us=self._clock.utc_us,
            about=self._about,
            pace=order.pace,
        )

    def _about(self) -> Post:
        order = self._order
        return about_post(
            order.broker.topics,
            order.source,
            order.probes,
            version=__version__,
            number=next(self._numbers),
            t_utc_us=self._clock.utc_us(),
        )

    def _will(self) -> Post:
        return status_post(
            self._order.broker.topics,
            self._order.source,
            online=False,
            reason="connection lost",
            number=next(self._numbers),
            t_utc_us=None,
        )

    async def _pass_over_old(self, outbox: Outbox) -> None:
        table = self._order.broker.table
        outbox.rewind()
        before = outbox.backlog().passed_over
        now_us = self._clock.utc_us()
        while outbox.pass_over_old(now_us, table.keep):  # noqa: ASYNC110 - page by page
            await asyncio.sleep(0)
        self._count(outbox.backlog())
        if self._backlog is not None and (more := self._backlog.passed_over - before):
            self._say(
                "records-passed-over",
                f"{more:,} readings waited longer than {table.keep / 86_400.0:g} days for the broker and are "
                "not sent any more; they stay in the store: `riselog export` gives them",
                "passed over",
            )

    def _count(self, backlog: Backlog) -> None:
        self._backlog = backlog

    def _keep_settled(self, settled: Settled) -> bool:
        return not self._held and self._keep(self._batch(settled))

    def _batch(self, settled: Settled) -> Batch:
        return Batch(run=self._order.source.run, cursors=settled.cursors, marks=settled.marks)

    def _say(self, code: str, text: str, news: str) -> None:
        """Tell, unless the same was told a short while ago."""
        now_ns = self._clock.now_ns()
        last_ns = self._told.get(f"{code} {news}")
        if last_ns is None or now_ns - last_ns >= REPEAT_S * 1e9:
            self._told[f"{code} {news}"] = now_ns
            self._tell(code, text)


class _Threads(ThreadPoolExecutor):
    """Where the client waits for the network: threads that hold up no end of the program."""

    def submit(self, work: Callable[..., Any], /, *args: Any, **names: Any) -> Future[Any]:  # noqa: ANN401
        """As the base class has it, in a thread of its own."""
        future: Future[Any] = Future()

        def run() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                future.set_result(work(*args, **names))
            except BaseException as error:  # noqa: BLE001 - it comes out where it is waited for
                future.set_exception(error)

        threading.Thread(target=run, name="broker-connect", daemon=True).start()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: FBT001, FBT002
        """Nothing to wait for."""
