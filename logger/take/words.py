"""What the screen and the plain lines both say: values, places, stages and the end, as text."""

from __future__ import annotations

from pathlib import Path

from logger.airflow.lengths import mark, unit
from logger.config.quantities import Dimension, Units, from_si
from logger.core.texts import counted, points_text
from logger.core.traverse import DuctShape, MeasuredPlane
from logger.core.traverse_plan import Plan
from logger.screen.format import DASH, show
from logger.take.walk import Entry, State, Taken
from logger.take.watch import Stage

STAGE_WORDS: dict[Stage, str] = {
    Stage.TYPED: "TYPE THE VALUE",
    Stage.SILENT: "PROBE SILENT",
    Stage.FLAGGED: "VALUE NOT USABLE",
    Stage.MOVING: "HOLD STILL",
    Stage.STEADY: "STEADY",
    Stage.UNSTEADY: "UNSTEADY AIR",
    Stage.DOUBTFUL: "LOOK AGAIN",
    Stage.ASKING: "TAKE IT AS IT IS?",
    Stage.LACKING: "SOMETHING IS MISSING",
    Stage.END: "END OF THE WALK",
}


def shown_units(units: str) -> Units:
    """The unit system as a word that is one."""
    return "us" if units == "us" else "si"


def length_text(length_m: float, units: str) -> str:
    """A length to mark on a probe, with its unit.

    >>> length_text(0.0841, "us"), length_text(0.0841, "si")
    ('3 5/16 in', '84 mm')
    """
    shown = shown_units(units)
    return f"{mark(length_m, shown)} {unit(shown)}"


def duct_text(plan: Plan, units: str) -> str:
    """The free duct and the grid.

    Examples: ``20 × 14 in, log-tchebycheff 5 × 5``.
    """
    duct, shown = plan.duct, shown_units(units)
    if duct.shape is DuctShape.ROUND:
        size, grid = f"round {mark(duct.diameter_m, shown)}", f"{plan.second} × {plan.first}"
    else:
        size = f"{mark(duct.width_m, shown)} × {mark(duct.height_m, shown)}"
        grid = f"{plan.first} × {plan.second}"
    face = "filter face " if plan.plane is MeasuredPlane.FILTER_FACE else ""
    return f"{face}{size} {unit(shown)}, {plan.method.value} {grid}"


def place_text(plan: Plan, index: int, units: str) -> str:
    """Where a point is, to go there."""
    point = plan.points[index]
    if plan.plane is MeasuredPlane.FILTER_FACE:
        x, y = point.point.x * plan.duct.width_m, point.point.y * plan.duct.height_m
        return f"{length_text(x, units)} from the left, {length_text(y, units)} from the top"
    return f"hole {point.hole}, mark {length_text(point.depth_m, units)}"


def way_text(plan: Plan, index: int, units: str) -> str:
    """As ``place_text``, with where the hole is."""
    if plan.plane is MeasuredPlane.FILTER_FACE:
        return place_text(plan, index, units)
    point = plan.points[index]
    where = f", {length_text(point.hole_m, units)} along"
    if plan.duct.shape is DuctShape.ROUND:
        where = "" if point.hole == 1 else f", {length_text(point.hole_m, units)} around"
    return f"hole {point.hole}{where}: mark {length_text(point.depth_m, units)}"


def velocity_text(entry: Entry, units: str) -> str:
    """Velocity or velocity pressure, as it was had.

    >>> velocity_text(Entry(velocity_pressure_pa=12.4), "us"), velocity_text(Entry(velocity_m_s=4.0), "us")
    ('0.050 in.wg', '787 fpm')
    """
    if entry.velocity_pressure_pa is not None:
        if units != "us":
            return f"{entry.velocity_pressure_pa:.1f} Pa"
        return f"{from_si(entry.velocity_pressure_pa, 'in.wg', Dimension.PRESSURE):.3f} in.wg"
    return show(entry.velocity_m_s, Dimension.VELOCITY, units)


def scatter_text(taken: Taken, units: str) -> str:
    """Scatter of the averaged readings, and of how many; or that it was typed."""
    texts = []
    if taken.scatter_k is not None:
        texts.append(show(taken.scatter_k, Dimension.DIFFERENCE, units))
    if taken.scatter_m_s is not None:
        texts.append(show(taken.scatter_m_s, Dimension.VELOCITY, units))
    if taken.scatter_pa is not None:
        texts.append(velocity_text(Entry(velocity_pressure_pa=taken.scatter_pa), units))
    if not texts:
        return "typed"
    count = f", {counted(taken.readings, 'reading')}" if taken.readings else ""
    return f"± {', '.join(texts)}{count}"


def taken_text(taken: Taken, units: str) -> str:
    """A captured point's values."""
    entry = taken.entry
    flow = velocity_text(entry, units)
    if entry.temperature_c is None:
        return flow
    return f"{show(entry.temperature_c, Dimension.TEMPERATURE, units)}  {flow}"


def drift_text(state: State, units: str, change: float | None) -> str:
    """First point against its repeat; empty where there is none.

    ``change``: of the velocity as the result has it, a fraction; None: not known.
    """
    first, repeat = state.taken[state.first] if state.taken else None, state.repeat
    if first is None or repeat is None:
        return ""
    said = DASH if change is None else f"{change:+.1%}".replace("%", " %")
    if first.entry.temperature_c is not None and repeat.entry.temperature_c is not None:
        step_k = repeat.entry.temperature_c - first.entry.temperature_c
        said = f"{'-' if step_k < 0.0 else '+'}{show(abs(step_k), Dimension.DIFFERENCE, units)}"
    if state.repeat_due:
        said = "points were taken since: not known"
    return (
        f"point {state.first + 1} first {taken_text(first, units)}, at the end {taken_text(repeat, units)}"
        f" ({said})"
    )


def saved_text(saved: int, path: Path, count: int | None = None) -> str:
    """How many points are on the disk, of ``count``.

    >>> saved_text(1, Path("t.json")), saved_text(2, Path("t.json"), 4)
    ('1 point is saved in t.json', '2 of 4 points are saved in t.json')
    """
    many = counted(saved, "point") if count is None else f"{saved} of {counted(count, 'point')}"
    return f"{many} {'is' if saved == 1 else 'are'} saved in {path}"


def open_text(state: State) -> str:
    """Which points have no value; empty where all have.

    >>> open_text(State(count=3, taken=(None, None, None)))
    'no value at points 1 to 3'
    """
    return f"no value at {points_text([i + 1 for i in state.open])}" if state.open else ""
