"""What the command line names: stores, runs and files, each run or file a job."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from logger.config.load import LoadedConfig
from logger.core.errors import RiselogError, StoreError, TableError
from logger.many.job import Answer, ConfigText, Job, failed
from logger.source_file import is_readings_file
from logger.store import StoreReader, is_file
from logger.stored import find_stored
from logger.text import clean_text

_STORE_ENDING = ".db"


def jobs_of(texts: Sequence[str], config: LoadedConfig | None, now_utc_us: int) -> Iterator[Job | Answer]:
    """Jobs in the order given, those of a store in the order of its runs.

    What cannot be found is an answer already. With ``config`` all are computed with it.
    """
    given = None
    if config is not None:
        given = ConfigText(name=config.name, text=config.effective_text, files=config.files)
    for text in texts:
        try:
            for label, path, run in _found(text, config):
                yield Job(label=label, path=str(path), run=run, config=given, now_utc_us=now_utc_us)
        except RiselogError as error:
            yield failed(clean_text(text), error)


def _found(text: str, config: LoadedConfig | None) -> list[tuple[str, Path, str | None]]:
    """Label, file and run of each."""
    if text.lower().endswith(_STORE_ENDING):
        path = Path(text)
        with StoreReader(path) as reader:
            runs = [row.run for row in reader.runs(count=False)]
        if not runs:
            raise StoreError(f"{path} holds no run yet; `riselog run` makes one")
        return [(f"{clean_text(text)}:{clean_text(run)}", path, run) for run in runs]
    if is_readings_file(text):
        if not is_file(Path(text)):
            raise TableError(f"{text}: there is no such file; name readings, a store, or a stored run")
        return [(clean_text(text), Path(text), None)]
    path, run = find_stored(text, config)
    return [(clean_text(text), path, run)]
