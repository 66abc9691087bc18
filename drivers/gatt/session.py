"""One connection to a probe: its values until it ends."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, NamedTuple

from drivers.ble_errors import RadioError
from drivers.gatt.about import about_itself
from drivers.gatt.profile import Plan, Source, Value
from drivers.heard import Characteristic
from drivers.links import Connection
from drivers.probe import LinkReport, Rhythm
from drivers.wire import CutShortError
from logger.core.readings import NS_PER_S
from logger.driver_api import DecodeError, DriverContext, Flag, LinkState, Sample

ECHO_NS = 2 * NS_PER_S  # until when BlueZ may repeat a value that was read to its subscribers; assumed

OUTAGE = (
    "the system's Bluetooth was off or restarted meanwhile, and the connection went with it; searching for "
    "the probe again"
)
LOST = "the connection was lost; searching for the probe again"
SILENT = "connected, but it sends nothing; connecting anew"
PATIENT_NS = 600 * NS_PER_S  # from look to look at a connection that may be silent; assumed


class Pace(NamedTuple):
    """How often what is read, in s."""

    ask_after: float  # a probe that notifies but has said nothing for so long is asked
    battery_every: float


@dataclass(slots=True, kw_only=True, eq=False)
class Channel:
    """One source at work. ``due_ns``: when it is read next; None: never, it notifies."""

    source: Source
    every_s: float
    subscribed: bool = False
    due_ns: int | None = None
    packets: int = 0
    echo: tuple[bytes, int] | None = None  # read while subscribed: it may come once more as a notification

    @property
    def characteristic(self) -> Characteristic:
        """Where its packets come from."""
        return self.source.characteristic

    def plan(self, now_ns: int) -> None:
        """Set the next read: on the grid of the reads before, or ``every_s`` after a notification."""
        step_ns = round(self.every_s * NS_PER_S)
        grid_ns = now_ns if self.due_ns is None or self.subscribed else self.due_ns
        self.due_ns = grid_ns + step_ns if grid_ns + step_ns > now_ns else now_ns + step_ns


class Session:
    """Delivers samples from one connection.

    A characteristic that can notify is subscribed to, any other is read at its pace. One that
    notifies and can be read too is read once at the start, and again whenever it says nothing
    for a while: probes that notify only on change are not silent in steady air.
    """

    def __init__(
        self,
        connection: Connection,
        plan: Plan,
        context: DriverContext,
        report: LinkReport,
        rhythm: Rhythm,
        pace: Pace,
    ) -> None:
        self._connection = connection
        self._plan = plan
        self._context = context
        self._report = report
        self._rhythm = rhythm
        self._pace = pace
        self._channels = [self._channel(each) for each in plan.sources]
        self._failed: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._why_unread = ""
        self._outage = False  # of the system's Bluetooth, since the last packet
        self.delivered = False

    async def run(self) -> str:
        """Deliver until the session ends; return why, as part of a sentence."""
        self._rhythm.start(self._context.now_ns(), every_s=self._plan.interval_s)
        await self._start()
        while True:
            now_ns = self._context.now_ns()
            if self._connection.lost.is_set():
                return SILENT if self._connection.given_up else LOST
            if now_ns >= self._silent_at_ns(now_ns):
                self._rhythm.silence()
                self._connection.doubt()
                return self._why_unread or SILENT
            due = [c for c in self._channels if c.due_ns is not None and c.due_ns <= now_ns]
            for channel in due:
                await self._read(channel)
            if not due:
                plans = [c.due_ns for c in self._channels if c.due_ns is not None]
                await self._wait_until(min([self._silent_at_ns(now_ns), *plans]))

    def _silent_at_ns(self, now_ns: int) -> int:
        """Never for a probe that speaks only on change: while the connection holds it is there."""
        heard = all(c.subscribed for c in self._channels if c.source.measures)
        return now_ns + PATIENT_NS if self._plan.on_change and heard else self._rhythm.silent_at_ns()

    def _channel(self, source: Source) -> Channel:
        every_s = self._pace.ask_after if source.characteristic.can_notify else source.read_every_s
        if not source.measures:
            every_s = self._pace.battery_every
        return Channel(source=source, every_s=every_s)

    async def _start(self) -> None:
        # Read before subscribing: BlueZ repeats a read value to its subscribers.
        for channel in self._channels:
            if channel.characteristic.can_read:
                await self._read(channel)
        for channel in self._channels:
            if channel.source.measures and channel.characteristic.can_notify:
                await self._subscribe(channel)
        if self._plan.subscribed is not None:
            await self._plan.subscribed(self._connection)
        if about := await about_itself(self._connection):
            self._context.about(self._report.probe, about)

    async def _subscribe(self, channel: Channel) -> None:
        try:
            await self._connection.notify(
                channel.characteristic, partial(self._guarded, channel), partial(self._await_echo, channel)
            )
        except RadioError as error:
            channel.every_s = channel.source.read_every_s
            self._unread(channel, error)
        else:
            channel.subscribed = True

    async def _read(self, channel: Channel) -> None:
        before = channel.packets
        try:
            payload = await self._connection.read(channel.characteristic)
        except RadioError as error:
            if not self._connection.lost.is_set():
                self._unread(channel, error)
        else:
            if channel.packets == before:  # else it has notified meanwhile
                self._take(channel, payload)
                self._await_echo(channel, payload)
        channel.plan(self._context.now_ns())

    def _await_echo(self, channel: Channel, payload: bytes) -> None:
        """A value was read, by this probe or by another one of the device."""
        echoes = channel.subscribed and sys.platform == "linux"
        channel.echo = (payload, self._context.now_ns() + ECHO_NS) if echoes else None

    def _guarded(self, channel: Channel, payload: bytes) -> None:
        """A notification. The radio's library would swallow what is raised here."""
        try:
            echo, channel.echo = channel.echo, None
            again = echo is not None and payload == echo[0] and self._context.now_ns() <= echo[1]
            self._take(channel, payload, again=again)
            if channel.due_ns is not None:
                channel.plan(self._context.now_ns())
        except Exception as error:  # noqa: BLE001 - goes on to ``run``
            if not self._failed.done():
                self._failed.set_exception(error)

    def _take(self, channel: Channel, payload: bytes, *, again: bool = False) -> None:
        """One packet: emit what it says; ``again``: BlueZ's repetition of a value just read."""
        channel.packets += 1
        source = channel.source
        if source.measures and not again:
            self._rhythm.update(self._context.now_ns())
            self._connection.hear()
            self._outage = False
        values = self._decoded(source, payload)
        if values is None:
            return
        if source.measures and not self.delivered:
            self.delivered = True
            self._report.state(LinkState.LIVE, f"live with {self._plan}")
        for quantity, value, flag in values:
            self._context.emit(
                Sample(
                    probe=self._report.probe,
                    quantity=quantity,
                    value=value,
                    flag=Flag.DUPLICATE if again else flag,
                )
            )
            if (cause := source.lack(payload, Value(quantity, value, flag))) is not None:
                self._report.remark(f"{flag} {quantity}", cause.in_a_run)

    def _decoded(self, source: Source, payload: bytes) -> Sequence[Value] | None:
        """What a packet says; None where it cannot be read, which is told."""
        try:
            return source.decode(payload)
        except DecodeError as error:
            whole = error.values if isinstance(error, CutShortError) else ()
            told = source.fault(payload, error).text
            text = f"{told}; {'what is not whole is' if whole else 'such packets are'} left out"
            if source.measures and not self.delivered and not whole:
                self._report.state(LinkState.REFUSED, text)
            else:
                self._report.remark(f"decode {source.title}", text)
        return [Value(*each) for each in whole] or None

    def _unread(self, channel: Channel, error: RadioError) -> None:
        """What is wrong with one value is told of it; what is wrong with all of them, of the probe."""
        if error.of_the_system or error.of_the_connection:
            if error.of_the_system:
                self._outage = True
                self._report.remark("system", f"{error}")
            self._why_unread = OUTAGE if self._outage and error.of_the_connection else f"{error}"
            return
        text = f"no {channel.source.title}: {error}"
        if channel.source.measures:
            self._why_unread = text
        self._report.remark(f"unread {channel.source.title}", text)

    async def _wait_until(self, t_ns: int) -> None:
        """Wait, but not longer than the connection lives."""
        waits: list[asyncio.Future[Any]] = [
            asyncio.ensure_future(self._connection.lost.wait()),
            asyncio.ensure_future(self._context.wait_until(t_ns)),
        ]
        try:
            done, _ = await asyncio.wait([self._failed, *waits], return_when=asyncio.FIRST_COMPLETED)
            for each in done:
                each.result()
        finally:
            for each in waits:
                each.cancel()
