"""The shop's questions, answered from a study's rows in plain sentences."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from simulators.study.setting import SHOWN, cell_name
from simulators.study.summary import Row

TARGET_PERCENT = 5.0  # u95 that a shop asks for: the usual tolerance of the plate
FEW = 3  # cells that are told one by one; assumed: what a first screen holds
MOST = 20  # cells that are told in a line each; assumed: all scenarios with one kind of airflow
USUAL = "standard"  # the scenario that is told by itself among many
_OF_THE_PROBES = ("temperature", "probe gain")  # how the budget's lines end that a better probe mends
_SLOWING = tuple(
    key for key, _ in SHOWN if key not in {"probe_u95_k", "humidity_u95", "airflow_u95", "traverse"}
)
QUESTIONS = (
    "Which probe is needed for ± 5 %?",
    "How long must one wait?",
    "What does a smaller traverse cost?",
)
ASK_PROBE = 'riselog study --scenario {} --probe-u95 "0.1 K,0.3 K,0.5 K" --airflow-u95 "2 %,4 %"'
ASK_HUMIDITY = 'riselog study --scenario {} --humidity-u95 "0.5 %,1 %,2 %"'
ASK_TRAVERSE = 'riselog study --scenario {} --traverse "log-tchebycheff 5x5,equal-area 3x3"'
UNSEEN_ONLY = (
    "No answer: all of these scenarios have a fault of which no line of the budget speaks; add another, such "
    "as --scenario standard."
)
NEVER_STEADY = "No answer: no trial had a steady stretch to measure in."


class Answered(NamedTuple):
    """A question and what the rows say."""

    question: str
    sentences: tuple[str, ...]


def answered(rows: Sequence[Row]) -> list[Answered]:
    """All three; one that the study did not vary says how to ask it.

    Of scenarios that the budget speaks of: with a fault that no reading shows no probe is enough.
    """
    only_unseen = bool(rows) and not any(row["errors_stated"] for row in rows)
    rows = [row for row in rows if row["errors_stated"]]
    known = [row for row in rows if row["u95_percent"] is not None]
    if only_unseen:
        return [Answered(question, (UNSEEN_ONLY,)) for question in QUESTIONS]
    return [
        Answered(QUESTIONS[0], tuple(_probe(known))),
        Answered(QUESTIONS[1], tuple(_wait(rows))),
        Answered(QUESTIONS[2], tuple(_traverse(known))),
    ]


def with_command(sentence: str) -> tuple[str, str]:
    """A sentence, and the command at its end that is there to be copied, or nothing.

    >>> with_command("To try it: riselog study --trials 9")
    ('To try it:', 'riselog study --trials 9')
    """
    said, mark, rest = sentence.partition(": riselog ")
    return (f"{said}:", f"riselog {rest}") if mark else (sentence, "")


def _probe(known: Sequence[Row]) -> Iterator[str]:
    tried = [row for row in known if row["probe_u95_k"] is not None]
    if not tried:
        name = _spokesman(known)
        if known:
            row = next(row for row in known if row["name"] == name)
            yield (
                f"{cell_name(row)}: with its own probes the output is known to ± {row['u95_percent']:.1f} %, "
                f"{_largest(row)}."
            )
            if "humidity" in row["budget"][0]["source"]:
                yield f"Humidity probes were not compared; to do it: {ASK_HUMIDITY.format(name)}"
                return
        yield f"Other probes were not asked for; to compare them: {ASK_PROBE.format(name)}"
        return
    groups = _groups(tried, "probe_u95_k")
    for name, group in groups[:MOST]:
        yield f"{name}: {_enough(group, brief=len(groups) > FEW)}."
    yield from _more(len(groups) - MOST)


def _spokesman(known: Sequence[Row]) -> str:
    """The scenario to ask on with: the usual one, or where it was not computed, the first that was."""
    names = [str(row["name"]) for row in known]
    return names[0] if names and USUAL not in names else USUAL


def _enough(group: Sequence[Row], *, brief: bool) -> str:
    """The coarsest probe that is enough, or how near the finest comes; and how far off the coarsest is."""
    by_quality = sorted(group, key=lambda row: float(row["probe_u95_k"]))
    good = [row for row in by_quality if row["u95_percent"] <= TARGET_PERCENT]
    row = good[-1] if good else by_quality[0]
    probes, known_to = f"± {row['probe_u95_k']:g} K", f"± {row['u95_percent']:.1f} %"
    if brief:
        enough = f"probes of {probes} (u95) or better are enough: {known_to}"
        return enough if good else f"none is enough, with {probes} it is {known_to}: {_source(row)}"
    if good:
        text = (
            f"probes of {probes} (u95) or better are enough; the output is then known to {known_to} (median)"
        )
    else:
        text = (
            f"none of those tried is enough; with {probes} the output is known to {known_to}, {_largest(row)}"
        )
    last = by_quality[-1]
    if last is row:
        return text
    return f"{text}; with ± {last['probe_u95_k']:g} K it would be ± {last['u95_percent']:.1f} %"


def _source(row: Row) -> str:
    line = row["budget"][0]
    return f"'{line['source']}' ({line['share']:.0%} of the variance)"


def _largest(row: Row) -> str:
    """The line of the budget to look at first, and whether that is the probes'."""
    text = f"the largest part of it {_source(row)}"
    probes = str(row["budget"][0]["source"]).endswith(_OF_THE_PROBES)
    return text if probes else f"{text}, which no better temperature probe mends"


def _groups(rows: Iterable[Row], varied: str) -> list[tuple[str, list[Row]]]:
    """Rows that differ in ``varied`` alone, with the name that they share."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(cell_name({**row, varied: None}), []).append(row)
    return list(found.items())


def _wait(rows: Sequence[Row]) -> Iterator[str]:
    found = [
        row for row in _apart(rows) if row["decision_s_median"] is not None and row["least_s"] is not None
    ]
    if not found:
        yield NEVER_STEADY
        return
    told = found if len(found) <= FEW else [row for row in found if row["name"] == USUAL][:1]
    yield from map(_waited, told)
    if len(found) > FEW:
        least, most = (pick(found, key=lambda row: float(row["decision_s_median"])) for pick in (min, max))
        text = (
            f"Of all {len(found)}: {_minutes(least['decision_s_median'])} min ({_slow_name(least)}) to "
            f"{_minutes(most['decision_s_median'])} min ({_slow_name(most)}) until steady"
        )
        settled = [row["settled_s_median"] for row in found if row["settled_s_median"] is not None]
        if settled:
            text += f", {_minutes(min(settled))} to {_minutes(max(settled))} min until settled"
        yield f"{text}; the table has each."


def _waited(row: Row) -> str:
    text = (
        f"{_slow_name(row)}: steady {_minutes(row['decision_s_median'])} min after it came on (median; 95 % "
        f"within {_minutes(row['decision_s_95'])} min)"
    )
    if row["settled_s_median"] is not None:
        text += (
            f", a settled result, which `run --until result` waits for, after "
            f"{_minutes(row['settled_s_median'])} min ({row['settled']} of {row['trials']} trials got it)"
        )
    return (
        f"{text}; the unit itself was near enough to its full output from {_minutes(row['least_s'])} min on."
    )


def _slow_name(row: Row) -> str:
    """The cell by what the wait hangs on."""
    return cell_name(row, _SLOWING)


def _apart(rows: Iterable[Row]) -> list[Row]:
    """One row of those that differ in nothing that the wait hangs on."""
    found: dict[str, Row] = {}
    for row in rows:
        found.setdefault(_slow_name(row), row)
    return list(found.values())


def _minutes(seconds: float) -> str:
    return f"{seconds / 60.0:.1f}"


def _traverse(known: Sequence[Row]) -> Iterator[str]:
    tried = [row for row in known if row["traverse"] is not None]
    if not tried:
        yield f"Traverses were not asked for; to compare them: {ASK_TRAVERSE.format(_spokesman(known))}"
    groups = _groups(tried, "traverse")
    for _, group in groups[:FEW]:
        first, *others = sorted(group, key=lambda row: (-_points(row), row["u95_percent"]))
        yield f"{cell_name(first)}: {_worth(first)}; {_points(first)} points."
        for row in others:
            more = round(row["u95_percent"], 1) - round(first["u95_percent"], 1)  # as they are shown
            than = f"{abs(more):.1f} {'more' if more >= 0.0 else 'less'}"
            fewer = _points(first) - _points(row)
            points = f"{_points(row)} points, {fewer} fewer" if fewer else f"{_points(row)} points too"
            yield f"{cell_name(row)}: {_worth(row, than)}; {points}."
    yield from _more(len(groups) - FEW)


def _more(count: int) -> Iterator[str]:
    if count > 0:
        yield f"{count} more {'is' if count == 1 else 'are'} in the table."


def _points(row: Row) -> int:
    """Points of a traverse such as ``equal-area 3x3``."""
    across, down = re.findall(r"\d+", str(row["traverse"]))[-2:]
    return int(across) * int(down)


def _worth(row: Row, than: str = "") -> str:
    text = f"the output is known to ± {row['u95_percent']:.1f} %{f' ({than})' if than else ''}, "
    text += f"bias {row['bias_percent']:+.1f} %, {row['undecided']} of {row['trials']} verdicts undecided"
    if row["decided"]:
        text += f" and {row['wrong_verdicts']} wrong of {row['decided']} decided"
    return text
