"""Values as text in the store: the snapshot and small mappings as JSON."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from typing import Any

from logger.core.errors import StoreError
from logger.core.snapshot import Freshness, Phase, ProbeState, Snapshot, TestState

_BROKER = "broker"  # key beside the fields of a snapshot


def json_text(value: Mapping[str, Any], what: str) -> str:
    """Compact JSON. Raises ``StoreError`` for what JSON cannot hold, nan and inf among it."""
    try:
        return json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise StoreError(f"{what} cannot be stored as JSON ({error}); report this as a fault") from error


def checked_json(text: str, what: str) -> str:
    """The same text, when it is a JSON object; else ``StoreError``."""
    if json_object(text) is None:
        raise StoreError(f"{what} is not a JSON object and was not stored; report this as a fault")
    return text


def json_object(text: str) -> dict[str, Any] | None:
    """The JSON object in a text, ``None`` where there is none."""
    try:
        value = json.loads(text)
    except ValueError:
        return None
    return value if isinstance(value, dict) else None


def snapshot_text(snapshot: Snapshot, broker: str = "") -> str:
    """A snapshot as JSON; ``broker`` says how it stood with one at that moment."""
    fields = dataclasses.asdict(snapshot)
    if broker:
        fields[_BROKER] = broker
    return json_text(fields, "the snapshot")


def broker_from_text(text: str) -> str:
    """What the text of a snapshot says of a broker, or nothing."""
    return str((json_object(text) or {}).get(_BROKER, ""))


def snapshot_from_text(text: str) -> Snapshot:
    """The snapshot that ``snapshot_text`` wrote.

    Raises
    ------
    StoreError
        The text has other fields: another version of riselog wrote it.
    """
    try:
        fields = json.loads(text)
        fields.pop(_BROKER, None)
        fields["phase"] = Phase(fields["phase"])
        fields["tests"] = tuple(TestState(**test) for test in fields["tests"])
        fields["probes"] = tuple(
            ProbeState(**{**probe, "state": Freshness(probe["state"])}) for probe in fields["probes"]
        )
        if fields["rise_window_k"] is not None:
            fields["rise_window_k"] = tuple(fields["rise_window_k"])
        return Snapshot(**fields)
    except (ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"the stored snapshot has other fields than this version knows ({error});"
            " use the version that wrote it"
        ) from error
