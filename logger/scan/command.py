"""Body of ``riselog scan``: all drivers that can listen without a config do so together."""

from __future__ import annotations

import asyncio
import os
import shutil
import sys
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from logger.clock import SystemClock
from logger.config.quantities import Dimension, QuantityError, parse
from logger.core.errors import UsageError
from logger.core.readings import NS_PER_S
from logger.documents import print_json, print_lines
from logger.driver_api import Look, Seen
from logger.faults import complain
from logger.registry import listed_drivers, surveys
from logger.scan.known import Known, known_probes, mark
from logger.scan.roster import MOST, Device, Roster
from logger.scan.screen import ScanScreen
from logger.scan.surveying import Surveying, when_blocked
from logger.scan.view import ScanView, row, table
from logger.scan.write import Wish, check_wish, write_probe
from logger.screen.glyphs import UNICODE
from logger.screen.terminal import can_show
from logger.signals import signals

LONGEST_S = 3600.0  # s; a scan is a look, not a log: assumed
COULD_NOT = 4  # exit code: no radio
_TOLD_EVERY_S = 2.0  # s between words on the progress where there is no screen
_MOST_TOLD = 20  # new devices named in one go where there is no screen; assumed
_PLAIN_WIDTH = 120  # characters where there is no terminal


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanOptions:
    """As typed."""

    for_text: str
    readable_only: bool
    adapter: str | None
    connect: bool
    known: Path | None
    config: Path | None
    probe: str | None
    role: str | None
    address: str | None
    driver: str | None
    force: bool
    yes: bool
    units: str
    json: bool


def drivers_command(*, json: bool) -> int:
    """List the installed drivers; 0 whatever is wrong with them."""
    found = listed_drivers()
    if json:
        entries = [
            {"name": d.name, "package": d.package, "version": d.version, "simulated": d.simulated,
             "ok": not d.trouble, "why": d.trouble}
            for d in found
        ]  # fmt: skip
        print_json({"schema": "riselog.drivers/1", "drivers": entries})
        return 0
    kinds = {True: "simulated", False: "real", None: "unknown"}
    for d in found:
        state = f"BROKEN: {d.trouble}" if d.trouble else "ok"
        print_lines([f"{d.name:12}  {kinds[d.simulated]:9}  {d.package} {d.version}  {state}"])
    return 0


def scan_command(options: ScanOptions) -> int:
    """Listen, show, and add a probe where that is asked for."""
    seconds = _seconds(options.for_text)
    if options.units not in ("us", "si"):
        raise UsageError(f"--units {options.units!r}: write us or si")
    wish = _wish(options)
    scanning = _Scanning(options, {} if options.known is None else known_probes(options.known))
    runner = asyncio.Runner()
    try:
        troubles = runner.run(scanning.go(seconds))
    finally:
        if not scanning.stuck:
            runner.close()
    code = _told(options, scanning, troubles, wish)
    if scanning.stuck:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)  # the loop would wait for that driver
    return code


def _told(options: ScanOptions, scanning: _Scanning, troubles: Iterable[str], wish: Wish | None) -> int:
    """Say what was heard, and write the probe that is wished for; the exit code."""
    roster = scanning.roster
    for text in troubles:
        complain(text)
    if options.json:
        mark(roster.listed(), scanning.known)
        print_json(roster.document(readable_only=options.readable_only))
    else:
        print_lines(scanning.lines())
    if scanning.deaf:
        return COULD_NOT
    if not roster.listed():
        complain("no device was heard; switch a probe on, bring it closer, and scan again")
    if wish is not None:
        write_probe(wish, roster.listed(readable_only=True), roster)
    return 0


def _wish(options: ScanOptions) -> Wish | None:
    options_of = {"--probe": options.probe, "--role": options.role, "--address": options.address}
    given = [name for name, value in options_of.items() if value is not None]
    if options.config is None:
        others = {"--driver": options.driver, "--force": options.force, "--yes": options.yes}
        if stray := [*given, *(name for name, value in others.items() if value)]:
            raise UsageError(f"{', '.join(stray)}: only with --write CONFIG")
        return None
    if options.json and not (options.yes and len(given) == 3):  # noqa: PLR2004 - all of them
        raise UsageError("--json with --write needs --probe, --role, --address and --yes: nothing is asked")
    wish = Wish(
        config=options.config,
        probe=options.probe,
        role=options.role,
        address=options.address,
        driver=options.driver,
        adapter=options.adapter,
        force=options.force,
        yes=options.yes,
    )
    check_wish(wish)
    return wish


def _seconds(text: str) -> float:
    try:
        seconds = parse(text, Dimension.TIME)
    except QuantityError as error:
        raise UsageError(f"--for: {error}") from error
    if not 0.0 < seconds <= LONGEST_S:
        raise UsageError(f"--for {text!r}: write a time above 0 and up to {LONGEST_S / 60.0:.0f} min")
    return seconds


class _Scanning:
    """What is heard, and how it is shown meanwhile. ``deaf``: no driver could listen; ``stuck``: one did not
    end."""

    def __init__(self, options: ScanOptions, known: Known) -> None:
        self.roster = Roster()
        self.known = known
        self._new: list[str] = []
        self.deaf = False
        self.stuck = False
        self._options = options
        self._readable_only = options.readable_only
        self._units = options.units
        self._clock = SystemClock()
        self._end_s = 0.0

    async def go(self, seconds: float) -> list[str]:
        """Listen for so long, or until the user leaves; sentences on what went wrong."""
        found, troubles = surveys()
        if not found:
            self.deaf = True
            return [
                *troubles,
                "no installed driver can look for devices; `riselog scan --drivers` lists them",
            ]
        self._end_s = self._now_s() + seconds
        left = asyncio.Event()
        surveying = Surveying(found, partial(self._look, seconds=seconds), self._hear)
        watch = when_blocked(seconds, asyncio.get_running_loop(), found, _held_up)
        try:
            with signals(left.set, left.set, terminal=True):
                surveying.start()
                async with self._shown(left):
                    await surveying.end(seconds, left)
        finally:
            watch.cancel()
            self.stuck = bool(surveying.stuck)
        self.deaf = surveying.deaf
        return [*troubles, *surveying.troubles]

    def _now_s(self) -> float:
        return self._clock.now_ns() / NS_PER_S

    def _look(self, driver: str, *, seconds: float) -> Look:
        return Look(
            seconds=seconds,
            adapter=self._options.adapter,
            connect=self._options.connect,
            probes=self.known.get(driver, ()),
        )

    def _hear(self, driver: str, seen: Seen) -> None:
        if self.roster.see(driver, seen, self._now_s()) and len(self._new) <= MOST:
            self._new.append(seen.address)

    @asynccontextmanager
    async def _shown(self, left: asyncio.Event) -> AsyncIterator[None]:
        """A screen where there is a terminal, else a line now and then."""
        if can_show() and not self._options.json:
            async with ScanScreen(self.view, self._press, left.set):
                yield
            return
        telling = asyncio.create_task(self._tell())
        try:
            yield
        finally:
            telling.cancel()

    async def _tell(self) -> None:
        while True:
            for line in self._news():
                complain(line)
            complain(f"scanning, {max(0.0, self._end_s - self._now_s()):.0f} s left; {self._count()}")
            await asyncio.sleep(_TOLD_EVERY_S)

    def _news(self) -> list[str]:
        """A line for each device heard since it was asked last; many at once are counted."""
        found = [device for address in self._new if (device := self.roster.find(address)) is not None]
        self._new.clear()
        lines = [" ".join(["heard", *_plain(d)]) for d in found[:_MOST_TOLD]]
        return lines + [f"and {len(found) - _MOST_TOLD} more"] * (len(found) > _MOST_TOLD)

    def _count(self) -> str:
        devices = self.roster.listed()
        return f"{len(devices)} devices, {sum(d.readable for d in devices)} readable"

    def _press(self, key: str) -> None:
        if key == "r":
            self._readable_only = not self._readable_only
        elif key == "u":
            self._units = "si" if self._units == "us" else "us"

    def view(self) -> ScanView:
        """One frame."""
        devices, now_s = self.roster.listed(readable_only=self._readable_only), self._now_s()
        mark(devices, self.known)
        return ScanView(
            rows=tuple(row(d, n, self._units, now_s) for n, d in enumerate(devices, 1)),
            head=self._count() + (", the readable ones are shown" if self._readable_only else ""),
            left_s=max(0.0, self._end_s - now_s),
        )

    def lines(self) -> list[str]:
        """The table as it stands; nothing where nothing was heard."""
        rows = self.view().rows
        width = shutil.get_terminal_size((_PLAIN_WIDTH, 24)).columns if sys.stdout.isatty() else _PLAIN_WIDTH
        return table(rows, width, UNICODE) if rows else []


def _plain(device: Device) -> list[str]:
    signal = "" if device.signal_dbm is None else f"{device.signal_dbm:.0f} dBm"
    return [text for text in (device.address, device.name, signal, device.driver) if text]


def _held_up(text: str) -> None:
    """Nothing but the end of the program helps."""
    complain(text)
    os._exit(COULD_NOT)
