"""Plain lines: the run where there is no terminal, and the result for people. Pure text."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, TextIO

from logger.clock import utc_date
from logger.config.quantities import SHORTCUT, Dimension
from logger.core.kind_words import ABOVE_SHORT, CHANGE, PAUSES_MEAN, SPELL, STARTER, kind_of, told_code
from logger.core.readings import NS_PER_S
from logger.core.snapshot import Event, Phase, Snapshot, TestState
from logger.core.stage_words import only_if
from logger.screen.format import (
    DASH,
    change_text,
    clean,
    clock,
    condensate_text,
    energy,
    number,
    percent,
    plain_spelling,
    ratio_text,
    rise_words,
    seconds,
    show,
    since_on,
    tons_text,
)

SECONDS_PER_MINUTE = 60
REASON_LIMIT = 1000  # characters of a result's reason: several sentences, the last of which says what to do
BUDGET_LINES = 6  # shown of the budget: what is below moves nothing; assumed

VERDICTS: dict[str | None, str] = {
    "meets": "meets the nameplate",
    "below": "below the nameplate",
    "above": "ABOVE the nameplate: {above}",
    "undecided": "undecided: the uncertainty is too wide for this tolerance",
    "not-steady": "no result: no steady stretch",
    None: "none",
}
AIR_SIDE = (
    "of the air side: the plate's thermal efficiency is 100 % less the flue loss (10 CFR 431.72); casing "
    "loss and fan heat lie between the two"
)


ALONE = f"{DASH}, of a cooling unit without both humidities: the sensible heat alone"


def event_line(event: Event, kind: object = "gas") -> str:
    """One event: elapsed time, code (in the words of the unit's kind), probe, text; all cleaned.

    >>> event_line(Event(t_ns=62 * NS_PER_S, code="firing", text="the burner came on"))
    '01:02 firing: the burner came on'
    """
    who = f" {clean(event.probe)}" if event.probe else ""
    return f"{clock(event.t_ns / NS_PER_S)} {clean(told_code(event.code, kind))}{who}: {clean(event.text)}"


def standing(test: TestState, phase: Phase) -> str:
    """How a steadiness test stands, in words."""
    if test.value is None or test.limit is None:
        return "waiting"
    if test.ok:
        return "within"
    return "beyond" if phase is Phase.STEADY else "not yet"


def steadiness_text(snapshot: Snapshot) -> str:
    """How far steadiness has come, in one phrase; empty while nothing fires."""
    if snapshot.steady_since_s is not None:
        return f"steady for {clock(snapshot.steady_for_s)}"
    if not snapshot.tests:
        return ""
    words = ", ".join(f"{clean(test.name)} {standing(test, snapshot.phase)}" for test in snapshot.tests)
    return f"{words}, hold {seconds(max(snapshot.hold_s - snapshot.held_s, 0.0))} left"


def stage_words(snapshot: Snapshot) -> str:
    """Which stage is on, of a unit that has several; empty while nothing is on."""
    if snapshot.stages == 1 or snapshot.phase not in (Phase.WARM_UP, Phase.STEADY):
        return ""
    if snapshot.stage is None:
        return "stage not known" if snapshot.output_is_final else "stage not known yet"
    return f"{'likely ' if snapshot.stage_likely else ''}stage {snapshot.stage}"


def minute_line(snapshot: Snapshot, units: str) -> str:
    """The run at one moment: time, phase, output, rise, temperatures, steadiness."""
    phase = snapshot.pause or told_code(snapshot.phase.value, snapshot.kind)
    if snapshot.silent_s is not None:
        at, silent = clock(snapshot.t_ns / NS_PER_S), seconds(snapshot.silent_s)
        return f"{at} no readings for {silent}: nothing is known of now; last known: {phase}"
    output_w = snapshot.output_w
    output = show(output_w, Dimension.POWER, units)
    if snapshot.output_u95_w is not None and output != DASH:
        u95 = number(snapshot.output_u95_w, Dimension.POWER, units, like=output_w)
        value, unit = output.rsplit(" ", 1)
        output = f"{value} ± {u95} {unit}"
    mean = " (mean of the steady stretch)" if snapshot.output_is_final and output_w is not None else ""
    parts = [
        f"output {output}{mean}",
        f"sensible {show(snapshot.sensible_w, Dimension.POWER, units)}" if snapshot.sensible_w else "",
        f"{CHANGE[kind_of(snapshot.kind)]} {change_text(snapshot.rise_k, snapshot.kind, units)}",
        f"supply {show(snapshot.supply_c, Dimension.TEMPERATURE, units)}",
        f"return {show(snapshot.return_c, Dimension.TEMPERATURE, units)}",
        stage_words(snapshot),
        steadiness_text(snapshot),
    ]
    start = f"{clock(snapshot.t_ns / NS_PER_S)} {phase}"
    return f"{start}: " + ", ".join(part for part in parts if part)


class Minutes:
    """Tells when a new minute of the run's own time has begun."""

    def __init__(self) -> None:
        self._minute: int | None = None

    def new(self, t_ns: int) -> bool:
        """Whether this moment lies in another minute than the last that was asked about."""
        before, self._minute = self._minute, t_ns // (SECONDS_PER_MINUTE * NS_PER_S)
        return before != self._minute


class PlainLines:
    """The lines of a run as it goes: every event once, and one line a minute of its own time.

    With ``utc_us``, the clock of the readings, each new day is named, so that a log over days has dates.
    """

    def __init__(self, units: str, utc_us: Callable[[], int] | None = None) -> None:
        self._units = units
        self._utc_us = utc_us
        self._minutes = Minutes()
        self._day = ""

    def update(self, snapshot: Snapshot, events: Iterable[Event] = ()) -> list[str]:
        """The lines to print now; ``events`` are those not given before."""
        lines = [*self._new_day(snapshot), *(event_line(e, snapshot.kind) for e in events)]
        if self._minutes.new(snapshot.t_ns):
            lines.append(minute_line(snapshot, self._units))
        return lines

    def _new_day(self, snapshot: Snapshot) -> list[str]:
        day = "" if self._utc_us is None else utc_date(self._utc_us()).isoformat()
        if day == self._day:
            return []
        self._day = day
        return [f"{clock(snapshot.t_ns / NS_PER_S)} day: {day} (UTC)"]


def write_lines(lines: Iterable[str], stream: TextIO) -> None:
    """Write lines, in ASCII where the stream's encoding has no more than that."""
    plain = "utf" not in (stream.encoding or "").lower()
    for line in lines:
        stream.write((plain_spelling(line) if plain else line) + "\n")
    stream.flush()


def result_lines(document: Mapping[str, Any], units: str, *, where: str = "") -> list[str]:
    """The result for people, from its JSON document; ``where`` names the store."""
    simulated = "   SIMULATED PROBES" if document.get("simulated") else ""
    lines = [
        f"RESULT  {clean(str(document.get('job') or ''))}{simulated}",
        _row("verdict", _verdict_text(document)),
    ]
    if document.get("reason"):
        lines.append(_row("", clean(str(document["reason"]), REASON_LIMIT)))
    lines += [line for line in _firing_lines(document, units) if line]
    lines += _budget_lines(document.get("budget") or (), units)
    lines += _stage_lines(document.get("stage_results") or (), units)
    kind = kind_of((document.get("nameplate") or {}).get("kind"))
    lines += _cycle_lines(document.get("cycles") or (), units, kind)
    lines += _event_lines(document.get("events") or (), kind)
    return lines + _run_lines(document, where)


def _row(label: str, text: str) -> str:
    return f"  {label:<12}{text}".rstrip()


def _verdict_text(document: Mapping[str, Any]) -> str:
    verdict = document.get("verdict")
    kind = kind_of((document.get("nameplate") or {}).get("kind"))
    return VERDICTS.get(verdict, clean(str(verdict))).replace("{above}", ABOVE_SHORT[kind])


def _firing_lines(document: Mapping[str, Any], units: str) -> list[str]:
    firing = document.get("firing")
    if not firing:
        return []
    plate, power_input = document.get("nameplate") or {}, document.get("input") or {}
    kind, output_w = kind_of(plate.get("kind")), firing.get("output_w")
    output, u95 = (
        number(firing.get(key), Dimension.POWER, units, like=output_w) for key in ("output_w", "output_u95_w")
    )
    unit = show(output_w, Dimension.POWER, units).removeprefix(output).strip()
    tons = tons_text(output_w, kind, units, firing.get("output_u95_w"))
    fit = rise_words(plate.get("rise_ok"), plate.get("rise_sure"))
    condition = only_if(document.get("verdict"), document.get("stage_results") or ())
    condition = f", {condition}" if condition else ""
    chances = " | ".join(
        f"{name} {percent(document.get(key), 0)}"
        for name, key in (("below", "p_low"), ("meets", "p_meets"), ("above", "p_high"))
    )
    return [
        _row("output", ALONE if sensible_alone(firing) else f"{output} ± {u95} {unit} (95 %){condition}"),
        _row("", f"{tons} of refrigeration") if tons else "",
        _row("nameplate", _plate_text(plate, units)),
        _row("chances", chances) if document.get("p_meets") is not None else "",
        *capacity_rows(firing, units),
        _row(CHANGE[kind], f"{change_text(firing.get('rise_k'), kind, units)}{', ' if fit else ''}{fit}"),
        _row("supply", show(firing.get("supply_c"), Dimension.TEMPERATURE, units)),
        _row("return", show(firing.get("return_c"), Dimension.TEMPERATURE, units)),
        _row("airflow", _airflow_text(firing, units)),
        _row("gas input", _input_text(power_input, plate, units)) if power_input.get("measured_w") else "",
        _row("efficiency", _efficiency_text(power_input)) if kind == "gas" else "",
        _row("", AIR_SIDE) if power_input.get("efficiency") is not None else "",
        _row("steady", _steady_text(firing, STARTER[kind])),
        _row("shortcut", _shortcut_text(firing, units, kind)),
    ]


def capacity_rows(firing: Mapping[str, Any], units: str) -> list[str]:
    """What a result of a cooling unit or a heat pump has beside the output."""
    rows = []
    if firing.get("sensible_w") is not None:
        ratio = firing.get("sensible_heat_ratio")
        known = ratio_text(ratio, firing.get("sensible_heat_ratio_u95")) if ratio is not None else ""
        share = f", sensible heat ratio {known}" if known else ""
        rows.append(_row("sensible", f"{_spread(firing, 'sensible_w', 'sensible_u95_w', units)}{share}"))
    if firing.get("latent_w") is not None:
        water = condensate_text(firing.get("condensate_kg_s"), units, firing.get("condensate_u95_kg_s"))
        rows.append(
            _row("latent", f"{_spread(firing, 'latent_w', 'latent_u95_w', units)}, condensate {water}")
        )
    if firing.get("defrosts"):
        rows.append(_row("defrosts", f"{firing['defrosts']}, left out of the steady stretch"))
    if firing.get("pauses"):
        rows.append(_row("pauses", f"{firing['pauses']}, {PAUSES_MEAN}"))
    return rows


def _spread(firing: Mapping[str, Any], key: str, u_key: str, units: str) -> str:
    """A heat ± its expanded uncertainty, the unit once."""
    value, unit = show(firing[key], Dimension.POWER, units).rsplit(" ", 1)
    if firing.get(u_key) is None:  # a result of an older version
        return f"{value} {unit}"
    return f"{value} ± {number(firing[u_key], Dimension.POWER, units, like=firing[key])} {unit} (95 %)"


def _airflow_text(firing: Mapping[str, Any], units: str) -> str:
    u95 = firing.get("airflow_u95_percent")
    known = "" if u95 is None else f" ± {percent(u95 / 100.0)} (95 %)"
    return f"{show(firing.get('airflow_m3_s'), Dimension.VOLUME_FLOW, units)}{known} at the return"


def sensible_alone(firing: Mapping[str, Any]) -> bool:
    """Whether a cooling unit's total is not known."""
    return firing.get("output_w") is None and firing.get("sensible_w") is not None


def _plate_text(plate: Mapping[str, Any], units: str) -> str:
    text = f"{show(plate.get('output_w'), Dimension.POWER, units)}"
    tons = tons_text(plate.get("output_w"), plate.get("kind"), units)
    text += f" ({tons})" if tons else ""
    if plate.get("derated"):
        text += f" (derated from {show(plate.get('plate_output_w'), Dimension.POWER, units)})"
    ratio = plate.get("ratio")
    return (
        text
        if ratio is None and plate.get("kind") == "cooling"
        else f"{text}, output is {percent(ratio)} of it"
    )


def _input_text(power_input: Mapping[str, Any], plate: Mapping[str, Any], units: str) -> str:
    measured_w = power_input.get("measured_w")
    value, u95 = (
        number(power_input.get(key), Dimension.POWER, units, like=measured_w)
        for key in ("measured_w", "measured_u95_w")
    )
    unit = show(measured_w, Dimension.POWER, units).removeprefix(value).strip()
    how = "the meter's counter" if power_input.get("source") == "counter" else "its dial, timed by hand"
    plate_w = plate.get("input_w")
    share = f", {percent(measured_w / plate_w)} of the plate's" if measured_w and plate_w else ""
    return f"{value} ± {u95} {unit} (95 %) by {how}{share}"


def _efficiency_text(power_input: Mapping[str, Any]) -> str:
    if power_input.get("efficiency") is not None:
        found, u95 = percent(power_input["efficiency"]), percent(power_input.get("efficiency_u95"))
        return f"{found} ± {u95} of the measured gas input"
    ratio = percent(power_input.get("efficiency_of_nameplate_input"))
    why = clean(str(power_input.get("reason") or "the input was not measured"))
    return f"{ratio} of the nameplate input ({why})"


def _steady_text(firing: Mapping[str, Any], starter: str) -> str:
    start_s, end_s = firing.get("steady_start_s"), firing.get("steady_end_s")
    bound = firing.get("start_residual_bound")
    rest = "" if bound is None else f"; at its start at most {percent(bound)} was still to come"
    wait = since_on(firing.get("time_to_steady_s"), starter)
    return f"from {clock(start_s)} to {clock(end_s)}, {wait}{rest}"


def _shortcut_text(firing: Mapping[str, Any], units: str, kind: str) -> str:
    shortcut_w, output_w = firing.get("shortcut_w"), firing.get("output_w")
    of = ""
    if kind == "cooling":  # it knows no moisture
        output_w, of = firing.get("sensible_w"), " the sensible heat"
    error = shortcut_w / output_w - 1.0 if shortcut_w is not None and output_w else None
    sign = "+" if error is not None and error > 0 else ""
    value = show(shortcut_w, Dimension.POWER, units)
    shortcut = SHORTCUT["us" if units == "us" else "si"]
    return (
        f"the standard-air shortcut, {shortcut} x {CHANGE[kind]}, would say {value} "
        f"({sign}{percent(error)} off{of} here)"
    )


def _budget_lines(budget: Sequence[Mapping[str, Any]], units: str) -> list[str]:
    if not budget:
        return []
    largest = sorted(budget, key=lambda line: -(line.get("share") or 0.0))
    lines = ["  uncertainty, largest part first (standard uncertainty, share of variance)"]
    for line in largest[:BUDGET_LINES]:
        u = show(line.get("u_w"), Dimension.POWER, units)
        mark = "  assumed" if line.get("assumed") else ""
        source = clean(str(line.get("source")), 28)
        lines.append(f"    {source:<28}{u:>14}{percent(line.get('share'), 0):>7}{mark}")
    rest = len(largest) - BUDGET_LINES
    return [*lines, f"    and {rest} smaller"] if rest > 0 else lines


def _stage_lines(results: Sequence[Mapping[str, Any]], units: str) -> list[str]:
    """Each level that was steady, lowest first; why its stage or output is not known."""
    lines = []
    for place, result in enumerate(results):
        stage = result.get("stage")
        name = "level" if stage is None else f"stage {stage}"
        text = f"{name:<9}{stage_text(result, units)}"
        reason = clean(str(result.get("reason") or ""))
        lines.append(_row("stages" if not place else "", text))
        lines += [_row("", text) for text in (reason, clean(str(result.get("doubt") or ""))) if text]
    return lines


def stage_text(result: Mapping[str, Any], units: str) -> str:
    """Output of a level with its u95, its share of that stage's plate, and for how long it was steady."""
    output_w, ratio = result.get("output_w"), result.get("ratio")
    span = f"steady for {seconds(result.get('seconds'))}"
    if output_w is None:
        return f"no output, {span}"
    u95 = number(result.get("output_u95_w"), Dimension.POWER, units, like=output_w)
    shown = show(output_w, Dimension.POWER, units)
    value = number(output_w, Dimension.POWER, units)
    share = "" if ratio is None else f", {percent(ratio)} of its plate"
    return f"{value} ± {u95}{shown.removeprefix(value)}{share}, {span}"


def _cycle_lines(cycles: Sequence[Mapping[str, Any]], units: str, kind: str) -> list[str]:
    if len(cycles) < 2:  # noqa: PLR2004 - one firing is the result itself
        return []
    lines = [f"  {SPELL[kind]}s"]
    for cycle in cycles:
        output_w = cycle.get("output_w")
        value = f"{show(output_w, Dimension.POWER, units)}" if cycle.get("steady") else "not steady"
        span = f"{clock(cycle.get('start_s'))} to {clock(cycle.get('end_s'))}"
        lines.append(f"    {span:<20} {value:<16} {energy(cycle.get('energy_j'), units)}")
    return lines


def _event_lines(events: Sequence[Mapping[str, Any]], kind: str) -> list[str]:
    if not events:
        return []
    lines = ["  events"]
    for event in events:
        who = f" {clean(str(event['probe']))}" if event.get("probe") else ""
        code, text = clean(told_code(str(event.get("code")), kind)), clean(str(event.get("text") or ""))
        lines.append(f"    {clock(event.get('t_s'))} {code}{who}: {text}")
    return lines


def _run_lines(document: Mapping[str, Any], where: str) -> list[str]:
    readings = document.get("readings") or {}
    counts = ", ".join(
        f"{readings.get(key, 0):,} {key.replace('_', ' ')}"
        for key in ("stored", "flagged", "lost_to_storage")
    )
    run = clean(str(document.get("run") or DASH))
    kept = f"stored in {clean(where)}" if where else "stored"
    return [
        _row("readings", counts),
        _row("run", f"{run}, {kept if document.get('stored') else 'NOT stored'}"),
    ]
