"""Tables below the answer: budget, airflow, settings, probes, gas input, visit, how the run came about."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from logger.clock import utc_text
from logger.collect import DEVICE, device_says
from logger.config.quantities import Dimension
from logger.core.kind_words import HEATER, SPELL, kind_of
from logger.core.params import MAIN_QUANTITY, ProbeParams
from logger.core.readings import Quantity
from logger.core.texts import duration_text
from logger.report.evidence import RUNNING, Evidence
from logger.report.values import (
    Numbers,
    Row,
    Table,
    as_number,
    items,
    listed,
    text_cell,
    words,
)
from logger.screen.format import DASH, clock, percent, show

ENDS: dict[str, str] = {
    "ended": "its sources came to their end",
    "time": "the time asked for was over",
    "result": "the result asked for was had",
    "stopped": "stopped by its operator",
    "no-source": "no probe could be read any more",
    "fault": "an internal fault; the readings were kept",
    "interrupted": "INTERRUPTED: the logger was cut off; the result is that of the readings until then",
    RUNNING: "STILL RUNNING: this is how it stood when the report was made",
}
_LEFT_OUT = frozenset({"mqtt", "probes", "sim", "store", "visit"})  # told elsewhere, or no matter here
_DIMENSIONS = {Quantity.TEMPERATURE: Dimension.DIFFERENCE, Quantity.PRESSURE: Dimension.PRESSURE}
_SHARE_OF = {Quantity.VELOCITY, Quantity.GAS_VOLUME}  # their u95 is a fraction of the value


def settings_rows(settings: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The run's settings as written, table by table, without those told elsewhere."""
    return [
        (f"[{words(table, 80)}]", "; ".join(f"{key} {value}" for key, value in flat(keys)))
        for table, keys in settings.items()
        if table not in _LEFT_OUT and isinstance(keys, Mapping)
    ]


def flat(table: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Keys with dots, values as words."""
    for key, value in table.items():
        name = words(key, 80)
        if isinstance(value, Mapping):
            yield from ((f"{name}.{below}", text) for below, text in flat(value))
        elif isinstance(value, list):
            yield name, ", ".join(_said(one) for one in value)
        else:
            yield name, _said(value)


def _said(value: object) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else words(value)


def visit_rows(settings: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The visit's record, key and value."""
    visit = settings.get("visit")
    if not isinstance(visit, Mapping):
        return []
    return [(key.replace("_", " "), value) for key, value in flat(visit)]


def probe_table(evidence: Evidence) -> Table | None:
    """Every probe with its role and uncertainty; offset, last match and device where one has them."""
    tables = _probe_tables(evidence)
    devices = _devices(evidence)
    params = {p.name: p for p in evidence.config.job.probes} if evidence.config else {}
    more = [
        (head, key)
        for head, key in (("Offset taken off", "offset"), ("Last match", "matched"))
        if any(key in table for table in tables.values())
    ]
    rows = [
        Row(
            label=words(name),
            cells=(
                text_cell(table.get("role")),
                text_cell(_u95(table, params.get(name), evidence.units)),
                *(text_cell(table.get(key, "none")) for _, key in more),
                *([text_cell(devices.get(name, DASH))] if devices else ()),
            ),
        )
        for name, table in tables.items()
    ]
    own_word = ["Device, by its own word"] if devices else []
    return listed(rows, "Probe", "Role", "u95", *(head for head, _ in more), *own_word)


def unmatched(evidence: Evidence) -> str:
    """A sentence where no probe was matched with the others."""
    if any("matched" in table for table in _probe_tables(evidence).values()):
        return ""
    return "No match of the probes in the same air is noted."


def one_spot(evidence: Evidence, kind: str) -> str:
    """A sentence where one supply probe stands for the whole stream."""
    supply = [table for table in _probe_tables(evidence).values() if table.get("role") == "supply"]
    if len(supply) != 1:
        return ""
    return (
        "One supply probe stands for the whole stream: a bad place for it, a streak of other air or the "
        f"sight of the {HEATER[kind]}, cannot be seen in its own readings; a temperature traverse can show "
        "it."
    )


def _probe_tables(evidence: Evidence) -> dict[str, Mapping[str, Any]]:
    tables = evidence.settings.get("probes")
    if not isinstance(tables, Mapping):
        return {}
    return {name: table for name, table in tables.items() if isinstance(table, Mapping)}


def _devices(evidence: Evidence) -> dict[str, str]:
    """What each probe said of its make; of several devices in one run each, in order."""
    found: dict[str, list[str]] = {}
    for event in items(evidence.document.get("events")):
        if event.get("code") == DEVICE:
            probe = words(event.get("probe"))
            found.setdefault(probe, []).append(words(event.get("text")).removeprefix(device_says(probe)))
    return {probe: "; then ".join(dict.fromkeys(texts)) for probe, texts in found.items()}


def _u95(table: Mapping[str, Any], probe: ProbeParams | None, units: str) -> str:
    if probe is None:
        return words(table.get("u95"))
    assumed = ", assumed" if probe.u95_assumed else ""
    quantity = MAIN_QUANTITY[probe.role]
    if quantity in _SHARE_OF:
        return f"± {percent(probe.u95)} of the value{assumed}"
    return f"± {show(probe.u95, _DIMENSIONS[quantity], units)}{assumed}"


def firing_table(numbers: Numbers) -> Table | None:
    """All firings, where there were several."""
    cycles = items(numbers.raw("cycles"))
    if len(cycles) < 2:  # noqa: PLR2004 - one firing is the result itself
        return None
    rows = []
    for place, cycle in enumerate(cycles):
        output = Numbers(cycle, numbers.units).spread("output_w", "output_u95_w", Dimension.POWER)
        shown = tuple(replace(part, key=f"cycles.{place}.{part.key}") for part in output)
        span = f"{clock(as_number(cycle.get('start_s')))} to {clock(as_number(cycle.get('end_s')))}"
        verdict = words(cycle.get("verdict")).replace("-", " ") or "none"
        steady = cycle.get("output_w") is not None
        cells = (shown if steady else text_cell("not steady"), text_cell(verdict))
        rows.append(Row(label=span, cells=cells))
    return listed(rows, SPELL[kind_of(numbers.raw("nameplate.kind"))].capitalize(), "Output", "Verdict")


def stage_table(numbers: Numbers) -> Table | None:
    """Each level that was steady, where the unit has stages."""
    rows = []
    for place, result in enumerate(items(numbers.raw("stage_results"))):
        own = Numbers(result, numbers.units)
        spread = own.spread("output_w", "output_u95_w", Dimension.POWER)
        shown = tuple(replace(part, key=f"stage_results.{place}.{part.key}") for part in spread)
        known = result.get("output_w") is not None
        stage, ratio = as_number(result.get("stage")), as_number(result.get("ratio"))
        cells = (
            shown if known else text_cell("not known"),
            text_cell(DASH if ratio is None else percent(ratio)),
            text_cell(duration_text(as_number(result.get("seconds")) or 0.0)),
            text_cell(words(result.get("reason") or result.get("doubt"))),
        )
        rows.append(Row(label=DASH if stage is None else f"{stage:.0f}", cells=cells))
    return listed(rows, "Stage", "Output", "Of its plate", "Steady for", "Remark")


def origin_rows(evidence: Evidence) -> list[tuple[str, str]]:
    """How the run came about, and what the report was made with."""
    header, made = evidence.header, evidence.made_with
    lost = Numbers(evidence.document, evidence.units).get("readings.lost_to_storage") or 0
    rows = [
        ("Run", words(header.run)),
        ("Started", f"{utc_text(header.started_utc_us)[:19].replace('T', ' ')} UTC"),
        ("Ended", ENDS.get(evidence.end_reason, words(evidence.end_reason))),
        (
            "Readings",
            f"{evidence.readings:,} stored, {evidence.flagged:,} of them flagged and not used, "
            f"{lost:,.0f} lost to storage",
        ),
        *_made_with(header.versions, made),
    ]
    if header.replay_of:
        rows.insert(1, ("Computed again from run", words(header.replay_of)))
    if header.simulated:
        rows.insert(1, ("Simulated scenario", f"{words(header.scenario)}, seed {words(header.seed)}"))
    return rows


def _made_with(then: Mapping[str, str], now: Mapping[str, str]) -> list[tuple[str, str]]:
    logged, drawn = _versions(then), _versions(now)
    if logged == drawn:
        return [("Made with", drawn)]
    return [("Logged with", logged), ("Report made with", drawn)]


def _versions(versions: Mapping[str, object]) -> str:
    named = [
        f"{name} {words(versions[name], 40)}"
        for name in ("riselog", "numpy", "psychrolib")
        if name in versions
    ]
    return ", ".join(named) or DASH


def remarks(evidence: Evidence) -> tuple[str, ...]:
    """What a reader must know of this run before its numbers."""
    header = evidence.header
    found = [words(remark) for remark in evidence.remarks]
    if evidence.end_reason not in ("ended", "time", "result", "stopped"):
        found.append(f"End of the run: {ENDS.get(evidence.end_reason, words(evidence.end_reason))}.")
    if header.replay_of:
        found.append(f"Computed again from the readings of run {words(header.replay_of)}.")
    then, now = header.versions.get("riselog"), evidence.made_with["riselog"]
    if then and then != now:
        found.append(
            f"The run was logged with version {words(then, 40)}, this report is made by version {now}."
        )
    return tuple(found)
