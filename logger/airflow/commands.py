"""Bodies of ``riselog traverse plan``, ``compute``, ``factor``, ``fan-curve`` and ``electric``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.airflow.answers import airflow_lines, config_lines, factor_lines, mixed_lines, quoted
from logger.airflow.curve_file import load_curve
from logger.airflow.options import PlanOptions, amount, plan_of, positive, state_of, units_of
from logger.airflow.plan_text import plan_document, plan_lines
from logger.config.quantities import Dimension, Units
from logger.core.airflow import FlowCheck, MeasuredAirflow, airflow_document
from logger.core.airflow_sources import from_electric_step, from_fan_curve
from logger.core.errors import TableError, UsageError
from logger.core.traverse import Traverse, TraverseQuantity
from logger.core.traverse_checks import check_traverse
from logger.core.traverse_factor import probe_factor
from logger.core.traverse_flow import measure
from logger.core.traverse_mix import check_mixed, mixed_temperature
from logger.documents import print_json, print_lines
from logger.traverse.file import load_traverse

MIXED_SCHEMA = "riselog.mixed-temperature/1"
FACTOR_SCHEMA = "riselog.factor/1"


def plan_command(options: PlanOptions, *, json: bool) -> int:
    """Where to measure; the exit code."""
    plan = plan_of(options)
    units = units_of(options.units, options.duct, options.round_)
    if json:
        print_json(plan_document(plan, units))
        return 0
    plain = "utf" not in (getattr(sys.stdout, "encoding", None) or "").lower()
    print_lines(plan_lines(plan, units, plain=plain))
    return 0


def compute_command(path: Path, *, return_: str | None, units: str | None, json: bool) -> int:
    """Airflow, or mixed temperature, of a traverse file; the exit code."""
    shown = units_of(units)
    traverse = load_traverse(path)
    mixed = traverse.quantity is TraverseQuantity.TEMPERATURE
    if return_ is not None and not mixed:
        raise UsageError(f"{path} is a traverse of velocity, and --return goes with one of temperature")
    try:
        if mixed:
            return _compute_mixed(traverse, return_, shown, json=json)
        flow = measure(traverse)
        checks = check_traverse(traverse, flow)
    except UsageError as error:
        raise UsageError(f"{path}: {error}") from error
    keys = (("source", quoted("fixed")), ("traverse", quoted(str(path))), ("at", '"return"  # or "supply"'))
    return _answer(flow, checks, shown, keys, json=json)


def _answer(
    flow: MeasuredAirflow,
    checks: Sequence[FlowCheck],
    units: Units,
    keys: Sequence[tuple[str, str]],
    *,
    json: bool,
) -> int:
    if json:
        print_json(airflow_document(flow, checks))
    else:
        print_lines([*airflow_lines(flow, checks, units), *config_lines(keys)])
    return 0


def _compute_mixed(traverse: Traverse, return_: str | None, units: Units, *, json: bool) -> int:
    mixed = mixed_temperature(traverse)
    checks = check_mixed(traverse, mixed)
    placement = None
    if return_ is not None:
        rise_k = mixed.mixed_c - amount("--return", return_, Dimension.TEMPERATURE)
        if rise_k <= 0.0:
            raise UsageError(
                f"--return '{return_}' is not below the mixed {mixed.mixed_c:.1f} °C: were they swapped?"
            )
        placement = mixed.placement_u95_k / rise_k
    if not json:
        print_lines(mixed_lines(mixed, placement, checks, units))
        return 0
    print_json(
        {
            "schema": MIXED_SCHEMA,
            "mixed_c": mixed.mixed_c,
            "plain_mean_c": mixed.plain_mean_c,
            "coldest_c": mixed.coldest_c,
            "warmest_c": mixed.warmest_c,
            "u95_k": mixed.u95_k,
            "placement_u95_k": mixed.placement_u95_k,
            "placement_u95_percent": None if placement is None else 100.0 * placement,
            "budget": [
                {"source": line.source, "u_k": line.u_w, "share": share, "assumed": line.assumed}
                for line, share in zip(mixed.lines, mixed.combined.shares, strict=True)
            ],
            "checks": [{"code": c.code, "ok": c.ok, "text": c.text} for c in checks],
        }
    )
    return 0


def factor_command(path: Path, fixed: Sequence[str], *, units: str | None, json: bool) -> int:
    """Factor of a fixed velocity probe; the exit code."""
    shown = units_of(units)
    traverse = load_traverse(path)
    if traverse.quantity is TraverseQuantity.TEMPERATURE:
        raise TableError(f"{path}: key quantity: is temperature; name a traverse of velocity")
    readings = tuple(positive("--fixed", text, Dimension.VELOCITY) for text in fixed)
    found = probe_factor(traverse, readings)
    if not json:
        print_lines(factor_lines(found, shown, path))
        return 0
    document: dict[str, Any] = airflow_document(found.flow, check_traverse(traverse, found.flow))
    print_json(
        {
            "schema": FACTOR_SCHEMA,
            "factor": found.factor,
            "factor_u95_percent": 100.0 * found.factor_u95,
            "config_u95_percent": 100.0 * found.config_u95,
            "readings": found.readings,
            "basis": found.basis.value,
            "area_m2": found.flow.area_m2,
            "traverse_volume_m3_s": found.flow.volume_m3_s,
            "u95_percent": document["u95_percent"],
            "budget": document["budget"],
            "checks": document["checks"],
        }
    )
    return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class AirOptions:
    """The air of a place, as typed."""

    temperature: str
    humidity: str
    altitude: str | None
    pressure: str | None


def fan_curve_command(
    path: Path,
    *,
    rpm: float,
    static: str,
    density: str | None,
    air: AirOptions,
    units: str | None,
    json: bool,
) -> int:
    """Airflow from a fan's curve; the exit code."""
    shown = units_of(units)
    curve = load_curve(path)
    state = state_of("--temperature", air.temperature, air.humidity, air.altitude, air.pressure)
    if not 10.0 <= rpm <= 20_000.0:  # noqa: PLR2004 - bounds of the curve file
        raise UsageError(f"--rpm {rpm:g}: give the fan's own speed, from 10 to 20000 turns a minute")
    static_pa = positive("--static", static, Dimension.PRESSURE)
    density_kg_m3 = (
        state.density_kg_m3 if density is None else positive("--density", density, Dimension.DENSITY)
    )
    try:
        flow, checks = from_fan_curve(curve, rpm, static_pa, density_kg_m3, state)
    except UsageError as error:
        raise UsageError(f"{path}: {error}") from error
    return _answer(flow, checks, shown, _volume_keys(flow), json=json)


def _volume_keys(flow: MeasuredAirflow) -> tuple[tuple[str, str], ...]:
    state = flow.state
    return (
        ("source", quoted("fixed")),
        ("volume", quoted(f"{flow.volume_m3_s:.4f} m3/s")),
        ("temperature", quoted(f"{state.temperature_c:.1f} °C")),
        ("humidity", quoted(f"{100.0 * state.humidity:.0f} %")),
        ("u95", quoted(f"{100.0 * flow.u95:.1f} %")),
    )


def electric_command(
    *,
    power: str,
    loss: str,
    air: AirOptions,
    supply: str,
    power_u95: str,
    rise_u95: str,
    units: str | None,
    json: bool,
) -> int:
    """Airflow from electric heat of known power; the exit code."""
    shown = units_of(units)
    loss_w = amount("--loss", loss, Dimension.POWER)
    if loss_w < 0.0:
        raise UsageError(f"--loss '{loss}': give 0 W or more")
    flow, checks = from_electric_step(
        positive("--power", power, Dimension.POWER),
        loss_w,
        state_of("--return", air.temperature, air.humidity, air.altitude, air.pressure),
        amount("--supply", supply, Dimension.TEMPERATURE),
        power_u95=positive("--power-u95", power_u95, Dimension.FRACTION),
        rise_u95_k=positive("--rise-u95", rise_u95, Dimension.DIFFERENCE),
    )
    return _answer(flow, checks, shown, _volume_keys(flow), json=json)
