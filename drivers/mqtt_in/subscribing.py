"""What the probes of one connection are subscribed to: a topic that the broker refuses is no other's."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from drivers.mqtt_in.intake import Intake
from drivers.mqtt_in.topics import covers, subscriptions

REFUSED_STEP = "check the topic, and the broker's access list"
_LATER = f"{REFUSED_STEP}; it is asked for again at the next connection"


class Granting(Protocol):
    """A connection, as far as it is needed here."""

    async def subscribe(self, topics: Sequence[str]) -> dict[str, str]:
        """Ask for topics; why the broker refuses some of them, by topic."""
        ...


class Subscribing:
    """Begun anew with each connection."""

    def __init__(self, intakes: Sequence[Intake]) -> None:
        self._intakes = intakes
        self._open: set[str] = set()
        self._refused: dict[str, str] = {}  # why, by topic

    @property
    def to_ask(self) -> bool:
        """Whether there are refused topics that may be asked for again."""
        return any(not self._stands_in(topic) for topic in self._refused)

    async def ask(self, connection: Granting) -> None:
        """Subscribe to all that is wanted and not yet had; probes are told what is refused.

        A refused topic may have stood for others, which are then asked for one by one. It is not asked for
        again while one of these is had: the broker would send their messages twice (MQTT 5.0, 3.3.4).
        """
        self._refused = {topic: why for topic, why in self._refused.items() if self._stands_in(topic)}
        while wanted := self._wanted():
            refused = await connection.subscribe(wanted)
            self._refused |= refused
            self._open |= set(wanted) - set(refused)
        told = {
            topic: f"{why}; {_LATER if self._stands_in(topic) else REFUSED_STEP}"
            for topic, why in self._refused.items()
        }
        for intake in self._intakes:
            intake.subscribed(told)

    def _stands_in(self, refused: str) -> bool:
        """Whether a narrower topic is had in its place."""
        return any(covers(refused, other) for other in self._open)

    def _wanted(self) -> list[str]:
        topics = {topic for intake in self._intakes for topic in intake.topics}
        return [topic for topic in subscriptions(topics - self._refused.keys()) if topic not in self._open]
