"""Records that the broker has answered, until the store says so too. Pure.

The store is told in groups, in order; it takes a group whole or not at all.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import chain

Place = tuple[int, int]
"""``run_key`` and ``seq`` of a record."""
START: Place = (0, -1)  # before every place: run keys begin at 1


@dataclass(frozen=True, slots=True)
class _Note:
    gone: bool
    untried: bool


_NOTES = {(gone, untried): _Note(gone, untried) for gone in (False, True) for untried in (False, True)}


class Unstored:
    """What a look at the store would still show as it was.

    >>> unstored = Unstored()
    >>> unstored.note((1, 7), gone=True, untried=True); unstored.hand()
    >>> (1, 7) in unstored, unstored.gone((1, 7)), unstored.untried_behind(START)
    (True, True, 1)
    >>> unstored.forget_stored(lambda place: None); (1, 7) in unstored
    False
    """

    def __init__(self) -> None:
        self._new: dict[Place, _Note] = {}
        self._handed: deque[dict[Place, _Note]] = deque()

    def __contains__(self, place: Place) -> bool:
        return place in self._new or any(place in group for group in self._handed)

    def gone(self, place: Place) -> bool:
        """Whether its row in the outbox will go."""
        return any(place in group and group[place].gone for group in (*self._handed, self._new))

    def untried_behind(self, place: Place) -> int:
        """How many behind that place the store shows as untried."""
        notes = chain.from_iterable(group.items() for group in (*self._handed, self._new))
        return sum(note.untried and at > place for at, note in notes)

    def note(self, place: Place, *, gone: bool, untried: bool) -> None:
        """Its row in the outbox goes, or else it is parked; ``untried``: it was neither before."""
        self._new.pop(place, None)  # the last one noted is the last one stored
        self._new[place] = _NOTES[gone, untried]  # shared: there may be very many

    def hand(self) -> None:
        """What was noted since is a group, and on its way to the store."""
        self._handed.append(self._new)
        self._new = {}

    def give_back(self) -> None:
        """The newest group is not taken: it goes with the next."""
        self._new = self._handed.pop() | self._new

    def forget_stored(self, is_parked: Callable[[Place], bool | None]) -> None:
        """Look with ``is_parked`` (``None``: no row) how far the store has come: one look for each group
        at most."""
        for count in range(len(self._handed), 0, -1):
            group = self._handed[count - 1]
            if not group:
                continue
            place, note = next(reversed(group.items()))
            if is_parked(place) is (None if note.gone else True):
                for _ in range(count):
                    self._handed.popleft()
                break
        while self._handed and not self._handed[0]:
            self._handed.popleft()
