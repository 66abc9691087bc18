"""The connections of one adapter: a device is connected to once, whatever number of probes are of it.

Nothing here needs a radio. What several probes ask of a device at once is asked once: BlueZ refuses a read
while another one of the same value is under way.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Generic, Protocol, TypeVar

from drivers.ble_errors import RadioError
from drivers.heard import Characteristic, Sighting
from drivers.turns import Turns

T = TypeVar("T")
Take = Callable[[bytes], None]


class Link(Protocol):
    """The connection itself; all but ``close`` raise ``RadioError``. ``lost`` is set when it has ended."""

    lost: asyncio.Event
    characteristics: tuple[Characteristic, ...]

    async def read(self, characteristic: Characteristic) -> bytes: ...  # noqa: D102 - as in ``Connection``
    async def write(self, characteristic: Characteristic, payload: bytes) -> None: ...  # noqa: D102
    async def descriptors(self, characteristic: Characteristic, uuid16: int) -> list[bytes]: ...  # noqa: D102
    async def notify(self, characteristic: Characteristic, callback: Take) -> None: ...  # noqa: D102
    async def stop_notify(self, characteristic: Characteristic) -> None: ...  # noqa: D102
    async def close(self) -> None: ...  # noqa: D102


class Once(Generic[T]):
    """Who asks while another one is asking has the other one's answer."""

    def __init__(self) -> None:
        self._lock = asyncio.Lock()
        self._answers = 0
        self._answer: T | RadioError | None = None

    async def ask(self, ask: Callable[[], Awaitable[T]]) -> T:
        """The answer of ``ask``, or of one that was under way."""
        before = self._answers
        async with self._lock:
            if self._answers == before:
                try:
                    self._answer = await ask()
                except RadioError as error:
                    self._answer = error
                self._answers += 1
            answer = self._answer
        if isinstance(answer, RadioError):
            raise answer
        return answer  # type: ignore[return-value] # there is one: it was counted


@dataclass(frozen=True, slots=True, eq=False)
class _Subscriber:
    user: Connection
    take: Take
    echo: Take


class _Shared:
    """One connection and all who use it."""

    def __init__(self, link: Link, sighting: Sighting) -> None:
        self.link, self.sighting = link, sighting
        self.users: set[Connection] = set()
        self.held = contextlib.ExitStack()  # its place among the adapter's connections
        self.heard = 0  # packets with something of the air, to all users
        self.silent = False  # it was given up for its silence
        self.reads: dict[object, Once[bytes]] = {}
        self.descriptors: dict[tuple[object, int], Once[list[bytes]]] = {}
        self.locks: dict[object, asyncio.Lock] = {}
        self.subscribers: dict[object, list[_Subscriber]] = {}
        self.written: dict[tuple[object, bytes], set[Connection]] = {}
        self.claims: dict[object, tuple[Connection, str]] = {}

    @property
    def usable(self) -> bool:
        """Whether one more may use it."""
        return not self.link.lost.is_set()

    def lock(self, handle: object) -> asyncio.Lock:
        """For what changes a characteristic."""
        return self.locks.setdefault(handle, asyncio.Lock())

    def spread(self, handle: object, payload: bytes) -> None:
        """A notification, to all who have asked for it."""
        for each in tuple(self.subscribers.get(handle, ())):
            each.take(payload)


class Connection:
    """A connected device, as one probe uses it; other probes may use the same. ``lost`` is set when the
    connection ends, whoever ended it."""

    def __init__(self, shared: _Shared) -> None:
        self._shared = shared
        self._heard = shared.heard
        shared.users.add(self)

    @property
    def lost(self) -> asyncio.Event:
        """Set when the connection has ended."""
        return self._shared.link.lost

    @property
    def given_up(self) -> bool:
        """Whether it was ended for its silence."""
        return self._shared.silent

    @property
    def characteristics(self) -> tuple[Characteristic, ...]:
        """All that the device has."""
        return self._shared.link.characteristics

    async def read(self, characteristic: Characteristic) -> bytes:
        """The characteristic's value now."""
        handle = characteristic.handle
        once = self._shared.reads.setdefault(handle, Once())
        payload = await once.ask(partial(self._shared.link.read, characteristic))
        for each in self._shared.subscribers.get(handle, ()):
            if each.user is not self:
                each.echo(payload)
        return payload

    async def descriptors(self, characteristic: Characteristic, uuid16: int) -> list[bytes]:
        """The values of its descriptors of that kind now."""
        once = self._shared.descriptors.setdefault((characteristic.handle, uuid16), Once())
        return await once.ask(partial(self._shared.link.descriptors, characteristic, uuid16))

    async def write(self, characteristic: Characteristic, payload: bytes) -> None:
        """Write once for all who use the connection; the probe confirms it where it can."""
        async with self._shared.lock(characteristic.handle):
            users = self._shared.written.setdefault((characteristic.handle, payload), set())
            if not users:
                await self._shared.link.write(characteristic, payload)
            users.add(self)

    async def notify(
        self, characteristic: Characteristic, callback: Take, echo: Take = lambda _payload: None
    ) -> None:
        """Have ``callback`` called for every value the probe sends, and ``echo`` for one that another user
        has read: BlueZ may repeat it as if it were sent. They must not raise."""
        handle = characteristic.handle
        mine = _Subscriber(self, callback, echo)
        async with self._shared.lock(handle):
            there = self._shared.subscribers.setdefault(handle, [])
            there.append(mine)
            if len(there) > 1:
                return
            try:
                await self._shared.link.notify(characteristic, partial(self._shared.spread, handle))
            except BaseException:
                there.remove(mine)
                raise

    def claim(self, value: object, probe: str) -> str | None:
        """Have a value for this probe alone; the name of the one that has it already, or None."""
        user, other = self._shared.claims.setdefault(value, (self, probe))
        return None if user is self else other

    def hear(self) -> None:
        """A packet with something of the air came to this user."""
        self._shared.heard += 1
        self._heard = self._shared.heard

    def doubt(self) -> None:
        """Nothing comes to this user any more. Where nobody else has heard anything since, the connection is
        given up for all: each alone would find it held by the other for ever."""
        if self._heard == self._shared.heard and not self.lost.is_set():
            self._shared.silent = True
            self.lost.set()

    async def leave(self) -> None:
        """Use it no more: what nobody else listens to is let go."""
        shared = self._shared
        shared.users.discard(self)
        shared.claims = {value: each for value, each in shared.claims.items() if each[0] is not self}
        for users in shared.written.values():
            users.discard(self)
        for characteristic in shared.link.characteristics:
            there = shared.subscribers.get(characteristic.handle, [])
            mine = [each for each in there if each.user is self]
            for each in mine:
                there.remove(each)
            if mine and shared.users and shared.usable:
                await self._stop(characteristic)

    async def _stop(self, characteristic: Characteristic) -> None:
        async with self._shared.lock(characteristic.handle):
            if not self._shared.subscribers[characteristic.handle]:
                with contextlib.suppress(RadioError):  # nobody is there to be told of it
                    await self._shared.link.stop_notify(characteristic)


class _Gate:
    """Who wants to connect to one device. ``failures`` counts the tries that have failed."""

    def __init__(self) -> None:
        self.lock = asyncio.Lock()
        self.waiting = 0
        self.failures = 0
        self.error: RadioError | None = None


class Links:
    """All connections that this program has by one adapter. ``connect`` makes one."""

    def __init__(self, connect: Callable[[Sighting], Awaitable[Link]]) -> None:
        self.turns = Turns()
        self._connect = connect
        self._links: dict[str, _Shared] = {}  # by address
        self._gates: dict[str, _Gate] = {}
        self._watchers: dict[object, Callable[[Sighting], None]] = {}

    @contextlib.asynccontextmanager
    async def connected(self, sighting: Sighting) -> AsyncIterator[Connection]:
        """Connect to a device just heard, when it is its turn, or use the connection that another probe has
        to it; the last one who uses it disconnects.

        Raises
        ------
        RadioError
            It does not answer, or the radio refuses.
        """
        key = sighting.address.casefold()
        shared = await self._joined(key, sighting)
        connection = Connection(shared)
        try:
            yield connection
        finally:
            await connection.leave()
            if not shared.users:
                await self._closed(key, shared)

    def holds(self, address: str) -> bool:
        """Whether this program is connected to that device, or about to be."""
        key = address.casefold()
        return key in self._links or key in self._gates

    @contextlib.contextmanager
    def watching(self, callback: Callable[[Sighting], None]) -> Iterator[None]:
        """Have ``callback`` called for each device that is connected to, now and from now on: it is not heard
        as long. It must not raise."""
        token = object()
        self._watchers[token] = callback
        try:
            for each in tuple(self._links.values()):
                if each.usable:
                    callback(each.sighting)
            yield
        finally:
            del self._watchers[token]

    async def _joined(self, key: str, sighting: Sighting) -> _Shared:
        """A connection that can be used; a try that fails has failed for all who were waiting for it."""
        gate = self._gates.setdefault(key, _Gate())
        failures = gate.failures
        gate.waiting += 1
        try:
            async with gate.lock:
                shared = self._links.get(key)
                if shared is not None and shared.usable:
                    return shared
                if gate.error is not None and gate.failures != failures:
                    raise gate.error
                if shared is not None and shared.silent:  # others may be about to leave it
                    await shared.link.close()
                try:
                    return await self._opened(key, sighting)
                except RadioError as error:
                    gate.error = error
                    gate.failures += 1
                    raise
        finally:
            gate.waiting -= 1
            if not gate.waiting:
                self._gates.pop(key, None)

    async def _opened(self, key: str, sighting: Sighting) -> _Shared:
        # The scan goes on meanwhile: BlueZ suspends it for connecting and resumes it by itself.
        async with self.turns.connecting():
            link = await self._connect(sighting)
        known = replace(
            sighting, signal_dbm=None, service_data={}, any_service_data={}, manufacturer_data={}
        )  # what it broadcast is of before
        shared = self._links[key] = _Shared(link, known)
        shared.held.enter_context(self.turns.holding())
        for callback in tuple(self._watchers.values()):
            callback(known)
        return shared

    async def _closed(self, key: str, shared: _Shared) -> None:
        """Disconnect, unless somebody has come meanwhile; who comes now waits for it."""
        gate = self._gates.setdefault(key, _Gate())
        gate.waiting += 1
        try:
            # one that is lost may be in the middle of being replaced: nothing to wait for
            alive = shared.usable or shared.silent
            async with gate.lock if alive else contextlib.nullcontext():
                if shared.users:
                    return
                if self._links.get(key) is shared:
                    del self._links[key]
                try:
                    await shared.link.close()
                finally:
                    shared.held.close()
        except asyncio.CancelledError:  # while it waited: whoever held the gate does not know of it
            if not shared.users:
                if self._links.get(key) is shared:
                    del self._links[key]
                shared.held.close()
                await shared.link.close()
            raise
        finally:
            gate.waiting -= 1
            if not gate.waiting:
                self._gates.pop(key, None)
