"""One try of everything that the broker refused: of each topic a first record, then the rest. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from logger.publish.records import START, Place

WHOLE_TOPIC = frozenset({0x87, 0x90, 0x97})
"""Refusals that will meet every record of the topic alike."""


class ParkedRound:
    """Walks along the parked records, page by page, as often as it takes.

    A topic whose first record meets a refusal of the whole topic is left alone for this round. Any other
    answer opens the topic; its rest goes with the next walk, so that it keeps its order.
    """

    def __init__(self) -> None:
        self.place = START  # of the walk
        self._due = False
        self._ended = False  # the walk
        self._first_out: set[str] = set()  # topics whose first record is on its way
        self._opened: set[str] = set()  # topics for the next walk
        self._open: set[str] = set()  # topics of this walk
        self._closed: set[str] = set()
        self._more: set[str] = set()  # topics of which this walk passed by a record
        self._last: dict[str, Place] = {}  # chosen in this round

    def begin(self, on_their_way: Iterable[str] = ()) -> None:
        """Start anew; of the topics ``on_their_way`` an answer is still to come."""
        self.place, self._due, self._ended = START, True, False
        self._first_out = set(on_their_way)
        for kept in (self._opened, self._open, self._closed, self._more):
            kept.clear()
        self._last.clear()

    def wanted(self) -> bool:
        """Whether a page is to be looked at now."""
        if self._ended and not self._first_out:
            self._due = bool(self._opened & self._more)
            self._open |= self._opened
            self._opened.clear()
            self._more.clear()
            self.place, self._ended = START, False
        return self._due and not self._ended

    def looked(self, behind: Place | None) -> None:
        """The page is done; ``None``: it was the last."""
        self._ended = behind is None
        self.place = behind or self.place

    def choose(self, topic: str, place: Place) -> bool:
        """Whether the record at that place is to be sent now."""
        if topic in self._closed or place <= self._last.get(topic, START):
            return False
        if topic in self._first_out or topic in self._opened:
            self._more.add(topic)
            return False
        if topic not in self._open:
            self._first_out.add(topic)
        self._last[topic] = place
        return True

    def answered(self, topic: str) -> None:
        """The broker takes something of the topic, or refuses one record for what it is."""
        if topic in self._first_out:
            self._first_out.discard(topic)
            self._opened.add(topic)

    def close(self, topic: str) -> None:
        """The broker refuses the whole topic."""
        self._closed.add(topic)
        for kept in (self._first_out, self._opened, self._open):
            kept.discard(topic)

    def is_closed(self, topic: str) -> bool:
        """Whether nothing more of it is sent in this round."""
        return topic in self._closed
