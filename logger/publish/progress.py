"""How far the readings of one run have come at the broker. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable


class Progress:
    """Seqs that were sent in order and are settled in any order.

    ``next_seq``: everything below is settled; ``above()``: the few settled beyond it. What is below
    or above is never sent again.

    >>> progress = Progress(0)
    >>> for seq in (0, 1, 4): progress.sent(seq)
    >>> progress.settled(1); progress.next_seq, progress.above()
    (0, (1,))
    >>> progress.settled(0); progress.next_seq, progress.above()
    (2, ())
    """

    def __init__(self, next_seq: int, above: Iterable[int] = ()) -> None:
        self.next_seq = next_seq
        self._early = set(above)  # settled in a connection before
        self._early_order = deque(sorted(self._early))
        self._sent: deque[int] = deque()  # in this connection, from the first that is open on
        self._done: set[int] = set()  # of these, the settled ones
        self._news: list[int] = []  # settled, not told to the store
        self._read_to = next_seq  # in this connection; below, all that is not settled was sent
        self._forget_early()

    def is_settled(self, seq: int) -> bool:
        """Whether it need not be sent."""
        return seq < self.next_seq or seq in self._early or seq in self._done

    def under_way(self) -> bool:
        """Whether something was sent and is not settled."""
        return bool(self._sent)

    def ahead(self) -> int:
        """How many are settled beyond ``next_seq``."""
        return len(self._early) + len(self._done)

    def sent(self, seq: int) -> None:
        """It is on its way; seqs rise, and none is settled."""
        self._sent.append(seq)

    def settled(self, seq: int) -> None:
        """Acknowledged, or parked."""
        self._done.add(seq)
        self._news.append(seq)
        while self._sent and self._sent[0] in self._done:
            first = self._sent.popleft()
            self._done.discard(first)
            self.next_seq = first + 1
        self._close_up()

    def read_to(self, seq: int) -> bool:
        """Below it the store has nothing that was neither sent nor settled; whether ``next_seq`` rose."""
        self._read_to = max(self._read_to, seq)
        before = self.next_seq
        self._close_up()
        return self.next_seq > before

    def above(self) -> tuple[int, ...]:
        """Settled beyond ``next_seq``, in order."""
        return tuple(sorted(self._done | self._early))

    def take_news(self) -> tuple[int, ...]:
        """What came to ``above`` since the last call and is still there."""
        news = tuple(sorted({seq for seq in self._news if seq >= self.next_seq}))
        self._news.clear()
        return news

    def give_back(self, news: Iterable[int]) -> None:
        """It goes with the next."""
        self._news.extend(news)

    def rewind(self) -> None:
        """The connection is gone: what was not settled will be sent again."""
        self._early |= self._done
        self._early_order = deque(sorted(self._early))
        self._sent.clear()
        self._done.clear()
        self._read_to = self.next_seq

    def skip_to(self, seq: int) -> None:
        """Everything below is passed over; nothing may be on its way."""
        self.next_seq = max(self.next_seq, seq)
        self._forget_early()

    def _close_up(self) -> None:
        """With nothing on its way, what was settled in connections before is no island any more."""
        if not self._sent:
            self.next_seq = max(self.next_seq, self._read_to)
        self._forget_early()

    def _forget_early(self) -> None:
        while self._early_order and self._early_order[0] < self.next_seq:
            self._early.discard(self._early_order.popleft())
