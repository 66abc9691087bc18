"""Topics and topic filters of MQTT 5.0, 4.7."""

from __future__ import annotations

from collections.abc import Iterable

from aiomqtt import Wildcard

from drivers.probe import printable

_SHOWN = 100  # characters of a topic that are shown, assumed
_ALL, _ALL_TOO = "#", "+/#"  # every topic has a first level


def check_filter(text: str) -> None:
    """Raise ValueError if that cannot be subscribed to."""
    try:
        Wildcard(text)
    except ValueError:
        raise ValueError(
            f'"{shown(text)}" is no topic: + stands for one whole level, # for all that follow, at the end'
        ) from None
    if "\0" in text:
        raise ValueError("a topic has no NUL character")  # MQTT 5.0, 4.7.3
    if text.startswith("$share/"):
        raise ValueError(
            f'"{shown(text)}" is a shared subscription, which gives each message to one of several readers: '
            "the logger would miss some; write the topic alone"
        )


def subscriptions(filters: Iterable[str]) -> tuple[str, ...]:
    """The filters that are enough to get the messages of all: a broker may send a message once for each
    subscription that it matches (MQTT 5.0, 3.3.4), and nothing tells those copies from readings.

    >>> subscriptions(["gw/sup/t", "gw/+/t", "gw/+/t", "other"])
    ('gw/+/t', 'other')
    """
    different = tuple(dict.fromkeys(normal(one) for one in filters))
    return tuple(one for one in different if not any(o != one and covers(o, one) for o in different))


def normal(text: str) -> str:
    """One spelling of each filter."""
    return _ALL if text == _ALL_TOO else text


def covers(wide: str, narrow: str) -> bool:
    """Whether every topic of the one filter is a topic of the other."""
    if narrow.startswith("$") and not wide.startswith("$"):
        return False  # MQTT 5.0, 4.7.2: no wildcard stands for $SYS
    wides, narrows = normal(wide).split("/"), narrow.split("/")
    for here, there in zip(wides, narrows, strict=False):
        if here == "#":
            return True
        if there == "#" or (here not in ("+", there)):
            return False
    return len(wides) == len(narrows) or wides[len(narrows) :] == ["#"]


def shown(topic: str) -> str:
    """A topic as people are told it."""
    return printable(topic, _SHOWN)
