"""Bodies of ``riselog traverse plan``, ``compute``, ``factor``, ``fan-curve`` and ``electric``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.airflow.answers import airflow_lines, factor_lines, mixed_lines
from logger.airflow.config_block import block, factor_keys, mass_keys, traverse_keys, volume_keys
from logger.airflow.curve_file import MOST_STATIC_PA, RPM_RANGE, load_curve
from logger.airflow.options import (
    SITE_PA,
    AirOptions,
    PlanOptions,
    amount,
    check_air,
    plan_of,
    positive,
    state_of,
    units_of,
    word,
)
from logger.airflow.plan_text import plan_document, plan_lines
from logger.config.quantities import Dimension, Units
from logger.core.airflow import AirState, FlowCheck, MeasuredAirflow, airflow_document
from logger.core.airflow_sources import from_fan_curve, state_of_density
from logger.core.electric_step import from_electric_step, mass_u95
from logger.core.errors import TableError, UsageError
from logger.core.params import VelocityBasis
from logger.core.readings import QUANTITIES, Quantity
from logger.core.texts import density_text, duct_pressure_text, temperature_text, velocity_text
from logger.core.traverse import Assumed, Traverse, TraverseQuantity
from logger.core.traverse_checks import check_traverse
from logger.core.traverse_factor import probe_factor
from logger.core.traverse_flow import measure
from logger.core.traverse_mix import MixedTemperature, Spot, check_mixed, mixed_temperature, spot
from logger.documents import print_json, print_lines
from logger.traverse.file import load_traverse

MIXED_SCHEMA = "riselog.mixed-temperature/1"
FACTOR_SCHEMA = "riselog.factor/1"
HOTTEST_SUPPLY_C = 120.0  # degC, assumed: beyond it a unit was mistyped


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


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotOptions:
    """What the return and the supply probe read during a temperature traverse, as typed."""

    return_: str | None = None
    reading: str | None = None
    same_probe: bool = False

    def find(self, traverse: Traverse, mixed: MixedTemperature) -> Spot | None:
        """What the supply probe makes of the stream; None where nothing was told of it."""
        if self.return_ is None and self.reading is None and not self.same_probe:
            return None
        if self.return_ is None or self.reading is None:
            raise UsageError("--return and --reading go together: give both, or neither")
        return spot(
            mixed,
            amount("--return", self.return_, Dimension.TEMPERATURE),
            amount("--reading", self.reading, Dimension.TEMPERATURE),
            None if self.same_probe else traverse.temperature_u95_k,
        )


def compute_command(path: Path, options: SpotOptions, *, units: str | None, json: bool) -> int:
    """Airflow, or mixed temperature, of a traverse file; the exit code."""
    shown = units_of(units)
    traverse = load_traverse(path)
    mixed = traverse.quantity is TraverseQuantity.TEMPERATURE
    if options != SpotOptions() and not mixed:
        raise UsageError(
            f"{path} is a traverse of velocity; --return, --reading and --same-probe go with one of "
            "temperature"
        )
    try:
        if mixed:
            return _compute_mixed(traverse, options, shown, json=json)
        flow = measure(traverse)
        checks = check_traverse(traverse, flow)
    except UsageError as error:
        raise UsageError(f"{path}: {error}") from error
    return _answer(flow, checks, shown, block(traverse_keys(path, traverse), flow.u95), json=json)


def _answer(
    flow: MeasuredAirflow, checks: Sequence[FlowCheck], units: Units, config: Sequence[str], *, json: bool
) -> int:
    if json:
        print_json(airflow_document(flow, checks))
    else:
        print_lines([*airflow_lines(flow, checks, units), *config])
    return 0


def _compute_mixed(traverse: Traverse, options: SpotOptions, units: Units, *, json: bool) -> int:
    mixed = mixed_temperature(traverse)
    checks = check_mixed(traverse, mixed)
    at_probe = options.find(traverse, mixed)
    if not json:
        print_lines(mixed_lines(mixed, at_probe, checks, units))
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
            "rise_factor": None if at_probe is None else at_probe.rise_factor,
            "placement_u95_percent": None if at_probe is None else 100.0 * at_probe.placement_u95,
            "budget": [
                {"source": line.source, "u_k": line.u_w, "share": share, "assumed": line.assumed}
                for line, share in zip(mixed.lines, mixed.combined.shares, strict=True)
            ],
            "checks": [{"code": c.code, "ok": c.ok, "text": c.text} for c in checks],
        }
    )
    return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorOptions:
    """The readings of the fixed point, as typed, and what read them."""

    fixed: Sequence[str] = ()
    same_probe: bool = False
    basis: str | None = None


def factor_command(path: Path, options: FactorOptions, *, units: str | None, json: bool) -> int:
    """Factor of a fixed velocity probe; the exit code."""
    shown = units_of(units)
    if not options.fixed and (options.same_probe or options.basis is not None):
        raise UsageError("--same-probe and --basis tell of the readings: give these with --fixed too")
    traverse = load_traverse(path)
    if traverse.quantity is TraverseQuantity.TEMPERATURE:
        raise TableError(f"{path}: key quantity: is temperature; name a traverse of velocity")
    readings = tuple(_reading(text) for text in options.fixed)
    basis = None if options.basis is None else word("--basis", options.basis, VelocityBasis)
    try:
        found = probe_factor(traverse, readings, same_probe=options.same_probe, basis=basis)
    except UsageError as error:
        raise UsageError(f"{path}: {error}") from error
    checks = (*found.checks, *check_traverse(traverse, found.flow))
    if not json:
        keys = factor_keys(found, traverse, path)
        print_lines([*factor_lines(found, checks, shown), *block(keys, found.config_u95)])
        return 0
    document = airflow_document(found.flow, checks)
    standard = found.basis is VelocityBasis.STANDARD
    print_json(
        {
            "schema": FACTOR_SCHEMA,
            "factor": found.factor,
            "factor_u95_percent": 100.0 * found.factor_u95,
            "config_u95_percent": 100.0 * found.config_u95,
            "readings": found.readings,
            "basis": found.basis.value,
            "reference_density_kg_m3": traverse.reference_density_kg_m3 if standard else None,
            "area_m2": found.flow.area_m2,
            "traverse_volume_m3_s": found.flow.volume_m3_s,
            "u95_percent": document["u95_percent"],
            "budget": document["budget"],
            "checks": document["checks"],
        }
    )
    return 0


def _reading(text: str) -> float:
    """Velocity of the fixed point, m/s. Raises UsageError."""
    velocity_m_s, most_m_s = positive("--fixed", text, Dimension.VELOCITY), QUANTITIES[Quantity.VELOCITY].high
    if velocity_m_s > most_m_s:
        raise UsageError(f"--fixed '{text}': no duct has more than {velocity_text(most_m_s)}; check its unit")
    return velocity_m_s


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
    state = state_of("--temperature", air)
    low_rpm, high_rpm = RPM_RANGE
    if not low_rpm <= rpm <= high_rpm:
        raise UsageError(
            f"--rpm {rpm:g}: give the fan's own speed, from {low_rpm:g} to {high_rpm:g} turns a minute"
        )
    static_pa = positive("--static", static, Dimension.PRESSURE)
    if static_pa > MOST_STATIC_PA:
        most = duct_pressure_text(MOST_STATIC_PA)
        raise UsageError(f"--static '{static}': no such fan makes more than {most}; check its unit")
    density_kg_m3, assumed = state.density_kg_m3, air.assumed
    if density is not None:
        density_kg_m3 = positive("--density", density, Dimension.DENSITY)
        if Assumed.PRESSURE in assumed:
            state = _state_at(density, density_kg_m3, state)
            assumed = tuple(what for what in assumed if what is not Assumed.PRESSURE)
    try:
        flow, checks = from_fan_curve(curve, rpm, static_pa, density_kg_m3, state, assumed)
    except UsageError as error:
        raise UsageError(f"{path}: {error}") from error
    config = block(volume_keys(flow), flow.u95)
    return _answer(flow, (*checks, check_air(assumed, state)), shown, config, json=json)


def _state_at(typed: str, density_kg_m3: float, state: AirState) -> AirState:
    """The air of a density that was typed. Raises UsageError where no site has its pressure."""
    low_pa, high_pa = SITE_PA
    off = density_kg_m3 / state.density_kg_m3 * state.pressure_pa
    if not low_pa <= off <= high_pa:
        raise UsageError(
            f"--density '{typed}': at {temperature_text(state.temperature_c)} no site's pressure gives that; "
            f"sea level gives {density_text(state.density_kg_m3)}; check number, unit and --temperature"
        )
    return state_of_density(state.temperature_c, state.humidity, density_kg_m3)


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
    supply_c = amount("--supply", supply, Dimension.TEMPERATURE)
    if supply_c > HOTTEST_SUPPLY_C:
        most = temperature_text(HOTTEST_SUPPLY_C)
        raise UsageError(f"--supply '{supply}': no heater's air is above {most}; check its unit")
    state = state_of("--return", air)
    flow, checks = from_electric_step(
        positive("--power", power, Dimension.POWER),
        loss_w,
        state,
        supply_c,
        power_u95=positive("--power-u95", power_u95, Dimension.FRACTION),
        rise_u95_k=positive("--rise-u95", rise_u95, Dimension.DIFFERENCE),
        assumed=air.assumed,
    )
    config = block(mass_keys(flow), mass_u95(flow))
    return _answer(flow, (*checks, check_air(air.assumed, state)), shown, config, json=json)
