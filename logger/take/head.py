"""The head of a take's file, all but its points: what was there before, else defaults, probes, options."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from logger.clock import SystemClock, utc_text
from logger.config.load import LoadedConfig, ProbeSetup
from logger.core.errors import UsageError
from logger.core.params import Burner, VelocityBasis
from logger.core.texts import counted
from logger.core.traverse import Assumed, DuctShape, Traverse, TraverseQuantity
from logger.core.traverse_plan import Plan
from logger.take.notebook import own_notes
from logger.take.options import GEOMETRY, TakeOptions, number, option_name, straight_diameters, word
from logger.take.plan_file import plan_note
from logger.take.probe_setup import with_probes
from logger.traverse.file import load_traverse
from logger.traverse.model import TEXT_LIMIT


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """What a take begins from. ``before``: the file gone on with; ``velocities``: an earlier traverse
    that gives the weights of a temperature traverse; ``watched``: probes to capture."""

    before: Traverse | None = None
    velocities: Traverse | None = None
    config: LoadedConfig | None = None
    watched: tuple[ProbeSetup, ...] = ()


def load_before(options: TakeOptions, path: Path) -> Traverse:
    """The file that is gone on with. What it says of its points no option changes behind their back.

    Raises
    ------
    UsageError, TableError
        An option says what the file says already; the file cannot be used.
    """
    for name in (*GEOMETRY, "quantity"):
        if getattr(options, name) is not None:
            raise UsageError(f"{option_name(name)}: {path} says it already; leave it out with --resume")
    before = load_traverse(path)
    says = {
        "basis": True,
        "reference_density": True,
        "at": before.at is not None,
        "burner": before.burner is not None,
        "straight": before.upstream_diameters is not None,
        "temperature": Assumed.TEMPERATURE not in before.assumed,
        "humidity": Assumed.HUMIDITY not in before.assumed,
        "altitude": Assumed.PRESSURE not in before.assumed,
        "pressure": Assumed.PRESSURE not in before.assumed,
    }
    for name, has in says.items():
        if has and getattr(options, name) is not None:
            raise UsageError(
                f"{option_name(name)}: {path} has it, and its points were taken with that; leave it out, "
                "or correct it in the file"
            )
    return before


def head(options: TakeOptions, plan: Plan, quantity: TraverseQuantity, origin: Origin) -> Traverse:
    """The traverse without its points. Raises UsageError."""
    base = origin.before or _new(plan, quantity, origin.velocities)
    base = replace(base, points=(), repeat_first=None, notes=own_notes(base.notes) or None)
    base = with_probes(base, origin.config, origin.watched, resumed=origin.before is not None)
    _check_room(base.notes or "", options)
    told: dict[str, Any] = {
        "basis": word("--basis", options.basis, VelocityBasis),
        "reference_density_kg_m3": number(options, "reference_density"),
        "velocity_u95": number(options, "velocity_u95"),
        "area_u95": number(options, "area_u95"),
        "burner": word("--burner", options.burner, Burner),
        "upstream_diameters": straight_diameters(options, plan),
    }
    return replace(base, **{key: value for key, value in told.items() if value is not None})


def _check_room(notes: str, options: TakeOptions) -> None:
    if (over := len(notes) - TEXT_LIMIT) > 0:
        raise UsageError(
            f"{options.resume}: key notes: with what the take adds it is {counted(over, 'character')} too "
            "long; shorten it"
        )


def _new(plan: Plan, quantity: TraverseQuantity, velocities: Traverse | None) -> Traverse:
    is_round = plan.duct.shape is DuctShape.ROUND
    base = Traverse(
        duct=plan.duct,
        method=plan.method,
        plane=plan.plane,
        quantity=quantity,
        points_across=0 if is_round else plan.first,
        points_down=0 if is_round else plan.second,
        points_per_diameter=plan.first if is_round else 0,
        diameters=plan.second if is_round else 0,
        started_utc=utc_text(SystemClock().utc_us()),
        notes=plan_note(plan) or None,
    )
    if velocities is None:
        return base
    return replace(
        base,
        basis=velocities.basis,
        reference_density_kg_m3=velocities.reference_density_kg_m3,
        velocity_u95=velocities.velocity_u95,
        area_u95=velocities.area_u95,
        upstream_diameters=velocities.upstream_diameters,
    )
