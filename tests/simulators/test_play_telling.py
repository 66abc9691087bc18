"""What is said while a scene is played, on a terminal and elsewhere."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest

from logger.core.readings import NS_PER_S, Flag, Quantity
from simulators.peripheral.formats import Kind
from simulators.peripheral.player import Sent
from simulators.peripheral.script import Does, Part, Said, Scene, Step
from simulators.peripheral.telling import Teller, Units, closing, document, opening

T = Quantity.TEMPERATURE
SCENE = Scene(
    title="scene.toml",
    parts=(
        Part(probe="sup", kind=Kind.ESS, source="supply", advertised="sim-sup"),
        Part(probe="ret", kind=Kind.BTHOME, source="return", advertised="sim-ret"),
    ),
    said={
        "sup": (Said(0, T, 20.0, Flag.OK), Said(0, Quantity.GAS_VOLUME, 1.0, Flag.OK)),
        "ret": (Said(0, T, 20.0, Flag.OK), Said(0, Quantity.SIGNAL, -60.0, Flag.OK)),
    },
    end_ns=120 * NS_PER_S,
    speed=2.0,
)


class Written(io.TextIOWrapper):
    def __init__(self, encoding: str, *, terminal: bool) -> None:
        super().__init__(io.BytesIO(), encoding=encoding, newline="")
        self._terminal = terminal

    def isatty(self) -> bool:
        return self._terminal

    @property
    def text(self) -> str:
        buffer = self.buffer
        assert isinstance(buffer, io.BytesIO)
        return buffer.getvalue().decode(self.encoding)


def told(units: Units, encoding: str = "utf-8", *, terminal: bool = False) -> tuple[Teller, str]:
    """A minute of radio time: each probe says 21 degC every two seconds of the scene; one silence."""
    stream = Written(encoding, terminal=terminal)
    teller = Teller(SCENE, units, stream)
    for probe in ("sup", "ret"):
        teller.tell(Step(0, Does.APPEAR, probe, {}))
    for second in range(0, 120, 2):
        if second == 40:
            teller.tell(Step(second * NS_PER_S, Does.HUSH, "sup", {}))
        if second == 80:
            teller.tell(Step(second * NS_PER_S, Does.APPEAR, "sup", {}))
        for probe in ("sup", "ret"):
            if probe == "ret" or not 40 <= second < 80:
                step = Step(second * NS_PER_S, Does.SAY, probe, {T: 2100})
                at_ns = second * NS_PER_S // 2
                teller.take(Sent(t_ns=at_ns, probe=probe, quantity=T, raw=2100, value=21.0, flag=Flag.OK))
                teller.tell(step)
    teller.close()
    return teller, stream.text


def test_the_opening_says_how_to_find_each_probe_and_what_is_not_sent() -> None:
    lines = list(opening(SCENE, lambda part: "hci1", lambda part: None if part.probe == "sup" else "00:00"))
    assert lines[0] == "playing scene.toml, 01:00 of radio time"
    assert lines[1].startswith("simulation: ")
    assert lines[2] == (
        "sup: temperature (without gas-volume, which ess has no code for), on hci1; "
        'in a config: driver = "ess", name = "sim-sup"'
    )
    assert lines[3] == (
        'ret: temperature, on hci1; in a config: driver = "bthome", name = "sim-ret" or address = "00:00"'
    )


@pytest.mark.parametrize(("units", "value"), [("us", "69.8 °F"), ("si", "21.0 °C")])
def test_elsewhere_than_on_a_terminal_lines_are_few_and_plain(units: Units, value: str) -> None:
    _, text = told(units)
    assert text.splitlines() == [
        "00:00 sup -  ret -",
        "00:20 sup silent",
        f"00:30 sup silent  ret {value}",
        "00:40 sup on the air",
    ]


def test_a_terminal_has_one_line_that_lives(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    _, text = told("us", terminal=True)
    assert text.count("\n") == 2
    assert text.count("\r\x1b[K") >= 60
    assert text.endswith("\r\x1b[K")


def test_a_dumb_terminal_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "dumb")
    assert "\x1b" not in told("us", terminal=True)[1]


def test_ascii_is_enough() -> None:
    assert "00:30 sup silent  ret 69.8 F\n" in told("us", "ascii")[1]


def test_the_document_counts_what_was_sent() -> None:
    teller, _ = told("us")
    made: Any = json.loads(json.dumps(document(SCENE, teller, 60.0, "end", {"sup": 3})))
    assert made == {
        "schema": "riselog.play/1",
        "simulated": True,
        "scene": "scene.toml",
        "played_s": 60.0,
        "end_reason": "end",
        "probes": {
            "sup": {
                "as": "ess",
                "name": "sim-sup",
                "packets": 40,
                "values": {"temperature": 40},
                "reads": 3,
            },
            "ret": {"as": "bthome", "name": "sim-ret", "packets": 60, "values": {"temperature": 60}},
        },
    }
    assert list(closing(SCENE, teller, "end"))[1] == "sup: 40 packets sent with 40 values"
