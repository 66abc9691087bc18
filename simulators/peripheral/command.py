"""Body of ``riselog play``."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Coroutine, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from logger.clock import SystemClock
from logger.config.quantities import Dimension, QuantityError, parse
from logger.core.errors import UsageError
from logger.core.readings import FLAG_CODES, NS_PER_S, NS_PER_US, ReadingBlock
from logger.documents import print_json, print_lines
from logger.faults import complain
from logger.signals import signals
from logger.tables import write_readings
from logger.target import opened
from logger.text import one_line
from simulators.peripheral.player import Sent, play
from simulators.peripheral.scene_file import load_scene
from simulators.peripheral.script import Scene, quantities
from simulators.peripheral.telling import Teller, Units, closing, document, live_stream, opening, shared
from simulators.peripheral.troubles import AirError, no_platform

Waited = Coroutine[Any, Any, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayOptions:
    """Options as they are typed."""

    adapters: tuple[str, ...]
    for_text: str | None
    output: Path | None
    units: str
    json: bool


@dataclass(slots=True, kw_only=True)
class Played:
    """How a play went."""

    start_utc_us: int
    played_s: float = 0.0
    end_reason: str = "stopped"
    trouble: AirError | None = None
    reads: Mapping[str, int] = field(default_factory=dict)


def play_command(scene_text: str, options: PlayOptions) -> int:
    """Play a scene; the exit code."""
    units = _units(options.units)
    for_ns = None if options.for_text is None else _duration_ns(options.for_text)
    scene = load_scene(scene_text, options.adapters)
    teller = Teller(scene, units, live_stream(json=options.json))
    with ExitStack() as held:
        table = held.enter_context(opened(options.output)) if options.output is not None else None
        played = asyncio.run(_play(scene, teller, for_ns, json=options.json))
        if table is not None:
            _write(teller.sent, played.start_utc_us, table)
    if options.output is not None:
        complain(f"what was sent is written to {options.output}")
    if options.json:
        print_json(document(scene, teller, played.played_s, played.end_reason, played.reads))
    else:
        print_lines(closing(scene, teller, played.end_reason))
    if played.trouble is not None:
        raise played.trouble
    return 0


async def _play(scene: Scene, teller: Teller, for_ns: int | None, *, json: bool) -> Played:
    if sys.platform != "linux":
        raise no_platform(sys.platform)
    from simulators.peripheral.bluez import on_bluez  # noqa: PLC0415 - on Linux alone

    clock, stop = SystemClock(), asyncio.Event()
    parts = [(part, quantities(scene, part)) for part in scene.parts]
    async with on_bluez(parts) as air:
        for adapter, others in air.beside.items():
            complain(shared(adapter, others))
        lines = list(opening(scene, air.adapter_of, air.address_of))
        for line in lines if json else ():
            complain(line)
        print_lines(() if json else lines)
        start_ns = clock.now_ns()
        played = Played(start_utc_us=clock.utc_us())
        playing = play(scene, air, clock, told=teller.tell, sent=teller.take, for_ns=for_ns)
        with signals(stop.set, stop.set, terminal=False):
            try:
                played.end_reason = await first_of(playing, air.watch(), stop.wait())
            except AirError as error:
                played.end_reason, played.trouble = "trouble", error
        teller.close()
        played.played_s = (clock.now_ns() - start_ns) / NS_PER_S
        played.reads = {part.probe: air.reads(part) for part in scene.parts}
        if played.end_reason == "end" and for_ns is not None and for_ns < scene.end_ns / scene.speed:
            played.end_reason = "time"
    return played


async def first_of(
    playing: Coroutine[Any, Any, None],
    watching: Coroutine[Any, Any, None],
    stopping: Coroutine[Any, Any, Any],
) -> str:
    """Wait for the first of the three; why it ended. What the first two raise is raised."""
    reasons = {"end": playing, "trouble": watching, "stopped": stopping}
    tasks = {asyncio.ensure_future(waited): reason for reason, waited in reasons.items()}
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    for task in done:
        task.result()
    return next(reason for task, reason in tasks.items() if task in done)


def _write(sent: Sequence[Sent], start_utc_us: int, table: TextIO) -> None:
    """What was sent as a CSV of readings, as a logger would have them without a way between."""
    channels = list(dict.fromkeys((each.probe, each.quantity) for each in sent))
    place = {channel: n for n, channel in enumerate(channels)}
    t_ns = np.array([each.t_ns for each in sent], dtype=np.int64)
    block = ReadingBlock(
        channels=tuple(channels),
        seq=np.arange(len(sent), dtype=np.int64),
        t_ns=t_ns,
        channel=np.array([place[each.probe, each.quantity] for each in sent], dtype=np.int32),
        value=np.array([each.value for each in sent], dtype=np.float64),
        flag=np.array([FLAG_CODES.index(each.flag) for each in sent], dtype=np.int8),
        utc_us=start_utc_us + t_ns // NS_PER_US,
        arrival_ns=t_ns,
    )
    write_readings([block] if sent else [], start_utc_us, table)


def _units(text: str) -> Units:
    known: tuple[Units, ...] = ("us", "si")
    for units in known:
        if units == text:
            return units
    raise UsageError(f"--units '{one_line(text)[:20]}': write us or si")


def _duration_ns(text: str) -> int:
    try:
        seconds = parse(text, Dimension.TIME)
    except QuantityError as error:
        raise UsageError(f"--for: {error}") from error
    if not seconds > 0.0:
        raise UsageError(f"--for '{text}': give a duration above 0, such as 45min")
    return round(seconds * NS_PER_S)
