"""How the instrument does: probes, store, broker, events, keys and help, each as lines of text."""

from __future__ import annotations

import math

from rich.text import Text

from logger.config.quantities import Dimension
from logger.core.snapshot import Event, Freshness, ProbeState
from logger.safety import cautions_of
from logger.screen.format import DASH, clean, seconds, show
from logger.screen.glyphs import Glyphs
from logger.screen.model import DashboardView, ScreenState, StoreState
from logger.screen.plain import event_line

WIDE = 76  # cells from which the probe table has all its columns
WARN = "bold yellow"  # the words say it too

STATE_WORDS: dict[Freshness, str] = {
    Freshness.NEVER: "no data",
    Freshness.FRESH: "live",
    Freshness.STALE: "silent",
    Freshness.FROZEN: "frozen",
}
MEANINGS: tuple[str, ...] = (
    "slope, spread, hunting: how far the output still drifts, scatters and swings; all within their limits "
    "for the hold time: steady.",
    "± (95 %): the true value lies within it with 95 % probability.",
    "can decide: the narrowest tolerance with a fair chance of a verdict here.",
    "still to come: the most the output may yet change if you wait for ever.",
)
KEYS_LONG = "[e] mark an event with a note   [u] units   [h] help   [q] end"
KEYS_SHORT = "[e] mark  [u] units  [h] help  [q] end"
KEYS_HELP = "[h] close help   [q] end"
WATCHING_LONG = "WATCHING, the logger runs elsewhere   [u] units   [h] help   [q] leave, it goes on"
WATCHING_SHORT = "WATCHING  [u] units  [h] help  [q] leave"
WATCHING_HELP = "WATCHING   [h] close help   [q] leave"


def _whole(value: float | None, unit: str) -> str:
    return DASH if value is None or not math.isfinite(value) else f"{value:.0f} {unit}"


def _main_value(probe: ProbeState, units: str) -> str:
    if probe.role == "velocity" or (probe.temperature_c is None and probe.velocity_m_s is not None):
        return show(probe.velocity_m_s, Dimension.VELOCITY, units)
    if probe.role == "pressure" or (probe.temperature_c is None and probe.pressure_pa is not None):
        return show(probe.pressure_pa, Dimension.PRESSURE, units)
    if probe.role == "gas":
        return show(probe.gas_volume_m3, Dimension.VOLUME, units)
    return show(probe.temperature_c, Dimension.TEMPERATURE, units)


def probes_block(probes: tuple[ProbeState, ...], units: str, width: int, glyphs: Glyphs) -> list[Text]:
    """One row a probe; a mark and a word where something is wrong."""
    wide = width >= WIDE
    widths = (13, 9, 11, 7, 8, 9, 8) if wide else (9, 9, 10, 0, 6, 8, 5)
    names = ("PROBES", "role", "value", "humid", "age", "signal", "battery" if wide else "batt")

    def row(cells: tuple[str, ...], state: str) -> str:
        parts = [
            glyphs.fit(cell, cells_wide, right=place > 1)
            for place, (cell, cells_wide) in enumerate(zip(cells, widths, strict=True))
            if cells_wide
        ]
        return glyphs.fit("".join(parts) + "  " + glyphs.spell(state), width)

    lines = [Text(row(names, "state"), style="dim")]
    for probe in probes:
        good = probe.state is Freshness.FRESH
        cells = (
            ("" if good else "! ") + glyphs.cut(clean(probe.name), widths[0] - (1 if good else 3)),
            clean(probe.role),
            _main_value(probe, units),
            _whole(probe.humidity_pct, "%"),
            seconds(probe.age_s),
            _whole(probe.signal_dbm, "dBm"),
            _whole(probe.battery_pct, "%"),
        )
        lines.append(Text(row(cells, STATE_WORDS[probe.state]), style="" if good else WARN))
    return lines


def _store_text(store: StoreState | None) -> str:
    if store is None:
        return "store: none, nothing is kept"
    age_s = store.committed_age_s
    kept = "nothing saved yet" if age_s is None or not math.isfinite(age_s) else f"saved {age_s:.1f} s ago"
    lost = f", {store.lost:,} readings NOT stored" if store.lost else ""
    name = clean(store.path).replace("\\", "/").rsplit("/", 1)[-1]
    return f"store: {kept}{lost}, {name}" if name else f"store: {kept}{lost}"


def stores_block(view: DashboardView, width: int, glyphs: Glyphs) -> list[Text]:
    """Store and broker in one row; trouble in rows of its own."""
    store = view.store
    bad = store is not None and (not store.ok or store.lost > 0)
    left, right = glyphs.spell(_store_text(store)), glyphs.spell(f"broker: {clean(view.broker)}")
    room = width - len(right) - 2
    if room >= len(left):
        lines = [Text(f"{left}{' ' * (room + 2 - len(left))}{right}", WARN if bad else "")]
    else:
        lines = [Text(glyphs.cut(text, width), WARN if bad else "") for text in (left, right)]
    trouble = clean(store.text) if store else ""
    return lines + [Text(f"! {part}", WARN) for part in glyphs.wrap(trouble, width - 2, 2)]


def events_block(events: tuple[Event, ...], kind: str, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """The newest events first, each in as many rows as it needs while there is room."""
    if not events:
        return [Text(glyphs.fit("no events yet", width), style="dim")] + [Text("")] * (rows - 1)
    lines: list[Text] = []
    for event in reversed(events):
        left = rows - len(lines)
        if left <= 0:
            break
        first, *more = glyphs.wrap(event_line(event, kind), width, left, indent=6) or [""]
        lines.append(Text(first))
        lines += [Text(f"      {part}") for part in more]
    return lines + [Text("")] * (rows - len(lines))


def footer(state: ScreenState, width: int, glyphs: Glyphs) -> Text:
    """The keys, or the note being typed."""
    if state.note is None:
        return Text(glyphs.fit(_keys(state, width), width), style="reverse")
    tail = "   [Enter] keep  [Esc] drop"
    room = max(width - len(tail) - len("note: ") - 1, 4)
    note = clean(state.note)
    while glyphs.cut(note, room) != glyphs.spell(note):
        note = note[1:]  # the end being typed stays in sight
    return Text(glyphs.fit(f"note: {note}_{tail}", width), style="reverse")


def _keys(state: ScreenState, width: int) -> str:
    long, short, in_help = (
        (WATCHING_LONG, WATCHING_SHORT, WATCHING_HELP)
        if state.watching
        else (KEYS_LONG, KEYS_SHORT, KEYS_HELP)
    )
    if state.help_open:
        return in_help
    return long if width >= len(long) else short


def help_block(kind: str, width: int, rows: int, glyphs: Glyphs) -> list[Text]:
    """The cautions, and what the words mean."""
    lines: list[Text] = []
    for title, texts in (("CAUTIONS", cautions_of(kind)), ("WORDS", MEANINGS)):
        lines.append(Text(title, style="bold"))
        for text in texts:
            lines += [Text(" " + part) for part in glyphs.wrap(text, width - 1, rows)]
    if len(lines) > rows:
        lines = [*lines[: rows - 1], Text(glyphs.cut("… more on a taller screen", width), style="dim")]
    return lines + [Text("")] * (rows - len(lines))
