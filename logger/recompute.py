"""Computing again: a stored run, or a CSV of readings, through the same core in blocks."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from logger.clock import utc_text
from logger.config.load import LoadedConfig, loads_config
from logger.core.errors import RiselogError, StoreError
from logger.core.pipeline import Outcome, Pipeline
from logger.core.readings import FLAG_CODES, NS_PER_US, USABLE_FLAGS, ReadingBlock
from logger.core.result import RunFacts, result_document
from logger.documents import firing_result, json_text
from logger.faults import fault_sentence, said
from logger.store import Batch, RunEnd, RunHeader, StoredEvent, StoredResult, StoreReader, StoreWriter

_USABLE = np.array([flag in USABLE_FLAGS for flag in FLAG_CODES])


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Readings to compute from, with the shell's events in their old place."""

    blocks: Iterable[ReadingBlock]
    events: Sequence[StoredEvent] = ()
    started_utc_us: int
    end_reason: str = "ended"
    simulated: bool = False
    scenario: str | None = None
    seed: int | None = None
    replay_of: str | None = None
    lost: int = 0


class Replayer:
    """Feeds a source into a fresh core, piece by piece; what came of it can be taken meanwhile."""

    def __init__(self, config: LoadedConfig, source: Source) -> None:
        self.pipeline = Pipeline(config.job)
        self._config = config
        self._source = source
        self._probes = {p.name for p in config.probes}
        self._waiting = deque(source.events)
        self._strange: dict[str, int] = {}
        self.readings = 0
        self.flagged = 0
        self.last_t_ns = 0
        self.last_seq = max((e.seq for e in source.events), default=-1)

    def blocks(self) -> Iterator[ReadingBlock]:
        """Each block after it was fed, with every shell event before the first reading of a higher seq."""
        for block in self._source.blocks:
            if not len(block):
                continue
            self._feed(block)
            self._count(block)
            yield block
        while self._waiting:
            self.pipeline.note(self._waiting.popleft().event)

    def _feed(self, block: ReadingBlock) -> None:
        start = 0
        while self._waiting and self._waiting[0].seq < block.seq[-1]:
            end = int(np.searchsorted(block.seq, self._waiting[0].seq))
            if end > start:
                self.pipeline.update_block(block.part(start, end))
            self.pipeline.note(self._waiting.popleft().event)
            start = end
        self.pipeline.update_block(block.part(start, len(block)))

    def _count(self, block: ReadingBlock) -> None:
        self.readings += len(block)
        self.flagged += int(np.count_nonzero(~_USABLE[block.flag]))
        self.last_t_ns = max(self.last_t_ns, int(block.t_ns.max()))
        self.last_seq = max(self.last_seq, int(block.seq[-1]))
        counts = np.bincount(block.channel, minlength=len(block.channels))
        for (probe, _), count in zip(block.channels, counts.tolist(), strict=True):
            if probe not in self._probes and count:
                self._strange[probe] = self._strange.get(probe, 0) + count

    def warning(self) -> str:
        """One sentence on probes that the config does not have, or nothing."""
        if not self._strange:
            return ""
        names = ", ".join(f"'{name}'" for name in sorted(self._strange))
        return (
            f"{sum(self._strange.values())} readings of {names} are not used: no such probe is in "
            f"{self._config.name}; add it there if it belongs to the job"
        )

    def facts(self, run: str, *, stored: bool) -> RunFacts:
        """What the result document says of the run."""
        source = self._source
        return RunFacts(
            run=run,
            simulated=source.simulated,
            stored=stored,
            started_utc=utc_text(source.started_utc_us),
            ended_utc=utc_text(source.started_utc_us + self.last_t_ns // NS_PER_US),
            end_reason=source.end_reason,
            readings_stored=self.readings,
            readings_flagged=self.flagged,
            readings_lost=source.lost,
        )


def compute(config: LoadedConfig, source: Source, run: str) -> tuple[dict[str, Any], Replayer]:
    """The result document, nothing stored."""
    replayer = Replayer(config, source)
    for _ in replayer.blocks():
        replayer.pipeline.take_trace()
    return result_document(replayer.pipeline.finish(), replayer.facts(run, stored=False)), replayer


def compute_stored(
    config: LoadedConfig, source: Source, header: RunHeader, writer: StoreWriter
) -> tuple[dict[str, Any], Replayer]:
    """The result document; readings and all that came of them are stored as a run of its own.

    All of it or nothing: a run that was cut off on its way in would be taken for one that was measured.
    """
    replayer = Replayer(config, source)
    with writer.whole():
        writer.begin_run(header)
        for block in replayer.blocks():
            writer.write(Batch(run=header.run, readings=block, trace=replayer.pipeline.take_trace()))
        outcome = replayer.pipeline.finish()
        facts = replayer.facts(header.run, stored=True)
        writer.write(_derived(outcome, replayer, facts, source))
        document = result_document(outcome, facts)
        end = RunEnd(
            ended_utc_us=source.started_utc_us + replayer.last_t_ns // NS_PER_US,
            end_reason=source.end_reason,
            result_json=json_text(document),
        )
        writer.write(Batch(run=header.run, end=end))
    return document, replayer


def _derived(outcome: Outcome, replayer: Replayer, facts: RunFacts, source: Source) -> Batch:
    """Events and results after the last reading; the shell's events keep their place."""
    pipeline = replayer.pipeline
    core = [event for event in outcome.events if event.origin == "core"]
    first = replayer.last_seq + 1
    events = [StoredEvent(seq=first + n, event=event) for n, event in enumerate(core)]
    results = [
        StoredResult(
            seq=first + len(core) + n,
            t_ns=replayer.last_t_ns,
            scope="firing",
            document=firing_result(pipeline, firing, facts),
        )
        for n, firing in enumerate(outcome.firings)
    ]
    return Batch(
        run=facts.run,
        trace=pipeline.take_trace(),
        events=[*source.events, *events],
        results=results,
        snapshot=pipeline.snapshot(replayer.last_t_ns),
    )


def source_of_run(reader: StoreReader, run: str) -> Source:
    """A stored run as a source.

    Raises
    ------
    StoreError
        Its readings were dropped.
    """
    refuse_dropped(reader, run)
    header = reader.header(run)
    return Source(
        blocks=reader.blocks(run),
        events=reader.shell_events(run),
        started_utc_us=header.started_utc_us,
        end_reason=reader.end_reason(run) or "running",
        simulated=header.simulated,
        scenario=header.scenario,
        seed=header.seed,
        replay_of=run,
        lost=sum(gap.count for gap in reader.storage_gaps(run)),
    )


def refuse_dropped(reader: StoreReader, run: str) -> None:
    """Raise ``StoreError`` for a run whose readings were dropped, all or in part."""
    if dropped := reader.dropped(run):
        raise StoreError(f"run {run}: {dropped}; `riselog report {run}` shows them")


def recover(writer: StoreWriter) -> tuple[str, ...]:
    """End the runs that a crash cut off, with the result of their readings; a sentence for each.

    Never raises: a run that cannot be computed, or not be ended now, must not bar the job from its store.
    """
    return tuple(_settle(writer, run) for run in writer.unended_runs())


def _settle(writer: StoreWriter, run: str) -> str:
    text, what = None, ""
    try:
        document = _cut_off(writer.path, run)
        text = json_text({**document, "stored": True})
        what = f"; its result: {document['verdict'] or 'no verdict'}"
    except RiselogError as error:
        what = f", without a result: {said(error)}"
    except Exception as error:  # noqa: BLE001 - our own fault, told and logged
        what = f", without a result: {fault_sentence(error, f'settling run {run}')}"
    try:
        writer.mark_ended(run, "interrupted", text)
    except StoreError as error:
        return f"run {run} had been cut off and stays open: {said(error)}"
    return f"run {run} had been cut off and is marked interrupted{what}"


def _cut_off(path: Path, run: str) -> dict[str, Any]:
    """The result of the readings that a crash left."""
    with StoreReader(path) as reader:
        header = reader.header(run)
        config = loads_config(header.config_text, f"config of run {run}", None, stored=header.files)
        return compute(config, replace(source_of_run(reader, run), end_reason="interrupted"), run)[0]
