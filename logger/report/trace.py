"""The stored trace as columns for drawing: thinned without losing a peak, phases as spans."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

from logger.core.snapshot import TRACE_COLUMNS, Phase

DRAWN = ("return_c", "entering_c", "supply_c", "rise_k", "output_w")
MOST_ROWS = 1600  # assumed: twice what the page has room for
GAP_S = 60.0  # s without a row from which the line is broken; assumed
_PHASES = tuple(Phase)
_PLACE = {name: TRACE_COLUMNS.index(name) for name in TRACE_COLUMNS}

TraceRow = Sequence[float | None]
Span = tuple[str, float, float]
"""Phase, start and end in s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Columns of the trace, SI; None where a value could not be had."""

    t_s: tuple[float, ...]
    columns: dict[str, tuple[float | None, ...]]
    phases: tuple[Span, ...]


def trace_of(rows: Sequence[TraceRow]) -> Trace:
    """The rows made fit to be drawn.

    >>> trace_of([]).t_s
    ()
    """
    kept = thinned(_broken(rows))
    columns = {name: tuple(row[_PLACE[name]] for row in kept) for name in DRAWN}
    if all(value is None for value in columns["return_c"]):  # a job with a probe of role mixed alone
        columns["return_c"] = columns["entering_c"]
    return Trace(t_s=tuple(_time(row) for row in kept), columns=columns, phases=_spans(rows))


def _broken(rows: Sequence[TraceRow]) -> list[TraceRow]:
    """The rows with one that says nothing in every gap."""
    broken = list(rows[:1])
    for before, row in pairwise(rows):
        if _time(row) - _time(before) > GAP_S:
            broken.append(tuple(_time(before) + 1.0 if name == "t_s" else None for name in TRACE_COLUMNS))
        broken.append(row)
    return broken


def thinned(rows: Sequence[TraceRow]) -> list[TraceRow]:
    """At most about ``MOST_ROWS`` rows: of each group those with the least and the largest rise and output.

    Groups of time are drawn as narrower than a dot, so that no peak is lost to the eye.
    """
    if len(rows) <= MOST_ROWS:
        return list(rows)
    size = -(-len(rows) * 4 // MOST_ROWS)
    kept: list[TraceRow] = []
    for start in range(0, len(rows), size):
        group = rows[start : start + size]
        places = {
            pick(range(len(group)), key=lambda n: _key(group[n], column))
            for column in ("rise_k", "output_w")
            for pick in (min, max)
        }
        kept += [group[n] for n in sorted(places)]
    return kept


def _key(row: TraceRow, column: str) -> float:
    value = row[_PLACE[column]]
    return 0.0 if value is None else value


def _time(row: TraceRow) -> float:
    return row[_PLACE["t_s"]] or 0.0


def _spans(rows: Sequence[TraceRow]) -> tuple[Span, ...]:
    """Stretches of one phase; each ends where the next begins."""
    starts: list[tuple[str, float]] = []
    for number, group in groupby(rows, key=lambda row: row[_PLACE["phase"]]):
        if number is not None and 0 <= int(number) < len(_PHASES):
            starts.append((_PHASES[int(number)].value, _time(next(group))))
    if not starts:
        return ()
    ends = [*(start for _, start in starts[1:]), _time(rows[-1])]
    return tuple((name, start, end) for (name, start), end in zip(starts, ends, strict=True) if end > start)


def with_pauses(spans: Sequence[Span], pauses: Sequence[Span]) -> tuple[Span, ...]:
    """Phases, those that lie mostly in a pause under its name; neighbours of one name are one.

    >>> with_pauses((("steady", 0.0, 90.0), ("cool-down", 90.0, 130.0)), (("defrost", 86.0, 126.0),))
    (('steady', 0.0, 90.0), ('defrost', 90.0, 130.0))
    """
    named: list[Span] = []
    for phase, start, end in spans:
        name = next(
            (code for code, at, to in pauses if 2 * (min(end, to) - max(start, at)) > end - start), phase
        )
        one = bool(named) and named[-1][0] == name
        named.append((name, named.pop()[1] if one else start, end))
    return tuple(named)
