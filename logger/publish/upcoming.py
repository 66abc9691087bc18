"""A record that is to be sent: before its message is made, and with it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from logger.publish.post import Post
from logger.publish.unstored import Place
from logger.store.waiting import PublishedRun, Unreadable, WaitingReading


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One record on its way. ``again``: it was parked before."""

    run: PublishedRun
    seq: int
    kind: str
    post: Post
    again: bool = False

    @property
    def place(self) -> Place:
        """Where it lies among all."""
        return self.run.run_key, self.seq


@dataclass(frozen=True, slots=True)
class Next:
    """One that goes out next; its message is made when it goes. ``topic`` is that of a parked one,
    ``reading`` that of a fresh one."""

    place: Place
    kind: str
    topic: str = ""
    reading: WaitingReading | Unreadable | None = None

    @property
    def again(self) -> bool:
        """It was parked before."""
        return bool(self.topic)

    @property
    def is_row(self) -> bool:
        """An event or result that was not tried yet."""
        return self.kind != "reading" and not self.again
