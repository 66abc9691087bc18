"""What a take says before its first point and after its last one."""

from __future__ import annotations

import sys

from logger.config import quantities
from logger.config.quantities import Dimension
from logger.core.errors import RiselogError
from logger.core.traverse import MeasuredPlane, Traverse, TraverseQuantity
from logger.core.traverse_plan import Plan
from logger.faults import complain
from logger.screen.format import clean, percent, show
from logger.screen.plain import write_lines
from logger.take import words
from logger.take.options import TakeOptions
from logger.take.setup import Setup
from logger.take.taking import Taking


def start_sentences(taking: Taking, setup: Setup) -> tuple[str, ...]:
    """What is to be walked, with what, and how the numbers are meant."""
    plan, base = setup.plan, setup.base
    who = "every value is typed"
    if taking.feed is not None:
        names = " and ".join(f"'{w.probe}'" for w in taking.feed.watches)
        who = f"measured by probe {names}; a value can be typed instead"
        if taking.feed.simulated:
            who += ". SIMULATED PROBES: the scenario has the same air at every point"
    lines = [f"{_capital(words.duct_text(plan, setup.units))}: {len(plan.points)} points, {who}."]
    if plan.plane is MeasuredPlane.DUCT:
        lines.append(_plane_rule(plan, setup.units))
    if base.quantity is TraverseQuantity.VELOCITY:
        shown: quantities.Units = "us" if setup.units == "us" else "si"
        density = quantities.show(base.reference_density_kg_m3, Dimension.DENSITY, shown)
        lines.append(
            f"Velocities are taken as {base.basis.value} velocities (reference density {density}); "
            "--basis says otherwise."
        )
    done = taking.state.count - len(taking.state.open)
    if done:
        lines.append(f"{done} points are in {taking.notebook.path} already; the walk goes on from there.")
    return tuple(lines)


def _plane_rule(plan: Plan, units: str) -> str:
    down, up = (words.distance_text(length_m, units) for length_m in (plan.downstream_m, plan.upstream_m))
    return f"The plane wants {down} of straight duct before it and {up} behind it."


def result_lines(taking: Taking, units: str) -> tuple[str, ...]:
    """The airflow, or why there is none, in lines for people."""
    traverse = taking.traverse()
    if not traverse.points:
        return ("No point was captured: there is no airflow.",)
    try:
        return _airflow_lines(traverse, units)
    except RiselogError as error:
        return (f"No airflow: {clean(str(error))}.",)


def _airflow_lines(traverse: Traverse, units: str) -> tuple[str, ...]:
    from logger.core.traverse_checks import check_traverse  # noqa: PLC0415 - late: numpy
    from logger.core.traverse_flow import measure  # noqa: PLC0415 - late: numpy

    flow = measure(traverse)
    warnings = [check.text for check in check_traverse(traverse, flow) if not check.ok]
    return (
        f"Airflow {show(flow.volume_m3_s, Dimension.VOLUME_FLOW, units)} "
        f"± {show(flow.volume_m3_s * flow.u95, Dimension.VOLUME_FLOW, units)} (95 %, {percent(flow.u95)})"
        f" at {show(flow.state.temperature_c, Dimension.TEMPERATURE, units)}.",
        *warnings,
    )


def config_lines(taking: Taking, setup: Setup) -> list[str]:
    """What goes into the job's config."""
    path = taking.notebook.path
    if setup.base.quantity is TraverseQuantity.TEMPERATURE:
        return []
    return [
        "For the job's config:",
        "  [airflow]",
        '  source = "fixed"',
        f'  traverse = "{path}"',
        f'  at = "{setup.at}"',
    ]


def tell(taking: Taking, setup: Setup, options: TakeOptions) -> None:
    """The end: what was captured, the airflow, and what to do with it."""
    state, path, units = taking.state, taking.notebook.path, setup.units
    done = state.count - len(state.open)
    if not done:
        complain("nothing was captured; nothing is kept")
        return
    out = sys.stderr if options.json else sys.stdout
    lines = [f"{done} of {state.count} points are saved in {path}."]
    if missing := words.open_text(state):
        lines.append(f"{_capital(missing)}: go on with {_resume_command(setup, options)}")
    if drift := words.drift_text(state, units):
        lines.append(f"Drift: {drift}.")
    elif not state.open:
        lines.append("The first point was not repeated: a drift of the fan is not seen.")
    lines += result_lines(taking, units)
    air = taking.air()
    if air.assumed and setup.base.quantity is TraverseQuantity.VELOCITY:
        lines.append(f"Assumed, because nobody gave it: {', '.join(air.assumed)} of the air.")
    if not state.open:
        lines += config_lines(taking, setup)
    write_lines(lines, out)


def _resume_command(setup: Setup, options: TakeOptions) -> str:
    config = f" {options.config}" if options.config is not None else ""
    probe = f" --probe {options.probe}" if options.probe is not None else ""
    velocity = f" --velocity {options.velocity}" if options.velocity is not None else ""
    return f"riselog traverse take{config}{probe}{velocity} --resume {setup.path}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
