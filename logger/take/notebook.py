"""The walk and the traverse file: what was captured goes to the disk whole, after every point."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

from logger.core.airflow import plane_humidity
from logger.core.errors import TableError
from logger.core.texts import points_text
from logger.core.traverse import Assumed, DuctShape, PressureFrom, Traverse, TraversePoint, TraverseQuantity
from logger.core.traverse_plan import Plan
from logger.core.traverse_points import nearest_place
from logger.take.walk import ODD_FLOW, UNSETTLED, Entry, State, Taken
from logger.traverse.file import save_traverse
from logger.traverse.model import TEXT_LIMIT

SEPARATOR = "; "
_OF_POINTS = re.compile(rf"(?:points? [0-9, to]+|[0-9]+ points): (?:{UNSETTLED}|{ODD_FLOW})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """The air in the plane. ``humidity`` is a fraction, None where nobody said it; ``assumed`` names
    what nobody measured or gave. ``inlet_c``: at the fan's inlet meanwhile, None where no probe says it."""

    temperature_c: float
    humidity: float | None
    pressure_pa: float
    pressure_from: PressureFrom | None = None
    inlet_c: float | None = None
    assumed: tuple[Assumed, ...] = ()


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
        temperature_c, assumed = self._temperature_c(points, air), air.assumed
        if self._base.quantity is TraverseQuantity.TEMPERATURE:
            assumed = tuple(part for part in assumed if part is not Assumed.TEMPERATURE or not points)
        return replace(
            self._base,
            points=points,
            repeat_first=None if state.repeat is None else _point(first, state.repeat),
            temperature_c=temperature_c,
            humidity=plane_humidity(temperature_c, air.pressure_pa) if air.humidity is None else air.humidity,
            pressure_pa=air.pressure_pa,
            pressure_from=air.pressure_from,
            inlet_temperature_c=air.inlet_c,
            assumed=assumed,
            complete=not state.open,
            notes=self._notes(state) or None,
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

    def _notes(self, state: State) -> str:
        """What the file had, then what is to be said of points, where there is room: they say it too."""
        notes = self._base.notes or ""
        for text in (UNSETTLED, ODD_FLOW):
            numbers = [i + 1 for i, t in enumerate(state.taken) if t is not None and text in t.note]
            longer = SEPARATOR.join(part for part in (notes, f"{points_text(numbers)}: {text}") if part)
            if numbers and len(longer) <= TEXT_LIMIT:
                notes = longer
        return notes


def own_notes(notes: str | None) -> str:
    """Notes of a file without what a take wrote of its points.

    >>> own_notes("liner 25.00 mm; points 3, 7 to 9: did not settle, average of unsteady air")
    'liner 25.00 mm'
    """
    return SEPARATOR.join(note for note in (notes or "").split(SEPARATOR) if not _OF_POINTS.fullmatch(note))


def taken_before(traverse: Traverse, plan: Plan) -> tuple[tuple[Taken | None, ...], Taken | None]:
    """What a file already has of the plan's points, and its repeat.

    Raises
    ------
    TableError
        A point of the file is none of the plan's, or two are the same one.
    """
    found = _by_index(traverse, plan)
    taken = tuple(_taken(found.get(i)) for i in range(len(plan.points)))
    repeat, places = traverse.repeat_first, [planned.point for planned in plan.points]
    first = State(count=len(taken), taken=taken).first
    if repeat is not None and (not found or nearest_place(places, repeat) != first):
        which = f" (point {first + 1}, by t_s or place)" if found else ""
        raise TableError(
            f"repeat_first does not stand where the first captured point stands{which}: correct or remove it"
        )
    return taken, _taken(repeat)


def known_velocities(traverse: Traverse, plan: Plan) -> tuple[Entry | None, ...]:
    """The velocity that an earlier traverse has at each of the plan's points. Raises TableError."""
    found = _by_index(traverse, plan)
    return tuple(_entry(found[i]) if i in found else None for i in range(len(plan.points)))


def _by_index(traverse: Traverse, plan: Plan) -> dict[int, TraversePoint]:
    """The points of a file by their number in the plan; typed places are a little off it."""
    places = [planned.point for planned in plan.points]
    found: dict[int, TraversePoint] = {}
    for n, point in enumerate(traverse.points):
        index = nearest_place(places, point)
        if index is None or index in found:
            is_round = plan.duct.shape is DuctShape.ROUND
            where = f"diameter {point.diameter}" if is_round else f"y {point.y:g}"
            what = "none" if index is None else f"point {index + 1} a second time"
            raise TableError(
                f"key points[{n}]: the point at x {point.x:g}, {where} is {what} of the {len(places)} that "
                "method and grid have; correct or remove it"
            )
        found[index] = point
    return found


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
        t_s=None if taken.t_s is None else round(taken.t_s, 3),
        settled=taken.settled,
    )


def _entry(point: TraversePoint) -> Entry:
    return Entry(velocity_m_s=point.velocity_m_s, velocity_pressure_pa=point.velocity_pressure_pa)


def _taken(point: TraversePoint | None) -> Taken | None:
    if point is None:
        return None
    return Taken(
        entry=replace(_entry(point), temperature_c=point.temperature_c),
        scatter_m_s=point.scatter_m_s,
        scatter_pa=point.scatter_pa,
        scatter_k=point.scatter_k,
        t_s=point.t_s,
        settled=point.settled,
    )
