"""Finding what the broker cannot take, so that it does not hold up all else."""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

from logger.publish.connection import Connection
from logger.publish.outbox import Item
from logger.publish.records import Place
from logger.publish.settings import BrokerError, refusal

CAREFUL_FROM = 3  # connections in a row that the broker ended before long; assumed
HUNG_FROM = 2  # of these, with the same alone on its way, before it is kept apart; assumed
BARRED_FROM = 2  # connections that ended right after a refusal of a topic, before it is held; assumed
SILENT_FROM = 3  # connections that came to nothing for that record; assumed
BARREN_FROM = 5  # silent connections without one record acknowledged, two of them proofs; assumed
STUCK_FROM = 3  # connections, each ended at a record of another topic than the last; assumed
WHOLE_FROM = 2  # records of a topic kept apart, none acknowledged, before it is held as a whole; assumed
_NO_BLAME = frozenset({0x89, 0x8B, 0x8D, 0x8E, 0x98, 0x9C, 0x9D, 0x9F, 0xA0})
"""MQTT 5.0, 3.14.2.1: why a broker ends a connection, whatever was sent over it."""


class Culprit(NamedTuple):
    """``why`` is kept with the record, ``deed`` completes "the broker ..."; ``item`` is to be kept apart, and
    ``tried``: it was before, or its topic was; ``whole``: the topic is to be held."""

    topic: str
    why: str
    deed: str
    item: Item | None = None
    tried: bool = False
    whole: bool = False


class Search:
    """Over the connections of one publisher."""

    def __init__(self) -> None:
        self._losses = 0  # in a row, by the broker, before long
        self._hung: tuple[Place | str, int] = "", 0  # what was alone on its way, in how many in a row
        self._barred: Counter[str] = Counter()  # topics refused as the last thing before the end
        self._hangs: set[str] = set()  # topics kept apart for hang-ups since any was acknowledged
        self._stuck = 0  # connections ended at yet another one
        self._silences = 0  # in a row, with nothing acknowledged
        self._silent: dict[
            Place, tuple[int, bool]
        ] = {}  # the last one: how often in a row, whether passed by
        self._apart: Counter[str] = Counter()  # kept apart of a topic since one of it was acknowledged

    @property
    def careful(self) -> bool:
        """Whether the next connection is to send one message at a time."""
        return self._losses >= CAREFUL_FROM

    @property
    def proof(self) -> bool:
        """Whether the next connection is to show that the broker acknowledges other records."""
        return self._silences >= CAREFUL_FROM or self._stuck > 0

    @property
    def swallows(self) -> bool:
        """Whether it acknowledges no record at all: then none is to blame."""
        return self._silences >= BARREN_FROM

    @property
    def hangs_up(self) -> bool:
        """Whether it hangs up at records of any topic: then none is to blame."""
        return self._stuck >= STUCK_FROM

    def beware(self) -> None:
        """The next connection is to be a careful one."""
        self._losses = max(self._losses, CAREFUL_FROM)

    def after(self, connection: Connection, error: BrokerError) -> Culprit | None:
        """Look at how a connection ended, once nothing is answered on it any more."""
        proof = self.proof
        for topic in connection.answered:
            del self._apart[topic]
        if connection.answered:
            self._silences = self._stuck = 0
            self._hangs.clear()
        if connection.unanswered is not None:
            return self._silence(connection, connection.unanswered, proof=proof)
        if not error.by_peer or error.code in _NO_BLAME:
            return None
        if connection.lasted and connection.barred is None:
            self._barred.clear()  # that it ended right after a refusal was chance
        # what was acknowledged does not count: of twenty records that it has, it may hang up at the last
        self._losses = 0 if connection.lasted else self._losses + 1
        if connection.barred is not None:
            return self._bar(connection.barred.topic, connection.barred.code)
        return self._hang_up(connection, error) if connection.careful else None

    def _bar(self, topic: str, code: int) -> Culprit | None:
        """It refused a whole topic, and then hung up."""
        self._barred[topic] += 1
        if self._barred[topic] < BARRED_FROM:
            return None
        del self._barred[topic]
        deed = f"ends the connection each time it refuses {topic}: it {refusal(code)}"
        return Culprit(topic, refusal(code), deed, whole=True)

    def _hang_up(self, connection: Connection, error: BrokerError) -> Culprit | None:
        """The broker ended a connection on which no more than one message was on its way."""
        items = [flight.item for flight in connection.flying.values()]
        alone: list[Place | str] = [item.place for item in items]
        alone += [connection.passing] if connection.passing else []
        if len(alone) != 1:
            return None
        self._hung = alone[0], self._hung[1] + 1 if self._hung[0] == alone[0] else 1
        if self._hung[1] < HUNG_FROM:
            return None
        topic = items[0].post.topic if items else connection.passing
        if items and self._hangs - {topic}:
            self._stuck += 1  # at another topic, with nothing acknowledged in between
            return None
        why = "hangs up each time it comes" if error.code is None else refusal(error.code)
        deed = f"{why}: so it ends when a record of {topic} comes"
        if error.code is None:
            deed = f"hangs up each time a record of {topic} comes"
        if not items:
            return Culprit(topic, why, deed, whole=True)
        self._hangs.add(topic)
        tried, whole = self._is_tried(items[0]), self._count_apart(items[0])
        return Culprit(topic, why, deed, items[0], tried=tried, whole=whole)

    def _silence(self, connection: Connection, item: Item, *, proof: bool) -> Culprit | None:
        """Others were acknowledged, that one was not, again and again."""
        topic = item.post.topic
        tried = self._is_tried(item)
        if not tried and not self._is_to_blame(connection, item.place, proof=proof):
            return None
        whole = self._count_apart(item)
        what = "any" if whole else "a certain"
        why, deed = "never acknowledges it", f"never acknowledges {what} record of {topic}"
        return Culprit(topic, why, deed, item, tried=tried, whole=whole)

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
