"""What a take says before its first point and after its last one."""

from __future__ import annotations

import shlex
import sys

from logger.airflow.lengths import distance
from logger.airflow.plan_text import plan_checks
from logger.config import quantities
from logger.config.quantities import Dimension
from logger.core.airflow import HEATED_PLANE_C, INDOOR_C
from logger.core.errors import UsageError
from logger.core.params import Plane, VelocityBasis
from logger.core.readings import Quantity
from logger.core.texts import counted, temperature_text
from logger.core.traverse import Assumed, MeasuredPlane, Traverse, TraverseQuantity
from logger.core.traverse_budget import drift
from logger.core.traverse_checks import check_traverse
from logger.core.traverse_plan import DOWNSTREAM_DIAMETERS, Plan
from logger.core.traverse_plan_checks import NOT_SEEN
from logger.faults import complain
from logger.screen.format import clean
from logger.screen.plain import write_lines
from logger.take import words
from logger.take.options import TakeOptions
from logger.take.setup import Setup
from logger.take.taking import Taking
from logger.take.walk import State

SIMULATED = (
    "SIMULATED PROBES: the same air at every point. The scenario begins and ends with the fan off: wait, "
    "it runs again by itself."
)
ASKED = {
    Assumed.TEMPERATURE: "--temperature",
    Assumed.HUMIDITY: "--humidity",
    Assumed.PRESSURE: "--altitude or --pressure",
}
"""Options that say a part of the air's state."""


def start_sentences(taking: Taking, setup: Setup) -> tuple[str, ...]:
    """What is to be walked, with what, and how the numbers are meant."""
    plan, base = setup.plan, setup.base
    who = "every value is typed"
    if taking.feed is not None:
        names = " and ".join(f"'{w.probe}'" for w in taking.feed.watches)
        who = f"measured by probe {names}"
    points = counted(len(plan.points), "point")
    lines = [f"{_capital(words.duct_text(plan, setup.units))}: {points}, {who}."]
    if done := taking.state.count - len(taking.state.open):
        have = f"{counted(done, 'point')} {'is' if done == 1 else 'are'}"
        lines.append(f"{have} in {taking.notebook.path} already; the walk goes on from there.")
    if taking.feed is not None and taking.feed.simulated:
        lines.append(SIMULATED)
    if base.quantity is TraverseQuantity.VELOCITY:
        lines += _velocity_sentences(setup)
    checks = plan_checks(plan, words.shown_units(setup.units))
    lines += [check.text for check in checks if check.code == "reach"]
    if plan.plane is MeasuredPlane.DUCT:
        lines.append(f"{_plane_rule(plan, base, setup.units)} {NOT_SEEN}")
    return tuple(lines)


def _velocity_sentences(setup: Setup) -> list[str]:
    base, shown = setup.base, words.shown_units(setup.units)
    what = f"{base.basis.value} velocities"
    if base.basis is VelocityBasis.STANDARD:
        what += f" at {quantities.show(base.reference_density_kg_m3, Dimension.DENSITY, shown)}"
    lines = [f"Velocities are taken as {what}; --basis says otherwise."]
    if base.at is Plane.SUPPLY and base.burner is None:
        lines.append("--burner on or off tells whether the unit heats: a later output hangs on it.")
    names = setup.air_sources.get(Quantity.TEMPERATURE, ())
    if names and setup.given.value(Assumed.TEMPERATURE) is None:
        said = " or ".join(f"'{name}'" for name in names)
        lines.append(
            f"The air's temperature is that of probe {said}; where none gives one, "
            f"{quantities.show(INDOOR_C, Dimension.TEMPERATURE, shown)} is assumed: --temperature says it."
        )
    return lines


def _plane_rule(plan: Plan, base: Traverse, units: str) -> str:
    if base.upstream_diameters is not None:
        asked = f"{DOWNSTREAM_DIAMETERS:g} are asked for"
        return f"Straight duct before the plane: {base.upstream_diameters:.1f} diameters, {asked}."
    down, up = (
        distance(length_m, words.shown_units(units)) for length_m in (plan.downstream_m, plan.upstream_m)
    )
    return f"Straight duct wanted: {down} before the plane (--straight tells its length), {up} behind it."


def result_lines(taking: Taking, units: str) -> tuple[str, ...]:
    """The airflow, or why there is none, in lines for people."""
    from logger.airflow.answers import short_lines  # noqa: PLC0415 - late: numpy

    return tuple(clean(line) for line in short_lines(taking.traverse(), words.shown_units(units)))


def tell(taking: Taking, setup: Setup, options: TakeOptions) -> bool:
    """The end: what was captured, what came of it, and what to do with it.

    False where a whole traverse gives no airflow.

    Raises
    ------
    UsageError
        A document was asked for and there is nothing to put into it.
    """
    state, path, traverse = taking.state, taking.notebook.path, taking.traverse()
    done = state.count - len(state.open)
    if not done:
        if options.json:
            raise UsageError("nothing was captured: there is no airflow to write")
        complain("nothing was captured; nothing is kept")
        return True
    out = sys.stderr if options.json else sys.stdout
    write_lines([f"{words.saved_text(done, path, state.count)}.", *_told(state, setup, traverse)], out)
    answered = True
    if options.json:
        from logger.airflow.commands import SpotOptions, compute_command  # noqa: PLC0415 - costs start-up time

        compute_command(path, SpotOptions(), units=setup.units, json=True)
    else:
        lines, answered = _answer(traverse, setup)
        write_lines(["", *lines], out)
    if missing := words.open_text(state):
        write_lines([f"{_capital(missing)}: go on with {_resume_command(setup, options)}"], out)
    return answered or bool(missing)


def _told(state: State, setup: Setup, traverse: Traverse) -> list[str]:
    """The drift, and what nobody said of the air."""
    lines = []
    if said := words.drift_text(state, setup.units, drift(traverse)):
        lines.append(f"Drift: {said}.")
    if traverse.at is None and traverse.temperature_c >= HEATED_PLANE_C:
        lines.append(
            f"The air had {temperature_text(traverse.temperature_c)} and nobody said where the plane is: "
            "--resume with --at supply or --at return adds it."
        )
    if traverse.assumed and traverse.quantity is TraverseQuantity.VELOCITY:
        said = ", ".join(f"{part} ({ASKED[part]})" for part in traverse.assumed)
        lines.append(
            f"Assumed of the air, because nobody gave it: {said}; --resume with that option adds it."
        )
    return lines


def _answer(traverse: Traverse, setup: Setup) -> tuple[list[str], bool]:
    """What comes of it in short, with the config's keys; and whether anything does."""
    from logger.airflow.answers import short_lines  # noqa: PLC0415 - late: numpy
    from logger.airflow.config_block import block, traverse_keys  # noqa: PLC0415
    from logger.core.traverse_flow import measure  # noqa: PLC0415
    from logger.core.traverse_mix import check_mixed, mixed_temperature  # noqa: PLC0415

    velocity = traverse.quantity is TraverseQuantity.VELOCITY
    try:
        if velocity:
            flow = measure(traverse)
            checks = check_traverse(traverse, flow)
        else:
            checks = check_mixed(traverse, mixed_temperature(traverse))
    except UsageError as error:
        return [f"No airflow: {clean(str(error))}."], False
    codes = [check.code for check in checks if not check.ok]
    short = short_lines(traverse, words.shown_units(setup.units))
    lines = list(short[: len(short) - len(codes)])
    if codes:
        lines.append(f"Look at: {', '.join(codes)}.")
    lines.append(
        f"Budget and checks in words: {shlex.join(['riselog', 'traverse', 'compute', str(setup.path)])}"
    )
    if traverse.complete and velocity:
        lines += block(traverse_keys(setup.path, traverse), flow.u95)
    return lines, True


def _resume_command(setup: Setup, options: TakeOptions) -> str:
    command = ["riselog", "traverse", "take"]
    if options.config is not None:
        command.append(str(options.config))
    for name, value in (("--probe", options.probe), ("--velocity", options.velocity)):
        if value is not None:
            command += [name, str(value)]
    return shlex.join([*command, "--resume", str(setup.path)])


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
