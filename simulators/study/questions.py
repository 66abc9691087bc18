"""The shop's questions, answered from a study's rows in plain sentences."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from simulators.study.summary import Row

TARGET_PERCENT = 5.0  # u95 that a shop asks for: the usual tolerance of the plate


class Answered(NamedTuple):
    """A question and what the rows say."""

    question: str
    sentences: tuple[str, ...]


def answered(rows: Sequence[Row]) -> list[Answered]:
    """All three; one that the study did not vary says how to ask it.

    Of scenarios that the budget speaks of: with a fault that no reading shows no probe is enough.
    """
    rows = [row for row in rows if row["errors_stated"]]
    return [
        Answered("Which probe is needed for ± 5 %?", tuple(_probe(rows))),
        Answered("How long must one wait?", tuple(_wait(rows))),
        Answered("What does a smaller traverse cost?", tuple(_traverse(rows))),
    ]


def _values(rows: Iterable[Row], key: str) -> list[object]:
    return list(dict.fromkeys(row[key] for row in rows if row[key] is not None))


def _probe(rows: Sequence[Row]) -> Iterable[str]:
    known = [row for row in rows if row["u95_percent"] is not None]
    qualities = sorted((float(str(v)) for v in _values(known, "probe_u95_k")), reverse=True)
    if not qualities:
        yield 'Not asked: vary it, as with --probe-u95 "0.1 K,0.3 K,0.5 K".'
        return
    for name in _names(known):
        own = [row for row in known if row["name"] == name]
        good = [q for q in qualities if _within(own, q)]
        if good:
            yield (
                f"{name}: probes of ± {good[0]:g} K (u95) or better: the median u95 of the output is "
                f"{_median_u95(own, good[0]):.1f} %."
            )
            continue
        best = qualities[-1]
        line = next(row for row in own if row["probe_u95_k"] == best)["budget"][0]
        yield (
            f"{name}: none of those tried is enough; with ± {best:g} K it is {_median_u95(own, best):.1f} %, "
            f"the largest part of it '{line['source']}' ({line['share']:.0%} of the variance)."
        )


def _names(rows: Iterable[Row]) -> list[str]:
    return list(dict.fromkeys(str(row["name"]) for row in rows))


def _median_u95(rows: Sequence[Row], quality: float) -> float:
    return float(min(row["u95_percent"] for row in rows if row["probe_u95_k"] == quality))


def _within(rows: Sequence[Row], quality: float) -> bool:
    """Whether this quality is enough with the best of what else was varied."""
    return any(row["probe_u95_k"] == quality and row["u95_percent"] <= TARGET_PERCENT for row in rows)


def _wait(rows: Sequence[Row]) -> Iterable[str]:
    for row in _apart(rows):
        if row["least_s"] is None or row["decision_s_median"] is None:
            continue
        text = (
            f"{cell_name(row, _SLOWING)}: steady {_minutes(row['decision_s_median'])} min after it came on "
            f"(median; 95 % within {_minutes(row['decision_s_95'])} min); the true output is as near as "
            f"asked from {_minutes(row['least_s'])} min on"
        )
        if row["settled_s_median"] is not None:
            text += f"; a result that is settled takes {_minutes(row['settled_s_median'])} min"
            text += f" ({row['settled']} of {row['trials']} trials got it)"
        yield text + "."


def _apart(rows: Iterable[Row]) -> list[Row]:
    """One row of those that differ in nothing that the wait hangs on."""
    found: dict[tuple[object, ...], Row] = {}
    for row in rows:
        found.setdefault((row["name"], *(row[key] for key in _SLOWING)), row)
    return list(found.values())


def _minutes(seconds: float) -> str:
    return f"{seconds / 60.0:.1f}"


def _traverse(rows: Sequence[Row]) -> Iterable[str]:
    tried = [row for row in rows if row["traverse"] is not None and row["u95_percent"] is not None]
    if not tried:
        yield 'Not asked: vary it, as with --traverse "log-tchebycheff 5x5,equal-area 3x3".'
    for row in tried:
        size = f"u95 {row['u95_percent']:.1f} % of the output, bias {row['bias_percent']:+.1f} %"
        verdicts = f"{row['undecided']} of {row['trials']} undecided"
        verdicts += f", {row['wrong_verdicts']} wrong of {row['decided']} decided"
        yield (f"{cell_name(row)}: {size}, {verdicts}.")


_SHOWN = (
    ("probe_u95_k", "probes ± {:g} K"),
    ("noise_k", "noise {:g} K"),
    ("lag_s", "lag {:g} s"),
    ("humidity_u95", "humidity matched to ± {:.2%}"),
    ("airflow_u95", "airflow ± {:.1%}"),
    ("traverse", "{}"),
    ("window_s", "window {:g} s"),
    ("window_max_s", "window_max {:g} s"),
    ("hold_s", "hold {:g} s"),
    ("remaining", "remaining {:.1%}"),
    ("time_constant_s", "time_constant {:g} s"),
    ("spread", "spread {:.2%}"),
)


_SLOWING = (
    "noise_k",
    "lag_s",
    "window_s",
    "window_max_s",
    "hold_s",
    "remaining",
    "time_constant_s",
    "spread",
)


def cell_name(row: Row, keys: Sequence[str] | None = None) -> str:
    """Scenario and what was varied; of ``keys`` alone, where they are given."""
    shown = [(key, text) for key, text in _SHOWN if keys is None or key in keys]
    return ", ".join(
        [str(row["name"]), *(text.format(row[key]) for key, text in shown if row[key] is not None)]
    )
