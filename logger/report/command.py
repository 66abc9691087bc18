"""``riselog report``: which run, which file, and whether to show it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from logger.config.load import load_config
from logger.core.errors import RiselogError, UsageError
from logger.documents import print_lines
from logger.faults import complain, fault_sentence, said
from logger.registry import DriverOptions
from logger.report.evidence import Evidence, gather
from logger.stored import find_stored
from logger.target import opened


def report_command(
    text: str,
    config_path: Path | None,
    *,
    output: Path | None,
    template: Path | None,
    force: bool,
    show: bool,
) -> int:
    """Body of ``riselog report``; the exit code."""
    config = None if config_path is None else load_config(config_path, DriverOptions())
    evidence = gather(*find_stored(text, config))
    path = Path(report_name(evidence)) if output is None else output
    there = path.exists()
    if there and not force and not path.is_dir():
        raise UsageError(
            f"{path} is there already; give --force to write over it, or --output with another name"
        )
    write_report(evidence, path, template)
    if there:
        complain(f"{path} was there and is written over")
    print_lines([f"report of run {evidence.header.run}: {path}"])
    if show:
        _show(path)
    return 0


def report_name(evidence: Evidence) -> str:
    """Name of the file: job and the beginning of the run's id."""
    return f"{evidence.mark}.html"


def write_report(evidence: Evidence, path: Path, template: Path | None = None) -> None:
    """Draw the page and write it; it appears under its name only when it is whole."""
    from logger.report.page import render  # noqa: PLC0415 - costs start-up time

    page = render(evidence, template)
    with opened(path, "an .html file") as stream:
        stream.write(page)


def leave_report(store: Path, run: str) -> str:
    """Write the report of a run beside its store; a sentence on where it is, or on what kept it from that."""
    try:
        evidence = gather(store, run)
        path = store.parent / report_name(evidence)
        write_report(evidence, path)
    except RiselogError as error:
        return f"no report was written: {said(error)}"
    except Exception as error:  # noqa: BLE001 - the run is done and stored; its exit code stands
        return f"no report was written: {fault_sentence(error, 'report')}"
    return f"report: {path}"


def _show(path: Path) -> None:
    """Open the page in the user's browser, where there is a screen for it."""
    import webbrowser  # noqa: PLC0415 - costs start-up time

    screen = (
        sys.platform in ("win32", "darwin") or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    )
    if screen and webbrowser.open(path.resolve().as_uri()):
        return
    complain(f"there is no browser to open here; open {path.resolve()} where there is one")
