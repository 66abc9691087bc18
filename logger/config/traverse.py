"""The traverse file that a config names: found, read, and held against the rest of the config."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from logger.config.plane import plane_problem
from logger.config.problems import Problem
from logger.config.quantities import Dimension, show
from logger.config.schema import AirflowTable, ConfigFile
from logger.core.air import standard_pressure_pa
from logger.core.airflow import MeasuredAirflow
from logger.core.errors import RiselogError
from logger.core.params import PRESSURE_GAP, AirflowSource, Burner
from logger.core.traverse import Assumed, PressureFrom, Traverse, TraverseQuantity
from logger.core.traverse_checks import check_traverse
from logger.core.traverse_flow import has_own_pressure, measure
from logger.traverse.file import loads_traverse, read_small

KEY = ("airflow", "traverse")
POOREST_U95 = 0.5  # fraction: what is known less well is not known (assumed; as far as airflow.u95 goes)


@dataclass(frozen=True, slots=True, kw_only=True)
class TraverseSetup:
    """The file as the config names it, its content, and what it says."""

    name: str
    text: str
    traverse: Traverse
    flow: MeasuredAirflow
    pressure_note: str | None = None

    def stated_pressure_pa(self) -> float | None:
        """The pressure in the plane where somebody must have looked it up: not assumed, not sea level's."""
        stated = Assumed.PRESSURE not in self.traverse.assumed
        own = has_own_pressure(self.traverse, standard_pressure_pa(0.0))
        return self.traverse.pressure_pa if stated and own else None

    def notes(self) -> Iterator[str]:
        """What the traverse's checks complain about and a pressure that is not the job's, a sentence each."""
        if self.pressure_note is not None:
            yield self.pressure_note
        known = tuple(word for word in self.traverse.assumed if word is not Assumed.PRESSURE)
        for check in check_traverse(replace(self.traverse, assumed=known), self.flow):
            if not check.ok:
                yield f"airflow.traverse ({self.name}), {check.code}: {check.text}"


def read_traverse(
    config: ConfigFile, folder: Path, stored: Mapping[str, str]
) -> tuple[TraverseSetup | None, list[Problem]]:
    """Read the file that ``airflow.traverse`` names; ``stored`` texts stand in for files by name."""
    name = config.airflow.traverse
    if name is None:
        return None, []
    path = located(name, folder)
    try:
        text = stored[name] if name in stored else read_small(path)
        traverse = loads_traverse(text, str(path))
        if traverse.quantity is TraverseQuantity.TEMPERATURE:
            return None, [Problem(KEY, f"{path} is a temperature traverse; name one of velocity")]
        differ = _pressures(config, name, traverse)
        traverse, note = _at_the_site(config, name, traverse)
        flow = measure(traverse)
    except RiselogError as error:
        said = str(error)
        where = "" if str(path) in said else f"{path}: "
        return None, [Problem(KEY, f"{where}{line}") for line in said.splitlines()]
    if differ is not None and differ[0] <= PRESSURE_GAP:
        note = f"airflow.traverse: {differ[1]}; the flow is carried with both."
    found = TraverseSetup(name=name, text=text, traverse=traverse, flow=flow, pressure_note=note)
    problems = list(_contradictions(config, found))
    if differ is not None and differ[0] > PRESSURE_GAP:
        problems.append(Problem(KEY, differ[1]))
    return found, problems


def burner_of(air: AirflowTable, traverse: Traverse) -> Burner | None:
    """What config, else file say of the burner."""
    return traverse.burner if air.burner is None else air.burner


def _contradictions(config: ConfigFile, found: TraverseSetup) -> Iterator[Problem]:
    air, file = config.airflow, found.traverse
    if air.source is AirflowSource.FIXED:
        for key in ("volume", "temperature", "humidity"):
            if getattr(air, key) is not None:
                yield Problem(
                    ("airflow", key), "airflow.traverse is given too and has it; remove one of them"
                )
    if None not in (air.inlet_temperature, file.inlet_temperature_c):
        yield Problem(
            ("airflow", "inlet_temperature"),
            f"{found.name} has inlet_temperature_c too; keep the one that is right, remove the other",
        )
    if text := plane_problem(air, file):
        yield Problem(("airflow", "at"), text)
    if None not in (air.burner, file.burner) and air.burner is not file.burner:
        yield Problem(
            ("airflow", "burner"),
            f'is "{air.burner}" and {found.name} says "{file.burner}"; correct the one that is wrong',
        )
    if found.flow.u95 > POOREST_U95:
        yield Problem(
            KEY,
            f"{found.name} gives the airflow to ± {found.flow.u95:.0%} only, and no output can be judged by"
            f" that; `riselog traverse compute {found.name}` shows what to mend",
        )


def _site_pressure(config: ConfigFile) -> tuple[float, PressureFrom] | None:
    """The site's pressure as the job tells it, and how it was had."""
    job = config.job
    if job.pressure is not None:
        return job.pressure, PressureFrom.TYPED
    return None if job.altitude is None else (standard_pressure_pa(job.altitude), PressureFrom.ALTITUDE)


def _at_the_site(config: ConfigFile, name: str, traverse: Traverse) -> tuple[Traverse, str | None]:
    """The traverse at the job's pressure, where its own was assumed; and the note on it."""
    if Assumed.PRESSURE not in traverse.assumed:
        return traverse, None
    site = _site_pressure(config)
    if site is not None:
        known = tuple(word for word in traverse.assumed if word is not Assumed.PRESSURE)
        traverse = replace(traverse, pressure_pa=site[0], pressure_from=site[1], assumed=known)
    return traverse, f"airflow.traverse ({name}): its pressure was assumed; the job's stands in for it."


def _pressures(config: ConfigFile, name: str, traverse: Traverse) -> tuple[float, str] | None:
    """By what fraction the file's own pressure is off the job's, and the sentence; None where it is not."""
    plane_pa, site = traverse.pressure_pa, _site_pressure(config)
    if site is None or Assumed.PRESSURE in traverse.assumed or not has_own_pressure(traverse, site[0]):
        return None
    there, here = (show(value, Dimension.PRESSURE, config.job.units) for value in (plane_pa, site[0]))
    return abs(plane_pa - site[0]) / site[0], (
        f"{name} was taken at {there} and the job's site has {here}; correct pressure_pa in the file, or the"
        " job's altitude or pressure, if both are one site"
    )


def located(name: str, folder: Path) -> Path:
    """Where a file named in a config stands: from the config's folder, ``~/`` from home."""
    return folder / (Path(name).expanduser() if name.startswith("~/") else Path(name))
