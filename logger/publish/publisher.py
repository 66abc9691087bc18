"""The publisher: a thread with a loop of its own, so that no broker ever holds a reading up.

It reads what is committed over a read-only connection; what the broker has answered goes to the
store's one writer. It goes on for ever; trouble is told once, not at each try.
"""

from __future__ import annotations

import asyncio
import logging
import random
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

from logger.clock import SystemClock
from logger.faults import fault_sentence
from logger.publish.books import Settled
from logger.publish.inbox import Inbox
from logger.publish.live import Backlog, Picture
from logger.publish.news import News
from logger.publish.order import Order, Outward
from logger.publish.rounds import Rounds
from logger.store.records import Batch

JOIN_S = 3.0  # wall time for the thread's own end; assumed

_LOG = logging.getLogger("riselog.publish")


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
        self._inbox = Inbox()
        self._clock = SystemClock()
        self._news = News()
        outward = Outward(say=self._say, keep=self._keep_settled, news=self._news, rng=rng)
        self._rounds = Rounds(order, self._inbox, outward)
        self._held = False
        self._over = False  # nobody listens any more
        self._left: list[Settled] = []
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
            wait_s = 0.0 if self._rounds.trouble else self._order.pace.farewell_s
            await asyncio.to_thread(self._thread.join, wait_s + JOIN_S)
        self._over = True
        return self._batch(*self._left)

    def words(self) -> str:
        """For the dashboard: how it stands, in a few words."""
        rounds = self._rounds
        if rounds.stopped:
            return "stopped by a fault"
        ended = self._over and not self._thread.is_alive()
        state = "" if rounds.connected or ended else "connecting"
        if rounds.trouble and not rounds.connected:
            state = "away"
        return ", ".join(part for part in (state, *_counts(rounds.backlog)) if part)

    def left_behind(self) -> str:
        """A sentence on what the broker has not got, or nothing."""
        backlog, name = self._rounds.backlog, self._order.broker.name
        if self._thread.is_alive():
            return (
                f"the broker {name} was not left in order: publishing did not end in time ({self.words()}); "
                "what was sent last may be sent once more by the next run of this job, nothing is lost"
            )
        if backlog is None or not (backlog.waiting or backlog.parked):
            return ""
        why = f": {self._rounds.trouble}" if self._rounds.trouble else ""
        return (
            f"the broker {name} has not got everything ({self.words()}){why}; it is kept, and the next run "
            "of this job sends it"
        )

    def _run(self) -> None:
        try:
            # not the default loop: on Windows that one cannot watch the client's socket
            with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
                runner.get_loop().set_default_executor(_Threads())
                runner.run(self._main())
        except Exception as error:  # noqa: BLE001 - a thread that dies unseen would publish nothing
            self._rounds.stopped = True
            self._say("broker-fault", f"nothing more is published: {fault_sentence(error, 'publishing')}", "")

    async def _main(self) -> None:
        self._inbox.belongs_to(asyncio.get_running_loop())
        rounds = asyncio.ensure_future(self._rounds.go())
        ending = asyncio.ensure_future(self._inbox.ending.wait())
        both: set[asyncio.Future[Any]] = {rounds, ending}
        try:
            await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
            if not rounds.done() and not self._rounds.trouble:
                await asyncio.wait({rounds}, timeout=self._order.pace.farewell_s)
        finally:
            ending.cancel()
            rounds.cancel()
            await asyncio.gather(rounds, ending, return_exceptions=True)
            self._left = self._rounds.close()
        if not rounds.cancelled():
            rounds.result()

    def _keep_settled(self, settled: Settled) -> bool:
        return not self._held and self._keep(self._batch(settled))

    def _batch(self, *settled: Settled) -> Batch:
        return Batch(
            run=self._order.source.run,
            cursors=[move for one in settled for move in one.cursors],
            marks=[mark for one in settled for mark in one.marks],
        )

    def _say(self, code: str, text: str, news: str) -> bool:
        """Tell what is news, and say whether it was."""
        if self._over or not self._news.is_fresh(code, news, self._clock.now_ns()):
            _LOG.debug("%s: %s", code, text)
            return False
        self._tell(code, text)
        return True


def _counts(backlog: Backlog | None) -> list[str]:
    if backlog is None:
        return []
    number = f"over {backlog.waiting:,}" if backlog.more else f"{backlog.waiting:,}"
    parts = [f"{number} to send"] if backlog.waiting else []
    parts += [f"{backlog.parked:,} refused"] if backlog.parked else []
    if not backlog.waiting:
        parts.append("nothing else to send" if backlog.parked else "all sent")
    return parts + ([f"{backlog.passed_over:,} passed over"] if backlog.passed_over else [])


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
