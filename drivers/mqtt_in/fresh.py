"""Whether a message is news: retained, old, out of order, or the same reading again. Pure."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from drivers.mqtt_in.decode import Content
from drivers.mqtt_in.topics import shown
from logger.driver_api import Flag, duration_text

US_PER_S = 1_000_000
REMEMBERED = 128  # readings of a value by which a repeat is known; assumed


class Judged(NamedTuple):
    """The flag of a message, and what is to be said of it once; ``kind`` is the same for the same remark."""

    flag: Flag
    kind: str = ""
    remark: str = ""


class _Seen(NamedTuple):
    """A reading that came; ``moment_us`` is its own time, or where it has none when it came."""

    name: str | None
    t_us: int | None
    value: float
    moment_us: int


class Freshness:
    """What came of one value so far.

    A value is stamped when it arrives; its own time decides whether it may stand for that moment.
    An id alone tells a repeat, as two gateways give one reading two times; ids that come round again
    are told by ``max_time_skew``. Without an id time and value tell it. Without both nothing does: then
    one topic is taken at a time.
    """

    def __init__(self, max_skew_us: int) -> None:
        self._max_skew_us = max_skew_us
        self._seen: deque[_Seen] = deque(maxlen=REMEMBERED)
        self._newest_us: int | None = None
        self._topic: str | None = None

    def silence(self) -> None:
        """Nothing came for long: another topic may take over."""
        self._topic = None

    def judge(
        self, content: Content, topic: str, utc_us: int, *, retained: bool, behind: bool = False
    ) -> Judged:
        """The flag of what came on a topic at that time by this computer's clock; ``behind``: it may have
        waited to be taken."""
        timeless = content.name is None and content.t_utc_us is None
        if timeless and retained:
            return _RETAINED
        return (
            (self._other_way(topic) if timeless else self._again(content, utc_us))
            or self._old(content.t_utc_us, utc_us, retained=retained)
            or (_BEHIND if behind and content.t_utc_us is None else None)
            or Judged(content.flag, *self._second_topic(topic))
        )

    def _other_way(self, topic: str) -> Judged | None:
        self._topic = self._topic or topic
        return None if topic == self._topic else Judged(Flag.DUPLICATE, *_either(self._topic, topic))

    def _again(self, content: Content, utc_us: int) -> Judged | None:
        moment_us = utc_us if content.t_utc_us is None else content.t_utc_us
        new = _Seen(content.name, content.t_utc_us, content.value, moment_us)
        first = next((seen for seen in self._seen if self._same(seen, new)), None)
        if first is None:
            self._seen.append(new)
            return None
        return _AGAIN if first.value == new.value else _OTHER_VALUE

    def _same(self, seen: _Seen, new: _Seen) -> bool:
        if seen[:3] == new[:3]:
            return True
        near = abs(new.moment_us - seen.moment_us) <= self._max_skew_us
        return new.name is not None and seen.name == new.name and near

    def _second_topic(self, topic: str) -> tuple[str, str]:
        """What to say of a reading that did not come on the first topic."""
        self._topic = self._topic or topic
        if topic == self._topic:
            return "", ""
        return (
            "topics",
            f"comes on {shown(self._topic)} and on {shown(topic)}, which are taken for two ways of "
            "one probe; if they are two probes, give each a table and a topic of its own",
        )

    def _old(self, t_us: int | None, utc_us: int, *, retained: bool) -> Judged | None:
        if t_us is None:
            return _RETAINED if retained else None
        age_us = utc_us - t_us
        if age_us > self._max_skew_us:
            source = "a retained message" if retained else "a message"
            text = (
                f"{source} is {_shown(age_us)} old by its time: such values are kept as late and not used; "
                "see to the gateway and to the clocks of both, or raise max_time_skew"
            )
            return Judged(Flag.LATE, "old retained" if retained else "old", text)
        if age_us < -self._max_skew_us:
            text = (
                f"a message is {_shown(-age_us)} ahead of this computer's clock: such values are kept as "
                "late and not used; set the clocks of both, or raise max_time_skew"
            )
            return Judged(Flag.LATE, "ahead", text)
        if self._newest_us is not None and t_us < self._newest_us:
            return _OUT_OF_ORDER
        self._newest_us = t_us
        return None


_RETAINED = Judged(
    Flag.LATE,
    "retained",
    "retained, without a time: kept as late and not used; the next message counts",
)
_BEHIND = Judged(
    Flag.LATE,
    "behind",
    "messages come more quickly than this computer takes them, and are older than they seem: kept as late "
    "and not used; have the gateway send less often, or name the field of their time",
)
_AGAIN = Judged(Flag.DUPLICATE, "again", "the same reading came again: kept as duplicate and not used")
_OTHER_VALUE = Judged(
    Flag.DUPLICATE,
    "other value",
    "an id came again with another value: the first is used, the other kept as duplicate; if that field is "
    "the same for every reading, name another one as id or leave id out",
)
_OUT_OF_ORDER = Judged(
    Flag.LATE, "order", "a message is older than one before it by its time: kept as late and not used"
)


def _either(first: str, other: str) -> tuple[str, str]:
    return (
        "paths",
        f"comes on {shown(first)} and on {shown(other)}, and without id or time nothing tells a "
        "repeat: the first one is used, the other one is kept as duplicate; name the field of id or time, or "
        "one topic",
    )


def _shown(us: int) -> str:
    return duration_text(us / US_PER_S)
