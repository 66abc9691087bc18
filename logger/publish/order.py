"""What is published, from where, and how fast; and what each connection is given for it."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from logger.clock import SystemClock
from logger.core.readings import NS_PER_S, Quantity
from logger.publish.books import Settled
from logger.publish.inbox import Inbox
from logger.publish.live import Backlog, Source
from logger.publish.news import News
from logger.publish.outbox import Outbox
from logger.publish.pace import Pace
from logger.publish.post import Post
from logger.publish.settings import Broker

Probes = Mapping[str, tuple[str, Sequence[Quantity]]]
"""Role and quantities of each probe, by its name."""


class Calendar(Protocol):
    """As ``BelievedClock``: a wall time by which readings may be passed over."""

    @property
    def doubt(self) -> str:
        """Why a person should look at the clock; empty where nobody need."""
        ...

    def look(self, utc_us: int, elapsed_ns: int) -> int | None:
        """``None`` where it is not believed."""
        ...


class Well(Protocol):
    """Told that a message of the topic was taken; ``again``: one like it was refused before."""

    def __call__(self, topic: str, *, again: bool) -> None:
        """Take note."""
        ...


def awake_s() -> float:
    """Nobody answers while this computer sleeps."""
    return SystemClock().awake_ns() / NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """``calendar``: ``None`` for one that knows what the store knows; ``now_s`` for what is not answered."""

    broker: Broker
    store: Path
    source: Source
    probes: Probes
    pace: Pace = field(default_factory=Pace)
    calendar: Calendar | None = None
    now_s: Callable[[], float] = awake_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Ports:
    """What a connection is given. ``tell`` takes code, sentence and what makes it the same news;
    ``refused`` that a topic is refused with that reason code, ``well`` that it is taken and whether what was
    refused of it is among that, ``holds`` that the connection is a good one; ``keep`` hands to the
    store's writer and says whether it took it; ``old`` passes over what has waited too long;
    ``ours`` knows the runs of this store."""

    broker: Broker
    source: Source
    outbox: Outbox
    inbox: Inbox
    tell: Callable[[str, str, str], bool]
    refused: Callable[[str, int], None]
    well: Well
    holds: Callable[[], None]
    keep: Callable[[Settled], bool]
    counted: Callable[[Backlog], None]
    number: Callable[[], int]
    utc_us: Callable[[], int]
    about: Callable[[], Post]
    old: Callable[[], Awaitable[None]]
    ours: Callable[[str], bool]
    pace: Pace = field(default_factory=Pace)
    pause: Callable[[float], Awaitable[None]] = asyncio.sleep
    now_s: Callable[[], float] = awake_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Outward:
    """``say`` takes code, sentence and what makes it the same news; ``keep`` hands to the store's writer
    and says whether it took it; ``say`` whether it was news."""

    say: Callable[[str, str, str], bool]
    keep: Callable[[Settled], bool]
    news: News
    rng: Callable[[], float] = random.random
