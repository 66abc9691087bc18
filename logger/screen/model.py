"""What the screen shows and what its keys ask for: frozen values, no terminal in sight."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

from logger.core.snapshot import Event, Phase, Snapshot


class HistoryPoint(NamedTuple):
    """One point of the plotted trace; temperatures in degC, the rise in K, ``None`` leaves a gap."""

    t_s: float
    return_c: float | None
    supply_c: float | None
    rise_k: float | None
    phase: Phase


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenState:
    """What the keys have set. ``note`` is the text being typed, ``None`` when nobody types; who is
    ``watching`` a run of another process cannot mark or end it."""

    units: str = "us"  # "us" | "si"
    help_open: bool = False
    note: str | None = None
    watching: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreState:
    """How the store does. ``text`` says what is wrong and what to do, empty when all is well."""

    ok: bool = True
    path: str = ""
    committed_age_s: float | None = None
    lost: int = 0  # readings that could not be stored
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DashboardView:
    """All of one frame. ``broker`` says in a word or two how it stands with one; ``speed`` is how
    many times faster than the wall the readings' time runs, ``None`` for no waits at all."""

    snapshot: Snapshot
    job: str
    state: ScreenState = field(default_factory=ScreenState)
    history: tuple[HistoryPoint, ...] = ()
    events: tuple[Event, ...] = ()  # oldest first
    store: StoreState | None = None
    broker: str = "not configured"
    simulated: bool = False
    elapsed_s: float = 0.0
    speed: float | None = 1.0


class CommandKind(Enum):
    """What a key asks for."""

    END = "end"  # end in order
    INTERRUPT = "interrupt"  # Ctrl-C: end in order, a second one at once
    MARK = "mark"
    UNITS = "units"
    HELP = "help"


@dataclass(frozen=True, slots=True)
class Command:
    """One command; ``text`` is the note of a MARK, already cleaned, empty otherwise."""

    kind: CommandKind
    text: str = ""
