"""What goes to the broker, and where: topics by design, payloads as JSON. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.core.readings import Quantity

SNAPSHOT_EXPIRY_S = 30  # MQTT 5 message expiry: an older picture is not live any more; assumed


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """One message; ``expiry_s`` is MQTT 5's message expiry."""

    topic: str
    payload: bytes
    retain: bool = False
    expiry_s: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Topics:
    """The topics of one job."""

    prefix: str
    site: str
    job: str

    def __call__(self, *parts: str) -> str:
        """A topic below the job's own.

        >>> Topics(prefix="riselog", site="hall", job="north")("event")
        'riselog/hall/north/event'
        """
        return "/".join((self.prefix, self.site, self.job, *parts))

    def reading(self, probe: str, quantity: Quantity) -> str:
        """Where the readings of a probe's quantity go."""
        return self("reading", probe, quantity.value)


def payload(document: Mapping[str, Any]) -> bytes:
    """JSON in UTF-8. A number that JSON cannot say (RFC 8259, 6: no NaN, no infinity) is null.

    >>> payload({"id": "a/1", "value": float("nan")})
    b'{"id":"a/1","value":null}'
    """
    try:
        text = _text(document)
    except ValueError:
        text = _text(_finite(document))
    return text.encode("utf-8")


def _text(document: object) -> str:
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _finite(value: Any) -> Any:  # noqa: ANN401 - any JSON value
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {key: _finite(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(part) for part in value]
    return value
