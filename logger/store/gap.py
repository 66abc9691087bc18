"""Readings that a full disk keeps out, while it does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from logger.core.readings import NS_PER_S, Reading
from logger.store.records import StorageGap


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Readings that a full disk keeps out, with their times, ns since the run's first reading."""

    row: StorageGap
    first_ns: int
    last_ns: int

    @property
    def text(self) -> str:
        """What lacks, for a reader of the result."""
        first_s, last_s = self.first_ns / NS_PER_S, self.last_ns / NS_PER_S
        return (
            f"{self.row.count} readings from {first_s:.0f} s to {last_s:.0f} s could not be stored, the disk"
            " was full: the live result counts them in, a replay cannot; free space before the next run"
        )


def widened(gap: Gap | None, readings: Sequence[Reading]) -> Gap | None:
    """The gap with these readings too."""
    if not readings:
        return gap
    first, last = readings[0], readings[-1]
    row = gap.row if gap else StorageGap(first_seq=first.seq, last_seq=last.seq, count=0)
    return Gap(
        row=replace(row, last_seq=last.seq, count=row.count + len(readings)),
        first_ns=gap.first_ns if gap else first.t_ns,
        last_ns=last.t_ns,
    )
