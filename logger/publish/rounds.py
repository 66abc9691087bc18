"""Connection after connection, until the run has ended and all is sent; trouble is told once."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from itertools import count

from logger import __version__
from logger.believed_clock import BelievedClock
from logger.clock import SystemClock
from logger.core.errors import StoreError
from logger.core.readings import NS_PER_S
from logger.core.texts import duration_text
from logger.faults import fault_sentence
from logger.publish.about import about_post
from logger.publish.books import Settled
from logger.publish.client import CheckedClient, connected, no_record
from logger.publish.connection import Connection, keep_books
from logger.publish.culprit import Culprit, Search
from logger.publish.inbox import Inbox
from logger.publish.left import is_run_of, left_for_others
from logger.publish.live import Backlog, status_post
from logger.publish.news import DAY_S
from logger.publish.order import Order, Outward, Ports
from logger.publish.outbox import Outbox
from logger.publish.pace import delay_s
from logger.publish.post import Post
from logger.publish.refusals import Refusals, Told
from logger.publish.settings import BLIND, BrokerError
from logger.store.kept import KeptReader

ENDED, NO_STORE, FAULT = "ended", "the store cannot be read", "internal fault"  # why it is offline


class Rounds:
    """``backlog`` is what was counted last, ``trouble`` why there is no connection now; ``stopped``: by
    faults of ours, nothing more is published."""

    def __init__(self, order: Order, inbox: Inbox, outward: Outward) -> None:
        self._order = order
        self._inbox = inbox
        self._outward = outward
        self._clock = SystemClock()
        self._began_ns = self._clock.now_ns()
        self._calendar = order.calendar
        self._numbers = count()
        self._outbox: Outbox | None = None
        self._unkept: list[Settled] = []  # of an outbox that is closed
        self._search = Search()
        self._refusals = Refusals(order.broker.name)
        self._put_off: dict[str, int] = {}  # topics at which connections ended, and when
        self._listen = True  # to our own status
        self._soon = False  # whether the next try may come soon
        self._told = ""  # what is told to be over
        self._untold = 0  # readings passed over
        self._old_ns: int | None = None  # when old readings were looked for
        self._faults: list[int] = []  # when; of the last day
        self.backlog: Backlog | None = None
        self.connected = False
        self.trouble = ""
        self.stopped = False

    async def go(self) -> None:
        """Return when all is sent after the run's end, or when faults of ours are too many."""
        attempt = 0
        while not self.stopped:
            self._soon = False
            try:
                await self._round()
            except BrokerError as error:
                if not error.quiet:
                    comfort = "nothing is lost: it waits in the store"
                    self._pausing(str(error), "broker-away", comfort, error.news)
                attempt = 0 if self._soon or error.quiet else attempt + 1
            except StoreError as error:
                self._pausing(str(error), "broker-fault", "publishing goes on by itself when it can", "store")
                self._open_anew()
                attempt += 1
            except Exception as error:  # noqa: BLE001 - a thread that dies unseen would publish nothing
                self._fault(error)
                self._drop_outbox()
            else:
                return
            if self._outbox is not None:
                keep_books(self._outbox, self._hand)
            if await self._ends_within(self._wait_s(attempt)):
                return

    def close(self) -> list[Settled]:
        """What the store is still to be told."""
        outbox = self._outbox
        if outbox is None:
            return self._unkept
        with suppress(StoreError):
            self.backlog = outbox.backlog()
        rest = outbox.take()
        outbox.close()
        return [*self._unkept, rest]

    def _wait_s(self, attempt: int) -> float:
        pace = self._order.pace
        if self._faults and not self.stopped and self.trouble == FAULT:
            return pace.fault_s * 2.0 ** (len(self._faults) - 1)
        return delay_s(pace, attempt, self._outward.rng)

    async def _ends_within(self, wait_s: float) -> bool:
        with suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                await self._inbox.ending.wait()
        return self._inbox.ending.is_set()

    def _pausing(self, why: str, code: str, comfort: str, news: str) -> None:
        self.trouble = why
        if self._outward.say(code, f"{why}; {comfort}", news):
            self._told = code

    def _fault(self, error: Exception) -> None:
        """It is tried again, later each time and not for ever."""
        now_ns, pace = self._clock.now_ns(), self._order.pace
        self._faults = [ns for ns in self._faults if now_ns - ns < DAY_S * NS_PER_S] + [now_ns]
        self.trouble, self.stopped = FAULT, len(self._faults) >= pace.faults
        what = "nothing more is published" if self.stopped else "publishing pauses and is tried again"
        self._outward.say(
            "broker-fault", f"{what}: {fault_sentence(error, 'publishing')}", f"{what} {type(error).__name__}"
        )

    def _open(self) -> Outbox:
        if self._outbox is None:
            order = self._order
            self._outbox = Outbox(order.store, order.broker.key, order.source.run, order.broker.topics)
            for text in left_for_others(order.store, order.broker.key):
                self._outward.say("records-wait", text, text)
        return self._outbox

    def _open_anew(self) -> None:
        """What the store is not told yet stays known: else it would be passed over and counted again."""
        if self._outbox is not None:
            with suppress(StoreError):
                self._outbox.reopen()

    def _drop_outbox(self) -> None:
        """The next round begins with what the store says, so the store is told all before."""
        outbox, self._outbox = self._outbox, None
        if outbox is not None:
            with suppress(Exception):  # a fault of ours may lie in there
                self._unkept.append(outbox.take())
            outbox.close()
            self._hand_unkept()

    def _hand_unkept(self) -> bool:
        while self._unkept and self._outward.keep(self._unkept[0]):
            del self._unkept[0]
        return not self._unkept

    def _hand(self, settled: Settled) -> bool:
        """To the store's writer, after what was left over."""
        return self._hand_unkept() and self._outward.keep(settled)

    async def _round(self) -> None:
        order, outbox = self._order, self._open()
        since_ns = self._clock.now_ns() - round(order.pace.parked_s * NS_PER_S)
        self._put_off = {topic: ns for topic, ns in self._put_off.items() if ns > since_ns}
        outbox.rewind(without=self._put_off)
        await self._pass_over_old()
        self._count(outbox.backlog())
        identifier = order.broker.client_id(outbox.store_id())
        connection: Connection | None = None
        try:
            async with connected(order.broker, identifier, self._will()) as client:
                connection = Connection(
                    client, self._ports(outbox), careful=self._search.careful, proof=self._search.proof
                )
                await self._stay(client, connection)
        except BrokerError as error:
            if connection is not None:  # closed: nothing is answered any more
                self._learn(outbox, connection, error)
            raise

    async def _stay(self, client: CheckedClient, connection: Connection) -> None:
        if self._listen:
            client.listen(self._order.broker.topics("status"))
        self._greet()
        try:
            await self._work(connection)
        finally:
            # a broker may take one record each time, and hang up
            self.connected, self._soon = False, connection.lasted
            # a broker that hangs up at a subscription is not asked at the next connection
            self._listen = not self._listen or client.hearing.done() or not client.lost.done()

    async def _work(self, connection: Connection) -> None:
        """Whatever ends it, the broker hears it where it still listens; else it says our last will."""
        reason = FAULT
        try:
            await connection.work()
        except BrokerError:
            reason = ""
            raise
        except StoreError:
            reason = NO_STORE
            raise
        finally:
            reason = ENDED if self._inbox.ending.is_set() else reason
            if reason:
                with suppress(BrokerError, TimeoutError):
                    await connection.farewell(reason)

    def _greet(self) -> None:
        self.connected, self.trouble = True, ""
        if self._order.broker.table.version != "5":
            self._outward.say("broker-note", BLIND, "version")

    def _holds(self) -> None:
        """Only now is it over: some brokers let us in and hang up."""
        outward = self._outward
        for code in ("broker-away", "broker-back"):
            outward.news.over(code)
        outward.news.over("broker-fault", "store")
        if self._told:
            away = self._told == "broker-away"
            text = f"the broker {self._order.broker.name} is there again" if away else "publishing goes on"
            outward.say("broker-back", text, "")
        self._told = ""

    def _learn(self, outbox: Outbox, connection: Connection, error: BrokerError) -> None:
        """From how the connection ended: what is not to be sent for a while."""
        tried = connection.on_trial if error.by_peer else set()
        if tried:
            if len(tried) == 1:
                self._put_off[tried.pop()] = self._clock.now_ns()
            else:
                self._search.beware()
            error.quiet = True
            return
        found = self._search.after(connection, error)
        if found is not None:
            self._keep_apart(outbox, found)
        elif self._search.hangs_up or (self._search.swallows and connection.unanswered is not None):
            raise no_record(self._order.broker, hangs_up=self._search.hangs_up) from error

    def _keep_apart(self, outbox: Outbox, found: Culprit) -> None:
        topic = found.topic
        if found.item is not None:
            outbox.refused(found.item, found.why)
        if found.whole:
            outbox.hold(topic, found.why)
            self._soon = True  # one topic less to end connections
        if topic not in self._put_off or found.tried:  # another one does not put off the next try of all
            self._put_off[topic] = self._clock.now_ns()
        tell = self._refusals.held if found.whole else self._refusals.apart
        self._say_refused(tell(topic, found.deed))

    def _refused(self, topic: str, code: int) -> None:
        self._say_refused(self._refusals.refused(topic, code))

    def _say_refused(self, told: Told) -> None:
        self._outward.say("record-refused", *told)

    def _well(self, topic: str, *, again: bool) -> None:
        outward = self._outward
        outward.news.over("record-refused", topic)
        if (told := self._refusals.well(topic, again=again)) is not None:
            outward.news.over("record-refused", "*")
            outward.news.over("record-taken", topic)
            outward.say("record-taken", *told)

    def _ports(self, outbox: Outbox) -> Ports:
        order = self._order
        return Ports(
            broker=order.broker,
            source=order.source,
            outbox=outbox,
            inbox=self._inbox,
            tell=self._outward.say,
            refused=self._refused,
            well=self._well,
            holds=self._holds,
            keep=self._hand,
            counted=self._count,
            number=lambda: next(self._numbers),
            utc_us=self._clock.utc_us,
            about=self._about,
            old=self._pass_over_old,
            ours=lambda run: is_run_of(order.store, run),
            pace=order.pace,
            now_s=order.now_s,
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

    async def _pass_over_old(self) -> None:
        """Once an hour at most, and only by a clock that is believed; every look at it counts."""
        order, outbox, now_ns = self._order, self._open(), self._clock.now_ns()
        keep_s = order.broker.table.keep
        if self._calendar is None:
            with KeptReader(order.store) as reader:
                self._calendar = BelievedClock(reader.stretches(order.source.run), keep_s)
        utc_us = self._calendar.look(self._clock.utc_us(), now_ns)
        if self._calendar.doubt:
            self._outward.say("clock-doubt", f"no reading is passed over: {self._calendar.doubt}", "")
        due = self._old_ns is None or now_ns - self._old_ns >= order.pace.old_s * NS_PER_S
        if utc_us is None or not due:
            return
        before = outbox.backlog().passed_over
        # whatever its stamps say, nothing of this run is older than the run
        ours = now_ns - self._began_ns >= keep_s * NS_PER_S
        while outbox.pass_over_old(utc_us, keep_s, ours=ours):  # noqa: ASYNC110 - page by page
            await asyncio.sleep(0)
        self._old_ns = now_ns
        self._untold += outbox.backlog().passed_over - before
        if self._untold and self._outward.say(
            "records-passed-over",
            f"{self._untold:,} readings waited longer than {duration_text(keep_s)} for the broker and "
            "are not sent any more; they stay in the store: `riselog export` gives them",
            "passed over",
        ):
            self._untold = 0

    def _count(self, backlog: Backlog) -> None:
        self.backlog = backlog
