"""One connection to an Environmental Sensing probe: what it has, and its values until it ends."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, NamedTuple

from drivers.ble import Connection
from drivers.ble_errors import RadioError
from drivers.ess.decode import decode
from drivers.ess.table import FIELDS, Field
from drivers.heard import Characteristic
from drivers.probe import LinkReport, Rhythm
from logger.core.readings import NS_PER_S
from logger.driver_api import DecodeError, DriverContext, Flag, LinkState, Quantity, Sample


class Pace(NamedTuple):
    """How often what is read, in s."""

    read_every: float
    ask_after: float  # a probe that notifies but has said nothing for so long is asked
    battery_every: float


@dataclass(slots=True, kw_only=True, eq=False)
class Channel:
    """One characteristic in use. ``due_ns``: when it is read next; None: never, it notifies."""

    characteristic: Characteristic
    field: Field
    every_s: float
    subscribed: bool = False
    due_ns: int | None = None
    packets: int = 0
    echo: bytes | None = None  # read while subscribed: it may come once more as a notification

    @property
    def measures(self) -> bool:
        """Whether it says something of the air."""
        return self.field.quantity is not Quantity.BATTERY

    def plan(self, now_ns: int) -> None:
        """Set the next read: on the grid of the reads before, or ``every_s`` after a notification."""
        step_ns = round(self.every_s * NS_PER_S)
        grid_ns = now_ns if self.due_ns is None or self.subscribed else self.due_ns
        self.due_ns = grid_ns + step_ns if grid_ns + step_ns > now_ns else now_ns + step_ns


def choose(all_of_them: Sequence[Characteristic]) -> tuple[list[Characteristic], list[Characteristic]]:
    """The characteristics to use, one for each quantity in the table's order of preference, and
    those passed over because their quantity is taken."""
    used: dict[Quantity, Characteristic] = {}
    passed_over: list[Characteristic] = []
    for uuid16, row in FIELDS.items():
        for each in all_of_them:
            usable = each.can_read or (each.can_notify and row.quantity is not Quantity.BATTERY)
            if each.uuid16 != uuid16 or each.service != row.service or not usable:
                continue
            if row.quantity in used:
                passed_over.append(each)
            else:
                used[row.quantity] = each
    return list(used.values()), passed_over


def describe(characteristics: Sequence[Characteristic]) -> str:
    """The characteristics in words."""
    return ", ".join(
        f"{FIELDS[each.uuid16].title} ({'notifies' if each.can_notify else 'is read'})"
        for each in characteristics
    )


class Session:
    """Delivers samples from one connection.

    A characteristic that can notify is subscribed to, any other is read at the pace asked for.
    One that notifies and can be read too is read once at the start, and again whenever it says
    nothing for a while: probes that notify only on change are not silent in steady air.
    """

    def __init__(
        self,
        probe: str,
        connection: Connection,
        context: DriverContext,
        report: LinkReport,
        rhythm: Rhythm,
        pace: Pace,
    ) -> None:
        self._probe = probe
        self._connection = connection
        self._context = context
        self._report = report
        self._rhythm = rhythm
        self._pace = pace
        used, self._passed_over = choose(connection.characteristics)
        self._channels = [self._channel(each) for each in used]
        self._failed: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._why_unread = ""
        self.delivered = False

    @property
    def usable(self) -> bool:
        """Whether the probe has anything to measure."""
        return any(channel.measures for channel in self._channels)

    async def run(self) -> str:
        """Deliver until the session ends; return why, as part of a sentence."""
        for each in self._passed_over:
            row = FIELDS[each.uuid16]
            self._report.remark(
                f"over {row.title}",
                f"one {row.title} value is passed over, another one already gives the {row.quantity}",
            )
        self._rhythm.start(self._context.now_ns())
        await self._start()
        while True:
            now_ns = self._context.now_ns()
            if self._connection.lost.is_set():
                return "the connection was lost; searching for the probe again"
            if now_ns >= self._rhythm.silent_at_ns():
                self._rhythm.silence()
                return self._why_unread or "connected, but it sends nothing; connecting anew"
            due = [c for c in self._channels if c.due_ns is not None and c.due_ns <= now_ns]
            for channel in due:
                await self._read(channel)
            if not due:
                plans = [c.due_ns for c in self._channels if c.due_ns is not None]
                await self._wait_until(min([self._rhythm.silent_at_ns(), *plans]))

    def _channel(self, characteristic: Characteristic) -> Channel:
        row = FIELDS[characteristic.uuid16]
        every_s = self._pace.ask_after if characteristic.can_notify else self._pace.read_every
        if row.quantity is Quantity.BATTERY:
            every_s = self._pace.battery_every
        return Channel(characteristic=characteristic, field=row, every_s=every_s)

    async def _start(self) -> None:
        # Read before subscribing: BlueZ repeats a read value to its subscribers.
        for channel in self._channels:
            if channel.characteristic.can_read:
                await self._read(channel)
        for channel in self._channels:
            if channel.measures and channel.characteristic.can_notify:
                await self._subscribe(channel)

    async def _subscribe(self, channel: Channel) -> None:
        try:
            await self._connection.notify(channel.characteristic, partial(self._guarded, channel))
        except RadioError as error:
            channel.every_s = self._pace.read_every
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
                channel.echo = payload if channel.subscribed else None
        channel.plan(self._context.now_ns())

    def _guarded(self, channel: Channel, payload: bytes) -> None:
        """A notification. The radio's library would swallow what is raised here."""
        try:
            echo, channel.echo = channel.echo, None
            self._take(channel, payload, again=payload == echo)
            if channel.due_ns is not None:
                channel.plan(self._context.now_ns())
        except Exception as error:  # noqa: BLE001 - goes on to ``run``
            if not self._failed.done():
                self._failed.set_exception(error)

    def _take(self, channel: Channel, payload: bytes, *, again: bool = False) -> None:
        """One packet: emit what it says; ``again``: BlueZ's repetition of a value just read."""
        channel.packets += 1
        if channel.measures and not again:
            self._rhythm.update(self._context.now_ns())
        try:
            quantity, value, flag = decode(channel.characteristic.uuid16, payload)
        except DecodeError as error:
            self._report.remark(f"decode {channel.field.title}", f"{error}; such packets are left out")
            return
        if channel.measures and not self.delivered:
            self.delivered = True
            used = [c.characteristic for c in self._channels]
            self._report.state(LinkState.LIVE, f"live with {describe(used)}")
        self._context.emit(
            Sample(probe=self._probe, quantity=quantity, value=value, flag=Flag.DUPLICATE if again else flag)
        )

    def _unread(self, channel: Channel, error: RadioError) -> None:
        text = f"no {channel.field.title}: {error}"
        if channel.measures:
            self._why_unread = text
        self._report.remark(f"unread {channel.field.title}", text)

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
