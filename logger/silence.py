"""A run that no probe speaks to any more: told, and shown without old values. No replay needs it."""

from __future__ import annotations

from logger.core.readings import NS_PER_S
from logger.core.snapshot import Snapshot, silenced
from logger.core.watch import SILENCES_TOLD

NO_READINGS = (
    "no readings from any probe: nothing is known of now, and nothing is computed until one speaks; look at "
    "what they share (Bluetooth adapter, gateway, broker), then at each one's battery and distance"
)


class Silence:
    """Whether every probe has fallen silent: the core computes nothing from silence, so the shell tells it.

    Two looks with no reading between them decide: a loop that was held up, or readings' time that runs
    faster than the wall's, is no silence.
    """

    def __init__(self, after_s: float) -> None:
        self._after_s = after_s
        self._suspected_ns: int | None = None  # last reading, at a look that found it too old
        self._since_ns: int | None = None  # last reading before the silence
        self._told = 0

    def look(self, now_ns: int, last_ns: int | None) -> bool:
        """One look, a second after another; whether a silence begins that is to be told."""
        if last_ns is None or now_ns - last_ns <= self._after_s * NS_PER_S:
            self._suspected_ns = self._since_ns = None
            return False
        if last_ns != self._suspected_ns:
            self._suspected_ns = last_ns
            return False
        begins = self._since_ns != last_ns
        self._since_ns = last_ns
        self._told += begins
        return begins and self._told <= SILENCES_TOLD

    def shown(self, snapshot: Snapshot, last_ns: int | None) -> Snapshot:
        """The picture, without its values while nobody speaks."""
        if last_ns is None or last_ns != self._since_ns:
            return snapshot
        return silenced(snapshot, (snapshot.t_ns - last_ns) / NS_PER_S)
