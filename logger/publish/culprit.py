"""Finding the one record that the broker cannot take, so that it does not hold up all others."""

from __future__ import annotations

from typing import NamedTuple

from logger.publish.connection import Connection
from logger.publish.outbox import Item
from logger.publish.settings import BrokerError, refusal

CAREFUL_FROM = 3  # connections without one record acknowledged; assumed
PARK_FROM = 5  # of these, ended by the broker, before the one record in flight is parked; assumed
SILENT_FROM = 3  # connections that came to nothing for that record; assumed


class Culprit(NamedTuple):
    """``why`` is kept with the record, ``deed`` completes "the broker ..."."""

    item: Item
    why: str
    deed: str


class Search:
    """Over the connections of one publisher."""

    def __init__(self) -> None:
        self._losses = 0  # in a row, by the broker, with nothing acknowledged
        self._silences = 0  # in a row, with nothing acknowledged of several records
        self._silent: dict[tuple[int, int], int] = {}

    @property
    def careful(self) -> bool:
        """Whether the next connection is to send one record at a time."""
        return self._losses + self._silences >= CAREFUL_FROM

    def after(self, connection: Connection, error: BrokerError) -> Culprit | None:
        """Look at how a connection ended."""
        if connection.answered:
            self._losses = self._silences = 0
        if connection.unanswered is not None:
            return self._silence(connection, connection.unanswered)
        if connection.answered or not connection.flying or not error.by_peer:
            return None
        self._losses += 1
        if self._losses < PARK_FROM or len(connection.flying) > 1:
            return None
        (flight,) = connection.flying.values()
        topic = flight.item.post.topic
        if error.code is None:
            why = "hangs up each time it comes"
            return Culprit(flight.item, why, f"hangs up each time a record of {topic} comes")
        why = refusal(error.code)
        return Culprit(flight.item, why, f"{why}: so it ends when a record of {topic} comes")

    def _silence(self, connection: Connection, item: Item) -> Culprit | None:
        """All before it was acknowledged, that one was not, again and again."""
        if not connection.answered and len(connection.flying) > 1:
            self._silences += 1  # the broker may swallow one record and all that comes after it
            return None
        place = item.run.run_key, item.seq
        self._silent = {place: self._silent.get(place, 0) + 1}
        if self._silent[place] < SILENT_FROM and not item.again:
            return None
        self._silent = {}
        return Culprit(
            item, "never acknowledges it", f"never acknowledges a certain record of {item.post.topic}"
        )
