"""What a store still holds of its ended runs, for who decides what may go."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from logger.believed_clock import Stretch
from logger.core.readings import NS_PER_US
from logger.store import schema
from logger.store.drop import ENDED_WITH_RESULT, READINGS_DROPPED, TRACE_DROPPED, why_dropped
from logger.store.reader import StoreReader


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRun:
    """An ended run that has its result. ``trace`` and ``readings``: there are some;
    ``*_going``: the key of the config by which some were dropped already, empty where none were;
    ``waiting``: the brokers that have not got all of its readings."""

    run: str
    job: str
    ended_utc_us: int
    trace: bool
    readings: bool
    trace_going: str
    readings_going: str
    waiting: tuple[str, ...]


class KeptReader(StoreReader):
    """Read-only look at how much is kept."""

    def kept_runs(self) -> tuple[KeptRun, ...]:
        """Runs that have a trace or readings left, in their order."""
        rows = self._all(
            f"SELECT run_key, run, job, ended_utc_us, {_some('trace')}, {_some('reading')},"
            f" {_said(TRACE_DROPPED)}, {_said(READINGS_DROPPED)} FROM run"
            f" WHERE {ENDED_WITH_RESULT} AND ({_some('trace')} OR {_some('reading')})"
            " ORDER BY run_key"
        )
        waiting: dict[int, list[str]] = {}
        for key, broker in self._all(_WAITING):
            waiting.setdefault(key, []).append(broker)
        return tuple(
            KeptRun(
                run=run,
                job=job,
                ended_utc_us=ended,
                trace=bool(trace),
                readings=bool(readings),
                trace_going=why_dropped(trace_text),
                readings_going=why_dropped(readings_text),
                waiting=tuple(waiting.get(key, ())),
            )
            for key, run, job, ended, trace, readings, trace_text, readings_text in rows
        )

    def stretches(self, but: str = "") -> tuple[Stretch, ...]:
        """When it was recorded, as the host's clock had it, in the order of the runs and but for that one:
        for a ``BelievedClock``. Simulated runs and replays have dates that are not of this clock."""
        runs = self._all(
            "SELECT run_key, started_utc_us, coalesce(ended_utc_us, started_utc_us) FROM run"
            " WHERE run <> ? AND NOT simulated AND replay_of IS NULL ORDER BY run_key",
            (but,),
        )
        steps: dict[int, list[tuple[int, int]]] = {}
        for key, t_ns, utc_us in self._all("SELECT run_key, t_ns, utc_us FROM clock_segment ORDER BY 1, 2"):
            steps.setdefault(key, []).append((t_ns, utc_us))
        return tuple(
            stretch
            for key, started, ended in runs
            for stretch in _stretches([(0, started), *steps.get(key, [])], ended)
        )

    def used_bytes(self) -> int:
        """Bytes of the pages in use; pages that are free are used again, the file does not get smaller."""
        ((pages,), (free,), (size,)) = (
            self._all(f"PRAGMA {name}")[0] for name in ("page_count", "freelist_count", "page_size")
        )
        return int((pages - free) * size)


def _stretches(steps: list[tuple[int, int]], ended_utc_us: int) -> list[Stretch]:
    """Of one run, from the places (elapsed, wall) from which on its clock went evenly."""
    whole = [
        Stretch(first_utc_us=utc_us, last_utc_us=utc_us + (next_ns - t_ns) // NS_PER_US)
        for (t_ns, utc_us), (next_ns, _) in pairwise(steps)
    ]
    return [*whole, Stretch(first_utc_us=steps[-1][1], last_utc_us=ended_utc_us)]


def _some(table: str) -> str:
    return f"EXISTS (SELECT 1 FROM {table} WHERE id BETWEEN {_FIRST} AND {_FIRST} + {_LAST})"


def _said(code: str) -> str:
    return f"(SELECT text FROM event WHERE event.run_key = run.run_key AND code = '{code}' LIMIT 1)"


_FIRST, _LAST = f"(run.run_key << {schema.SEQ_BITS})", schema.SEQ_MASK
_WAITING = (
    "SELECT run_key, name FROM delivery_cursor AS c JOIN run USING (run_key) JOIN broker USING (broker_key)"
    f" WHERE EXISTS (SELECT 1 FROM reading WHERE id BETWEEN {_FIRST} + c.next_seq AND {_FIRST} + {_LAST}"
    "  AND NOT EXISTS (SELECT 1 FROM delivered_above AS a WHERE a.broker_key = c.broker_key"
    f"  AND a.run_key = c.run_key AND a.seq = reading.id - {_FIRST}))"
    " OR EXISTS (SELECT 1 FROM outbox AS o WHERE o.broker_key = c.broker_key AND o.run_key = c.run_key"
    " AND kind = 'reading') ORDER BY name"
)
