"""The traverse file that a config names: found, read, and held against the rest of the config."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from logger.config.problems import Problem
from logger.config.quantities import Dimension, show
from logger.config.schema import ConfigFile
from logger.core.air import standard_pressure_pa
from logger.core.airflow import MeasuredAirflow
from logger.core.errors import RiselogError
from logger.core.params import AirflowSource
from logger.core.traverse import Traverse, TraverseQuantity
from logger.core.traverse_checks import check_traverse
from logger.core.traverse_flow import measure
from logger.traverse.file import loads_traverse, read_small

KEY = ("airflow", "traverse")
PRESSURE_GAP = 0.04  # fraction: beyond it one of the two pressures is not that of the site (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class TraverseSetup:
    """The file as the config names it, its content, and what it says."""

    name: str
    text: str
    traverse: Traverse
    flow: MeasuredAirflow

    def notes(self) -> Iterator[str]:
        """What the traverse's checks complain about, a sentence each."""
        for check in check_traverse(self.traverse, self.flow):
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
        flow = measure(traverse)
    except RiselogError as error:
        said = str(error)
        where = "" if str(path) in said else f"{path}: "
        return None, [Problem(KEY, f"{where}{line}") for line in said.splitlines()]
    found = TraverseSetup(name=name, text=text, traverse=traverse, flow=flow)
    return found, list(_contradictions(config, found))


def _contradictions(config: ConfigFile, found: TraverseSetup) -> Iterator[Problem]:
    air, job = config.airflow, config.job
    if air.source is AirflowSource.FIXED:
        for key in ("volume", "temperature", "humidity"):
            if getattr(air, key) is not None:
                yield Problem(
                    ("airflow", key), "airflow.traverse is given too and has it; remove one of them"
                )
    site_pa = job.pressure
    if site_pa is None and job.altitude is not None:
        site_pa = standard_pressure_pa(job.altitude)
    plane_pa = found.traverse.pressure_pa
    if site_pa is not None and abs(plane_pa - site_pa) > PRESSURE_GAP * site_pa:
        there, here = (show(value, Dimension.PRESSURE, job.units) for value in (plane_pa, site_pa))
        yield Problem(
            KEY,
            f"{found.name} was taken at {there} and the job's site has {here}; correct pressure_pa in the"
            " file, or the job's altitude or pressure",
        )


def located(name: str, folder: Path) -> Path:
    """Where a file named in a config stands: from the config's folder, ``~/`` from home."""
    return folder / (Path(name).expanduser() if name.startswith("~/") else Path(name))
