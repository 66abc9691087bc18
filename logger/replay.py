"""``riselog replay``: which readings, which config, and where what is computed goes."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

from logger.clock import SystemClock
from logger.config.load import LoadedConfig, load_config, loads_config
from logger.documents import exit_code, new_run_id, print_result, run_header
from logger.faults import complain, said
from logger.recompute import compute, compute_stored, recover, source_of_run
from logger.registry import DriverOptions
from logger.source_file import file_source, is_readings_file
from logger.store import StoreHeldError, StoreReader, StoreWriter, remember
from logger.stored import find_stored, job_store


def replay_command(text: str, config_path: Path | None, *, store: bool, json: bool) -> int:
    """Body of ``riselog replay``; the exit code."""
    config = None if config_path is None else load_config(config_path, DriverOptions())
    with ExitStack() as stack:
        if is_readings_file(text):
            found = file_source(Path(text), config, SystemClock().utc_us())
            for note in found.notes:
                complain(note)
            source, config = found.source, found.config
            writer = _writer(config, stack) if store else None
        else:
            path, run = find_stored(text, config)
            reader = stack.enter_context(StoreReader(path))
            if config is None:
                old = reader.header(run)
                config = loads_config(old.config_text, f"config of run {run}", None, stored=old.files)
                config = replace(config, store_path=path)
            writer = _writer(config, stack) if store else None  # settles first what a crash left
            source = source_of_run(reader, run)
        run = new_run_id()
        if writer is None:
            document, replayer = compute(config, source, run)
        else:
            header = run_header(config, run, started_utc_us=source.started_utc_us)
            header = replace(
                header,
                simulated=source.simulated,
                scenario=source.scenario,
                seed=source.seed,
                replay_of=source.replay_of,
            )
            document, replayer = compute_stored(config, source, header, writer)
        if warning := replayer.warning():
            complain(warning)
        where = "" if writer is None else str(writer.path)
    print_result(document, config.units, json=json, where=where)
    return exit_code(document)


def _writer(config: LoadedConfig, stack: ExitStack) -> StoreWriter | None:
    """The job's store, or None where a live logger holds it."""
    path = job_store(config)
    try:
        writer = stack.enter_context(StoreWriter(path, "riselog replay", now_utc_us=SystemClock().utc_us()))
    except StoreHeldError as error:
        complain(f"what is computed is shown and not stored: {said(error)}")
        return None
    remember(path)
    for sentence in recover(writer):
        complain(sentence)
    return writer
