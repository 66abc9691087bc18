"""``riselog replay --many``: every input computed by itself, one document or one table for all."""

from __future__ import annotations

import os
import signal
from collections.abc import Generator, Mapping, Sequence
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

from logger.clock import SystemClock
from logger.config.load import load_config
from logger.config.quantities import Dimension
from logger.core.errors import UsageError
from logger.documents import NOT_STEADY, print_json, print_lines
from logger.export import Progress, told_to
from logger.faults import ENDED_AT_ONCE, INTERNAL_FAULT, complain
from logger.many.inputs import jobs_of
from logger.many.job import Answer, Job
from logger.many.spread import Numbered, Settled, over_processes
from logger.registry import DriverOptions
from logger.screen.format import DASH, clean, number, percent, show

SCHEMA = "riselog.many/1"
_GRAVEST = (INTERNAL_FAULT, 4, 2)  # exit codes of failed inputs, the gravest first


def many_command(
    texts: Sequence[str], config_path: Path | None, *, scheduler: str | None, jobs: int | None, json: bool
) -> int:
    """Body of ``riselog replay --many``; the exit code."""
    if scheduler is not None:
        if jobs is not None:
            raise UsageError("--jobs is for this computer; leave it out with --scheduler")
        from logger.many.cluster import need_cluster  # noqa: PLC0415 - an extra

        need_cluster(scheduler)
    if jobs is not None and jobs < 1:
        raise UsageError(f"--jobs {jobs}: at least one process has to compute")
    config = None if config_path is None else load_config(config_path, DriverOptions())
    found = list(jobs_of(texts, config, SystemClock().utc_us()))
    answers = {n: answer for n, answer in enumerate(found) if isinstance(answer, Answer)}
    waiting = [(n, job) for n, job in enumerate(found) if isinstance(job, Job)]
    ended = gathered(answers, spread(waiting, scheduler, jobs), f"of {len(found)} runs computed")
    if ended:
        complain("ended before all were computed; what is computed is shown")
    for place, job in waiting:
        if place not in answers:
            answers[place] = Answer(label=job.label, reason="not computed: ended before", exit_code=0)
    ordered = [answers[place] for place in sorted(answers)]
    _tell(ordered)
    if json:
        print_json(many_document(ordered))
    else:
        print_lines(many_lines(ordered))
    return ENDED_AT_ONCE if ended else many_exit_code(ordered)


def spread(waiting: Sequence[Numbered], scheduler: str | None, jobs: int | None) -> Generator[Settled]:
    """Work spread over the cluster of ``scheduler``, or over ``jobs`` processes here."""
    if scheduler is None:
        return over_processes(waiting, jobs or os.cpu_count() or 1)
    from logger.many.cluster import over_cluster  # noqa: PLC0415 - an extra

    return over_cluster(waiting, scheduler)


def gathered(answers: dict[int, Answer], settled: Generator[Settled], done: str) -> bool:
    """Put in what comes; whether Ctrl-C or SIGTERM ended it, which keeps what has come."""
    progress = Progress(told_to(Path()))
    with ExitStack() as stack:
        stack.callback(signal.signal, signal.SIGTERM, signal.getsignal(signal.SIGTERM))
        signal.signal(signal.SIGTERM, signal.default_int_handler)
        generator = stack.enter_context(closing(settled))
        try:
            for ((place, answer),) in progress.over(([one] for one in generator), done):
                answers[place] = answer
        except KeyboardInterrupt:
            return True
    return False


def _tell(answers: Sequence[Answer]) -> None:
    for answer in answers:
        for note in answer.notes:
            complain(note if note.startswith(answer.label) else f"{answer.label}: {note}")
        if answer.document is None:
            reason = answer.reason
            complain(reason if reason.startswith(answer.label) else f"{answer.label}: {reason}")


def many_document(answers: Sequence[Answer]) -> dict[str, Any]:
    """All in order of the inputs: a result document each with its ``source``, and why there is none."""
    return {
        "schema": SCHEMA,
        "results": [{"source": a.label, **a.document} for a in answers if a.document is not None],
        "failed": [{"input": a.label, "reason": a.reason} for a in answers if a.document is None],
    }


def many_exit_code(answers: Sequence[Answer]) -> int:
    """The gravest of the inputs that failed; without any, 3 where no run at all was steady, else 0."""
    codes = {answer.exit_code for answer in answers if answer.document is None}
    if codes:
        return next((code for code in _GRAVEST if code in codes), INTERNAL_FAULT)
    return 0 if any(a.document is not None and a.document["firing"] for a in answers) else NOT_STEADY


def many_lines(answers: Sequence[Answer]) -> list[str]:
    """A line each, for people."""
    lines = [f"{'run':<14}{'job':<24}{'verdict':<12}{'output':>26}{'of plate':>10}  input"]
    lines += [_line(answer.document, answer) for answer in answers if answer.document is not None]
    lines += [
        f"{DASH:<14}{DASH:<24}{'failed':<12}{DASH:>26}{DASH:>10}  {clean(a.label)}"
        for a in answers
        if not a.document
    ]
    return lines


def _line(document: Mapping[str, Any], answer: Answer) -> str:
    firing, plate = document["firing"], document["nameplate"]
    output_w = None if firing is None else firing["output_w"]
    output = show(output_w, Dimension.POWER, answer.units)
    if firing is not None and output != DASH:
        u95 = number(firing["output_u95_w"], Dimension.POWER, answer.units, like=output_w)
        value, unit = output.rsplit(" ", 1)
        output = f"{value} ± {u95} {unit}"
    ratio = percent(plate["ratio"] if plate else None)
    mark = " (simulated)" if document["simulated"] else ""
    run, job, verdict = clean(document["run"]), clean(document["job"]), document["verdict"] or "none"
    return f"{run:<14}{job:<24}{verdict:<12}{output:>26}{ratio:>10}  {clean(answer.label)}{mark}"
