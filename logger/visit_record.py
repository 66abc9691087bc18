"""Asks the visit record once, before a run on a terminal, and keeps it in the config."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

from pydantic import ValidationError

from logger.config.problems import problems_of
from logger.config.visit import QUESTIONS, YES_NO, Question, VisitTable

Read = Callable[[str], str]
Say = Callable[[str], None]

WORDS = {"y": True, "yes": True, "n": False, "no": False}
ENOUGH = "."  # ends the questions


def ask_record(visit: VisitTable | None, today: dt.date, read: Read, say: Say) -> dict[str, Any]:
    """Ask what is not known of today's visit; the keys to set, empty where nothing new was said.

    A record of another day is asked anew, unless it is said to be still true. ``read`` gives one
    answer to a prompt and raises EOFError where there is none: what was answered so far is kept.
    """
    known: dict[str, Any] = {} if visit is None else visit.model_dump(exclude_none=True)
    say("Visit record: Enter leaves a question open, . ends the questions.")
    answers: dict[str, Any] = {}
    try:
        if "date" in known and known["date"] != today:
            still = read(f"The record is of {known['date']}. Is all of it still true today? [y/n] ")
            if WORDS.get(still.strip().lower()) is True:
                return {"date": today}
            known = {}
        for question in QUESTIONS:
            if question.key in known:
                continue
            answer = _ask(question, read, say)
            if answer == ENOUGH:
                break
            if answer is not None:
                answers[question.key] = answer
    except EOFError:
        say("")
    return {"date": today} | answers if answers else {}


def _ask(question: Question, read: Read, say: Say) -> object:
    """The answer as the config has it; None where it stays open, ``ENOUGH`` where it ends."""
    while True:
        text = read(f"{question.text} [{question.answers}] ").strip()
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


def wanted(visit: VisitTable | None, today: dt.date) -> bool:
    """Whether there is something to ask: there is no record, or it is of another day."""
    return visit is None or visit.date != today
