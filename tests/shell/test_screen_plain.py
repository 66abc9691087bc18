"""Plain lines, the result for people, number texts and keys."""

from __future__ import annotations

import io
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config.quantities import Dimension
from logger.core import snapshot as core
from logger.core.snapshot import Event, Phase, Snapshot
from logger.safety import CAUTIONS, SHORT_CAUTION
from logger.screen.format import clean, number, percent, show
from logger.screen.keys import press
from logger.screen.model import Command, CommandKind, ScreenState
from logger.screen.plain import PlainLines, event_line, minute_line, result_lines, write_lines

S = 10**9


def make_snapshot(**changes: Any) -> Snapshot:
    values: dict[str, Any] = {
        "t_ns": 500 * S,
        "phase": Phase.WARM_UP,
        "phase_since_s": 300.0,
        "output_w": 108_500 * 0.29307107,  # NIST SP 811 (2008) appendix B.8
        "output_u95_w": 5_200 * 0.29307107,
        "rise_k": 27.0,
        "supply_c": 47.0,
        "return_c": 20.0,
        "tests": (core.TestState(name="slope", value=1e-4, limit=8e-5, ok=False),),
        "held_s": 0.0,
    }
    return Snapshot(**(values | changes))


@pytest.mark.parametrize(
    ("value", "dimension", "units", "text"),
    [
        # Conversion factors: NIST SP 811 (2008) appendix B.8.
        (293.07107, Dimension.POWER, "us", "1,000 Btu/h"),
        (29_307.107, Dimension.POWER, "us", "100,000 Btu/h"),
        (293_071.07, Dimension.POWER, "us", "1,000,000 Btu/h"),
        (0.04719474, Dimension.VOLUME_FLOW, "us", "100 cfm"),
        (5.08, Dimension.VELOCITY, "us", "1,000 fpm"),
        (101_325.0, Dimension.PRESSURE, "us", "29.92 inHg"),
        (101_325.0, Dimension.PRESSURE, "si", "101.33 kPa"),
        (-40.0, Dimension.TEMPERATURE, "us", "-40.0 °F"),
        (25.0, Dimension.DIFFERENCE, "us", "45.0 °F"),
        (-0.001, Dimension.TEMPERATURE, "si", "0.0 °C"),
        (31_790.0, Dimension.POWER, "si", "31.8 kW"),
        (1_510.0, Dimension.POWER, "si", "1.51 kW"),
        (None, Dimension.POWER, "us", "—"),
        (math.nan, Dimension.POWER, "us", "—"),
        (math.inf, Dimension.TEMPERATURE, "si", "—"),
    ],
)
def test_numbers_for_people(value: float | None, dimension: Dimension, units: str, text: str) -> None:
    assert show(value, dimension, units) == text


def test_an_uncertainty_is_rounded_like_its_value() -> None:
    assert number(1_510.0, Dimension.POWER, "si", like=31_790.0) == "1.5"


def test_percent_of_nothing_is_a_dash() -> None:
    assert percent(None) == percent(math.nan) == "—"


@settings(max_examples=200)
@given(st.text(max_size=400))
def test_clean_text_is_one_printable_line(text: str) -> None:
    result = clean(text, 50)
    assert len(result) <= 50
    assert result == result.strip()
    assert all(char.isprintable() for char in result)
    assert clean(result, 50) == result


def test_minute_line() -> None:
    assert minute_line(make_snapshot(), "us") == (
        "08:20 warm-up: output 108,500 ± 5,200 Btu/h, rise 48.6 °F, supply 116.6 °F, return 68.0 °F, "
        "slope not yet, hold 60 s left"
    )


def test_minute_line_when_steady_names_the_mean() -> None:
    line = minute_line(
        make_snapshot(phase=Phase.STEADY, steady_since_s=400.0, steady_for_s=100.0, output_is_final=True),
        "si",
    )
    assert "output 31.8 ± 1.5 kW (mean of the steady stretch)" in line
    assert line.endswith("steady for 01:40")


def test_minute_line_of_nothing() -> None:
    line = minute_line(Snapshot(t_ns=0, phase=Phase.OFF, phase_since_s=0.0), "us")
    assert line == "00:00 off: output —, rise —, supply —, return —"


def test_one_line_an_event_and_one_a_minute() -> None:
    plain = PlainLines("us")
    event = Event(t_ns=61 * S, code="firing", text="on")
    assert len(plain.update(make_snapshot(t_ns=0))) == 1
    assert plain.update(make_snapshot(t_ns=59 * S)) == []
    assert plain.update(make_snapshot(t_ns=61 * S), [event])[0] == "01:01 firing: on"
    assert plain.update(make_snapshot(t_ns=119 * S)) == []
    assert len(plain.update(make_snapshot(t_ns=600 * S))) == 1


def test_event_text_is_cleaned() -> None:
    event = Event(t_ns=0, code="mark", text="a\x1b[2J\nb", probe="p\x07")
    assert event_line(event) == "00:00 mark p: a[2J b"


def test_lines_for_a_stream_without_unicode() -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii", newline="\n")
    write_lines(["31.8 ± 1.5 kW — 20 °C ☃"], stream)
    assert raw.getvalue() == b"31.8 +/- 1.5 kW - 20 C ?\n"


# The document of an invented run: numbers chosen by hand so that their texts can be told by head.
DOCUMENT: dict[str, Any] = {
    "schema": "riselog.result/1",
    "run": "r7k2",
    "job": "hall-north",
    "simulated": True,
    "stored": True,
    "verdict": "meets",
    "p_low": 0.03,
    "p_high": 0.01,
    "p_meets": 0.96,
    "reason": "The output lies within 5 % of the nameplate with 96 % probability.",
    "firing": {
        "start_s": 300.0,
        "steady_start_s": 640.0,
        "steady_end_s": 2100.0,
        "time_to_steady_s": 340.0,
        "output_w": 31790.0,
        "output_u95_w": 1510.0,
        "rise_k": 27.0,
        "return_c": 20.0,
        "supply_c": 47.0,
        "airflow_m3_s": 0.8731,
        "shortcut_w": 33379.5,
        "energy_j": 5.7e7,
    },
    "nameplate": {
        "plate_output_w": 40000.0,
        "output_w": 31945.0,
        "derated": True,
        "ratio": 0.995,
        "rise_ok": True,
    },
    "input": {"measured_w": None, "efficiency": None, "efficiency_of_nameplate_input": 0.804},
    "budget": [
        {"source": "area", "u_w": 100.0, "share": 0.02, "assumed": False},
        {"source": "placement", "u_w": 490.0, "share": 0.41, "assumed": True},
        *({"source": f"small {n}", "u_w": 1.0, "share": 0.001, "assumed": False} for n in range(6)),
    ],
    "cycles": [],
    "events": [{"t_s": 12.0, "code": "probe-silent", "probe": "ret", "text": "no reading"}],
    "readings": {"stored": 12840, "flagged": 3, "lost_to_storage": 0},
}


def test_result_for_people() -> None:
    text = "\n".join(result_lines(DOCUMENT, "si", where="hall-north.db"))
    for part in (
        "RESULT  hall-north   SIMULATED PROBES",
        "meets the nameplate",
        "with 96 % probability",
        "31.8 ± 1.5 kW (95 %)",
        "31.9 kW (derated from 40.0 kW), output is 99.5 % of it",
        "below 3 % | meets 96 % | above 1 %",
        "27.0 K, inside the plate's window",
        "47.0 °C",
        "0.873 m³/s",
        "80.4 % of the nameplate input (the input was not measured)",
        "from 10:40 to 35:00, 05:40 after the burner came on",
        "33.4 kW (+5.0 % off here)",  # 33379.5 / 31790 = 1.05
        "and 2 smaller",
        "00:12 probe-silent ret: no reading",
        "12,840 stored, 3 flagged, 0 lost to storage",
        "r7k2, stored in hall-north.db",
    ):
        assert part in text, part
    budget = [line for line in text.split("\n") if "placement" in line or "area" in line]
    assert budget[0].split() == ["placement", "0.49", "kW", "41", "%", "assumed"]
    assert budget[1].split() == ["area", "0.10", "kW", "2", "%"]


def test_result_without_a_steady_stretch() -> None:
    document = DOCUMENT | {
        "verdict": "not-steady",
        "reason": "The burner went off after 90 s.",
        "firing": None,
        "budget": [],
        "stored": False,
        "simulated": False,
    }
    lines = result_lines(document, "us")
    assert lines[:3] == [
        "RESULT  hall-north",
        "  verdict     no result: no steady stretch",
        "              The burner went off after 90 s.",
    ]
    assert "0 lost to storage" in lines[-2]
    assert lines[-1].endswith("r7k2, NOT stored")
    assert not any("output" in line for line in lines)


def test_result_lists_firings_when_there_are_several() -> None:
    cycle = {"start_s": 300.0, "end_s": 2160.0, "steady": True, "output_w": 31790.0, "energy_j": 5.7e7}
    document = DOCUMENT | {"cycles": [cycle, cycle | {"steady": False, "output_w": None}]}
    lines = result_lines(document, "si")
    place = lines.index("  firings")
    assert lines[place + 1].split() == ["05:00", "to", "36:00", "31.8", "kW", "57.0", "MJ"]
    assert "not steady" in lines[place + 2]


@pytest.mark.parametrize("key", sorted(DOCUMENT))
def test_result_with_a_part_missing_still_speaks(key: str) -> None:
    for value in ({k: v for k, v in DOCUMENT.items() if k != key}, DOCUMENT | {key: None}):
        lines = result_lines(value, "us")
        assert lines[0].startswith("RESULT")
        assert "nan" not in " ".join(lines)


def test_result_numbers_missing_are_dashes() -> None:
    firing = dict.fromkeys(DOCUMENT["firing"])
    plate = dict.fromkeys(DOCUMENT["nameplate"])
    lines = result_lines(DOCUMENT | {"firing": firing, "nameplate": plate, "input": None}, "us")
    output = next(line for line in lines if line.startswith("  output"))
    assert output.split(maxsplit=1)[1].startswith("— ± —")
    for label in ("nameplate", "rise", "supply", "return", "airflow", "efficiency", "steady"):
        line = next(line for line in lines if line.startswith(f"  {label}"))
        assert "—" in line
        assert not any(char.isdigit() for char in line)


def test_cautions_say_what_must_be_said() -> None:
    text = " ".join(CAUTIONS).lower()
    for word in ("gas", "flue", "hot", "belts", "mains", "roof", "licensed", "co alarm", "soot", "drill"):
        assert word in text
    for word in ("refrigerant", "lock", "seal", "only reads", "maker's instructions", "shut the unit down"):
        assert word in text
    assert len(SHORT_CAUTION.split("\n")) <= 2
    assert all(len(line) <= 96 for line in SHORT_CAUTION.split("\n"))


def pressed(*keys: str) -> tuple[ScreenState, list[Command]]:
    state, commands = ScreenState(), []
    for key in keys:
        state, command = press(state, key)
        commands += [command] if command else []
    return state, commands


@pytest.mark.parametrize(
    ("keys", "state", "commands"),
    [
        (["q"], ScreenState(), [Command(CommandKind.END)]),
        (["c-c"], ScreenState(), [Command(CommandKind.INTERRUPT)]),
        (["u"], ScreenState(units="si"), [Command(CommandKind.UNITS)]),
        (["u", "U"], ScreenState(), [Command(CommandKind.UNITS)] * 2),
        (["h"], ScreenState(help_open=True), [Command(CommandKind.HELP)]),
        (["h", "escape"], ScreenState(), [Command(CommandKind.HELP)]),
        (["e", "q", " ", "u"], ScreenState(note="q u"), []),
        (["e", "o", "k", "c-m"], ScreenState(), [Command(CommandKind.MARK, "ok")]),
        (["e", "c-m"], ScreenState(), [Command(CommandKind.MARK)]),
        (["e", "a", "escape"], ScreenState(), []),
        (["e", "a", "b", "c-h", "c-h", "c-h", "c"], ScreenState(note="c"), []),
        (["e", "a", "c-c"], ScreenState(note="a"), [Command(CommandKind.INTERRUPT)]),
        (["e", "up", "c-x", "f1"], ScreenState(note=""), []),
        (["x", "up", "escape", "c-m"], ScreenState(), []),
        (["h", "e"], ScreenState(note=""), [Command(CommandKind.HELP)]),
    ],
)
def test_keys(keys: list[str], state: ScreenState, commands: list[Command]) -> None:
    assert pressed(*keys) == (state, commands)


def test_a_paste_is_text_and_a_note_is_capped() -> None:
    state, _ = press(ScreenState(note="a"), "<bracketed-paste>", "b\nq\x1b" + "c" * 500)
    assert state.note is not None
    assert state.note.startswith("ab q c")
    assert len(state.note) == 200
    _, command = press(state, "c-m")
    assert command is not None
    assert command.text.startswith("ab q c")


def test_a_run_without_readings_says_so_and_shows_no_old_value() -> None:
    shot = core.silenced(make_snapshot(t_ns=60 * S, phase=Phase.STEADY, steady_since_s=5.0), 48.0)
    line = minute_line(shot, "us")
    assert line == "01:00 no readings for 48 s: nothing is known of now; last known: steady"
