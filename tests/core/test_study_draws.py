"""What a study draws, held against what the budget states: line by line, and by size.

The sizes come from the plant, which is written apart from the core: an error of one standard uncertainty has
to move the result by the line's own ``u_w`` (GUM, JCGM 100, 5.1.3: u_i(y) = |c_i| u(x_i)).
"""

from __future__ import annotations

import ast
from dataclasses import fields
from math import sqrt
from pathlib import Path

import pytest

import logger.core
from logger.core import fan_phase
from logger.core.params import Role
from logger.core.pipeline import Outcome, Pipeline
from simulators.scenarios import SCENARIOS
from simulators.study.bench import Bench, bench_of
from simulators.study.binomial import bounds
from simulators.study.draws import DRAWN, NO_SCENARIO, SIMULATED, AirError, Errors, drawn
from simulators.study.setting import Setting
from simulators.study.spoken import block_of
from simulators.study.traverses import DRAWN_OF_TRAVERSE, traversed
from simulators.study.trial import mistaken, run_trial

CORE = Path(logger.core.__file__).parent
OF_ANOTHER_BUDGET = {
    "airflow_sources",
    "efficiency",
    "electric_step",
    "gas",
    "budget",
    "firing",
    "coil_parts",
}
"""Modules whose lines are those of an airflow, an input or an efficiency, and never of an output."""
NAMES_LINES = {"BudgetLine", "HumidityInput"}
SIDES = ("supply", "entering")
SQRT3 = sqrt(3.0)  # half-width of a rectangle over its standard uncertainty (GUM 4.3.7)


def _named(node: ast.expr, constants: dict[str, str]) -> list[str]:
    if isinstance(node, ast.Constant):
        return [str(node.value)]
    if isinstance(node, ast.Name):
        return [constants[node.id]]
    assert isinstance(node, ast.JoinedStr), ast.dump(node)
    texts = [str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values]
    text = "".join(texts)
    return (
        [text.replace("{}", side) for side in SIDES] if text.startswith("{}") else [text.replace("{}", "...")]
    )


def _lines_in(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    constants = {
        target.id: str(node.value.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
        for target in node.targets
        if isinstance(target, ast.Name)
    }
    calls = [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in NAMES_LINES
        if not isinstance(node.args[0], ast.Attribute)  # named where its input is
    ]
    return {name for call in calls for name in _named(call.args[0], constants)}


def test_every_line_of_the_budget_has_its_row() -> None:
    ours = [path for path in CORE.glob("*.py") if not path.stem.startswith("traverse")]
    modules = [path for path in ours if path.stem not in OF_ANOTHER_BUDGET]
    found = set().union(*map(_lines_in, modules))
    assert len(found) > 20
    assert found == set(DRAWN)


def test_every_line_of_a_traverse_has_what_is_drawn_for_it() -> None:
    assert _lines_in(CORE / "traverse_budget.py") == set(DRAWN_OF_TRAVERSE)


def test_a_traverse_is_as_wide_of_the_flow_as_it_says() -> None:
    """Its u95 holds the true flow in 95 % and more, as its sampling line is wide; two thirds would not."""
    found = [traversed("log-tchebycheff 5x5", 1, "x", n) for n in range(400)]
    u95 = [2.0 * sqrt(sum(line.u**2 for line in lines)) for _, lines in found]
    held = sum(abs(flow - 1.0) <= u for (flow, _), u in zip(found, u95, strict=True))
    narrow = sum(abs(flow - 1.0) <= u / 1.5 for (flow, _), u in zip(found, u95, strict=True))
    assert bounds(held, len(found))[1] >= 0.95
    assert bounds(narrow, len(found))[1] < 0.95


def test_every_row_names_an_error_and_every_error_has_its_row() -> None:
    known = {f"air.{field.name}" for field in fields(AirError)}
    known |= {field.name for field in fields(Errors)} - {"air"}
    assert set(DRAWN.values()) - {SIMULATED, NO_SCENARIO} == known


@pytest.fixture(scope="module")
def stated() -> dict[str, set[str]]:
    """The lines of one trial of every scenario."""
    return {
        name: {
            source.split(": ")[0] for source, _ in run_trial(bench_of(Setting(scenario=name)), 1, 0).shares
        }
        for name in SCENARIOS
    }


def test_what_is_said_to_be_in_no_scenario_is_in_none(stated: dict[str, set[str]]) -> None:
    all_lines = set().union(*stated.values())
    assert all_lines <= set(DRAWN)
    assert not all_lines & {line for line, field in DRAWN.items() if field == NO_SCENARIO}
    # what is drawn is also asked for somewhere; a traverse's own lines are, with --traverse alone
    asked = {line for line, field in DRAWN.items() if field not in (SIMULATED, NO_SCENARIO)}
    assert asked - all_lines == {"airflow: ...", "humidity in common"}  # and of matched ones, by an option


def _outcome(bench: Bench, errors: Errors) -> Outcome:
    pipeline = Pipeline(mistaken(bench, errors, 1, 0))
    pipeline.update_block(block_of(bench.cast, pipeline.job, bench.run, errors, 1))
    return pipeline.finish()


def _output(bench: Bench, errors: Errors) -> tuple[float, dict[str, float]]:
    best = _outcome(bench, errors).best
    stretch = best.best if best is not None else None
    assert stretch is not None
    return stretch.means.output_w, {line.source: line.u_w for line in stretch.lines}


def _air(role: Role, **error: float) -> dict[str, AirError]:
    return {"ret" if role is Role.RETURN else "sup": AirError(**error)}


SUPPLY, RETURN = Role.SUPPLY, Role.RETURN
SIZES: list[tuple[str, str, Errors]] = [
    ("standard", "airflow", Errors(airflow=0.02)),  # u95 4 %
    ("standard", "flow carry-over", Errors(carry_over=0.01)),
    ("standard", "supply placement", Errors(air=_air(SUPPLY, placement=0.01))),  # u95 2 %
    ("standard", "entering placement", Errors(air=_air(RETURN, placement=0.01))),
    ("standard", "supply probe gain", Errors(air=_air(SUPPLY, gain=0.0025))),  # u95 0.5 %
    ("no-fan-phase", "supply temperature", Errors(air=_air(SUPPLY, offset_k=0.15))),  # u95 0.3 K
    ("no-fan-phase", "entering temperature", Errors(air=_air(RETURN, offset_k=0.15))),
    ("no-fan-phase", "fan heat", Errors(fan_w_per_kg_s=773.0 * 0.84 * (1.0 + 1.0 / SQRT3))),
    ("variable-fan", "velocity probe", Errors(velocity=0.025)),  # u95 5 %
    ("variable-fan", "airflow", Errors(airflow=0.02)),
    ("cooling-dry", "entering humidity", Errors(air=_air(RETURN, humidity_pct=1.5))),
    ("cooling-wet", "entering humidity", Errors(air=_air(RETURN, humidity_pct=1.5))),
    ("cooling-wet", "supply humidity", Errors(air=_air(SUPPLY, humidity_pct=1.5))),
    ("cooling-wet", "supply humidity near saturation", Errors(air=_air(SUPPLY, humidity_near_pct=2.0))),
    ("cooling-wet", "supply temperature", Errors(air=_air(SUPPLY, offset_k=0.15))),
    ("cooling-wet", "supply placement", Errors(air=_air(SUPPLY, placement=0.01))),
    ("cooling-wet", "entering placement", Errors(air=_air(RETURN, placement=0.01))),
    ("climbing-room", "probe lag", Errors(air=_air(RETURN, later_s=30.0 / SQRT3))),  # in the fan phase too
    ("heat-pump", "supply temperature", Errors(air=_air(SUPPLY, offset_k=0.15))),
    ("standard", "pressure", Errors(pressure_pa=150.0)),  # u95 300 Pa
]


@pytest.mark.parametrize(("name", "line", "errors"), SIZES)
def test_one_standard_uncertainty_moves_the_output_by_the_line(name: str, line: str, errors: Errors) -> None:
    bench = bench_of(Setting(scenario=f"{name}-perfect"))
    free_w, lines = _output(bench, Errors(fan_w_per_kg_s=773.0 * 0.84) if line == "fan heat" else Errors())
    moved_w = abs(_output(bench, errors)[0] - free_w)
    assert moved_w == pytest.approx(lines[line], rel=0.12)


@pytest.mark.parametrize(("head_s", "least", "most"), [(None, 0.6, 1.0), (60, 0.9, 1.12)])
def test_a_late_supply_probe_in_outdoor_air(
    head_s: int | None, least: float, most: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Mixed air is colder than the metal, which gives back heat as the fan starts: a late probe reads it for
    longer. Over one and the same fan phase that is as much as the line says; but the flat part of its own
    fan phase begins later, where less of that heat is left, and makes up for a part: there it is a bound.
    """
    if head_s is not None:
        monkeypatch.setattr(fan_phase, "RUN_UP_S", head_s)  # the same part of it for both
        monkeypatch.setattr(fan_phase, "FLAT_K", 10.0)
    bench = bench_of(Setting(scenario="outdoor-20-perfect"))
    free_w, lines = _output(bench, Errors())
    late_w, _ = _output(bench, Errors(air=_air(SUPPLY, later_s=30.0 / SQRT3)))
    assert least < (free_w - late_w) / lines["probe lag"] < most


MATCHED: list[tuple[str, dict[str, AirError]]] = [  # to 0.5 %: what both share stays, 3 % at 95 %
    ("humidity in common", _air(SUPPLY, humidity_pct=1.5) | _air(RETURN, humidity_pct=1.5)),
    ("entering humidity", _air(RETURN, humidity_pct=0.25)),
    ("supply humidity", _air(SUPPLY, humidity_gain=0.015)),
    ("supply humidity near saturation", _air(SUPPLY, humidity_near_pct=2.0)),
]


@pytest.mark.parametrize(("line", "air"), MATCHED)
def test_the_same_of_probes_matched_in_humidity(line: str, air: dict[str, AirError]) -> None:
    bench = bench_of(Setting(scenario="cooling-wet-perfect", humidity_u95=0.005))
    free_w, lines = _output(bench, Errors())
    assert abs(_output(bench, Errors(air=air))[0] - free_w) == pytest.approx(lines[line], rel=0.12)


COMMON = _air(SUPPLY, offset_k=0.25) | _air(RETURN, offset_k=0.25)
SMALL: list[tuple[str, str, Errors]] = [
    ("cooling-wet", "temperature in common", Errors(air=COMMON)),  # the density at the fan goes with it too
    ("cooling-dry", "temperature in common", Errors(air=COMMON)),
    ("outdoor-20", "outdoor air", Errors(outdoor_share=0.01)),
    ("standard", "humidity", Errors(air=_air(RETURN, humidity_pct=1.5))),
    ("climbing-room", "probe lag", Errors(air=_air(SUPPLY, later_s=30.0 / SQRT3))),
]


@pytest.mark.parametrize(("name", "line", "errors"), SMALL)
def test_what_is_stated_to_be_small_is_small(name: str, line: str, errors: Errors) -> None:
    """To 0.15 % of the output: no more is said of what else such an error does."""
    bench = bench_of(Setting(scenario=f"{name}-perfect"))
    free_w, lines = _output(bench, Errors())
    moved_w = abs(_output(bench, errors)[0] - free_w)
    assert 0.0 < lines[line] < 0.005 * free_w
    assert moved_w == pytest.approx(lines[line], abs=0.0015 * free_w)
    assert moved_w > 0.0


@pytest.mark.parametrize("left_k", [0.2, 0.4])
def test_heat_of_an_earlier_firing_is_within_what_the_fan_phase_shows(left_k: float) -> None:
    """Its line is drawn up from the fan phase's slope: a bound on one side, as a rectangle."""
    bench = bench_of(Setting(scenario="standard-perfect"))
    free_w, _ = _output(bench, Errors())
    output_w, lines = _output(bench, Errors(left_k=left_k))
    assert 0.0 < free_w - output_w < SQRT3 * lines["fan-phase residual heat"]


def test_a_probe_in_uneven_air_stands_off_its_spot() -> None:
    """Three probes, each anywhere in its third of a straight profile of 8 % a third: 8 % / sqrt(12) each, and
    their mean by sqrt(3) less (variance of a rectangle, GUM 4.3.7)."""
    bench = bench_of(Setting(scenario="stratified"))
    found = [drawn(bench.job, 1, "stratified", n, bench.ground) for n in range(1_000)]
    means = [sum(e.air[f"sup{spot}"].placement for spot in (1, 2, 3)) / 3.0 for e in found]
    width = sqrt(sum(m * m for m in means) / len(means))
    assert width == pytest.approx(0.08 / sqrt(12.0) / SQRT3, rel=0.07)
    assert max(abs(e.air["sup1"].placement) for e in found) <= 0.04
