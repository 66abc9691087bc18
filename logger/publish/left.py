"""What else lies in a store: records for brokers that the config does not name, earlier runs."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from logger.core.errors import StoreError, UnknownRunError
from logger.store.waiting import WaitingReader


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


def is_run_of(store: Path, run: str) -> bool:
    """Whether the store knows that run. Raises ``StoreError``."""
    with WaitingReader(store) as reader, suppress(UnknownRunError):
        reader.end_reason(run)
        return True
    return False
