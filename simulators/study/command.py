"""Body of ``riselog study``."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

from logger.core.errors import RiselogError, UsageError
from logger.documents import print_json, print_lines
from logger.faults import ENDED_AT_ONCE, complain
from logger.many.command import gathered, spread
from logger.many.job import Answer
from logger.target import opened
from simulators.study.document import study_document, write_csv
from simulators.study.lines import study_lines
from simulators.study.options import StudyOptions, cells_of
from simulators.study.setting import Setting
from simulators.study.summary import Row, row_of
from simulators.study.trial import Trial
from simulators.study.work import PART, Part, parts_of

PART_S = "2 to 5 s of a processor, and twice that while it is busy"
"""What a part of 20 trials took on an ordinary laptop's core, by scenario, with the start; measured."""


class NothingDoneError(RiselogError):
    """Ended by the user before there was anything to keep."""

    exit_code = ENDED_AT_ONCE


def study_command(options: StudyOptions) -> int:
    """Make the trials and say what came of them; the exit code."""
    _check_spread(options)
    cells = cells_of(options)
    parts = parts_of(cells, options.trials, options.seed)
    with ExitStack() as held:  # what cannot be written is told before hours of computing
        page = held.enter_context(opened(options.output, "an .html file")) if options.output else None
        table = held.enter_context(opened(options.csv)) if options.csv else None
        answers: dict[int, Answer] = {}
        settled = spread(list(enumerate(parts)), options.scheduler, options.jobs)
        ended = gathered(answers, settled, f"of {len(parts)} parts of {PART} trials computed")
        rows = _rows(cells, parts, answers)
        if ended and not any(row["trials"] for row in rows):
            raise NothingDoneError(
                f"ended before any trial of {len(parts)} parts was done: there is no answer, and nothing is "
                f"written; a part is {PART} trials of one cell and takes {PART_S}, so let it run for longer"
            )
        if ended:
            complain(f"ended after {len(answers)} of {len(parts)} parts; what is done is shown")
        if table is not None:
            write_csv(rows, table)
        if page is not None:
            from simulators.study.page import render  # noqa: PLC0415 - costs start-up time

            page.write(render(rows, seed=options.seed, interrupted=ended))
    _tell(options.output, options.csv)
    if options.json:
        document = study_document(rows, seed=options.seed, asked=options.trials, interrupted=ended)
        print_json(document)
    else:
        print_lines(study_lines(rows, interrupted=ended))
    return max((answer.exit_code for answer in answers.values()), default=0)


def _check_spread(options: StudyOptions) -> None:
    if options.scheduler is not None:
        if options.jobs is not None:
            raise UsageError("--jobs is for this computer; leave it out with --scheduler")
        from logger.many.cluster import need_cluster  # noqa: PLC0415 - an extra

        need_cluster(options.scheduler)
    if options.jobs is not None and options.jobs < 1:
        raise UsageError(f"--jobs {options.jobs}: at least one process has to compute")


def _rows(cells: tuple[Setting, ...], parts: list[Part], answers: dict[int, Answer]) -> list[Row]:
    """A row a cell of the trials that came; each reason why some did not is told once."""
    trials: list[list[Trial]] = [[] for _ in cells]
    told: set[str] = set()
    for place, answer in sorted(answers.items()):
        if answer.document is not None:
            trials[parts[place].cell].extend(answer.document["trials"])
        elif answer.reason not in told:
            told.add(answer.reason)
            complain(f"{answer.label}: {answer.reason}")
    return [row_of(cell, made) for cell, made in zip(cells, trials, strict=True)]


def _tell(*written: Path | None) -> None:
    for path in written:
        if path is not None:
            complain(f"written to {path}")
