"""Airflows, factors and mixed temperatures for people: the answer first, then how sure it is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from logger.airflow.plan_text import check_lines
from logger.config.quantities import Dimension, Units, from_si, show
from logger.core.airflow import FlowCheck, MeasuredAirflow
from logger.core.budget import BudgetLine
from logger.core.errors import RiselogError
from logger.core.texts import counted
from logger.core.traverse import Traverse, TraverseQuantity
from logger.core.traverse_checks import check_traverse
from logger.core.traverse_factor import ProbeFactor
from logger.core.traverse_flow import measure
from logger.core.traverse_mix import MixedTemperature, Spot, check_mixed, mixed_temperature


def _row(label: str, text: str) -> str:
    return f"{label:<14}{text}"


def _airflow_rows(flow: MeasuredAirflow, units: Units) -> list[str]:
    volume, at = Dimension.VOLUME_FLOW, show(flow.state.temperature_c, Dimension.TEMPERATURE, units)
    return [
        _row("airflow", f"{show(flow.volume_m3_s, volume, units)} ± {flow.u95:.1%} (95 %), at {at}"),
        _row("", f"± {show(flow.u95 * flow.volume_m3_s, volume, units)}"),
    ]


def airflow_lines(flow: MeasuredAirflow, checks: Iterable[FlowCheck], units: Units) -> list[str]:
    """An airflow, its budget and its checks."""
    volume, state = Dimension.VOLUME_FLOW, flow.state
    at = show(state.temperature_c, Dimension.TEMPERATURE, units)
    lines = [
        *_airflow_rows(flow, units),
        _row("standard air", show(flow.standard_volume_m3_s, volume, units)),
        _row("dry air", show(flow.dry_air_kg_s, Dimension.MASS_FLOW, units)),
    ]
    if flow.mean_velocity_m_s is not None and flow.area_m2 is not None:
        area = show(flow.area_m2, Dimension.AREA, units)
        mean = show(flow.mean_velocity_m_s, Dimension.VELOCITY, units)
        lines.append(_row("mean velocity", f"{mean} (actual) over {area}"))
    pressure = show(state.pressure_pa, Dimension.PRESSURE, units)
    lines.append(_row("air", f"{at}, {state.humidity:.0%} humidity, {pressure}"))
    lines += ["", "uncertainty, largest part first (standard uncertainty, share of variance)"]
    lines += _budget(flow.lines, flow.combined.shares, lambda u: f"{u:.2%}")
    return [*lines, "", *(line for check in checks for line in check_lines(check))]


def _budget(lines: Sequence[BudgetLine], shares: Sequence[float], text: Callable[[float], str]) -> list[str]:
    pairs = sorted(zip(lines, shares, strict=True), key=lambda pair: -pair[1])
    return [
        f"  {line.source:<20}{text(line.u_w):>9}{share:>7.0%}{'  assumed' if line.assumed else ''}"
        for line, share in pairs
    ]


def factor_lines(found: ProbeFactor, checks: Iterable[FlowCheck], units: Units) -> list[str]:
    """The factor of a fixed point, with what must be told; all ± are of 95 %, with one k."""
    flow = found.flow
    readings = counted(found.readings, "reading")
    ratio = f"mean velocity over the fixed point's, {found.basis.value}; {readings}"
    return [
        _row("factor", f"{found.factor:.4f} ± {found.factor_u95:.1%} (95 %)"),
        _row("", ratio),
        _row("live airflow", f"± {found.config_u95:.1%} (95 %), beside the live probe's own u95"),
        *([] if found.calibrated else [_row("", f"± {flow.u95:.1%} (95 %) with its calibration in it")]),
        _row("traverse", show(flow.volume_m3_s, Dimension.VOLUME_FLOW, units)),
        "",
        "uncertainty of the live airflow, largest part first",
        *_budget(flow.lines, flow.combined.shares, lambda u: f"{u:.2%}"),
        "",
        *(line for check in checks for line in check_lines(check)),
    ]


def _difference_unit(units: Units) -> str:
    return "K" if units == "si" else "°F"


def _mixed_rows(mixed: MixedTemperature, units: Units) -> list[str]:
    temp, unit = Dimension.TEMPERATURE, _difference_unit(units)
    u95 = from_si(mixed.u95_k, unit, Dimension.DIFFERENCE)
    coldest, warmest = (show(value, temp, units) for value in (mixed.coldest_c, mixed.warmest_c))
    return [
        _row("mixed", f"{show(mixed.mixed_c, temp, units)} ± {u95:.2f} {unit} (95 %), weighted by mass flow"),
        _row("plain mean", show(mixed.plain_mean_c, temp, units)),
        _row("stream", f"{coldest} to {warmest}"),
    ]


def mixed_lines(
    mixed: MixedTemperature, spot: Spot | None, checks: Iterable[FlowCheck], units: Units
) -> list[str]:
    """The mixed temperature, and what a probe at one spot makes of it, where its reading is known."""
    diff = Dimension.DIFFERENCE
    unit = _difference_unit(units)
    lines = [
        *_mixed_rows(mixed, units),
        "",
        "uncertainty, largest part first",
        *_budget(mixed.lines, mixed.combined.shares, lambda u: f"{from_si(u, unit, diff):.3f} {unit}"),
        "",
        *(line for check in checks for line in check_lines(check)),
        "",
    ]
    if spot is None:
        return [
            *lines,
            "Give --return and --reading (what the supply probe read meanwhile) to have rise_factor and",
            "placement_u95 for its table.",
        ]
    return [
        *lines,
        "for the supply probe's table, as long as it stays where it read that:",
        f"  rise_factor = {spot.rise_factor:.4f}",
        f'  placement_u95 = "{100.0 * spot.placement_u95:.1f} %"',
    ]


def traverse_lines(traverse: Traverse, units: Units) -> list[str]:
    """All that a traverse says. Raises UsageError where it gives nothing."""
    if traverse.quantity is TraverseQuantity.TEMPERATURE:
        mixed = mixed_temperature(traverse)
        return mixed_lines(mixed, None, check_mixed(traverse, mixed), units)
    flow = measure(traverse)
    return airflow_lines(flow, check_traverse(traverse, flow), units)


def short_lines(traverse: Traverse, units: Units) -> tuple[str, ...]:
    """The same in few lines: the number, and the checks that complain; why there is none, where so."""
    if not traverse.points:
        return ("No point was captured: there is no airflow.",)
    checks: tuple[FlowCheck, ...]
    try:
        if traverse.quantity is TraverseQuantity.TEMPERATURE:
            mixed = mixed_temperature(traverse)
            head, checks = _mixed_rows(mixed, units), check_mixed(traverse, mixed)
        else:
            flow = measure(traverse)
            head, checks = _airflow_rows(flow, units), check_traverse(traverse, flow)
    except RiselogError as error:
        return (f"No airflow: {error}.",)
    return (*head, *(check.text for check in checks if not check.ok))
