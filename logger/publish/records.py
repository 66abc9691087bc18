"""Stored records on their way: where they lie, and as messages, each with its ``id``, the same at every try.
Pure.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from logger.clock import utc_text
from logger.core.readings import NS_PER_US, QUANTITIES
from logger.publish.post import Post, Topics, payload
from logger.store.waiting import PublishedRun, Unreadable, WaitingReading, WaitingRow

Place = tuple[int, int]
"""``run_key`` and ``seq`` of a record."""
START: Place = (0, -1)  # before every place: run keys begin at 1


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


def record_id(run: str, seq: int) -> str:
    """What a consumer tells a repeat by: never used for anything else.

    >>> record_id("5f2c", 17)
    '5f2c/17'
    """
    return f"{run}/{seq}"


def reading_post(topics: Topics, run: PublishedRun, reading: WaitingReading) -> Post:
    """A reading: raw value in the unit of the CSV; time as there, start plus what had elapsed."""
    document: dict[str, Any] = {
        "id": record_id(run.run, reading.seq),
        "t": _time(run, reading.t_ns),
        "value": reading.value,
        "unit": QUANTITIES[reading.quantity].unit,
        "flag": reading.flag.value,
    }
    return Post(topic=topics.reading(reading.probe, reading.quantity), payload=_said(document, run))


def row_post(topics: Topics, run: PublishedRun, row: WaitingRow) -> Post:
    """An event, or a result with its whole document."""
    head: dict[str, Any] = {"id": record_id(run.run, row.seq), "t": _time(run, row.t_ns)}
    if row.kind == "event":
        event = {"code": row.code, "probe": row.probe, "text": row.text, "origin": row.origin}
        return Post(topic=topics("event"), payload=_said(head | event, run))
    document = json.loads(row.text)
    return Post(topic=topics("result"), payload=payload(head | {"scope": row.code} | document), retain=True)


def _time(run: PublishedRun, t_ns: int) -> str:
    return utc_text(run.started_utc_us + t_ns // NS_PER_US)


def _said(document: dict[str, Any], run: PublishedRun) -> bytes:
    """What comes from a simulation says so."""
    return payload(document | {"simulated": True} if run.simulated else document)


def others_first(items: list[Item]) -> list[Item]:
    """First a record of each topic but that of the very first; each topic keeps its order."""
    seen = {item.post.topic for item in items[:1]}
    heads: list[Item] = []
    rest: list[Item] = []
    for item in items:
        (rest if item.post.topic in seen else heads).append(item)
        seen.add(item.post.topic)
    return [*heads, *rest]
