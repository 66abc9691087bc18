"""The system's D-Bus, and calls of BlueZ over it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Sequence
from typing import Any

from dbus_fast import BusType, Message, MessageType
from dbus_fast.aio import MessageBus

from simulators.peripheral.troubles import NO_SERVICE, AirError, no_bus, refused

CALL_S = 15.0  # s, one call of the Bluetooth service; assumed


@contextlib.asynccontextmanager
async def system_bus() -> AsyncIterator[MessageBus]:
    """A connection to the system's bus. Raises AirError."""
    try:
        bus = MessageBus(bus_type=BusType.SYSTEM)
        async with asyncio.timeout(CALL_S):
            await bus.connect()
    # Its errors have no common root: OSError, ValueError of an address, its own, TimeoutError, EOFError.
    except Exception as error:
        raise no_bus(error) from error
    try:
        yield bus
    finally:
        bus.disconnect()
        await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]


async def call(
    bus: MessageBus,
    doing: str,
    path: str,
    interface: str,
    member: str,
    signature: str = "",
    body: Sequence[Any] = (),
) -> list[Any]:
    """One call of the Bluetooth service; what it refuses is an ``AirError``."""
    message = Message(
        destination="org.bluez",
        path=path,
        interface=interface,
        member=member,
        signature=signature,
        body=list(body),
    )
    try:
        async with asyncio.timeout(CALL_S):
            reply = await bus.call(message)
    except TimeoutError as error:
        raise refused(doing, "org.freedesktop.DBus.Error.NoReply", "") from error
    except (OSError, EOFError) as error:
        raise AirError(f"{doing} failed: {NO_SERVICE}") from error
    if reply is None or reply.message_type is MessageType.ERROR:
        name = "" if reply is None else reply.error_name or ""
        raise refused(doing, name, "" if reply is None else " ".join(map(str, reply.body)))
    return list(reply.body)
