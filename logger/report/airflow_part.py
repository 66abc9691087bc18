"""How the airflow was had: its source, the traverse behind it, what is out of sight."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from logger.config.quantities import Dimension
from logger.core.airflow import MeasuredAirflow
from logger.core.errors import RiselogError
from logger.core.traverse import Traverse
from logger.core.traverse_checks import check_traverse
from logger.core.traverse_flow import measure
from logger.report.evidence import Evidence
from logger.report.sections import flat
from logger.report.values import Numbers, items, words
from logger.screen.format import percent, show
from logger.traverse.file import loads_traverse

OUT_OF_SIGHT = (
    "A change of fan speed, belt, filter or dampers after the airflow was measured is out of this tool's "
    "sight; one point of the traverse measured again afterwards would show it."
)
_SAID = "out of this tool's sight"  # the words of the airflow's own event on it
_NO_WATCH = ("fixed", "mass")  # sources without a live look at the air


@dataclass(frozen=True, slots=True, kw_only=True)
class AirflowPart:
    """What the section says."""

    source: tuple[str, ...]
    facts: tuple[tuple[str, str], ...] = ()
    checks: tuple[str, ...] = ()


def airflow_part(evidence: Evidence) -> AirflowPart:
    """The section, of the run's settings and of the traverse file kept with it."""
    table = evidence.settings.get("airflow")
    table = table if isinstance(table, Mapping) else {}
    numbers = Numbers(evidence.document, evidence.units)
    said = [words(e.get("text")) for e in items(numbers.raw("events")) if e.get("code") == "airflow-source"]
    if not said:
        typed = ", ".join(f"{key} {value}" for key, value in flat(table))
        said = [f"As entered in the job's settings: {typed}." if typed else "Not told in the run's settings."]
    if table.get("source") in _NO_WATCH and not any(_SAID in sentence for sentence in said):
        said.append(OUT_OF_SIGHT)
    facts = []
    if evidence.config is not None:
        facts.append(("Uncertainty of the airflow", _known_to(evidence.config.job.airflow.u95, numbers)))
    name = words(table.get("traverse"))
    text = evidence.header.files.get(str(table.get("traverse")))
    if not name or text is None:
        return AirflowPart(source=tuple(said), facts=tuple(facts))
    try:
        traverse = loads_traverse(text, name)
        flow = measure(traverse)
    except RiselogError:
        said.append(f"The traverse file {name} is kept with the run and cannot be read by this version.")
        return AirflowPart(source=tuple(said), facts=tuple(facts))
    return AirflowPart(
        source=tuple(said),
        facts=(*facts, *_facts(traverse, flow, evidence.units)),
        checks=tuple(check.text for check in check_traverse(traverse, flow) if not check.ok),
    )


def _known_to(u95: float, numbers: Numbers) -> str:
    """As it was had, and as it stood in the stretch: carrying it over and a live probe add their part."""
    in_stretch = numbers.get("firing.airflow_u95_percent")
    had = f"± {percent(u95)} (95 %)"
    return (
        had if in_stretch is None else f"{had} as it was had; ± {percent(in_stretch / 100.0)} in the stretch"
    )


def _facts(traverse: Traverse, flow: MeasuredAirflow, units: str) -> list[tuple[str, str]]:
    mean, area = flow.mean_velocity_m_s, flow.area_m2
    facts = [
        ("Traverse", f"{len(traverse.points)} points, {traverse.method.value}, {traverse.plane.value}"),
        ("Volume flow then", show(flow.volume_m3_s, Dimension.VOLUME_FLOW, units)),
    ]
    if mean is not None and area is not None:
        over = show(area, Dimension.AREA, units)
        facts.append(("Mean velocity", f"{show(mean, Dimension.VELOCITY, units)} over {over}"))
    warm = show(traverse.temperature_c, Dimension.TEMPERATURE, units)
    pressure = show(traverse.pressure_pa, Dimension.PRESSURE, units)
    facts.append(("Air in the plane", f"{warm}, {traverse.humidity:.0%} humidity, {pressure}"))
    facts.append(("Standard uncertainties", _budget(flow)))
    for label, value in (
        ("Taken", traverse.started_utc),
        ("Velocity probe", traverse.probe),
        ("Note", traverse.notes),
    ):
        if value:
            facts.append((label, words(value, 300)))
    return facts


def _budget(flow: MeasuredAirflow) -> str:
    """The traverse's own budget in one line, largest part first."""
    pairs = sorted(zip(flow.lines, flow.combined.shares, strict=True), key=lambda pair: -pair[1])
    return ", ".join(
        f"{line.source} {percent(line.u_w, 2)}{' (assumed)' if line.assumed else ''}" for line, _ in pairs
    )
