"""Batches of a live run as one."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain

from logger.core.errors import StoreError
from logger.core.readings import Reading, ReadingBlock
from logger.store.records import Batch


def listed(batch: Batch) -> Sequence[Reading]:
    """The readings of a live batch."""
    if isinstance(batch.readings, ReadingBlock):
        raise StoreError("a block of readings goes to StoreWriter.write, not to a live writer")
    return batch.readings


def last_seq(batch: Batch) -> int:
    """The highest seq of a record in the batch, -1 without one."""
    seqs = (r.seq for r in listed(batch)), (e.seq for e in batch.events), (r.seq for r in batch.results)
    return max(chain(*seqs), default=-1)


def merged(run: str, batches: Sequence[Batch]) -> Batch:
    """Several batches as one, in order; of the snapshots the newest."""
    return Batch(
        run=run,
        header=next((b.header for b in batches if b.header is not None), None),
        readings=list(chain.from_iterable(listed(b) for b in batches)),
        trace=list(chain.from_iterable(b.trace for b in batches)),
        events=list(chain.from_iterable(b.events for b in batches)),
        results=list(chain.from_iterable(b.results for b in batches)),
        snapshot=next((b.snapshot for b in reversed(batches) if b.snapshot is not None), None),
        clock_segments=list(chain.from_iterable(b.clock_segments for b in batches)),
        gaps=list(chain.from_iterable(b.gaps for b in batches)),
        cursors=list(chain.from_iterable(b.cursors for b in batches)),
        marks=list(chain.from_iterable(b.marks for b in batches)),
        drops=list(chain.from_iterable(b.drops for b in batches)),
        broker=next((b.broker for b in reversed(batches) if b.snapshot is not None), ""),
        end=next((b.end for b in batches if b.end is not None), None),
    )
