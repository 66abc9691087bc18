"""What a connection of the publisher is given."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from logger.clock import SystemClock
from logger.core.readings import NS_PER_S
from logger.publish.books import Settled
from logger.publish.inbox import Inbox
from logger.publish.live import Backlog, Source
from logger.publish.outbox import Outbox
from logger.publish.pace import Pace
from logger.publish.post import Post
from logger.publish.settings import Broker


def _awake_s() -> float:
    """Nobody answers while this computer sleeps."""
    return SystemClock().awake_ns() / NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Ports:
    """What a connection is given. ``tell`` takes code, sentence and what makes it the same news;
    ``well`` that a topic is taken, ``holds`` that the connection is a good one; ``keep`` hands to the
    store's writer and says whether it took it; ``old`` passes over what has waited too long;
    ``ours`` knows the runs of this store."""

    broker: Broker
    source: Source
    outbox: Outbox
    inbox: Inbox
    tell: Callable[[str, str, str], bool]
    well: Callable[[str], None]
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
    now_s: Callable[[], float] = _awake_s
