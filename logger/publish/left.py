"""What else lies in a store: records for brokers that the config does not name, earlier runs."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from logger.core.errors import StoreError, UnknownRunError
from logger.store.waiting import WaitingReader
from logger.text import one_line

UNREADABLE = "cannot be read"
"""How the reason of a record begins that the store does not give away."""


def left_for_others(store: Path, key: str | None) -> list[str]:
    """Sentences with the next step; ``key`` is the broker of the config, ``None`` where it has none.

    Nothing is said where there is no store or it cannot be read: who uses it says that.
    """
    try:
        with WaitingReader(store) as reader:
            others = reader.other_brokers(key or "")
    except StoreError:
        return []
    if key is None:
        waiting = sum(count for _, count in others)
        text = f"{waiting:,} records of this job wait for the broker; give [mqtt] back to have them sent"
        return [text] if waiting else []
    return [
        f'{count:,} records wait for the broker "{name}", which the config does not name; write [mqtt] '
        f'name = "{name}" to send them there'
        for name, count in others
    ]


class Left(NamedTuple):
    """What lies there for the broker of the config: a sentence, the next step if there is one, and whether
    that is as it should be."""

    ok: bool
    text: str
    step: str = ""


def left_here(store: Path, key: str) -> list[Left]:
    """What waits for the broker of the config, what it refused, and what the store cannot read."""
    try:
        with WaitingReader(store) as reader:
            waiting, reasons = reader.waiting_count(key), reader.parked_reasons(key)
    except StoreError:
        return []
    odd = [(why, count) for why, count in reasons if why.startswith(UNREADABLE)]
    refused = [reason for reason in reasons if reason not in odd]
    found = []
    if waiting:
        found.append(Left(ok=True, text=f"still to be sent, by this run or the next: {waiting:,}"))
    if refused:
        text = f"refused by the broker when last sent, and kept: {_count(refused):,}"
        step = "mend that at the broker; then the run that goes on sends them, or the next one"
        found.append(Left(ok=False, text=f"{text} ({one_line(refused[0][0])})", step=step))
    if odd:
        text = f"not sent, and kept: {_count(odd):,}; the first {one_line(odd[0][0])}"
        found.append(Left(ok=True, text=text))
    return found


def _count(reasons: Sequence[tuple[str, int]]) -> int:
    return sum(count for _, count in reasons)


def is_run_of(store: Path, run: str) -> bool:
    """Whether the store knows that run. Raises ``StoreError``."""
    with WaitingReader(store) as reader, suppress(UnknownRunError):
        reader.end_reason(run)
        return True
    return False
