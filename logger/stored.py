"""What is stored: finding a run, listing runs."""

from __future__ import annotations

from pathlib import Path

from logger.clock import utc_text
from logger.config.load import LoadedConfig, load_config
from logger.core.errors import StoreError, UnknownRunError
from logger.documents import print_json, print_lines
from logger.faults import complain, said
from logger.store import RunRow, StoreReader, all_stores, data_folder, is_file, store_path
from logger.text import clean_text

_ID_SHOWN = 5  # candidates named in a message


def job_store(config: LoadedConfig) -> Path:
    """Where a job's runs are stored."""
    return config.store_path or store_path(config.job.name)


def _stores(config: LoadedConfig | None) -> tuple[Path, ...]:
    """The job's own store, or all in the data folder."""
    if config is None:
        return all_stores()
    path = job_store(config)
    return (path,) if is_file(path) else ()


def _rows(stores: tuple[Path, ...], *, count: bool = False) -> list[tuple[Path, RunRow]]:
    """Every run, oldest first; a store that cannot be read is named and passed over."""
    rows: list[tuple[Path, RunRow]] = []
    for path in stores:
        try:
            with StoreReader(path) as reader:
                rows += [(path, row) for row in reader.runs(count=count)]
        except StoreError as error:
            complain(said(error))
    return sorted(rows, key=lambda pair: pair[1].started_utc_us)


def find_stored(text: str, config: LoadedConfig | None) -> tuple[Path, str]:
    """Store and id of the run that ``text`` names: an id, a prefix of only one, or ``last``.

    Looks in the config's store, or in all. ``last`` is the last that was begun.

    Raises
    ------
    UnknownRunError
        None or several answer.
    """
    stores = _stores(config)
    if len(stores) == 1:
        with StoreReader(stores[0]) as reader:
            return stores[0], reader.find_run(text)
    rows = _rows(stores)
    place = str(data_folder()) if config is None else str(job_store(config))
    if not rows:
        raise UnknownRunError(f"no run is stored in {place} yet; `riselog run` or `riselog demo` makes one")
    if text == "last":
        return rows[-1][0], rows[-1][1].run
    exact = [pair for pair in rows if pair[1].run == text]
    found = exact or [pair for pair in rows if pair[1].run.startswith(text)]
    if len(found) == 1:
        return found[0][0], found[0][1].run
    shown = clean_text(text)[:40]
    some = ", ".join(f"{row.run} ({row.job})" for _, row in reversed((found or rows)[-_ID_SHOWN:]))
    if found:
        raise UnknownRunError(f"run '{shown}' could be any of {len(found)}: {some}; give more of it")
    raise UnknownRunError(f"no run '{shown}' in {place}; the newest are {some} (or say last)")


def runs_command(config_path: Path | None, *, json: bool) -> int:
    """Body of ``riselog runs``; the exit code."""
    config = None if config_path is None else load_config(config_path, None)
    rows = _rows(_stores(config), count=True)
    if json:
        print_json([_entry(row) for _, row in rows])
        return 0
    if not rows:
        print_lines(["no run is stored yet; `riselog demo` makes one"])
        return 0
    lines = [f"{'run':<14}{'started (UTC)':<21}{'job':<24}{'readings':>10}  {'ended by':<13}verdict"]
    lines += [_line(row) for _, row in rows]
    print_lines(lines)
    return 0


def _entry(row: RunRow) -> dict[str, object]:
    return {
        "run": row.run,
        "job": row.job,
        "started_utc": utc_text(row.started_utc_us),
        "ended_utc": None if row.ended_utc_us is None else utc_text(row.ended_utc_us),
        "end_reason": row.end_reason,
        "simulated": row.simulated,
        "replay_of": row.replay_of,
        "verdict": row.verdict,
        "readings": row.readings,
        "readings_dropped": row.dropped,
    }


def _line(row: RunRow) -> str:
    started = utc_text(row.started_utc_us)[:19].replace("T", " ")
    run, job = clean_text(row.run), clean_text(row.job)
    mark = " (simulated)" if row.simulated else ""
    mark += f" (replay of {clean_text(row.replay_of)})" if row.replay_of else ""
    mark += " (readings dropped)" if row.dropped else ""
    end = clean_text(row.end_reason or "still open")
    verdict = clean_text(str(row.verdict or "no verdict"))
    return f"{run:<14}{started:<21}{job:<24}{row.readings:>10}  {end:<13}{verdict}{mark}"
