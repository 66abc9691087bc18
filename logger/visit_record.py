"""Asks the visit record once, before a run on a terminal, and keeps it in the config."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from logger.config.edit import edit_file
from logger.config.load import LoadedConfig, load_config, loads_config
from logger.config.problems import problems_of
from logger.config.visit import QUESTIONS, YES_NO, Question, VisitTable
from logger.core.errors import ConfigError
from logger.faults import complain
from logger.registry import DriverOptions

Read = Callable[[str], str]
Say = Callable[[str], None]

WORDS = {"y": True, "yes": True, "n": False, "no": False}
ENOUGH = "."  # ends the questions


def ask_record(visit: VisitTable | None, today: dt.date, read: Read, say: Say) -> dict[str, Any]:
    """Ask what is not known of today's visit; the keys to set, empty where nothing new was said.

    A record of another day is asked anew, its answers as defaults, unless it is said to be still true.
    ``read`` gives one answer to a prompt and raises EOFError where there is none: what was answered
    so far is kept. An old record keeps its day until it was gone through to its end.
    """
    before: dict[str, Any] = {} if visit is None else visit.model_dump(exclude_none=True)
    say("Visit record: Enter leaves a question as it is, . ends the questions.")
    answers: dict[str, Any] = {}
    try:
        if "date" in before:
            still = read(f"The record is of {before['date']}. Is all of it still true today? [y/n] ")
            if WORDS.get(still.strip().lower()) is True:
                return {"date": today}
        for question in QUESTIONS:
            answer = _ask(question, before.get(question.key), read, say)
            if answer == ENOUGH:
                break
            if answer is not None:
                answers[question.key] = answer
        else:
            return {"date": today} | answers  # what was left as it is was confirmed by that
    except EOFError:
        say("")
        return {"date": today} | answers if answers and not before else answers
    return answers if before else {"date": today} | answers


def _ask(question: Question, before: object, read: Read, say: Say) -> object:
    """The answer as the config has it; None where it stays as it is, ``ENOUGH`` where it ends."""
    was = "" if before is None else f"; as it is: {_shown(before)}"
    while True:
        text = read(f"{question.text} [{question.answers}{was}] ").strip()
        if text in ("", ENOUGH):
            return text or None
        answer: object = text
        if question.answers == YES_NO:
            if text.lower() not in WORDS:
                say("Please answer y or n.")
                continue
            answer = WORDS[text.lower()]
        try:
            VisitTable.model_validate({question.key: answer})
        except ValidationError as error:
            say(problems_of(error, VisitTable)[0].text)
            continue
        return answer


def _shown(value: object) -> str:
    """An answer of before, as it would be given now; pressures are had in SI."""
    if isinstance(value, bool):
        return "y" if value else "n"
    return f"{value:.0f} Pa" if isinstance(value, float) else str(value)


def wanted(visit: VisitTable | None, today: dt.date) -> bool:
    """Whether there is something to ask: there is no record, or it is of another day."""
    return visit is None or visit.date != today


def with_record(path: Path, config: LoadedConfig, today: dt.date) -> LoadedConfig:
    """Ask what is to be asked, keep it in the config file, and give the config that has it.

    A simulated job has no unit to look at. A file that cannot be written is told, and the run goes on.
    """
    if config.simulated or not wanted(config.visit, today):
        return config
    answers = ask_record(config.visit, today, input, complain)
    if not answers:
        return config

    def accept(text: str) -> None:
        loads_config(text, str(path), DriverOptions(), folder=path.parent)

    try:
        edit_file(path, {("visit",): answers}, today, accept)
    except ConfigError as error:
        complain(f"the visit record is not kept: {error}")
        return config
    return load_config(path, DriverOptions())
