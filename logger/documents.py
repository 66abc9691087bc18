"""What a run leaves behind: its id and header, its result document, and the exit code for it."""

from __future__ import annotations

import json as json_lib
import platform
import secrets
from collections.abc import Iterable, Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from logger.config.load import LoadedConfig
from logger.core.firing import Firing
from logger.core.pipeline import Pipeline
from logger.core.result import RunFacts, firing_document
from logger.faults import standard_output
from logger.screen.plain import result_lines, write_lines
from logger.store.records import RunHeader

NOT_STEADY = 3  # exit code: ended without a steady stretch
_VERSIONED = ("riselog", "numpy", "psychrolib")


def new_run_id() -> str:
    """Random, short enough to be typed, long enough never to come twice."""
    return secrets.token_hex(6)


def versions() -> dict[str, str]:
    """What the numbers of a run hang on."""
    found = {"python": platform.python_version(), "machine": platform.machine()}
    for name in _VERSIONED:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found


def boot_id() -> str:
    """The system's start, where it has an id; elapsed time of two runs compares only within one."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return ""


def run_header(config: LoadedConfig, run: str, *, started_utc_us: int = 0) -> RunHeader:
    """Header of a run with this config; the start is known at the first reading."""
    return RunHeader(
        run=run,
        job=config.job.name,
        started_utc_us=started_utc_us,
        boot_id=boot_id(),
        versions=versions(),
        config_text=config.effective_text,
        files=config.files,
        simulated=config.simulated,
        scenario=config.sim.scenario if config.sim else None,
        seed=config.sim.seed if config.sim else None,
    )


def firing_result(pipeline: Pipeline, firing: Firing, facts: RunFacts) -> str:
    """JSON text of one complete firing's own result."""
    return json_text(firing_document(pipeline.job, firing, facts))


def json_text(document: object) -> str:
    """One JSON document; a number that JSON cannot say is our fault and raises."""
    return json_lib.dumps(document, ensure_ascii=False, allow_nan=False)


def print_json(document: object) -> None:
    """The document on stdout, in UTF-8 whatever the locale."""
    data = (json_text(document) + "\n").encode("utf-8")
    with standard_output() as out:
        out.flush()
        out.buffer.write(data)
        out.buffer.flush()


def print_lines(lines: Iterable[str]) -> None:
    """Lines for people on stdout, in ASCII where it has no more than that."""
    with standard_output() as out:
        write_lines(lines, out)


def print_result(document: Mapping[str, Any], units: str, *, json: bool, where: str) -> None:
    """The result on stdout: the document, or lines for people."""
    if json:
        print_json(document)
    else:
        print_lines(result_lines(document, units, where=where))


def exit_code(document: Mapping[str, Any]) -> int:
    """0 whatever the verdict; 3 where no steady stretch was found."""
    return 0 if document["firing"] is not None else NOT_STEADY
