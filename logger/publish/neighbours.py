"""Who else speaks under our topic: what a status message of another run says. Pure."""

from __future__ import annotations

import json
from dataclasses import dataclass

from logger.text import clean_text

_MOST_BYTES = 10_000  # a status is far shorter; assumed
_MOST_SHOWN = 64  # characters of what another one calls itself; assumed


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbour:
    """A run by its status; ``since`` is as it says, for people alone."""

    run: str
    online: bool
    since: str


def neighbour(payload: bytes) -> Neighbour | None:
    """``None`` where it is no status of a logger.

    >>> neighbour(b'{"run":"5f2c","status":"online","t":null}')
    Neighbour(run='5f2c', online=True, since='')
    >>> neighbour(b"[]") is neighbour(b"") is neighbour(b'{"run":7,"status":"online"}') is None
    True
    """
    if len(payload) > _MOST_BYTES:
        return None
    try:
        document = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(document, dict) or document.get("status") not in ("online", "offline"):
        return None
    run, since = document.get("run"), document.get("t")
    if not isinstance(run, str):
        return None
    return Neighbour(
        run=clean_text(run, _MOST_SHOWN),
        online=document["status"] == "online",
        since=clean_text(since, _MOST_SHOWN) if isinstance(since, str) else "",
    )
