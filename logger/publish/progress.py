"""How far the readings of one run have come at the broker. Pure."""

from __future__ import annotations

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
        self._early = set(above)  # settled in a connection before; in the way of ``sent`` no more
        self._open: dict[int, bool] = {}  # sent in this connection, in order; True when settled

    def is_settled(self, seq: int) -> bool:
        """Whether it need not be sent."""
        return seq < self.next_seq or seq in self._early

    def under_way(self) -> bool:
        """Whether something was sent and is not settled."""
        return bool(self._open)

    def sent(self, seq: int) -> None:
        """It is on its way; seqs rise."""
        self._open[seq] = seq in self._early

    def settled(self, seq: int) -> None:
        """Acknowledged, or parked."""
        self._open[seq] = True
        for first in list(self._open):
            if not self._open[first]:
                break
            del self._open[first]
            self._early.discard(first)
            self.next_seq = first + 1

    def above(self) -> tuple[int, ...]:
        """Settled beyond ``next_seq``, in order."""
        here = {seq for seq, done in self._open.items() if done}
        return tuple(sorted(here | {seq for seq in self._early if seq >= self.next_seq}))

    def rewind(self) -> None:
        """The connection is gone: what was not settled will be sent again."""
        self._early = set(self.above())
        self._open.clear()

    def skip_to(self, seq: int) -> None:
        """Everything below is passed over; nothing may be on its way."""
        self.next_seq = max(self.next_seq, seq)
        self._early = {early for early in self._early if early >= self.next_seq}
