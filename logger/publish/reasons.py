"""Why the broker would not, in the words of the table ``[mqtt]``. Pure."""

from __future__ import annotations

from logger import mqtt_reasons
from logger.core.errors import RiselogError

AT = "[mqtt] "  # before the keys that a next step names

BLIND = "MQTT 3.1.1 tells no refusals: a broker that drops messages is not seen; use version 5"

WHOLE_TOPIC = frozenset({0x87, 0x90, 0x97})
"""Refusals that will meet every record of the topic alike."""


class BrokerError(RiselogError):
    """The broker cannot be used now; the text says why and what to do. ``code`` is MQTT's, if any;
    ``by_peer``: the broker itself ended the connection; ``news`` is what makes it the same trouble."""

    exit_code = 4

    def __init__(self, text: str, code: int | None = None, *, by_peer: bool = False, news: str = "") -> None:
        super().__init__(text)
        self.news = news or text
        self.code = code
        self.by_peer = by_peer


def refusal(code: int) -> str:
    """What a reason code means, with the next step.

    >>> refusal(0x97)
    "has no quota left (reason 0x97); raise the broker's quota, or clear what uses it up"
    """
    return mqtt_reasons.refusal(code, AT)
