"""What `play` says while it plays: one line for each probe, then what is on the air now."""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from typing import Any, Literal, TextIO

from logger.core.readings import NS_PER_S, Quantity
from logger.screen.format import clean, clock, plain_spelling
from logger.screen.quantity import value_text
from simulators.peripheral.formats import Kind, unplayable
from simulators.peripheral.player import Sent
from simulators.peripheral.script import Does, Part, Scene, Step, quantities

SCHEMA = "riselog.play/1"
REDRAW_S = 1.0  # s between two states of the live line on a terminal; assumed
REPEAT_S = 30.0  # s between two of its lines elsewhere; assumed
_CLEAR = "\r\x1b[K"  # ECMA-48 EL: to the start of the line, and wipe it

SIMULATION = (
    "simulation: these are no probes in air. A logger that hears them cannot know that, so nothing that it "
    "measures now is to be handed over."
)
_WORDS = {Does.APPEAR: "on the air", Does.HUSH: "silent", Does.DROP: "connection dropped, silent"}
Units = Literal["us", "si"]


def opening(
    scene: Scene, adapter_of: Callable[[Part], str], address_of: Callable[[Part], str | None]
) -> Iterator[str]:
    """What is about to be played, and how a config finds it.

    By the address where it has one of its own: who connects may learn the computer's name in place of
    the advertised one.
    """
    yield f"playing {clean(scene.title)}, {clock(scene.end_ns / NS_PER_S / scene.speed)} of radio time"
    yield SIMULATION
    for part in scene.parts:
        sends = ", ".join(quantities(scene, part))
        lost = unplayable(part.kind, sorted({each.quantity for each in scene.said[part.probe]}))
        without = f" (without {', '.join(lost)}, which {part.kind} has no code for)" if lost else ""
        address = address_of(part)
        found = f'name = "{part.advertised}"' + ("" if address is None else f' or address = "{address}"')
        yield (
            f"{part.probe}: {sends}{without}, on {adapter_of(part)}; "
            f'in a config: driver = "{part.kind}", {found}'
        )


def shared(adapter: str, others: int) -> str:
    """The word on an adapter that another program sends by."""
    what = "an advertisement" if others == 1 else f"{others} advertisements"
    return (
        f"adapter {adapter} sends {what} of another program already, perhaps of another play: who listens "
        "hears both, and who connects finds both; end it, or play on another adapter (--adapter)"
    )


class Teller:
    """Keeps what was sent, and shows it. ``stream`` None: nothing is shown."""

    def __init__(self, scene: Scene, units: Units, stream: TextIO | None) -> None:
        self._scene = scene
        self._units = units
        self._stream = stream
        dumb = os.environ.get("TERM", "") in {"", "dumb", "unknown"}
        self._live = stream is not None and stream.isatty() and not dumb
        self._plain = stream is not None and "utf" not in (stream.encoding or "").lower()
        self._due_ns = 0
        self._drawn = False
        self._last: dict[str, dict[Quantity, float]] = {part.probe: {} for part in scene.parts}
        self._quiet: dict[str, bool] = {}
        self.sent: list[Sent] = []
        self.packets: Counter[str] = Counter()

    def take(self, sent: Sent) -> None:
        """One value that went out."""
        self.sent.append(sent)
        self._last[sent.probe][sent.quantity] = sent.value

    def tell(self, step: Step) -> None:
        """One step that was done."""
        t_ns = round(step.t_ns / self._scene.speed)
        if step.does is Does.SAY:
            self.packets[step.probe] += 1
        else:
            was, self._quiet[step.probe] = self._quiet.get(step.probe, False), step.does is not Does.APPEAR
            if was != self._quiet[step.probe]:
                self._line(f"{clock(t_ns / NS_PER_S)} {step.probe} {_WORDS[step.does]}")
        if t_ns >= self._due_ns:
            self._due_ns = t_ns + round((REDRAW_S if self._live else REPEAT_S) * NS_PER_S)
            self._state(f"{clock(t_ns / NS_PER_S)} {self._now()}")

    def close(self) -> None:
        """Wipe the live line."""
        if self._drawn:
            self._write(_CLEAR)
            self._drawn = False

    def _now(self) -> str:
        return "  ".join(self._said(part.probe) for part in self._scene.parts)

    def _said(self, probe: str) -> str:
        if self._quiet.get(probe):
            return f"{probe} silent"
        values = (
            value_text(q, v, self._units) for q, v in self._last[probe].items() if q is not Quantity.BATTERY
        )
        return f"{probe} {' '.join(values) or '-'}"

    def _state(self, text: str) -> None:
        if not self._live:
            self._line(text)
            return
        self._drawn = True
        self._write(f"{_CLEAR}{text[: _width()]}")

    def _line(self, text: str) -> None:
        self.close()
        self._write(f"{text}\n")

    def _write(self, text: str) -> None:
        if self._stream is None:
            return
        with suppress(OSError, ValueError):  # nobody reads: the play goes on
            self._stream.write(plain_spelling(text) if self._plain else text)
            self._stream.flush()


def document(
    scene: Scene, teller: Teller, played_s: float, end: str, reads: Mapping[str, int]
) -> dict[str, Any]:
    """What was sent, counted."""
    return {
        "schema": SCHEMA,
        "simulated": True,
        "scene": scene.title,
        "played_s": round(played_s, 3),
        "end_reason": end,
        "probes": {part.probe: _entry(part, teller, reads.get(part.probe, 0)) for part in scene.parts},
    }


def closing(scene: Scene, teller: Teller, end: str) -> Iterator[str]:
    """What was sent, for people."""
    yield f"ended ({end})"
    for part in scene.parts:
        values = sum(each.probe == part.probe for each in teller.sent)
        yield f"{part.probe}: {teller.packets[part.probe]} packets sent with {values} values"


def _entry(part: Part, teller: Teller, reads: int) -> dict[str, Any]:
    values = Counter(str(each.quantity) for each in teller.sent if each.probe == part.probe)
    entry: dict[str, Any] = {
        "as": str(part.kind),
        "name": part.advertised,
        "packets": teller.packets[part.probe],
        "values": dict(sorted(values.items())),
    }
    if part.kind is Kind.ESS:
        entry["reads"] = reads
    return entry


def _width() -> int:
    import shutil  # noqa: PLC0415 - on a terminal alone

    return max(20, shutil.get_terminal_size().columns - 1)


def live_stream(*, json: bool) -> TextIO | None:
    """Where the lines of a play go: standard error, where standard output is the document."""
    return sys.stderr if json else sys.stdout
