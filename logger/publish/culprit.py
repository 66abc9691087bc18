"""Finding the one record that the broker cannot take, so that it does not hold up all others."""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

from logger.publish.connection import Connection
from logger.publish.outbox import Item
from logger.publish.records import Place
from logger.publish.settings import BrokerError, refusal

CAREFUL_FROM = 3  # connections without one record acknowledged; assumed
PARK_FROM = 5  # of these, ended by the broker, before the one record in flight is parked; assumed
SILENT_FROM = 3  # connections that came to nothing for that record; assumed
BARREN_FROM = 5  # silent connections without one record acknowledged, two of them proofs; assumed
WHOLE_FROM = 2  # records of a topic kept apart, none acknowledged, before it is held as a whole; assumed


class Culprit(NamedTuple):
    """``why`` is kept with the record, ``deed`` completes "the broker ..."; ``tried``: it was kept apart
    before, or its topic was; ``whole``: its topic is to be held."""

    item: Item
    why: str
    deed: str
    tried: bool = False
    whole: bool = False


class Search:
    """Over the connections of one publisher."""

    def __init__(self) -> None:
        self._losses = 0  # in a row, by the broker, with nothing acknowledged
        self._silences = 0  # in a row, with nothing acknowledged
        self._silent: dict[
            Place, tuple[int, bool]
        ] = {}  # the last one: how often in a row, whether passed by
        self._apart: Counter[str] = Counter()  # kept apart of a topic since one of it was acknowledged

    @property
    def careful(self) -> bool:
        """Whether the next connection is to send one record at a time."""
        return self._losses >= CAREFUL_FROM

    @property
    def proof(self) -> bool:
        """Whether the next connection is to show that the broker acknowledges other records."""
        return self._silences >= CAREFUL_FROM

    @property
    def barren(self) -> bool:
        """Whether it acknowledges no record at all: then none is to blame."""
        return self._silences >= BARREN_FROM

    def after(self, connection: Connection, error: BrokerError) -> Culprit | None:
        """Look at how a connection ended, once nothing is answered on it any more."""
        proof = self.proof
        for topic in connection.answered:
            del self._apart[topic]
        if connection.answered:
            self._losses = self._silences = 0
        if connection.unanswered is not None:
            return self._silence(connection, connection.unanswered, proof=proof)
        if connection.answered or not connection.flying or not error.by_peer:
            return None
        self._losses += 1
        if self._losses < PARK_FROM or len(connection.flying) > 1:
            return None
        (flight,) = connection.flying.values()
        item, topic = flight.item, flight.item.post.topic
        tried, whole = self._is_tried(item), self._count_apart(item)
        if error.code is None:
            why, deed = "hangs up each time it comes", f"hangs up each time a record of {topic} comes"
        else:
            why = refusal(error.code)
            deed = f"{why}: so it ends when a record of {topic} comes"
        return Culprit(item, why, deed, tried=tried, whole=whole)

    def _silence(self, connection: Connection, item: Item, *, proof: bool) -> Culprit | None:
        """Others were acknowledged, that one was not, again and again."""
        topic = item.post.topic
        tried = self._is_tried(item)
        if not tried and not self._is_to_blame(connection, item.place, proof=proof):
            return None
        whole = self._count_apart(item)
        what = "any" if whole else "a certain"
        why, deed = "never acknowledges it", f"never acknowledges {what} record of {topic}"
        return Culprit(item, why, deed, tried=tried, whole=whole)

    def _is_tried(self, item: Item) -> bool:
        """Whether it was kept apart before, or its topic was."""
        return item.again or self._apart[item.post.topic] >= WHOLE_FROM

    def _count_apart(self, item: Item) -> bool:
        """It is kept apart; whether its topic is to be held."""
        self._apart[item.post.topic] += not item.again
        return self._apart[item.post.topic] >= WHOLE_FROM

    def _is_to_blame(self, connection: Connection, place: Place, *, proof: bool) -> bool:
        times, passed_by = self._silent.get(place, (0, False))
        times, passed_by = times + 1, passed_by or connection.passed_by
        self._silent = {place: (times, passed_by)}
        if not connection.answered:
            self._silences += 1  # it may swallow one record and all that comes after, or one topic, or all
        elif proof:
            self._silences = CAREFUL_FROM  # the next one comes to light at the next connection
            return True
        return times >= SILENT_FROM and (passed_by or bool(connection.answered))
