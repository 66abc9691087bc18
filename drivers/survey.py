"""Looking for devices without a config: all that is heard, read as far as a driver can."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import replace

from drivers.ble import shared_radio
from drivers.heard import Sighting
from drivers.probe import printable
from logger.driver_api import Flag, Look, Quantity, Seen


def bare(sighting: Sighting, *, note: str = "") -> Seen:
    """A device of which nothing can be read (yet)."""
    return Seen(
        address=sighting.address,
        name=printable(sighting.name) or None,
        signal_dbm=sighting.signal_dbm,
        note=note,
    )


def read(sighting: Sighting, values: Iterable[tuple[Quantity, float, Flag]]) -> Seen:
    """A device by what its packet says; only what would enter arithmetic is shown."""
    good = tuple((quantity, value) for quantity, value, flag in values if flag is Flag.OK)
    return replace(bare(sighting), readable=bool(good), values=good)


@contextlib.asynccontextmanager
async def hearing(
    hear: Callable[[Sighting], None], adapter: str | None
) -> AsyncIterator[asyncio.Future[None]]:
    """Have ``hear`` called for every packet of any device; what it raises comes out of the future.

    Raises
    ------
    RadioError
        There is no radio.
    """
    failed: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def guarded(sighting: Sighting) -> None:
        try:
            hear(sighting)
        except Exception as error:  # noqa: BLE001 - the radio's library would swallow it
            if not failed.done():
                failed.set_exception(error)

    radio = shared_radio(adapter)
    async with radio.scanning():
        with radio.listening(guarded):
            try:
                yield failed
            finally:
                failed.cancel()


async def survey_broadcasts(
    told: Callable[[Sighting], Seen | None], look: Look, seen: Callable[[Seen], None]
) -> None:
    """Tell of every packet for so long; ``told`` gives ``None`` for what is not of its format."""
    async with hearing(lambda sighting: seen(told(sighting) or bare(sighting)), look.adapter) as failed:
        await asyncio.wait({failed}, timeout=look.seconds)
        if failed.done():
            failed.result()
