"""A run's log as JSON lines (RFC 8259, one object a line): for a journal, or whatever reads it by machine.

Every line has ``t`` (RFC 3339 UTC, when it was written), ``level`` (info, warning, error), ``event`` and
``text``; lines of a run have ``job``, ``run`` and ``t_s``, its own time, too.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from logger.clock import SystemClock, utc_text
from logger.core.readings import NS_PER_S
from logger.core.reasons import ALARMS
from logger.core.snapshot import Event, Snapshot
from logger.screen.plain import Minutes, minute_line
from logger.text import one_line

FORMS = ("plain", "json")

QUIET = frozenset(
    {
        *("off", "fan", "firing", "warm-up", "steady", "steady-end", "cool-down", "fan-heat-measured"),
        *("mark", "airflow-source", "humidity-assumed"),
        *("probe-live", "probe-note", "probe-device", "probe-back", "humidity-back"),
        *("airflow-back", "broker-back", "disk-space-back", "record-taken"),
    }
)
"""Events of a sound run: level info."""

LOUD = ALARMS | {
    *("driver-failed", "driver-fault", "driver-refused"),
    *("disk-full", "storage-gap", "store-failed"),
}
"""Events that somebody should come for: level error. All others are warnings."""

SHOWN = (
    "phase", "output_w", "output_u95_w", "rise_k", "supply_c", "return_c", "dry_air_kg_s", "firings",
)  # fmt: skip
"""Values of a snapshot that a minute's line gives under their own name, SI."""


def level_of(code: str) -> str:
    """How loud an event is."""
    return "info" if code in QUIET else "error" if code in LOUD else "warning"


def log_line(t_utc_us: int, level: str, event: str, text: str, more: Mapping[str, Any] | None = None) -> str:
    """One line.

    >>> log_line(0, "info", "message", "ready")
    '{"t": "1970-01-01T00:00:00.000000Z", "level": "info", "event": "message", "text": "ready"}'
    """
    fields = {"t": utc_text(t_utc_us), "level": level, "event": event, "text": one_line(text), **(more or {})}
    return json.dumps(fields, ensure_ascii=False, allow_nan=False)


def complaint_line(text: str, level: str) -> str:
    """A message of the program itself as a line; ``logger.faults`` prints it."""
    return log_line(SystemClock().utc_us(), level, "message", text)


class JsonLines:
    """The lines of a run as it goes: every event once, and one line a minute of its own time.

    ``utc_us`` is the clock of the readings.
    """

    def __init__(self, job: str, run: str, units: str, utc_us: Callable[[], int]) -> None:
        self._whose = {"job": job, "run": run}
        self._units = units
        self._utc_us = utc_us
        self._minutes = Minutes()

    def update(self, snapshot: Snapshot, events: Iterable[Event] = ()) -> list[str]:
        """The lines to print now; ``events`` are those not given before."""
        now_us = self._utc_us()
        lines = [
            log_line(now_us, level_of(e.code), e.code, e.text, self._of(e.t_ns) | _probe(e)) for e in events
        ]
        if self._minutes.new(snapshot.t_ns):
            values = {name: getattr(snapshot, name) for name in SHOWN}
            text = minute_line(snapshot, self._units)
            lines.append(log_line(now_us, "info", "minute", text, self._of(snapshot.t_ns) | values))
        return lines

    def result(self, document: Mapping[str, Any]) -> list[str]:
        """The result, with its whole document."""
        text = f"{document['verdict'] or 'no verdict'}: {document['reason']}"
        return [log_line(self._utc_us(), "info", "result", text, self._whose | {"result": document})]

    def _of(self, t_ns: int) -> dict[str, Any]:
        return self._whose | {"t_s": t_ns / NS_PER_S}


def _probe(event: Event) -> dict[str, Any]:
    return {} if event.probe is None else {"probe": event.probe}
