"""How storing goes, for who looks from outside the writing thread."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreHealth:
    """State of storing: ``last_commit_ns`` is on the given clock, ``None`` before the first."""

    waiting: int  # readings not yet tried to store
    committed_seq: int  # -1 before the first record
    commits: int
    last_commit_ns: int | None
    lost_to_storage: int  # once storing has failed: all that came and is not stored
    full: bool  # the disk; readings may go into free pages of the file even so
    tight: bool  # the last piece that was to be dropped found no space for the log of that
    busy: bool  # another program holds the file; the readings wait
    failed: str  # empty, or the sentence that ended storing
    gap: str  # empty, or a sentence on the readings that lack up to now
