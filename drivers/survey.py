"""Looking for devices without a config: all that is heard, read as far as a driver can."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from dataclasses import replace
from types import MappingProxyType

from drivers.ble import shared_radio
from drivers.causes import NO_CAUSE, Cause, Value, of_value
from drivers.heard import Sighting
from drivers.probe import printable
from logger.driver_api import Flag, Look, Quantity, Seen

NOTHING_MORE: Mapping[Quantity, Cause] = MappingProxyType({})


def bare(sighting: Sighting, *, note: str = "") -> Seen:
    """A device of which nothing can be read (yet)."""
    return Seen(
        address=sighting.address,
        name=printable(sighting.name) or None,
        signal_dbm=sighting.signal_dbm,
        note=note,
    )


def read(
    sighting: Sighting,
    values: Iterable[tuple[Quantity, float, Flag]],
    more: Mapping[Quantity, Cause] = NOTHING_MORE,
) -> Seen:
    """A device by what its packet says: what would enter arithmetic, and why the rest would not. ``more`` is
    what the format knows of that."""
    told = [Value(*each) for each in values]
    good = tuple((each.quantity, each.value) for each in told if each.flag is Flag.OK)
    lacks = [of_value(each, more.get(each.quantity, NO_CAUSE)) for each in told if each.flag is not Flag.OK]
    notes = dict.fromkeys(cause.text for cause in lacks if cause is not None)
    return replace(bare(sighting, note="; ".join(notes)), readable=bool(good), values=good)


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
