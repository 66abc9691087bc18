"""What goes into and comes out of a store: frozen values, without a word of SQL."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from logger.core.readings import Reading, ReadingBlock
from logger.core.snapshot import Event, Snapshot

NAME_LIMIT = 64  # characters of a run id, job or probe name; assumed
FILE_LIMIT = 4 * 1024 * 1024  # characters of a config or of a file it names; assumed

TraceRow = tuple[float | None, ...]
"""One row of ``TRACE_COLUMNS``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockSegment:
    """From elapsed ``t_ns`` on, the host's clock showed ``utc_us`` plus what has elapsed since."""

    t_ns: int
    utc_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RunHeader:
    """One run, as it is known when it begins.

    ``run`` is random and made by the caller; ``started_utc_us`` is the UTC of the run's first
    reading (elapsed time 0). ``config_text`` is the effective config without secrets, ``files``
    the content of every file it names. Operator marks are events of code ``mark``.
    """

    run: str
    job: str
    started_utc_us: int
    boot_id: str = ""
    versions: Mapping[str, str] = field(default_factory=dict)
    config_text: str = ""
    files: Mapping[str, str] = field(default_factory=dict)
    simulated: bool = False
    scenario: str | None = None
    seed: int | None = None
    replay_of: str | None = None
    clock_segments: tuple[ClockSegment, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEnd:
    """The end of a run; ``result_json`` is its result document, ``None`` where there is none."""

    ended_utc_us: int
    end_reason: str
    result_json: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvent:
    """An event with its place in the run; ``utc_us`` where the host's clock was asked."""

    seq: int
    event: Event
    utc_us: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredResult:
    """A result document (JSON text); ``scope`` is ``firing`` or ``run``."""

    seq: int
    t_ns: int
    scope: str
    document: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StorageGap:
    """Readings that a full disk kept out: ``count`` of those from ``first_seq`` to ``last_seq``."""

    first_seq: int
    last_seq: int
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxMark:
    """What became of one record on its way to a broker; ``kind`` is ``reading``, ``event`` or ``result``.

    With ``parked`` it was refused for that reason and waits for another try; without, it waits no more.
    """

    broker: str
    run: str
    seq: int
    kind: str
    parked: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CursorMove:
    """A broker's new state for the readings of ``run``: everything below ``next_seq`` is
    acknowledged, parked or passed over. ``above`` are those beyond it that came to that since the move
    before: they are added to what the store knows, and what lies below ``next_seq`` is forgotten.

    ``passed_over`` is added to those passed over before. The first move of a run makes it one that
    is published: its events and results get their rows in the outbox from then on.
    """

    broker: str
    run: str
    next_seq: int
    above: tuple[int, ...] = ()
    passed_over: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """At most ``rows`` rows of an ended run are to go, oldest first; with the first of them the run gets
    an event that says so. ``what`` is ``trace`` or ``readings``, ``why`` a key of the config with its value.
    """

    run: str
    what: str
    why: str
    now_utc_us: int
    rows: int = 50_000  # some 2.5 MB; assumed: a fraction of a second on a slow disk


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What one transaction stores of one run, or nothing of it.

    ``header`` begins the run and ``end`` ends it. ``readings`` are a list (live) or a block of
    columns (replay). ``snapshot`` replaces the one before. ``gaps`` with a known ``first_seq``
    replace theirs. ``cursors``, ``marks`` and ``drops`` may speak of other runs too. ``broker`` says
    how it stands with one; it is kept with the snapshot, for who watches from outside.
    """

    run: str
    header: RunHeader | None = None
    readings: Sequence[Reading] | ReadingBlock = ()
    trace: Sequence[TraceRow] = ()
    events: Sequence[StoredEvent] = ()
    results: Sequence[StoredResult] = ()
    snapshot: Snapshot | None = None
    clock_segments: Sequence[ClockSegment] = ()
    gaps: Sequence[StorageGap] = ()
    cursors: Sequence[CursorMove] = ()
    marks: Sequence[OutboxMark] = ()
    drops: Sequence[Drop] = ()
    broker: str = ""
    end: RunEnd | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One line of the list of runs. ``verdict`` is that of the run's result, ``None`` without;
    ``readings`` is ``None`` where they were not counted; ``dropped``: they are gone, all or in part."""

    run: str
    job: str
    started_utc_us: int
    ended_utc_us: int | None
    end_reason: str | None
    simulated: bool
    scenario: str | None
    replay_of: str | None
    verdict: str | None
    readings: int | None
    dropped: bool = False
