"""A run's publisher, or nobody: a config without a broker costs nothing, not even the client's import."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from logger.config.load import LoadedConfig
from logger.core.readings import Quantity
from logger.core.snapshot import Snapshot
from logger.publish.left import left_for_others
from logger.publish.live import Health, Picture, Source
from logger.publish.settings import Broker
from logger.store.records import Batch

if TYPE_CHECKING:
    from logger.publish.publisher import Publisher

ALWAYS_WELCOME = (Quantity.BATTERY, Quantity.SIGNAL)  # of any probe


class RunPublisher:
    """What a live run does with a broker. ``wanted`` is what the job would like of a probe of each role;
    ``tell`` and ``keep`` as of ``Publisher``."""

    def __init__(
        self,
        config: LoadedConfig,
        run: str,
        store: Path,
        *,
        wanted: Mapping[str, Sequence[Quantity]],
        tell: Callable[[str, str], None],
        keep: Callable[[Batch], bool],
    ) -> None:
        self._publisher: Publisher | None = None
        self._store, self._tell = store, tell
        self.broker: str | None = None
        if config.mqtt is None:
            return
        from logger.publish.order import Order  # noqa: PLC0415
        from logger.publish.publisher import Publisher  # noqa: PLC0415 - costs start-up time

        broker = Broker(table=config.mqtt, job=config.job.name)
        self.broker = broker.key
        order = Order(
            broker=broker,
            store=store,
            source=Source(run=run, simulated=config.simulated),
            probes={p.name: (p.role.value, (*wanted[p.role], *ALWAYS_WELCOME)) for p in config.probes},
        )
        self._publisher = Publisher(order, tell=tell, keep=keep)

    def start(self) -> None:
        """Begin; the store must be there. Without a broker, say what waits for one all the same."""
        if self._publisher is not None:
            self._publisher.start()
            return
        for text in left_for_others(self._store, None):
            self._tell("records-wait", text)

    def committed(self) -> None:
        """The store has something new; from any thread."""
        if self._publisher is not None:
            self._publisher.committed()

    def show(self, snapshot: Snapshot, started_utc_us: int | None, health: Health) -> None:
        """The newest picture; nothing before the run's first reading."""
        if self._publisher is not None and started_utc_us is not None:
            picture = Picture(snapshot=snapshot, started_utc_us=started_utc_us, health=health)
            self._publisher.show(picture)

    def words(self) -> str:
        """For the dashboard."""
        return "not configured" if self._publisher is None else self._publisher.words()

    def hold(self) -> None:
        """The store's writing thread is about to end: nothing more is handed to it."""
        if self._publisher is not None:
            self._publisher.hold()

    async def finish(self) -> tuple[Batch | None, str]:
        """Send what is left, within bounds; what the store is still to be told, and a sentence on what
        the broker has not got."""
        if self._publisher is None:
            return None, ""
        return await self._publisher.finish(), self._publisher.left_behind()
