"""Airflows, factors and mixed temperatures for people: the answer first, then how sure it is."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from logger.airflow.plan_text import check_lines
from logger.config.quantities import Dimension, Units, from_si, show
from logger.core.airflow import FlowCheck, MeasuredAirflow
from logger.core.budget import BudgetLine
from logger.core.traverse_factor import ProbeFactor
from logger.core.traverse_mix import MixedTemperature


def _row(label: str, text: str) -> str:
    return f"{label:<14}{text}"


def airflow_lines(flow: MeasuredAirflow, checks: Iterable[FlowCheck], units: Units) -> list[str]:
    """An airflow, its budget and its checks."""
    volume, state = Dimension.VOLUME_FLOW, flow.state
    at = show(state.temperature_c, Dimension.TEMPERATURE, units)
    lines = [
        _row("airflow", f"{show(flow.volume_m3_s, volume, units)} ± {flow.u95:.1%} (95 %), at {at}"),
        _row("", f"± {show(flow.u95 * flow.volume_m3_s, volume, units)}"),
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


def config_lines(keys: Iterable[tuple[str, str]]) -> list[str]:
    """Keys for the job's config."""
    return ["", "for the job's config:", "  [airflow]", *(f"  {key} = {value}" for key, value in keys)]


def quoted(text: str) -> str:
    """Text as a TOML string."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def factor_lines(found: ProbeFactor, units: Units, path: Path) -> list[str]:
    """The factor of a fixed point, and the config that uses it."""
    flow = found.flow
    area = f"{flow.area_m2 or 0.0:.4f} m2"
    lines = [
        _row(
            "factor", f"{found.factor:.4f} ± {found.factor_u95:.1%} (95 %), from {found.readings} reading(s)"
        ),
        _row("", f"mean velocity over the fixed point's, both {found.basis.value}"),
        _row("live airflow", f"± {flow.u95:.1%} (95 %), with the calibration of the traverse's probe in it"),
        _row("traverse", show(flow.volume_m3_s, Dimension.VOLUME_FLOW, units)),
        "",
        "uncertainty of the live airflow, largest part first",
        *_budget(flow.lines, flow.combined.shares, lambda u: f"{u:.2%}"),
    ]
    return lines + config_lines(
        (
            ("source", quoted("probe")),
            ("probe", '"..."  # name of the velocity probe, role = "velocity"'),
            ("area", quoted(area)),
            ("factor", f"{found.factor:.4f}"),
            ("basis", quoted(found.basis.value)),
            ("u95", f"{quoted(f'{100.0 * found.config_u95:.1f} %')}  # beside the velocity probe's own u95"),
            ("traverse", f"{quoted(str(path))}  # the live airflow is held against it"),
        )
    )


def mixed_lines(
    mixed: MixedTemperature, placement: float | None, checks: Iterable[FlowCheck], units: Units
) -> list[str]:
    """The mixed temperature; ``placement`` is its u95 as a fraction of the rise, where that is known."""
    temp, diff = Dimension.TEMPERATURE, Dimension.DIFFERENCE
    unit = "K" if units == "si" else "°F"
    u95 = from_si(mixed.u95_k, unit, diff)
    coldest, warmest = (show(value, temp, units) for value in (mixed.coldest_c, mixed.warmest_c))
    lines = [
        _row("mixed", f"{show(mixed.mixed_c, temp, units)} ± {u95:.2f} {unit} (95 %), weighted by mass flow"),
        _row("plain mean", show(mixed.plain_mean_c, temp, units)),
        _row("stream", f"{coldest} to {warmest}"),
        "",
        "uncertainty, largest part first",
        *_budget(mixed.lines, mixed.combined.shares, lambda u: f"{from_si(u, unit, diff):.3f} {unit}"),
        "",
        *(line for check in checks for line in check_lines(check)),
        "",
    ]
    if placement is None:
        return [*lines, "Give --return to have placement_u95 for the supply probe's table."]
    return [
        *lines,
        "for the supply probe's table, once its reading is set to the mixed temperature (offset):",
        f"  placement_u95 = {quoted(f'{100.0 * placement:.1f} %')}",
    ]
