"""What the job is about: phase, output, steadiness, air and the trace, each as lines of text."""

from __future__ import annotations

import math

from rich.text import Text

from logger.config.quantities import Dimension, from_si
from logger.core.kind_words import CHANGE, SPELL, STARTER, kind_of, told_code
from logger.core.probe_lines import WRONG_WAY_K
from logger.core.readings import NS_PER_S
from logger.core.snapshot import Phase, Snapshot, TestState
from logger.screen.format import (
    change_text,
    clean,
    clock,
    number,
    percent,
    scale_of,
    seconds,
    show,
    tons_text,
)
from logger.screen.glyphs import Glyphs, large_digits
from logger.screen.model import DashboardView, HistoryPoint
from logger.screen.plain import stage_words, standing
from logger.screen.plate_words import fitting, plate_texts, share_texts
from logger.screen.plot import LABEL_WIDTH, NAME_WIDTH, Series, frame_of, plot

LEAD_S = 60.0  # plotted before the burner came on; assumed
IDLE_S = 600.0  # plotted while nothing fires; assumed
LEAST_SPAN_K = 2.0  # smallest height of a plot; assumed: four times the step of a coarse probe
PANEL_WIDTH = 26  # cells beside the large digits
TALL_SCREEN = 36  # rows from which the digits are drawn twice as tall
MIXED_K = 0.05  # difference from which the entering air is shown apart; half a shown digit
TEST_NAMES = ("slope", "spread", "hunting")
WORDY = 44  # cells from which the steadiness table has room for its words
COMPACT = 34  # cells of the steadiness table without them
NARROW_LABEL = 8  # cells of a label that fills its column
COLUMNS_WIDTH = 56  # cells from which steadiness and air stand beside each other

HINTS: dict[Phase, str] = {
    Phase.OFF: "fan alone first; waiting for the {starter}",
    Phase.FAN: "fan alone, waiting for the {starter}",
    Phase.WARM_UP: "{starter} on, the output is still settling",
    Phase.STEADY: "steady; longer makes the result surer",
    Phase.COOL_DOWN: "{starter} off; wait for the {change} to end",
}

ON_HINTS: dict[Phase, str] = {
    Phase.FAN: "{starter} on already, or just off: no fan phase",
    Phase.WARM_UP: "{starter} on already; the output is settling",
    Phase.STEADY: "steady; its beginning was not seen",
}
"""Where the unit was on before the log, in place of the phase's own."""
WRONG_WAY_HINT = "supply {side} than return: probes swapped?"

PAUSE_HINTS: dict[str, str] = {
    "defrost": "the air is cooled; the heat comes back by itself",
    "pause": "heat off, or a defrost under auxiliary heat: wait",
}
"""Of a heat pump in place of the phase's own, by ``Snapshot.pause``."""


def joined(left: str, right: str, width: int, glyphs: Glyphs) -> str:
    """Two texts at the two ends of a line; the left one gives way."""
    right = glyphs.cut(right, width)
    room = width - len(glyphs.fit(right, 0)) - len(right) - 1
    return glyphs.fit(left, max(room, 0)) + (" " if room >= 0 else "") + right


def heading(text: str, width: int, glyphs: Glyphs) -> str:
    """A section's name on a rule."""
    name = glyphs.cut(f"{text} ", width)
    return name + glyphs.rule * max(width - len(name), 0)


def header(view: DashboardView, width: int, glyphs: Glyphs) -> list[Text]:
    """Whose numbers these are, and for how long it has run."""
    snapshot = view.snapshot
    speed = "" if view.speed == 1.0 else " at full speed" if view.speed is None else f" ×{view.speed:g}"
    marks = f"SIMULATED{speed}   " if view.simulated else ""
    right = f"elapsed {clock(view.elapsed_s)}"
    if snapshot.firings:
        right = f"{SPELL[kind_of(snapshot.kind)]}s done {snapshot.firings}   {right}"
    name = "riselog   " if width >= COLUMNS_WIDTH else ""
    return [Text(joined(f"{name}{marks}{clean(view.job)}", right, width, glyphs), style="bold")]


def phase_line(snapshot: Snapshot, width: int, glyphs: Glyphs) -> list[Text]:
    """The phase in words, how long it has lasted, and what comes next."""
    phase = snapshot.pause or told_code(snapshot.phase.value, snapshot.kind)
    if snapshot.silent_s is not None:
        word = " NO READINGS "
        told = f"for {seconds(snapshot.silent_s)}; last known: {phase}; see to the probes"
    else:
        word = f" {phase.upper()} "
        lasted = clock(snapshot.t_ns / NS_PER_S - snapshot.phase_since_s)
        kind = kind_of(snapshot.kind)
        hint = PAUSE_HINTS.get(snapshot.pause, HINTS[snapshot.phase])
        if snapshot.on_already:
            hint = ON_HINTS.get(snapshot.phase, hint)
        if _wrong_way(snapshot):
            hint = WRONG_WAY_HINT.format(side="warmer" if CHANGE[kind] == "drop" else "cooler")
        told = f"{lasted}  {hint.format(starter=STARTER[kind], change=CHANGE[kind])}"
    rest = glyphs.cut(f"  {told}", width - len(word))
    return [Text.assemble((glyphs.cut(word, width), "bold reverse"), (rest, ""))]


def _wrong_way(snapshot: Snapshot) -> bool:
    """Whether what should be a fan phase changes the air as no fan does, and the unit neither; a heat pump
    does in a defrost."""
    kind, rise_k = kind_of(snapshot.kind), snapshot.rise_k
    if snapshot.phase is not Phase.FAN or rise_k is None or kind == "heat-pump":
        return False
    return (rise_k if CHANGE[kind] == "drop" else -rise_k) > WRONG_WAY_K


def output_label(snapshot: Snapshot) -> str:
    """Which output the number is."""
    if snapshot.silent_s is not None:
        return "no readings"
    if snapshot.output_w is None:
        return "no output yet" if snapshot.sensible_w is None else "no total: humidity?"
    return "mean of the steady stretch" if snapshot.output_is_final else "momentary output"


def _panel(view: DashboardView, room: int, glyphs: Glyphs) -> list[Text]:
    """The small text beside the number."""
    snapshot, units = view.snapshot, view.state.units
    u95 = number(snapshot.output_u95_w, Dimension.POWER, units, like=snapshot.output_w)
    tons = tons_text(snapshot.output_w, snapshot.kind, units)
    last = f"still to come: ≤ {percent(snapshot.residual_bound)}"
    if snapshot.steady_since_s is None and snapshot.decidable_tolerance is not None:
        last = f"can decide {percent(snapshot.decidable_tolerance)} or wider"
    unit = scale_of(Dimension.POWER, units).unit
    plate = fitting(plate_texts(snapshot, units), room - len(unit) - 2, glyphs)
    return [
        Text.assemble((unit, "bold"), (f"  {plate}", "dim")),
        Text(glyphs.cut(f"± {u95} (95 %)  {tons}".rstrip(), room), style="bold"),
        Text(output_label(snapshot)),
        Text(fitting(share_texts(snapshot), room, glyphs)),
        Text(glyphs.cut(last, room)),
    ]


def output_block(view: DashboardView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """Output now, as large as it fits in ``rows``, with its small text at the right."""
    units = view.state.units
    text = number(view.snapshot.output_w, Dimension.POWER, units)
    digits = large_digits(text, width - PANEL_WIDTH - 2, rows, glyphs)
    if digits is None:
        return output_line(view, width, glyphs)
    panel = _panel(view, width - len(digits[0]) - 2, glyphs)
    top = (len(digits) - len(panel)) // 2  # the small text stands in the middle of tall digits
    panel = [Text("")] * top + panel + [Text("")] * (len(digits) - len(panel) - top)
    return [Text.assemble((dots, "bold"), "  ", small) for dots, small in zip(digits, panel, strict=True)]


def output_line(view: DashboardView, width: int, glyphs: Glyphs) -> list[Text]:
    """Output now as plain text, where large digits have no room."""
    snapshot, units = view.snapshot, view.state.units
    value = number(snapshot.output_w, Dimension.POWER, units)
    u95 = number(snapshot.output_u95_w, Dimension.POWER, units, like=snapshot.output_w)
    first = f"{value} ± {u95} {scale_of(Dimension.POWER, units).unit}"
    tons = tons_text(snapshot.output_w, snapshot.kind, units)
    first += f", {tons}" if tons else ""
    if stage_words(snapshot):
        first += f", {fitting(plate_texts(snapshot, units), width - len(first) - 2, glyphs)}"
    second = ", ".join(text.plain for text in _panel(view, width, glyphs)[2:])
    return [Text(glyphs.cut(first, width), style="bold"), Text(glyphs.cut(second, width))]


def _test_line(test: TestState, phase: Phase, width: int, glyphs: Glyphs) -> Text:
    per_minute = test.name == "slope"
    unit = "%/min" if per_minute else "%"
    factor = 60.0 if per_minute else 1.0  # s/min
    value, limit = (
        percent(None if part is None else part * factor, 2).removesuffix(" %")
        for part in (test.value, test.limit)
    )
    word = standing(test, phase)
    name = clean(test.name)
    if width >= WORDY:
        text = f"{name:<9}{value:>6} {unit:<6} limit {limit:>5}   {word}"
    else:
        text = f"{name:<7}{value:>6} /{limit:>5} {unit:<6}{word}"
    return Text(glyphs.fit(text, width), style="" if word == "within" else "bold")


def _hold_line(snapshot: Snapshot, width: int, glyphs: Glyphs) -> Text:
    cells, gap = (10, 9) if width >= WORDY else (6, 7)
    hold_s = snapshot.hold_s
    share = snapshot.held_s / hold_s if hold_s > 0 else 1.0
    name, text = "hold", f"{seconds(max(hold_s - snapshot.held_s, 0.0))} of {seconds(hold_s)} left"
    if snapshot.steady_since_s is not None:
        share, name = 1.0, "steady"
        text = f"for {clock(snapshot.steady_for_s)}"
        since = f", from {clock(snapshot.steady_since_s)}"
        text += since if gap + cells + 1 + len(text + since) <= width else ""
    done = round(min(max(share, 0.0), 1.0) * cells) if math.isfinite(share) else 0
    bar = glyphs.done * done + glyphs.left * (cells - done)
    return Text(glyphs.fit(f"{name:<{gap}}{bar} {text}", width))


def steadiness_block(snapshot: Snapshot, width: int, glyphs: Glyphs) -> list[Text]:
    """How far steadiness has come: each test, and the time still to hold."""
    known = {test.name: test for test in snapshot.tests}
    names = [*TEST_NAMES, *(name for name in known if name not in TEST_NAMES)]
    title = f"STEADINESS over {seconds(snapshot.window_s)}" if snapshot.window_s is not None else "STEADINESS"
    tests = [known.get(name, TestState(name=name, value=None, limit=None, ok=False)) for name in names]
    return [
        Text(heading(title, width, glyphs), style="dim"),
        *(_test_line(test, snapshot.phase, width, glyphs) for test in tests[:4]),
        _hold_line(snapshot, width, glyphs),
    ]


def rise_word(snapshot: Snapshot) -> str:
    """Where the rise stands against the plate's window; empty while nothing fires."""
    rise_k, window_k = snapshot.rise_k, snapshot.rise_window_k
    if rise_k is None or window_k is None or snapshot.phase not in (Phase.WARM_UP, Phase.STEADY):
        return ""
    if rise_k > window_k[1]:
        return "ABOVE"
    if rise_k >= window_k[0]:
        return "inside"
    return "below" if snapshot.phase is Phase.WARM_UP else "BELOW"


def _air_heading(snapshot: Snapshot, units: str, width: int, glyphs: Glyphs) -> str:
    if snapshot.rise_window_k is None:
        return heading("AIR", width, glyphs)
    low, high = (number(k, Dimension.DIFFERENCE, units).removesuffix(".0") for k in snapshot.rise_window_k)
    window = f"{low} to {high} {scale_of(Dimension.DIFFERENCE, units).unit}"
    full = f"AIR, plate's rise {window}"
    return heading(full if len(full) <= width else f"plate {window}", width, glyphs)


def _airflow_word(snapshot: Snapshot, room: int) -> str:
    """How well the airflow is known, and from what it is had where there is room for it."""
    if snapshot.airflow_m3_s is None:
        return ""
    known = f"± {percent(snapshot.airflow_u95)}"
    words = (f"{snapshot.airflow_from} {known}", known, snapshot.airflow_from)
    return next((text for text in words if len(text) <= room), "")


def air_block(view: DashboardView, width: int, glyphs: Glyphs) -> list[Text]:
    """Temperatures, rise against the plate's window, airflow."""
    snapshot, units = view.snapshot, view.state.units
    wide = width >= COLUMNS_WIDTH // 2
    entering_c, return_c = snapshot.entering_c, snapshot.return_c
    name, mixed = "return", ""
    if return_c is None and entering_c is not None:
        name, return_c = "mixed", entering_c
    elif return_c is not None and entering_c is not None and abs(entering_c - return_c) > MIXED_K:
        if wide:
            mixed = f"mixed {number(entering_c, Dimension.TEMPERATURE, units)}"
        else:  # what enters counts, where there is room for one
            name, return_c = "mixed", entering_c
    airflow = show(snapshot.airflow_m3_s, Dimension.VOLUME_FLOW, units)
    room = width - (21 if wide else 9 + len(airflow))  # cells right of the value, as laid out below
    change = CHANGE[kind_of(snapshot.kind)]
    rows = [
        ("supply", show(snapshot.supply_c, Dimension.TEMPERATURE, units), ""),
        (name, show(return_c, Dimension.TEMPERATURE, units), mixed),
        (change, change_text(snapshot.rise_k, snapshot.kind, units), rise_word(snapshot)),
        ("airflow", airflow, _airflow_word(snapshot, room)),
    ]
    if snapshot.efficiency is not None:  # of the air side; the result says in words what it is not
        rows.append(("air eff", percent(snapshot.efficiency), f"± {percent(snapshot.efficiency_u95)}"))
    for label, value_w, u95_w in (
        ("sensible", snapshot.sensible_w, snapshot.sensible_u95_w),
        ("latent", snapshot.latent_w, snapshot.latent_u95_w),
    ):
        if value_w is not None:
            unit = scale_of(Dimension.POWER, units).unit
            known = "" if u95_w is None else f"± {number(u95_w, Dimension.POWER, units, like=value_w)} "
            value = number(value_w, Dimension.POWER, units)
            left = width - (21 if wide else 10 + len(value))
            tails = (f"{known}{unit}", known.strip(), unit)  # the large number has the unit too
            rows.append((label, value, next((tail for tail in tails if len(tail) <= left), "")))
    if snapshot.defrosts:
        rows.append(("defrosts", str(snapshot.defrosts), ""))
    lines = [Text(_air_heading(snapshot, units, width, glyphs), style="dim")]
    for label, value, tail in rows:
        if wide:
            text = f"{label:<9}{glyphs.fit(value, 10, right=True)}  {tail}"
        else:
            text = f"{label:<8}{'' if len(label) < NARROW_LABEL else ' '}{value} {tail}"
        lines.append(Text(glyphs.fit(text, width), style="bold" if label == change else ""))
    return lines


def _short_clock(t_s: float) -> str:
    """Elapsed time in five cells: minutes and seconds, from one hour on hours and minutes."""
    whole = clock(t_s)
    return whole if whole.count(":") < 2 else whole.rsplit(":", 1)[0].replace(":", "h")  # noqa: PLR2004


def _axis(points: list[HistoryPoint], t0: float, t1: float, width: int, glyphs: Glyphs) -> str:
    """The time axis: a heavier line where the output was steady, times at both ends."""
    across = width - LABEL_WIDTH - 2 - NAME_WIDTH
    if across < 1:
        return glyphs.fit("", width)
    marks = {Phase.WARM_UP: glyphs.firing, Phase.STEADY: glyphs.steady}
    cells = [" "] * across
    for point in points:
        column = round((point.t_s - t0) / (t1 - t0) * (across - 1))
        mark = marks.get(point.phase, glyphs.idle)
        cells[min(max(column, 0), across - 1)] = mark
    for column in range(1, across):  # a phase lasts until the next point
        if cells[column] == " ":
            cells[column] = cells[column - 1]
    start = glyphs.fit(_short_clock(t0), LABEL_WIDTH, right=True)
    return glyphs.fit(f"{start}{glyphs.corner}{''.join(cells)} {_short_clock(t1)}", width)


def trace_block(view: DashboardView, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """The firing as a trace: supply and return at the left, the rise (or the drop) at the right."""
    snapshot, units = view.snapshot, view.state.units
    t1 = snapshot.t_ns / NS_PER_S
    start_s = snapshot.firing_start_s
    t0 = max(t1 - IDLE_S if start_s is None else start_s - LEAD_S, 0.0)
    t1 = max(t1, t0 + 1.0)
    points = [p for p in view.history if t0 <= p.t_s <= t1]
    temp, diff = scale_of(Dimension.TEMPERATURE, units), scale_of(Dimension.DIFFERENCE, units)

    def shown(value: float | None, dimension: Dimension, unit: str) -> float | None:
        return None if value is None else from_si(value, unit, dimension)

    supply = Series("sup", [(p.t_s, shown(p.supply_c, Dimension.TEMPERATURE, temp.unit)) for p in points])
    back = Series("ret", [(p.t_s, shown(p.return_c, Dimension.TEMPERATURE, temp.unit)) for p in points])
    change = CHANGE[kind_of(snapshot.kind)]
    sign = -1.0 if change == "drop" else 1.0
    told_k = [(p.t_s, None if p.rise_k is None else sign * p.rise_k) for p in points]
    rise = Series("", [(t_s, shown(k, Dimension.DIFFERENCE, diff.unit)) for t_s, k in told_k])
    least = from_si(LEAST_SPAN_K, diff.unit, Dimension.DIFFERENCE)
    left = (width - 2) // 2
    sides = (
        ([supply, back], f"SUPPLY, RETURN {temp.unit}", left),
        ([rise], f"{change.upper()} {diff.unit}, {glyphs.steady * 2} steady", width - 2 - left),
    )
    columns: list[list[str]] = []
    for series, title, cells in sides:
        body = plot(series, frame_of(series, t0, t1, least), cells, rows - 2, glyphs)
        columns.append([heading(title, cells, glyphs), *body, _axis(points, t0, t1, cells, glyphs)])
    return [
        Text(f"{a}  {b}", style="" if row else "dim") for row, (a, b) in enumerate(zip(*columns, strict=True))
    ]
