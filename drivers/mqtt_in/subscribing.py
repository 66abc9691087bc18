"""What the probes of one connection are subscribed to: a topic that the broker refuses is no other's."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.mqtt_in.broker import Connection
from drivers.mqtt_in.intake import Intake
from drivers.mqtt_in.topics import covers, subscriptions


class Subscribing:
    """Begun anew with each connection."""

    def __init__(self, intakes: Sequence[Intake]) -> None:
        self._intakes = intakes
        self._open: set[str] = set()
        self.refused: dict[str, str] = {}
        """Why the broker refuses a topic, by topic."""

    async def ask(self, connection: Connection) -> None:
        """Subscribe to all that is wanted and not yet had; probes are told what is refused.

        A refused topic may have stood for others, which are then asked for one by one. It is not asked for
        again while one of these is had: the broker would send their messages twice.
        """
        self.refused = {
            topic: why
            for topic, why in self.refused.items()
            if any(covers(topic, other) for other in self._open)
        }
        while wanted := self._wanted():
            refused = await connection.subscribe(wanted)
            self.refused |= refused
            self._open |= set(wanted) - set(refused)
        for intake in self._intakes:
            intake.subscribed(self.refused)

    def _wanted(self) -> list[str]:
        topics = {topic for intake in self._intakes for topic in subscriptions(intake.topics)}
        return [topic for topic in subscriptions(topics - self.refused.keys()) if topic not in self._open]
