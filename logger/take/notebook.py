"""The walk and the traverse file: what was captured goes to the disk whole, after every point."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from logger.core.errors import TableError
from logger.core.traverse import Traverse, TraversePoint, TraverseQuantity
from logger.core.traverse_plan import Plan
from logger.take.walk import Entry, State, Taken
from logger.traverse.file import save_traverse

NOTES_LIMIT = 900  # characters; the file takes 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """The air in the plane, as the file keeps it. ``humidity`` is a fraction; ``assumed`` names what
    nobody measured or gave."""

    temperature_c: float
    humidity: float
    pressure_pa: float
    assumed: tuple[str, ...] = ()


class Notebook:
    """Writes the traverse of a walk to its file.

    ``base`` is the traverse without its points; ``trouble`` says why the last save failed.
    """

    def __init__(self, path: Path, base: Traverse, plan: Plan) -> None:
        self.path, self.plan = path, plan
        self._base = base
        self.saved = 0  # points on the disk
        self.trouble = ""

    def traverse(self, state: State, air: Air) -> Traverse:
        """The traverse as far as it goes, points in walking order."""
        points = tuple(
            _point(self.plan.points[i].point, taken)
            for i, taken in enumerate(state.taken)
            if taken is not None
        )
        first = self.plan.points[state.first].point
        return replace(
            self._base,
            points=points,
            repeat_first=None if state.repeat is None else _point(first, state.repeat),
            temperature_c=self._temperature_c(points, air),
            humidity=air.humidity,
            pressure_pa=air.pressure_pa,
            complete=not state.open,
            notes=self._notes(state, air) or None,
        )

    def save(self, state: State, air: Air) -> bool:
        """Write the file; what was there stays when it cannot be written."""
        try:
            save_traverse(self.path, self.traverse(state, air))
        except TableError as error:
            self.trouble = str(error)
            return False
        self.saved, self.trouble = state.count - len(state.open), ""
        return True

    def _temperature_c(self, points: tuple[TraversePoint, ...], air: Air) -> float:
        """In a temperature traverse the points themselves say how warm the plane is."""
        found = [p.temperature_c for p in points if p.temperature_c is not None]
        if self._base.quantity is TraverseQuantity.TEMPERATURE and found:
            return sum(found) / len(found)
        return air.temperature_c

    def _notes(self, state: State, air: Air) -> str:
        """What the file had, then what is to be said of single points."""
        notes = [self._base.notes or ""]
        if air.assumed:
            notes.append(f"assumed: {', '.join(air.assumed)}")
        notes += [f"point {i + 1}: {t.note}" for i, t in enumerate(state.taken) if t is not None and t.note]
        return "; ".join(dict.fromkeys(note for note in notes if note))[:NOTES_LIMIT]


def taken_before(traverse: Traverse, plan: Plan) -> tuple[tuple[Taken | None, ...], Taken | None]:
    """What a file already has of the plan's points, and its repeat.

    Raises
    ------
    TableError
        A point of the file is none of the plan's.
    """
    by_place = {point.place: point for point in traverse.points}
    taken = tuple(_taken(by_place.pop(p.point.place, None)) for p in plan.points)
    if by_place:
        diameter, x, y = next(iter(by_place))
        raise TableError(
            f"the point at x {x:g}, y {y:g} (diameter {diameter}) is none of the {len(plan.points)} that its "
            "method has: only a file that `riselog traverse take` wrote can be gone on with"
        )
    repeat, first = (
        traverse.repeat_first,
        next((p for p, t in zip(plan.points, taken, strict=True) if t), None),
    )
    if repeat is not None and (first is None or repeat.place != first.point.place):
        raise TableError("repeat_first does not stand where the first captured point stands: correct it")
    return taken, _taken(repeat)


def known_velocities(traverse: Traverse, plan: Plan) -> tuple[Entry | None, ...]:
    """The velocity that an earlier traverse has at each of the plan's points."""
    by_place = {point.place: point for point in traverse.points}
    found: list[Entry | None] = []
    for planned in plan.points:
        point = by_place.get(planned.point.place)
        found.append(
            None
            if point is None
            else Entry(velocity_m_s=point.velocity_m_s, velocity_pressure_pa=point.velocity_pressure_pa)
        )
    return tuple(found)


def _point(place: TraversePoint, taken: Taken) -> TraversePoint:
    entry = taken.entry
    return replace(
        place,
        velocity_m_s=entry.velocity_m_s,
        velocity_pressure_pa=entry.velocity_pressure_pa,
        temperature_c=entry.temperature_c,
        scatter_m_s=taken.scatter_m_s,
        scatter_pa=taken.scatter_pa,
        scatter_k=taken.scatter_k,
        t_s=round(taken.t_s, 3),
    )


def _taken(point: TraversePoint | None) -> Taken | None:
    if point is None:
        return None
    return Taken(
        entry=Entry(
            velocity_m_s=point.velocity_m_s,
            velocity_pressure_pa=point.velocity_pressure_pa,
            temperature_c=point.temperature_c,
        ),
        scatter_m_s=point.scatter_m_s,
        scatter_pa=point.scatter_pa,
        scatter_k=point.scatter_k,
        t_s=point.t_s or 0.0,
    )
