"""What else lies in a store: records for brokers that the config does not name, earlier runs."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from logger.core.errors import StoreError, UnknownRunError
from logger.store.waiting import WaitingReader
from logger.text import one_line


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


def left_here(store: Path, key: str) -> tuple[str, str]:
    """What waits for the broker of the config: a sentence on what is to be sent, and one with the next step
    on what the broker refused; each empty where there is nothing."""
    try:
        with WaitingReader(store) as reader:
            waiting, reasons = reader.waiting_count(key), reader.parked_reasons(key)
    except StoreError:
        return "", ""
    refused = sum(count for _, count in reasons)
    return (
        f"{waiting:,} records of earlier runs wait; they are sent by the next run" if waiting else "",
        f"{refused:,} records are kept that the broker refused when they were last sent "
        f"({one_line(reasons[0][0])}); mend that at the broker, and the next run sends them"
        if refused
        else "",
    )


def is_run_of(store: Path, run: str) -> bool:
    """Whether the store knows that run. Raises ``StoreError``."""
    with WaitingReader(store) as reader, suppress(UnknownRunError):
        reader.end_reason(run)
        return True
    return False
