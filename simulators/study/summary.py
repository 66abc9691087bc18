"""From the trials of one setting to its row. Fractions become percent here; nothing known is null.

``false_steady``, ``missed_steady``, ``beyond_bound``, ``residual_unstated`` and ``coverage`` are shares,
``decided``, ``undecided``, ``withheld``, ``settled`` and ``wrong_verdicts`` count trials; ``wrong_share``
and ``wrong_verdicts_high`` are of the decided ones. ``sensible_...`` and the parts after it
(``parts``): of a unit that cools. Bias, u95 and
coverage are those of the results that the program stands by; one of which it says itself that it cannot be
judged is counted under ``withheld``.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from math import sqrt
from typing import Any

import numpy as np

from simulators.study.bench import Bench, bench_of
from simulators.study.binomial import bounds
from simulators.study.parts import part_row
from simulators.study.setting import Setting
from simulators.study.trial import Trial

Row = dict[str, Any]

NORMAL_99 = 2.5758  # two-sided 99 % of a normal deviate
DECIDED = ("meets", "below", "above")


def row_of(setting: Setting, trials: Sequence[Trial]) -> Row:
    """The row of the cell ``setting``."""
    return summary(bench_of(setting), sorted(trials, key=lambda trial: trial.number))


def summary(bench: Bench, trials: Sequence[Trial]) -> Row:
    """Name, what was varied, and what came of it; trials in order."""
    expected = bench.truth.steady_expected
    found = [t for t in trials if t.output_w is not None]
    stood = [t for t in found if not t.withheld]
    false = [t for t in found if not expected or false_steady(t)]
    varied = asdict(bench.setting)
    name = varied.pop("scenario")
    least_s = bench.least_s() if expected else None
    return {
        "name": name,
        **varied,
        "errors_stated": bench.scenario.errors_stated,
        "trials": len(trials),
        "found": len(found),
        **_errors(stood if expected else []),
        **_sensible(stood if expected else []),
        **part_row([(t.truth_w, t.parts) for t in (stood if expected else []) if t.parts is not None]),
        **_rate("false_steady", len(false), len(trials)),
        **_rate("beyond_bound", sum(map(beyond_bound, found)), len(found) if expected else 0),
        **_rate(
            "residual_unstated",
            sum(residual_unstated(t, bench.job.steady.remaining) for t in found),
            len(found) if expected else 0,
        ),
        **_rate("missed_steady", len(trials) - len(found), len(trials) if expected else 0),
        **_waiting(found, least_s),
        **_verdicts(found, expected=expected),
        "defrosts": sum(t.defrosts for t in trials) / len(trials) if trials else None,
        "budget": _parts(found),
    }


def false_steady(trial: Trial) -> bool:
    """Whether the truth was further off at the stretch's start than the bound that goes with it. That bound
    is never below what was asked for."""
    return trial.residual is not None and trial.residual > (trial.start_bound or 0.0)


def beyond_bound(trial: Trial) -> bool:
    """Whether the mean over the stretch is further from the truth than the bound that goes with it."""
    return trial.mean_residual is not None and trial.bound is not None and trial.mean_residual > trial.bound


def residual_unstated(trial: Trial, remaining: float) -> bool:
    """Whether the published mean is further from the end value than asked, and than its own bound says."""
    return beyond_bound(trial) and trial.mean_residual is not None and trial.mean_residual > remaining


def _errors(found: Sequence[Trial]) -> Row:
    """Bias with its 99 % limits, how the u95 is, and how often it holds the truth."""
    keys = ("bias_percent", "bias_low", "bias_high", "spread_percent", "u95_percent", "u95_percent_90")
    row: Row = dict.fromkeys((*keys, "coverage", "coverage_low", "coverage_high"))
    if not found:
        return row
    error = np.array([100.0 * ((t.output_w or 0.0) / t.truth_w - 1.0) for t in found])
    u95 = np.array([100.0 * (t.u95_w or 0.0) / (t.output_w or 1.0) for t in found])
    bias, n = float(error.mean()), len(found)
    if n > 1:
        spread = float(error.std(ddof=1))
        half = NORMAL_99 * spread / sqrt(n)
        row |= {"bias_low": bias - half, "bias_high": bias + half, "spread_percent": spread}
    covered = sum(t.covered for t in found)
    low, high = bounds(covered, n)
    row |= {"bias_percent": bias, "u95_percent": float(np.median(u95))}
    row |= {"u95_percent_90": float(np.quantile(u95, 0.9))}
    return row | {"coverage": covered / n, "coverage_low": low, "coverage_high": high}


def _sensible(found: Sequence[Trial]) -> Row:
    """Bias of the sensible heat alone, and how often its own u95 holds the truth."""
    row: Row = dict.fromkeys(("sensible_bias_percent", "sensible_u95_percent"))
    parts = [
        (t.sensible_w, t.sensible_u95_w, t.true_sensible_w)
        for t in found
        if t.sensible_w and t.sensible_u95_w and t.true_sensible_w
    ]
    if parts:
        row["sensible_bias_percent"] = 100.0 * float(np.mean([w / true_w - 1.0 for w, _, true_w in parts]))
        row["sensible_u95_percent"] = 100.0 * float(np.median([u95_w / w for w, u95_w, _ in parts]))
    covered = sum(abs(w - true_w) <= u95_w for w, u95_w, true_w in parts)
    return row | _rate("sensible_coverage", covered, len(parts))


def _rate(name: str, hits: int, trials: int) -> Row:
    if not trials:
        return {name: None, f"{name}_low": None, f"{name}_high": None}
    low, high = bounds(hits, trials)
    return {name: hits / trials, f"{name}_low": low, f"{name}_high": high}


def _waiting(found: Sequence[Trial], least_s: float | None) -> Row:
    """Seconds since it came on to a steady stretch and to a settled one; and after the least possible."""
    row: Row = {"least_s": least_s}
    for name, key in (("decided_s", "decision_s"), ("settled_s", "settled_s")):
        waits = [wait for t in found if (wait := getattr(t, name)) is not None]
        row |= {f"{key}_median": _quantile(waits, 0.5), f"{key}_95": _quantile(waits, 0.95)}
    row["settled"] = sum(t.settled_s is not None for t in found)
    least = [] if least_s is None else [least_s]
    delays = [t.decided_s - first for first in least for t in found if t.decided_s is not None]
    return row | {
        "decision_delay_s_median": _quantile(delays, 0.5),
        "decision_delay_s_95": _quantile(delays, 0.95),
    }


def _quantile(values: Sequence[float], share: float) -> float | None:
    return float(np.quantile(values, share)) if values else None


def _verdicts(found: Sequence[Trial], *, expected: bool) -> Row:
    """What contradicts the truth; an undecided one does not. Without a plateau every verdict is wrong."""
    said = [t for t in found if t.verdict in DECIDED]
    wrong = sum(not expected or t.verdict != t.true_verdict for t in said)
    return {
        "decided": len(said),
        "undecided": sum(t.verdict == "undecided" for t in found),
        "withheld": sum(t.withheld for t in found),
        "wrong_verdicts": wrong,
        "wrong_share": wrong / len(said) if said else None,
        "wrong_verdicts_high": bounds(wrong, len(said))[1] if said else None,
    }


def _parts(found: Sequence[Trial]) -> list[Row]:
    """The budget's lines by their mean share of the variance, the largest first."""
    total: defaultdict[str, float] = defaultdict(float)
    for trial in found:
        for source, share in trial.shares:
            total[source] += share
    lines = [{"source": source, "share": share / len(found)} for source, share in total.items()]
    return sorted(lines, key=lambda line: (-float(str(line["share"])), line["source"]))
