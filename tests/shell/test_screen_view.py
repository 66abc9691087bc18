"""The dashboard's picture: what stands in it, at every size, with every value missing or hostile."""

from __future__ import annotations

import dataclasses
import io
import itertools
import math
import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from logger.core import snapshot as core
from logger.core.snapshot import Event, Freshness, Phase, ProbeState, Snapshot
from logger.screen.glyphs import ASCII, UNICODE, Glyphs
from logger.screen.heat_blocks import trace_block
from logger.screen.history import History
from logger.screen.model import DashboardView, HistoryPoint, ScreenState, StoreState
from logger.screen.plot import Frame, Series, plot
from logger.screen.view import dashboard

SIZES = [(80, 24), (120, 40), (60, 20), (200, 60)]
S = 10**9

# NIST SP 811 (2008) appendix B.8: 1 Btu(IT)/h = 0.29307107 W, 1 ft3/min = 4.719474e-4 m3/s.
OUTPUT_W = 108_500 * 0.29307107
U95_W = 5_200 * 0.29307107
PLATE_W = 109_000 * 0.29307107
AIRFLOW_M3_S = 1_850 * 4.719474e-4

TESTS = (
    core.TestState(name="slope", value=0.0062 / 60, limit=0.005 / 60, ok=False),
    core.TestState(name="spread", value=0.0048, limit=0.015, ok=True),
    core.TestState(name="hunting", value=None, limit=None, ok=False),
)
PROBES = (
    ProbeState(
        name="ret",
        role="return",
        temperature_c=20.0,
        humidity_pct=41.0,
        battery_pct=88.0,
        signal_dbm=-61.0,
        age_s=1.0,
        state=Freshness.FRESH,
    ),
    ProbeState(name="sup", role="supply", temperature_c=47.0, age_s=7.0, state=Freshness.STALE),
)


def make_snapshot(**changes: Any) -> Snapshot:
    values: dict[str, Any] = {
        "t_ns": 500 * S,
        "phase": Phase.WARM_UP,
        "phase_since_s": 300.0,
        "firing_start_s": 300.0,
        "output_w": OUTPUT_W,
        "output_u95_w": U95_W,
        "plate_output_w": PLATE_W,
        "entering_c": 20.0,
        "return_c": 20.0,
        "supply_c": 47.0,
        "rise_k": 27.0,
        "rise_window_k": (35 / 1.8, 65 / 1.8),
        "airflow_m3_s": AIRFLOW_M3_S,
        "tests": TESTS,
        "window_s": 120.0,
        "held_s": 25.0,
        "decidable_tolerance": 0.058,
        "probes": PROBES,
    }
    return Snapshot(**(values | changes))


def make_history(end_s: int = 500) -> tuple[HistoryPoint, ...]:
    def rise_k(t_s: int) -> float:
        return 27.0 * (1 - math.exp(-(t_s - 300) / 60)) if t_s > 300 else 0.2

    return tuple(
        HistoryPoint(t, 20.0, 20.0 + rise_k(t), rise_k(t), Phase.FAN if t < 300 else Phase.WARM_UP)
        for t in range(0, end_s, 2)
    )


EVENTS = (
    Event(t_ns=301 * S, code="firing", text="the burner came on"),
    Event(t_ns=472 * S, code="probe-silent", probe="sup", text="no reading for 7 s; check its battery"),
)


def make_view(snapshot: Snapshot | None = None, **changes: Any) -> DashboardView:
    values: dict[str, Any] = {
        "snapshot": snapshot or make_snapshot(),
        "job": "hall-north",
        "history": make_history(),
        "events": EVENTS,
        "store": StoreState(path="/data/riselog/hall-north.db", committed_age_s=0.4),
        "elapsed_s": 500.0,
    }
    return DashboardView(**(values | changes))


def drawn(
    view: DashboardView, width: int, height: int, glyphs: Glyphs = UNICODE, **console: Any
) -> list[str]:
    """The frame as a terminal gets it; the console is wider, so that nothing is cut for us."""
    out = io.StringIO()
    Console(file=out, width=width + 50, height=height + 20, highlight=False, **console).print(
        dashboard(view, width, height, glyphs)
    )
    lines = out.getvalue().split("\n")
    assert lines.pop() == ""
    return lines


def row(lines: list[str], start: str) -> str:
    """The one line in which a text first stands, from there on."""
    return next(line[line.index(start) :] for line in lines if start in line)


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("glyphs", [UNICODE, ASCII])
def test_everything_that_matters_stands_in_every_size(width: int, height: int, glyphs: Glyphs) -> None:
    lines = drawn(make_view(), width, height, glyphs)
    assert len(lines) == height
    assert max(cell_len(line) for line in lines) <= width
    text = " ".join("\n".join(lines).split("\n       "))  # wrapped events joined again
    spelled = glyphs.spell
    for part in (
        "hall-north",
        "WARM-UP   03:20",  # 500 s - 300 s
        "Btu/h",
        spelled("± 5,200 (95 %)"),
        "momentary output",
        "99.5 % of nameplate",  # 108.5 / 109
        "nameplate 109,000",
        "can decide 5.8 % or wider",
        "35 s of 60 s left",
        spelled("116.6 °F"),  # 47 C, definition of the Fahrenheit scale
        spelled("68.0 °F"),  # 20 C
        spelled("48.6 °F"),  # 27 K
        "inside",
        "1,850 cfm",
        "live",
        "silent",
        "-61 dBm",
        "88 %",
        "saved 0.4 s ago",
        "hall-north.db",
        "broker: not configured",
        "check its battery",
        "[e] mark",
        "[q] end",
    ):
        assert part in text, part
    slope = row(lines, "slope")
    assert "0.62" in slope
    assert "0.50" in slope
    assert "not yet" in slope
    assert "within" in row(lines, "spread")
    assert "waiting" in row(lines, "hunting")
    if glyphs is ASCII:
        assert text.isascii()


def test_output_is_drawn_large_at_80_by_24() -> None:
    lines = drawn(make_view(), 80, 24)
    # 108,500 drawn by hand: the upper and the lower edge of the number.
    assert lines[2][1:51] == "  ██    ██████  ██████      ██████  ██████  ██████"
    assert lines[6][1:51] == "██████  ██████  ██████  ██  ██████  ██████  ██████"


def test_larger_screens_draw_taller_digits_and_plots() -> None:
    def rows_with(char: str, size: tuple[int, int]) -> int:
        return sum(char in line for line in drawn(make_view(), *size))

    assert rows_with("██", (80, 24)) == 5
    assert rows_with("██", (200, 60)) == 10
    assert rows_with("│", (200, 60)) > rows_with("│", (120, 40)) > rows_with("│", (80, 24)) > 1


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_si(width: int, height: int) -> None:
    text = "\n".join(drawn(make_view(state=ScreenState(units="si")), width, height))
    for part in ("kW  nameplate 31.9", "± 1.5 (95 %)", "47.0 °C", "20.0 °C", "27.0 K", "0.873 m³/s"):
        assert part in text, part
    assert "°F" not in text
    assert "Btu" not in text


def test_steady_is_labelled_as_the_mean_of_the_stretch() -> None:
    snapshot = make_snapshot(
        t_ns=900 * S,
        phase=Phase.STEADY,
        output_is_final=True,
        steady_since_s=640.0,
        steady_for_s=260.0,
        residual_bound=0.006,
    )
    lines = drawn(make_view(snapshot), 80, 24)
    text = "\n".join(lines)
    assert "mean of the steady stretch" in text
    assert "momentary" not in text
    assert "for 04:20, from 10:40" in text
    assert "still to come: ≤ 0.6 %" in text
    assert "beyond" in row(lines, "slope")


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_an_efficiency_stands_beside_the_air_where_the_gas_was_measured(width: int, height: int) -> None:
    measured = make_snapshot(phase=Phase.STEADY, efficiency=0.806, efficiency_u95=0.043)
    line = row(drawn(make_view(measured), width, height), "air eff")
    assert "80.6 %" in line
    assert "± 4.3 %" in line
    assert "air eff" not in "\n".join(drawn(make_view(), width, height))


def test_a_gas_counter_shows_its_volume() -> None:
    meter = ProbeState(name="meter", role="gas", gas_volume_m3=2.83168466, age_s=1.0, state=Freshness.FRESH)
    view = make_view(make_snapshot(probes=(*PROBES, meter)))
    assert "100.00 ft³" in row(drawn(view, 80, 24), "meter")  # 1 ft3 = 0.0283168466 m3, NIST SP 811
    large = dataclasses.replace(meter, gas_volume_m3=283.168466)
    assert "10,000 ft³" in row(drawn(make_view(make_snapshot(probes=(large,))), 200, 60), "meter")


@pytest.mark.parametrize("phase", list(Phase))
def test_every_phase_stands_in_words_with_the_next_step(phase: Phase) -> None:
    line = drawn(make_view(make_snapshot(phase=phase)), 80, 24)[1]
    assert phase.value.upper() in line
    assert len(line.split("  ")[-1]) > 10
    assert ("waiting for the burner" in line) == (phase in (Phase.OFF, Phase.FAN))


@pytest.mark.parametrize(("width", "height"), [*SIZES, (40, 12)])
def test_what_cannot_be_had_is_a_dash_and_never_a_zero(width: int, height: int) -> None:
    empty = Snapshot(
        t_ns=0,
        phase=Phase.OFF,
        phase_since_s=0.0,
        probes=(ProbeState(name="ret", role="return"), ProbeState(name="duct", role="velocity")),
    )
    lines = drawn(make_view(empty, history=(), events=(), store=None, elapsed_s=0.0), width, height)
    text = "\n".join(lines)
    assert "no output yet" in text
    assert "— of nameplate" in text
    for start in ("supply", "return  ", "rise ", "airflow", "duct"):
        if start in text:
            assert "—" in row(lines, start)
            assert "0" not in row(lines, start)
    if height > 12:
        assert "no data" in row(lines, "! ret")
        assert "nothing is kept" in text


@pytest.mark.parametrize("source", ["traverse", "probe", "typed"])
@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40)])
def test_the_airflow_stands_with_how_well_it_is_known(width: int, height: int, source: str) -> None:
    live = make_snapshot(airflow_u95=0.123, airflow_from=source)
    for units in ("us", "si"):
        state = ScreenState(units=units)
        assert "± 12.3 %" in row(drawn(make_view(live, state=state), width, height), "airflow")


def test_rise_against_the_window_is_said_in_words() -> None:
    def word(rise_k: float, phase: Phase) -> str:
        return row(drawn(make_view(make_snapshot(rise_k=rise_k, phase=phase)), 80, 24), "rise   ")

    assert "ABOVE" in word(36.2, Phase.WARM_UP)
    assert "inside" in word(36.1, Phase.STEADY)
    assert "below" in word(10.0, Phase.WARM_UP)
    assert "BELOW" in word(10.0, Phase.STEADY)
    assert word(10.0, Phase.FAN).split() == ["rise", "18.0", "°F"]


def test_mixed_air_stands_beside_the_return() -> None:
    assert "mixed 59.0" in row(drawn(make_view(make_snapshot(entering_c=15.0)), 80, 24), "return  ")
    only = make_snapshot(return_c=None, entering_c=15.0)
    assert "59.0 °F" in row(drawn(make_view(only), 80, 24), "mixed")


def test_troubles_of_the_store_are_loud() -> None:
    view = make_view(
        store=StoreState(ok=False, path="x.db", committed_age_s=93.0, lost=1234, text="disk full: free some"),
    )
    text = "\n".join(drawn(view, 80, 24))
    for part in ("saved 93.0 s ago", "1,234 readings NOT stored", "! disk full: free some"):
        assert part in text


def test_simulated_is_said_even_where_there_is_little_room() -> None:
    for width in (80, 40):
        assert "SIMULATED ×20" in drawn(make_view(simulated=True, speed=20.0), width, 24)[0]
    assert "SIMULATED" not in drawn(make_view(), 80, 24)[0]


def test_colour_is_never_the_only_sign_and_no_color_is_respected() -> None:
    def render(environ: dict[str, str]) -> str:
        return "\n".join(
            drawn(make_view(), 80, 24, force_terminal=True, color_system="standard", _environ=environ)
        )

    coloured, bare = render({}), render({"NO_COLOR": "1"})
    assert "33m" in coloured  # ECMA-48 SGR 33: yellow
    assert not any(f"{code}m" in bare for code in range(30, 50))
    assert "! sup" in bare
    assert "silent" in bare


HOSTILE = "\x1b]0;gone\x07\x1b[2J[red]bold[/red]\u202egnp\r\nnext\x9b31m\u200b"


def test_text_from_outside_is_shown_as_text() -> None:
    view = make_view(
        make_snapshot(probes=(ProbeState(name=HOSTILE, role="supply", state=Freshness.FRESH),)),
        job=HOSTILE,
        events=(Event(t_ns=0, code="mark", text=HOSTILE, probe=HOSTILE),),
        state=ScreenState(note=HOSTILE),
        store=StoreState(ok=False, path=HOSTILE, text=HOSTILE),
        broker=HOSTILE,
    )
    lines = drawn(view, 120, 40)
    assert len(lines) == 40
    text = "".join(lines)
    assert not any(char in text for char in "\x1b\x07\x9b\r\u202e\u200b")
    assert "[red]bold[/red]" in text
    assert "[red]bold[/red]" in lines[-1]


def test_help_shows_every_caution_and_meaning_at_80_by_24() -> None:
    lines = drawn(make_view(state=ScreenState(help_open=True)), 80, 24)
    text = " ".join(" ".join(lines).split())
    for part in ("CO alarm", "licensed", "flue side", "only reads", "can decide:", "still to come:"):
        assert part in text
    assert "more on a taller screen" not in text
    assert "108,500 ± 5,200 Btu/h" in text
    assert "[h] close help" in lines[-1]


def test_the_end_of_a_long_note_stays_in_sight() -> None:
    footer = drawn(make_view(state=ScreenState(note="a" * 150 + "end")), 80, 24)[-1]
    assert "aend_" in footer
    assert "[Enter] keep" in footer


def test_newest_events_come_first_and_whole() -> None:
    long = Event(t_ns=480 * S, code="long", text="word " * 20 + "last")
    lines = drawn(make_view(events=(*EVENTS, long)), 80, 24)
    assert "08:00 long" in lines[21]
    assert lines[22].rstrip().endswith("last")


def test_six_probes_fit_80_by_24() -> None:
    probes = tuple(ProbeState(name=f"p{n}", role="supply", state=Freshness.FRESH) for n in range(6))
    text = "\n".join(drawn(make_view(make_snapshot(probes=probes)), 80, 24))
    assert all(f"p{n} " in text for n in range(6))
    assert "35 s of 60 s left" in text
    assert "check its battery" in text


def test_a_gap_in_the_trace_is_not_bridged() -> None:
    points = [(float(t), None if 40 <= t < 60 else 1.0) for t in range(100)]
    line = plot([Series("x", points)], Frame(0.0, 99.0, 0.0, 2.0), 62, 1, UNICODE)[0]
    curve = line[7:57]
    assert "  " in curve[19:31]
    assert " " not in curve[:19]
    assert " " not in curve[32:49]


def test_the_trace_of_a_unit_that_cools_is_of_the_drop() -> None:
    """What heats by so much and what cools by so much look alike, under their own word."""
    fallen = tuple(p._replace(rise_k=None if p.rise_k is None else -p.rise_k) for p in make_history())
    heats = trace_block(make_view(), 80, 9, UNICODE)
    cools = trace_block(make_view(make_snapshot(kind="cooling"), history=fallen), 80, 9, UNICODE)
    assert "RISE °F" in heats[0].plain
    assert "DROP °F" in cools[0].plain
    assert [line.plain for line in cools] == [line.plain.replace("RISE", "DROP") for line in heats]


@pytest.mark.parametrize(
    ("kind", "rise_k", "side"),
    [
        ("gas", -27.0, "cooler"),
        ("electric", -5.1, "cooler"),
        ("cooling", 11.0, "warmer"),
        ("gas", -4.0, ""),
        ("cooling", -11.0, ""),
        ("heat-pump", -8.0, ""),  # it may defrost
    ],
)
def test_a_fan_phase_that_changes_the_air_the_wrong_way_asks_for_the_probes(
    kind: str, rise_k: float, side: str
) -> None:
    shot = make_snapshot(kind=kind, phase=Phase.FAN, rise_k=rise_k, rise_window_k=None, firing_start_s=None)
    line = row(drawn(make_view(shot), 80, 24), " FAN ")
    assert (f"supply {side} than return: probes swapped?" in line) is bool(side)
    assert ("waiting for" in line) is not bool(side)


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("units", ["us", "si"])
def test_sensible_and_latent_heat_stand_whole_with_what_they_are_known_to(
    width: int, height: int, units: str
) -> None:
    shot = make_snapshot(
        kind="cooling",
        rise_window_k=None,
        sensible_w=14_243.0,
        sensible_u95_w=1_055.0,
        latent_w=5_950.0,
        latent_u95_w=2_462.0,
    )
    lines = drawn(make_view(shot, state=ScreenState(units=units)), width, height)
    for label, shown in (("sensible", "± 3,600"), ("latent", "± 8,400")):
        assert width < 80 or units == "si" or shown in row(lines, label)
        assert "…" not in row(lines, label)


def test_a_step_is_drawn_where_it_happened() -> None:
    points = [(float(t), 0.0 if t < 50 else 1.0) for t in range(100)]
    lines = plot([Series("up", points)], Frame(0.0, 99.0, 0.0, 1.0), 64, 3, ASCII)
    # 100 points over 51 columns: the step between 49 and 50 lies at 24.7 and 25.3.
    assert lines[0][7:58] == " " * 25 + "u" * 26
    assert lines[2][7:58] == "u" * 26 + " " * 25
    assert lines[0].startswith("   1.0|")
    assert lines[2].startswith("   0.0|")
    assert lines[0].rstrip().endswith("up")


def test_history_keeps_the_firing_in_bounded_memory() -> None:
    history = History(limit=200)
    for t_s in range(20_000):
        start_s = 9_000.0 if t_s >= 9_000 else None
        phase = Phase.WARM_UP if start_s else Phase.FAN
        history.update(make_snapshot(t_ns=t_s * S, phase=phase, firing_start_s=start_s, rise_k=float(t_s)))
        assert len(history.get()) <= 200
    points = history.get()
    assert 8_850 <= points[0].t_s <= 9_000
    assert points[-1].t_s >= 19_800
    assert len(points) > 80
    assert all(p.t_s < q.t_s for p, q in itertools.pairwise(points))
    assert all(p.rise_k == p.t_s for p in points)


def test_history_while_nothing_fires_keeps_the_last_minutes() -> None:
    history = History()
    for t_s in range(5_000):
        history.update(make_snapshot(t_ns=t_s * S, phase=Phase.FAN, firing_start_s=None))
    assert 4_300 <= history.get()[0].t_s <= 4_400
    assert history.get()[-1].t_s == 4_999


numbers = st.none() | st.floats() | st.floats(-50.0, 400.0)
texts = st.text(max_size=40)
snapshots = st.builds(
    Snapshot,
    t_ns=st.integers(0, 10**15),
    phase=st.sampled_from(Phase),
    phase_since_s=st.floats(),
    firing_start_s=numbers,
    output_w=numbers | st.floats(-1e6, 1e6),
    output_u95_w=numbers,
    output_is_final=st.booleans(),
    plate_output_w=numbers,
    stages=st.integers(1, 3),
    stage=st.none() | st.integers(1, 3),
    stage_plate_w=numbers,
    stage_likely=st.booleans(),
    pause=st.sampled_from(["", "defrost", "pause"]),
    entering_c=numbers,
    return_c=numbers,
    supply_c=numbers,
    rise_k=numbers,
    rise_window_k=st.none() | st.tuples(st.floats(), st.floats()),
    airflow_m3_s=numbers,
    tests=st.lists(
        st.builds(core.TestState, name=texts, value=numbers, limit=numbers, ok=st.booleans()), max_size=4
    ).map(tuple),
    window_s=numbers,
    hold_s=st.floats(),
    held_s=st.floats(),
    steady_since_s=numbers,
    steady_for_s=st.floats(),
    residual_bound=numbers,
    decidable_tolerance=numbers,
    probes=st.lists(
        st.builds(
            ProbeState,
            name=texts,
            role=texts | st.sampled_from(["velocity", "pressure", "supply"]),
            temperature_c=numbers,
            humidity_pct=numbers,
            velocity_m_s=numbers,
            battery_pct=numbers,
            signal_dbm=numbers,
            age_s=numbers,
            state=st.sampled_from(Freshness),
        ),
        max_size=8,
    ).map(tuple),
    firings=st.integers(0, 1000),
)
points = st.builds(
    HistoryPoint,
    t_s=st.floats(0, 1e6),
    return_c=numbers,
    supply_c=numbers,
    rise_k=numbers,
    phase=st.sampled_from(Phase),
)
views = st.builds(
    DashboardView,
    snapshot=snapshots,
    job=texts,
    state=st.builds(
        ScreenState,
        units=st.sampled_from(["us", "si"]),
        help_open=st.booleans(),
        note=st.none() | texts,
    ),
    history=st.lists(points, max_size=12).map(tuple),
    events=st.lists(
        st.builds(Event, t_ns=st.integers(0, 10**15), code=texts, text=texts, probe=st.none() | texts),
        max_size=5,
    ).map(tuple),
    store=st.none() | st.builds(StoreState, path=texts, committed_age_s=numbers, text=texts),
    broker=texts,
    simulated=st.booleans(),
    elapsed_s=st.floats(),
    speed=st.none() | st.floats(0, 1000),
)


@settings(max_examples=150, deadline=None)
@given(view=views, width=st.integers(1, 220), height=st.integers(1, 70), plain=st.booleans())
def test_no_view_raises_or_leaves_its_frame(
    view: DashboardView, width: int, height: int, *, plain: bool
) -> None:
    lines = drawn(view, width, height, ASCII if plain else UNICODE)
    assert len(lines) == height
    assert all(cell_len(line) <= width for line in lines)
    assert not any(re.search(r"\bnan\b", line.lower()) for line in lines) or _said_nan(view)
    if plain:
        assert "".join(lines).isascii()


def _said_nan(view: DashboardView) -> bool:
    """Whether a text from outside itself says "nan"."""
    return "nan" in str(dataclasses.astuple(dataclasses.replace(view, history=()))).lower()


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_silence_stands_in_place_of_the_phase_and_of_every_value(width: int, height: int) -> None:
    """In the middle of a firing: no number of the air side is left, each probe has its age."""
    shot = core.silenced(make_snapshot(phase=Phase.STEADY, output_is_final=True, steady_since_s=400.0), 48.0)
    probes = tuple(dataclasses.replace(p, state=Freshness.STALE, age_s=48.0) for p in PROBES)
    view = make_view(dataclasses.replace(shot, probes=probes), history=())
    text = "\n".join(drawn(view, width, height))
    assert "NO READINGS   for 48 s; last known: steady" in text
    assert "no readings" in text
    assert "108,500" not in text
    assert "steady; longer" not in text
    assert "silent" in text
    body = text.split("PROBES")[0]
    assert "116.6" not in body  # 47 degC in degF, the supply: by definition 9/5 x 47 + 32
    assert "116.6" in text  # what the probe said last, beside its age
