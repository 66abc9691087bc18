"""What every probe has: how it is named, how its state is told, when it is tried again.

Nothing here needs a radio or a network.
"""

from __future__ import annotations

import random
import re
import sys
from collections import deque
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, model_validator

from logger.core.readings import NS_PER_S
from logger.driver_api import (
    DriverContext,
    Flag,
    LinkState,
    ProbeRequest,
    Quantity,
    Reach,
    Sample,
    in_range,
)


def in_folder(text: object, info: ValidationInfo) -> object:
    """The name of a file; relative paths start at the folder of the config."""
    if not isinstance(text, str):
        return text
    if not text:
        raise ValueError('"" names no file')
    folder = (info.context or {}).get("folder")
    return str(Path(text).expanduser() if folder is None else Path(folder) / Path(text).expanduser())


_SECONDS = {"ms": 0.001, "s": 1.0, "min": 60.0}  # s per unit
_DURATION = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(ms|s|min)\s*")
_NAME_SHOWN = 40  # characters of a name from outside that are shown, assumed


def seconds(text: str) -> float:
    """A duration as the config writes it, in s.

    >>> seconds("500 ms")
    0.5
    """
    if (match := _DURATION.fullmatch(text)) is None:
        raise ValueError(f'"{text}" is not a duration; write a number and one of ms, s, min, like "1 s"')
    return float(match[1]) * _SECONDS[match[2]]


def _interval(text: object) -> object:
    if isinstance(text, str) and seconds(text) <= 0:
        raise ValueError('"0 s" is not possible; write a time like "1 s"')
    return text


IntervalText = Annotated[str, BeforeValidator(_interval)]
"""A duration that is not nothing."""


class ProbeOptions(BaseModel):
    """Keys of a probe table that say which Bluetooth device it is."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: str | None = Field(default=None, min_length=1)
    name: str | None = Field(default=None, min_length=1)
    adapter: str | None = Field(default=None, min_length=1)
    """Which Bluetooth adapter to use, on Linux (``hci1``); left out: the first that is on."""

    @model_validator(mode="after")
    def _one_of_two(self) -> Self:
        if (self.address is None) == (self.name is None):
            raise ValueError("give the probe's address or its name, one of the two")
        return self

    @property
    def wanted(self) -> Wanted:
        """The device these options speak of."""
        return Wanted(address=self.address, name=self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A device, known by its address (on macOS a UUID) or by the name it broadcasts."""

    address: str | None = None
    name: str | None = None

    def matches(self, address: str, name: str | None) -> bool:
        """Whether that is the device; addresses are compared without regard to case.

        >>> Wanted(address="aa:bb:cc:00:00:02").matches("AA:BB:CC:00:00:02", None)
        True
        """
        if self.address is not None:
            return self.address.casefold() == address.casefold()
        return self.name == name

    def __str__(self) -> str:
        return f"address {self.address}" if self.address is not None else f'name "{printable(self.name)}"'


def printable(text: str | None, most: int = _NAME_SHOWN) -> str:
    r"""Text from outside, fit to be shown: one line, no control characters, not long.

    >>> printable("probe\x1b[2J")
    'probe[2J'
    """
    return "".join(c for c in text or "" if c.isprintable())[:most]


def backoff_s(attempt: int, rng: random.Random) -> float:
    """Seconds to wait after the ``attempt``-th failure in a row, counted from 1.

    Doubles from 1 s to at most 60 s; the drawn half keeps probes from trying all at once.
    """
    whole_s = min(60.0, 2.0 ** min(attempt - 1, 6))  # s, assumed
    return whole_s * (0.5 + 0.5 * rng.random())


class Rhythm:
    """How often a probe speaks, and from that after how long without a packet it is silent.

    Silent after ``least_s``, or ``INTERVALS`` times the longest of the last gaps between
    packets, whichever is longer. While no gap is known it is ``unknown_s``, which doubles with
    every silence, so that a slow probe is not lost again and again before its second packet.

    >>> rhythm = Rhythm(least_s=10.0, unknown_s=10.0)
    >>> for t_s in (0, 3, 6):
    ...     rhythm.update(t_s * NS_PER_S)
    >>> rhythm.silent_at_ns() / NS_PER_S
    21.0
    """

    INTERVALS = 5  # assumed
    GAPS = 8  # so many gaps are remembered, assumed
    DOUBLINGS = 4  # assumed
    COPIES_S = 0.5  # s: a gap below is between copies of one packet, where longer ones are known; assumed
    LONGEST_S = 600.0  # s: a probe that was away for longer does not speak so seldom; assumed

    def __init__(self, *, least_s: float, unknown_s: float) -> None:
        self._least_ns = round(least_s * NS_PER_S)
        self._unknown_ns = round(unknown_s * NS_PER_S)
        self._gaps_ns: deque[int] = deque(maxlen=self.GAPS)
        self._last_ns = 0
        self._told_ns = 0
        self._heard = False
        self._silences = 0

    def start(self, t_ns: int, *, every_s: float | None = None) -> None:
        """Listening begins (again) now: time before it counts neither as gap nor as silence.
        ``every_s``: how often the probe speaks by its own word; a longer gap counts for more."""
        self._last_ns, self._heard = t_ns, False
        self._told_ns = round((every_s or 0.0) * NS_PER_S)

    def update(self, t_ns: int) -> None:
        """A packet came."""
        if self._heard:
            self._note(t_ns - self._last_ns)
        self._last_ns, self._heard = t_ns, True

    def resume(self, t_ns: int) -> None:
        """A packet came after a silence, with nothing in between that could have kept one away."""
        if self._heard:
            self._note(min(t_ns - self._last_ns, round(self.LONGEST_S * NS_PER_S)))
        self._last_ns, self._heard = t_ns, True

    def _note(self, gap_ns: int) -> None:
        copies_ns = round(self.COPIES_S * NS_PER_S)
        if gap_ns >= copies_ns or max(self._gaps_ns, default=0) < copies_ns:
            self._gaps_ns.append(gap_ns)

    def silence(self) -> None:
        """The probe was found silent."""
        self._silences = min(self._silences + 1, self.DOUBLINGS)

    def silent_at_ns(self) -> int:
        """When the probe is silent, if no packet comes before."""
        if not self._gaps_ns:
            return self._last_ns + max(self._unknown_ns << self._silences, self.INTERVALS * self._told_ns)
        return self._last_ns + max(self._least_ns, self.INTERVALS * max(self._told_ns, *self._gaps_ns))


_TRYING = frozenset({LinkState.SEARCHING, LinkState.CONNECTING})


class LinkReport:
    """Tells the state of one probe: each change once, with one sentence.

    After a loss the tries in between are not told, only what they end in: being live again,
    or another reason.
    """

    def __init__(self, probe: str, link: Callable[[str, LinkState, str], None]) -> None:
        self.probe = probe
        self._link = link
        self._told: tuple[LinkState | None, str] = (None, "")
        self._remarks: set[str] = set()
        self._waiting: list[str] = []  # remarks made while it is not settled how the probe is

    def state(self, state: LinkState, text: str) -> None:
        """The probe is in ``state`` now."""
        last, _ = self._told
        trying = state in _TRYING
        if (state, text) == self._told or (trying and last in (LinkState.LOST, LinkState.REFUSED)):
            return
        self._told = (state, text)
        self._say(state, text)
        if not trying:
            waiting, self._waiting = self._waiting, []
            for remark in waiting:
                self._say(state, remark)

    def remark(self, key: str, text: str) -> None:
        """Say something about the probe once a run, as soon as it is live, lost or refused."""
        if key in self._remarks:
            return
        self._remarks.add(key)
        state, _ = self._told
        if state is None or state in _TRYING:
            self._waiting.append(text)
        else:
            self._say(state, text)

    def _say(self, state: LinkState, text: str) -> None:
        self._link(self.probe, state, f'probe "{self.probe}": {text}')


class SignalReport:
    """Hands over the strength of the radio signal, now and then."""

    EVERY_S = 10.0  # s, assumed

    def __init__(self, probe: str, context: DriverContext) -> None:
        self._probe = probe
        self._context = context
        self._next_ns: int | None = None

    def update(self, signal_dbm: float | None) -> None:
        """A packet came with this signal."""
        now_ns = self._context.now_ns()
        if signal_dbm is None or (self._next_ns is not None and now_ns < self._next_ns):
            return
        self._next_ns = now_ns + round(self.EVERY_S * NS_PER_S)
        flag = Flag.OK if in_range(Quantity.SIGNAL, signal_dbm) else Flag.OUT_OF_RANGE
        self._context.emit(Sample(probe=self._probe, quantity=Quantity.SIGNAL, value=signal_dbm, flag=flag))


_HARDWARE_ADDRESS = re.compile(r"([0-9a-f]{2}[:-]){5}[0-9a-f]{2}", re.IGNORECASE)
_OTHER_KIND = {  # (macOS, hardware address): what is wrong with an address that cannot be heard there
    (True, True): "macOS knows a probe by a UUID of this computer's own, not by its hardware address: "
    "give the probe's name, or that UUID",
    (False, False): "this system knows a probe by its hardware address, like AA:BB:CC:00:00:02, and no UUID "
    "of another computer: give that address, or the probe's name",
}


def not_found(wanted: Wanted, searched_s: float, *, system: str = sys.platform) -> tuple[str, str]:
    """What to say of a device that was not heard, and what to do.

    >>> not_found(Wanted(address="AA:BB:CC:00:00:02"), 20.0, system="darwin")[1][:25]
    'macOS knows a probe by a '
    """
    next_step = "switch it on, bring it closer, and compare its address or name"
    if wanted.address is not None:
        hardware = _HARDWARE_ADDRESS.fullmatch(wanted.address) is not None
        next_step = _OTHER_KIND.get((system == "darwin", hardware), next_step)
    return f"not found in {searched_s:g} s ({wanted})", next_step


def too_many(wanted: Wanted, addresses: Sequence[str]) -> tuple[str, str]:
    """What to say of several devices with one name, and what to do."""
    return (
        f"{len(addresses)} devices have the {wanted}: {', '.join(addresses)}",
        "give the address of the right one",
    )


def judge(request: ProbeRequest, text: str, has: Collection[Quantity]) -> Reach:
    """What ``check`` says of a probe that was found: ``text``, and whether it has the main quantity."""
    wanted = request.quantities[:1]
    if wanted and wanted[0] not in has:
        return reached(
            request,
            f"{text}, but no {wanted[0]}",
            f"use a probe with {wanted[0]} for the role {request.role}",
        )
    return reached(request, text)


def reached(request: ProbeRequest, text: str, next_step: str = "") -> Reach:
    """One line of ``check``."""
    return Reach(probe=request.name, ok=not next_step, text=text, next_step=next_step)
