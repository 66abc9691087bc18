"""The one thread that writes during a live run: only it waits for the disk."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future

from logger.store.health import StoreHealth
from logger.store.live import HIGH_WATER, LiveWriter, Tell
from logger.store.records import Batch
from logger.store.writer import StoreWriter

COMMIT_PERIOD_S = 1.0  # design: one commit a second


class WriterThread:
    """Runs a ``LiveWriter``: a step once a period, and at once when asked.

    From ``start`` to ``stop`` the ``StoreWriter`` belongs to this thread. ``on_commit`` is called in
    it after each commit.
    """

    def __init__(
        self,
        writer: StoreWriter,
        run: str,
        *,
        tell: Tell,
        now_ns: Callable[[], int],
        period_s: float = COMMIT_PERIOD_S,
        high_water: int = HIGH_WATER,
        on_commit: Callable[[], None] = lambda: None,
    ) -> None:
        self._live = LiveWriter(
            writer, run, tell=tell, now_ns=now_ns, high_water=high_water, on_commit=on_commit
        )
        self._tell = tell
        self._reserve = writer.reserve
        self._period_s = period_s
        self._wake = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._loop, name="store-writer", daemon=True)

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def put(self, batch: Batch, *, flush: bool = False) -> None:
        """Queue a batch; ``flush`` commits it at once. Raises ``StoreError`` when storing has failed."""
        self._live.put(batch)
        if flush:
            self._wake.set()

    def committed(self, seq: int) -> Future[int]:
        """As ``LiveWriter.committed``."""
        return self._live.committed(seq)

    def settled(self) -> Future[int]:
        """As ``LiveWriter.settled``."""
        return self._live.settled()

    def health(self) -> StoreHealth:
        """As ``LiveWriter.health``."""
        return self._live.health()

    def stop(self) -> StoreHealth:
        """Store what waits and end the thread; the ``StoreWriter`` is the caller's again."""
        self._stopping = True
        self._wake.set()
        if self._thread.ident is not None:
            self._thread.join()
        self._live.finish()
        return self._live.health()

    def _loop(self) -> None:
        if not self._reserve.held:
            self._tell(
                "disk-low",
                f"less than {2 * self._reserve.size // 2**20} MiB are free for the store; free some",
            )
        while not self._stopping:
            self._wake.wait(self._period_s)
            self._wake.clear()
            self._live.step()
