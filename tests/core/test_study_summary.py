"""The row of a cell, from trials whose statistics are known without this program."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from simulators.study.document import beside, study_document
from simulators.study.lines import study_lines
from simulators.study.page import render
from simulators.study.parts import PartFound, PartsFound
from simulators.study.questions import NEVER_STEADY, UNSEEN_ONLY, answered
from simulators.study.setting import Setting, cells
from simulators.study.summary import false_steady, summary
from simulators.study.trial import Trial


@dataclass
class StandIn:
    """What a bench tells the statistics: no plant, no probes, no core."""

    setting: Setting = field(default_factory=lambda: Setting(scenario="stand-in"))
    steady_expected: bool = True
    least: float | None = 400.0
    scenario: Any = field(default_factory=lambda: SimpleNamespace(errors_stated=True))
    job: Any = field(default_factory=lambda: SimpleNamespace(steady=SimpleNamespace(remaining=0.01)))

    @property
    def truth(self) -> Any:
        return SimpleNamespace(steady_expected=self.steady_expected)

    def least_s(self) -> float | None:
        return self.least


def _trial(number: int, error: float, *, u95: float = 1.959964, **more: Any) -> Trial:
    plain: dict[str, Any] = {"verdict": "undecided", "true_verdict": "meets", "residual": 0.0, "bound": 0.005}
    plain |= {"decided_s": 600.0, "shares": (("airflow", 0.75), ("scatter", 0.25))}
    return Trial(number=number, truth_w=100.0, output_w=100.0 + error, u95_w=u95, **(plain | more))


def _row(trials: list[Trial], **bench: Any) -> dict[str, Any]:
    return summary(StandIn(**bench), trials)  # type: ignore[arg-type]


def test_normal_errors_with_exact_intervals() -> None:
    """Errors of one sigma about 0.5 and intervals of 1.96 sigma: normal tables give 93.2 %, bias 0.5 %.

    P(|Z + 0.5| <= 1.96) = Phi(1.46) - Phi(-2.46) = 0.9279 - 0.0069 = 0.921 (normal table).
    """
    rng = np.random.default_rng(3)
    for shift, coverage in ((0.0, 0.950), (0.5, 0.921)):
        errors = shift + rng.standard_normal(20_000)
        row = _row([_trial(n, float(e)) for n, e in enumerate(errors)])
        assert row["bias_low"] < shift < row["bias_high"]
        assert row["coverage_low"] < coverage < row["coverage_high"]
        assert row["coverage_high"] - row["coverage_low"] < 0.012
        assert row["spread_percent"] == pytest.approx(1.0, abs=0.03)


def test_rates_and_waits() -> None:
    trials = [
        _trial(0, 0.0, residual=0.02, start_bound=0.015),  # further off at its start than it says: false
        _trial(1, 0.0, residual=0.02, start_bound=0.03, mean_residual=0.02, bound=0.01),  # only its mean is
        _trial(2, 0.0, verdict="below", true_verdict="meets", decided_s=700.0),
        Trial(number=3, truth_w=100.0, true_verdict="meets"),
    ]
    row = _row(trials)
    assert (row["trials"], row["found"], row["false_steady"], row["missed_steady"]) == (4, 3, 0.25, 0.25)
    assert row["beyond_bound"] == 1.0 / 3.0
    assert (row["undecided"], row["decided"], row["wrong_verdicts"]) == (2, 1, 1)
    assert row["decision_delay_s_median"] == 200.0
    assert (row["wrong_share"], row["sensible_coverage"]) == (1.0, None)
    assert "1 of 1 (100%)" in "\n".join(study_lines([row], interrupted=False))
    assert row["budget"] == [{"source": "airflow", "share": 0.75}, {"source": "scatter", "share": 0.25}]


def test_the_parts_of_a_coil_are_held_against_their_own_truths_and_shown_of_coils_alone() -> None:
    """By hand: of a true output of 100 W a latent heat of 20 found as 24 and 17; 1 kg/h = 1/3600 kg/s. The
    99 % limits of 1 in 2 are 1 - 0.995^(1/2) and 0.995^(1/2) (Clopper and Pearson 1934, closed form)."""
    ratio, h = PartFound(0.8, 0.78, 0.03), 3600.0
    trials = [
        _trial(n, 0.0, parts=PartsFound(PartFound(20.0, found, 3.5), ratio, PartFound(0.0, water, 1.5 / h)))
        for n, (found, water) in enumerate(((24.0, -1.0 / h), (17.0, -2.0 / h)))
    ]
    row = _row(trials)
    assert (row["latent_bias_percent"], row["latent_u95_percent"]) == pytest.approx((0.5, 3.5))
    assert (row["latent_coverage"], row["condensate_coverage"]) == (0.5, 0.5)
    assert (row["latent_coverage_low"], row["latent_coverage_high"]) == pytest.approx(
        (1.0 - 0.995**0.5, 0.995**0.5), abs=1e-9
    )
    assert row["sensible_heat_ratio_bias"] == pytest.approx(-0.02)
    assert row["condensate_bias_kg_s"] == pytest.approx(-1.5 / 3600.0)
    plain = {**_row([_trial(0, 0.0)]), "name": "no coil"}
    assert {plain[f"{part}_coverage"] for part in ("latent", "sensible_heat_ratio", "condensate")} == {None}
    text = "\n".join(study_lines([row, plain], interrupted=False))
    tables = {head: text.split(head)[1].split("\n\n")[0] for head in ("Latent heat", "Its condensate")}
    assert "+0.50 %   3.5 %     50.0%" in tables["Latent heat"]
    assert "-1.50     1.5     50.0%" in tables["Its condensate"]
    assert not any("no coil" in table for table in tables.values())
    assert "Latent heat" not in "\n".join(study_lines([plain], interrupted=False))
    page = render([row, plain], seed=1, interrupted=False)
    table = page.split("<h3>Latent heat")[1].split("</table>")[0]
    assert "<td>+0.50 %</td>" in table
    assert "no coil" not in table
    assert "<h3>Latent heat" not in render([plain], seed=1, interrupted=False)


def test_sensible_heat_is_held_against_its_own_truth() -> None:
    cool = {"true_sensible_w": 50.0, "sensible_u95_w": 2.0}
    row = _row([_trial(0, 0.0, sensible_w=51.0, **cool), _trial(1, 0.0, sensible_w=47.0, **cool)])
    assert (row["sensible_coverage"], row["sensible_bias_percent"]) == (0.5, pytest.approx(-2.0))
    assert "stand-in: sensible heat alone has a bias of -2.00 %" in " ".join(beside([row]))
    assert row["sensible_u95_percent"] == pytest.approx(100.0 * (2.0 / 51.0 + 2.0 / 47.0) / 2.0)


def test_a_plate_of_other_conditions_gives_no_verdict_to_be_wrong() -> None:
    row = _row([_trial(0, 0.0, verdict=None)])
    assert (row["decided"], row["undecided"], row["withheld"], row["wrong_share"]) == (0, 0, 0, None)
    assert "- of 0" in "\n".join(study_lines([row], interrupted=False))
    assert "no verdicts" in " ".join(beside([row]))
    assert not list(beside([_row([_trial(0, 0.0)])]))
    assert "1.0 defrosts a trial" in " ".join(beside([_row([_trial(0, 0.0, defrosts=1)])]))


def test_where_there_is_no_plateau_every_stretch_is_false_and_none_is_missed() -> None:
    trials = [_trial(0, 0.0, verdict="meets"), Trial(number=1, truth_w=100.0)]
    row = _row(trials, steady_expected=False, least=None)
    assert (row["false_steady"], row["missed_steady"], row["wrong_verdicts"]) == (0.5, None, 1)
    assert (row["coverage"], row["bias_percent"], row["decision_delay_s_median"]) == (None, None, None)


def test_nothing_is_known_of_no_trials() -> None:
    row = _row([])
    assert (row["trials"], row["coverage"], row["false_steady"]) == (0, None, None)
    assert list(study_lines([row], interrupted=True))
    assert study_document([row], seed=1, asked=9, interrupted=True)["interrupted"] is True


def test_false_steady_needs_a_stretch() -> None:
    assert not false_steady(Trial(number=0, truth_w=1.0))


def test_the_product_of_what_is_varied() -> None:
    found = list(cells(["a", "b"], {"probe_u95_k": [0.1, 0.3], "hold_s": [30.0], "noise_k": []}))
    assert [(c.scenario, c.probe_u95_k, c.hold_s) for c in found] == [
        ("a", 0.1, 30.0),
        ("a", 0.3, 30.0),
        ("b", 0.1, 30.0),
        ("b", 0.3, 30.0),
    ]


def _varied(u95: float, **setting: Any) -> dict[str, Any]:
    return _row([_trial(0, 0.0, u95=u95)], setting=Setting(scenario="s", **setting))


def test_the_coarsest_probe_that_is_enough_is_named() -> None:
    rows = [_varied(u95, probe_u95_k=k) for k, u95 in ((0.1, 4.0), (0.3, 4.9), (1.0, 8.0))]
    (probe, _, _) = answered(rows)
    assert "± 0.3 K (u95) or better are enough; the output is then known to ± 4.9 %" in probe.sentences[0]
    assert probe.sentences[0].endswith("; with ± 1 K it would be ± 8.0 %.")
    (probe, _, _) = answered(rows[2:])
    assert "none of those tried is enough" in probe.sentences[0]
    assert "'airflow' (75% of the variance), which no better temperature probe mends" in probe.sentences[0]


def test_each_airflow_has_its_own_answer_about_the_probe() -> None:
    """What is enough with an airflow of 2 % is not with one of 4 %."""
    cells_ = [(0.1, 0.02, 4.5), (0.3, 0.02, 4.8), (0.1, 0.04, 5.5), (0.3, 0.04, 5.7)]
    rows = [_varied(u95, probe_u95_k=k, airflow_u95=flow) for k, flow, u95 in cells_]
    known, poor = answered(rows)[0].sentences
    assert known.startswith("s, airflow ± 2.0%: probes of ± 0.3 K")
    assert poor.startswith("s, airflow ± 4.0%: none of those tried is enough; with ± 0.1 K")


def test_of_many_cells_the_answers_are_short() -> None:
    rows = [
        _row([_trial(0, 0.0, u95=u95)], setting=Setting(scenario=f"s{n}", probe_u95_k=0.1))
        for n, u95 in enumerate((4.0, 6.0, 4.0, 4.0))
    ]
    probe, wait, _ = answered(rows)
    assert probe.sentences[0] == "s0: probes of ± 0.1 K (u95) or better are enough: ± 4.0 %."
    none = "s1: none is enough, with ± 0.1 K it is ± 6.0 %: 'airflow' (75% of the variance)."
    assert probe.sentences[1] == none
    assert wait.sentences == ("Of all 4: 10.0 min (s0) to 10.0 min (s0) until steady; the table has each.",)


def test_the_wait_and_the_traverse_are_answered_and_what_was_not_asked_is_said() -> None:
    rows = [_varied(6.0, traverse="equal-area 3x3")]
    probe, wait, traverse = answered(rows)
    assert "with its own probes the output is known to ± 6.0 %" in probe.sentences[0]
    assert "--probe-u95" in probe.sentences[1]
    assert "10.0 min after it came on" in wait.sentences[0]
    assert "near enough to its full output from 6.7 min on" in wait.sentences[0]
    assert "known to ± 6.0 %" in traverse.sentences[0]
    assert len(answered([*rows, _varied(6.0, traverse="equal-area 5x5")])[1].sentences) == 1


@pytest.mark.parametrize(
    ("names", "asked"),
    [(("weak",), "weak"), (("weak", "standard"), "standard"), (("weak", "high-site"), "weak")],
)
def test_what_was_not_asked_is_to_be_asked_of_a_scenario_that_was(names: tuple[str, ...], asked: str) -> None:
    rows = [_row([_trial(0, 0.0)], setting=Setting(scenario=name)) for name in names]
    probe, _, traverse = answered(rows)
    assert probe.sentences[0].startswith(f"{asked}: with its own probes")
    assert f"riselog study --scenario {asked} --probe-u95" in probe.sentences[1]
    assert f"riselog study --scenario {asked} --traverse" in traverse.sentences[0]


def test_a_smaller_traverse_is_held_against_the_largest() -> None:
    rows = [_varied(u95, traverse=t) for t, u95 in (("equal-area 3x3", 13.9), ("log-tchebycheff 5x5", 7.3))]
    rows.append(_varied(9.84, traverse="equal-area 5x5"))
    largest, other, smaller = answered(rows)[2].sentences
    assert "known to ± 9.8 % (2.5 more)" in other  # of the numbers that are shown: 9.8 less 7.3
    assert other.endswith("25 points too.")
    assert largest.startswith("s, log-tchebycheff 5x5: the output is known to ± 7.3 %, bias +0.0 %")
    assert largest.endswith("25 points.")
    assert smaller.startswith("s, equal-area 3x3: the output is known to ± 13.9 % (6.6 more)")
    assert smaller.endswith("9 points, 16 fewer.")


def test_what_a_first_screen_does_not_hold_is_in_the_table() -> None:
    rows = [_varied(6.0, traverse="equal-area 3x3", airflow_u95=n / 100.0) for n in range(1, 6)]
    assert answered(rows)[2].sentences[3:] == ("2 more are in the table.",)
    rows = [_varied(6.0, probe_u95_k=0.1, airflow_u95=n / 100.0) for n in range(1, 22)]
    assert answered(rows)[0].sentences[20:] == ("1 more is in the table.",)


def test_where_no_answer_can_be_had_it_is_said_why() -> None:
    blind: Any = SimpleNamespace(errors_stated=False)
    unseen = _row([_trial(0, 0.0)], scenario=blind)
    assert {a.sentences for a in answered([unseen])} == {(UNSEEN_ONLY,)}
    never = _row([Trial(number=0, truth_w=100.0)])
    assert answered([never])[1].sentences == (NEVER_STEADY,)


def test_an_ordinary_terminal_holds_every_line_and_the_answers_come_first() -> None:
    plain = [_row([_trial(0, 0.0)], setting=Setting(scenario=name)) for name in ("a", "heat-pump-defrost")]
    long = [_varied(6.0, probe_u95_k=0.1, airflow_u95=0.02, window_s=120.0, remaining=0.01)]
    for rows in (plain, long, [*plain, *long]):
        lines = list(study_lines(rows, interrupted=False))
        copied = [line for line in lines if line.startswith("    riselog study ")]
        held = [line for line in lines if line not in copied]
        assert max(map(len, held)) <= 80  # columns of an ordinary terminal
        assert lines[2] == "Which probe is needed for ± 5 %?"
        where = [n for n, line in enumerate(lines) if line.startswith("What does a smaller traverse")]
        assert where < [n for n, line in enumerate(lines) if line.startswith("How near to the truth")]
        assert not any("\N{NO-BREAK SPACE}" in line for line in lines)


def test_a_cell_without_a_trial_is_named_and_has_no_row() -> None:
    rows = [_row([_trial(0, 0.0)]), *(_row([], setting=Setting(scenario=f"x{n}")) for n in range(8))]
    text = " ".join(" ".join(study_lines(rows, interrupted=True)).split())
    assert "the rows hold those that were; none yet of x0, x1, x2, x3, x4, x5 and 2 more." in text
    assert text.count("x1") == 1
