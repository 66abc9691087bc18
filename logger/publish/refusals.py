"""What is told of topics that the broker refuses and takes again: each once, and a crowd as one. Pure."""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

from logger.publish.parked import WHOLE_TOPIC
from logger.publish.settings import refusal

NAMED = 3  # topics told by name for one reason; assumed: what a person reads
_HELD = "held"
_TOO_LARGE = 0x95  # MQTT 5.0, table 2-6: the limit is the broker's, not the topic's


class Told(NamedTuple):
    """A sentence, and what makes it the same news."""

    text: str
    news: str


class Refusals:
    """Of one broker, over its connections.

    >>> told = Refusals("hall:8883")
    >>> for topic in "abcde":
    ...     print(told.refused(f"x/{topic}", 0x87).news)
    x/a 135
    x/b 135
    x/c 135
    * 135
    * 135
    >>> [told.well(f"x/{topic}", again=True) is not None for topic in "abcdef"]
    [True, True, True, False, True, False]
    >>> told.refused("y", 0x87).news == told.held("y", "hangs up at it").news
    True
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._barred: dict[str, str] = {}  # topic -> why, as far as all of it is refused
        self._news: dict[str, str] = {}  # topic -> what its refusal was told as
        self._named: Counter[str] = Counter()  # topics told by name, by why
        self._taken = 0  # topics told to be taken since the last one was refused

    def refused(self, topic: str, code: int) -> Told:
        """A message was refused with that reason code."""
        fate = "what it refuses is kept and tried again every 10 min"
        if code == _TOO_LARGE:
            return self._told(f"refuses {topic}: it {refusal(code)}; {fate}", f"* {code}")
        if code not in WHOLE_TOPIC:
            return self._told(f"refuses {topic}: it {refusal(code)}; {fate}", f"{topic} {code}")
        more = self._bar(topic, str(code))
        text = f"refuses {topic}{' and others' if more else ''}: it {refusal(code)}; {fate}"
        self._news[topic] = news = f"{'*' if more else topic} {code}"
        return self._told(text, news)

    def held(self, topic: str, deed: str) -> Told:
        """Nothing more of the topic is sent, but for one now and then; of a refused one it is no news."""
        self._bar(topic, _HELD)
        fate = "what comes of it is kept apart, and one is tried every 10 min"
        return self._told(f"{deed}; {fate}", self._news.get(topic, f"{topic} held"))

    def apart(self, topic: str, deed: str) -> Told:
        """One record of it is not sent for some time."""
        return self._told(f"{deed}; that one is kept apart and tried again every 10 min", f"{topic} hang-up")

    def well(self, topic: str, *, again: bool) -> Told | None:
        """A message was taken, ``again``: one like it was refused before. ``None`` where that is no news."""
        if topic not in self._barred or not (again or self._barred[topic] == _HELD):
            return None
        del self._barred[topic]
        self._news.pop(topic, None)
        self._taken += 1
        if not self._barred:
            self._named.clear()
            if self._taken > NAMED:
                return self._told(f"takes {topic} again, and with it all that it had refused", topic)
        if self._taken > NAMED:
            return None
        return self._told(f"takes {topic} again; what it had refused of it is sent", topic)

    def _bar(self, topic: str, why: str) -> bool:
        """Whether more topics are refused for that reason than are named."""
        self._taken = 0
        if self._barred.get(topic) not in {why, _HELD}:
            self._barred[topic] = why
            self._named[why] += 1
            return self._named[why] > NAMED
        return False

    def _told(self, text: str, news: str) -> Told:
        return Told(f"the broker {self._name} {text}", news)
