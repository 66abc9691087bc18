"""The log as JSON lines: RFC 8259 by the standard library's reader, times by RFC 3339."""

import datetime
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.readings import NS_PER_S
from logger.core.reasons import ALARMS
from logger.core.snapshot import Event, Phase, Snapshot
from logger.faults import complain, complaint, complaints_as
from logger.logs import LOUD, QUIET, JsonLines, complaint_line, level_of, log_line
from logger.screen.plain import PlainLines

UTC0 = 1_700_000_000_000_000


def shot(t_s: int) -> Snapshot:
    return Snapshot(t_ns=t_s * NS_PER_S, phase=Phase.OFF, phase_since_s=0.0, rise_k=0.5)


def event(t_s: int, code: str, text: str = "text", probe: str | None = None) -> Event:
    return Event(t_ns=t_s * NS_PER_S, code=code, text=text, probe=probe)


def test_every_event_once_and_one_line_a_minute() -> None:
    log = JsonLines("hall", "3f9c", "us", lambda: UTC0)
    lines = log.update(shot(5), [event(4, "firing"), event(5, "probe-silent", "gone", "ret")])
    first, second, minute = map(json.loads, lines)
    assert first == {
        "t": "2023-11-14T22:13:20.000000Z",  # 1.7e9 s: `date -u -d @1700000000`
        "level": "info",
        "event": "firing",
        "text": "text",
        "job": "hall",
        "run": "3f9c",
        "t_s": 4.0,
    }
    assert (second["level"], second["probe"], second["t_s"]) == ("warning", "ret", 5.0)
    assert (minute["event"], minute["phase"], minute["output_w"], minute["rise_k"]) == (
        "minute",
        "off",
        None,
        0.5,
    )
    assert log.update(shot(59)) == []
    assert [json.loads(line)["event"] for line in log.update(shot(60))] == ["minute"]


def test_the_result_comes_with_its_document() -> None:
    document = {"schema": "riselog.result/1", "verdict": None, "reason": "no plate"}
    (line,) = JsonLines("hall", "3f9c", "us", lambda: UTC0).result(document)
    assert json.loads(line)["result"] == document
    assert json.loads(line)["text"] == "no verdict: no plate"


@given(text=st.text(), probe=st.none() | st.text(), code=st.text())
def test_whatever_a_text_holds_it_stays_one_line_of_json(text: str, probe: str | None, code: str) -> None:
    for line in JsonLines("hall", "r", "si", lambda: UTC0).update(shot(0), [event(0, code, text, probe)]):
        assert not set(line) & {"\n", "\r"}
        assert json.loads(line)["level"] in {"info", "warning", "error"}
        assert datetime.datetime.fromisoformat(json.loads(line)["t"]).utcoffset() == datetime.timedelta(0)


def test_levels() -> None:
    assert level_of("steady") == "info"
    assert {level_of(code) for code in ("store-failed", "disk-full", *ALARMS)} == {"error"}
    assert level_of("never-heard-of") == "warning"
    assert not QUIET & LOUD


def test_messages_of_the_program_take_the_same_form(capsys: pytest.CaptureFixture[str]) -> None:
    complain("as ever")
    with complaints_as(complaint_line):
        complain("a note\nover two lines", "error")
        assert json.loads(complaint("x"))["level"] == "info"
    complain("as ever again")
    plain, line, again = capsys.readouterr().err.splitlines()
    assert (plain, again) == ("riselog: as ever", "riselog: as ever again")
    assert json.loads(line)["event"] == "message"
    assert json.loads(line)["level"] == "error"


def test_a_number_that_json_cannot_say_is_refused() -> None:
    with pytest.raises(ValueError, match="JSON"):
        log_line(0, "info", "minute", "", {"output_w": float("nan")})


def test_a_plain_log_over_days_names_each_day() -> None:
    now = [UTC0]
    plain = PlainLines("us", lambda: now[0])
    assert plain.update(shot(0))[0] == "00:00 day: 2023-11-14 (UTC)"
    assert plain.update(shot(30)) == []
    now[0] += 6_400 * 1_000_000  # 22:13:20 and 1:46:40 are midnight
    assert plain.update(shot(6_400))[0] == "1:46:40 day: 2023-11-15 (UTC)"
    assert PlainLines("us").update(shot(0))[0].startswith("00:00 off:")


def test_every_level_stands_for_a_code_that_is_told_somewhere() -> None:
    """A code that is renamed must not fall out of its level unseen."""
    source = "".join(
        path.read_text(encoding="utf-8")
        for folder in ("logger", "drivers")
        for path in Path(folder).rglob("*.py")
        if path.name != "logs.py"
    )
    phases = {phase.value for phase in Phase}
    made = phases | {"probe-live", "probe-back"}  # of a LinkState, a phase
    missing = {code for code in QUIET | LOUD if f'"{code}"' not in source} - made
    assert missing == set()
