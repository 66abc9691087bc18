"""All that a driver sees of the logger: this module, ``core.readings``, ``core.errors`` and
``core.quantity_units``.

A driver is a class, found by an entry point of the group ``riselog.drivers``. One instance
serves all the probes of a config that name it, so that probes can share a radio.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, ClassVar, Protocol

from logger.core.errors import DecodeError, DriverError
from logger.core.readings import Flag, Quantity, Sample, in_range
from logger.core.texts import duration_text

__all__ = [
    "DecodeError",
    "Driver",
    "DriverContext",
    "DriverError",
    "Flag",
    "LinkState",
    "Look",
    "ProbeRequest",
    "Quantity",
    "Reach",
    "Sample",
    "Seen",
    "Source",
    "duration_text",
    "in_range",
]


class LinkState(StrEnum):
    """State of the way to one probe, as the driver has it."""

    SEARCHING = "searching"
    CONNECTING = "connecting"
    LIVE = "live"
    LOST = "lost"
    REFUSED = "refused"  # the probe is there but cannot be used; the text says why


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeRequest:
    """One probe that a config gives to a driver. ``options`` are the keys that are the
    driver's own, already checked by its ``Options`` model. ``quantities`` is what the job
    would like to have, main quantity first: what else the probe gives is welcome."""

    name: str
    role: str
    quantities: tuple[Quantity, ...]
    options: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """What ``check`` finds of one probe, ``text`` without its name; ``next_step`` is empty when all is
    well. ``values`` are what it said, in the units of ``QUANTITIES``: shown before the text. ``key`` is what
    is to be mended, from the probe's table on and into the file that a key names."""

    probe: str
    ok: bool
    text: str
    next_step: str = ""
    values: tuple[tuple[Quantity, float], ...] = ()
    key: tuple[str | int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a survey is asked for: how long (s), by which adapter (None: the first that is on), whether it may
    connect to a device to read it, and the probes of a config that are this driver's."""

    seconds: float
    adapter: str | None = None
    connect: bool = True
    probes: tuple[ProbeRequest, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What a survey hears of one device. ``readable``: this driver can read it as it is; ``values`` are in
    the units of ``QUANTITIES``; ``note``: what is to be done first, or why a value is missing."""

    address: str
    name: str | None
    signal_dbm: float | None
    readable: bool = False
    values: tuple[tuple[Quantity, float], ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverContext:
    """The driver's way out.

    ``emit`` takes a sample and stamps it at once: call it when the packet arrives, in order.
    ``link`` says that a probe's state changed, with one sentence. ``now_ns`` and ``wait_until``
    are the reading clock: a driver uses no other. ``utc_us`` is microseconds since the epoch as the host
    has them, for what carries a time of its own; it may jump. ``settings`` is the config's own table of
    the driver's name (``[sim]``), empty where there is none. ``about`` takes what a probe says of its
    make (``maker``, ``model``, ``serial``, ...), once for each connection; it is kept with the run.
    """

    emit: Callable[[Sample], None]
    link: Callable[[str, LinkState, str], None]
    now_ns: Callable[[], int]
    utc_us: Callable[[], int]
    wait_until: Callable[[int], Any]  # async: returns an awaitable
    settings: Mapping[str, Any] = field(default_factory=dict)
    about: Callable[[str, Mapping[str, str]], None] = field(default=lambda probe, what: None)


class Source(Protocol):
    """What delivers samples once it is made: a driver, or what stands around one."""

    async def run(self) -> None:
        """Deliver until cancelled. Returning means that the source has ended (a scenario);
        raise ``DriverError`` only when nothing can work. Trouble with one probe is told by
        ``context.link`` and tried again with backoff. Cancel-safe at every await."""
        ...

    async def reach(self, seconds: float) -> Sequence[Reach]:
        """Look for the probes for so long, for ``riselog check``; deliver nothing."""
        ...


class Driver(Source, Protocol):
    """What a plug-in brings: a class whose objects are sources.

    ``Options`` is a pydantic model (extra forbidden) of the keys a probe table may have beside
    the logger's own (``role``, ``driver``, ``u95``, ``offset``, ``placement_u95``, ``max_age``
    and what `riselog match` writes). It is given the validation context ``{"folder": Path}``: where the
    relative paths of a config start. Its attribute ``files``, where it has one, maps keys that name a TOML
    file to the model of what stands in it: the logger reads and checks the file, tells faults by its
    line, keeps its text with the run, and gives the driver the content in place of the name.

    Where one device may give several values of a quantity, ``Options`` may have a method
    ``chosen(quantity) -> Hashable`` that tells which of them a table uses: two probes of one device that
    choose the same, or whose driver has no such method, are refused.

    A driver that can look for devices may have a static method
    ``async survey(look: Look, seen: Callable[[Seen], None])`` for ``riselog scan``: it calls ``seen`` for
    all it hears, what it cannot read included, as often as it hears it, and raises ``DriverError`` where it
    cannot listen. It writes nothing to any device.

    A driver that can tell without a look that a probe cannot work as the config has it (a key file that is
    not there) may have a method ``beforehand() -> Sequence[Reach]`` for `riselog check`, also with
    ``--offline``: one for each such probe, ``ok`` false, with its next step. It opens no connection.
    """

    name: ClassVar[str]
    Options: ClassVar[type[Any]]
    simulated: ClassVar[bool]

    def __init__(self, probes: Sequence[ProbeRequest], context: DriverContext) -> None: ...
