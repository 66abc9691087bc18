"""Looking for probes of the two services without a config: each is asked once, one after the other."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import replace

from drivers.ble import Connection, connected, shared_radio
from drivers.ble_errors import RadioError
from drivers.ess.choice import plan_of
from drivers.ess.offer import offers_of
from drivers.ess.options import EssOptions
from drivers.gatt.profile import Source
from drivers.heard import Sighting
from drivers.survey import bare, hearing
from drivers.turns import Turns
from logger.driver_api import DecodeError, Flag, Quantity, Seen

ASK_S = 12.0  # s for one device: connecting, listing and reading; assumed
PAUSE_S = 0.2  # s between looks at who is to be asked; assumed
_FAINT_DBM = -200.0  # below all that is heard


class Survey:
    """``services``: full UUIDs; who announces one is asked, the strongest first."""

    def __init__(self, services: tuple[str, ...], seen: Callable[[Seen], None], adapter: str | None) -> None:
        self._services = frozenset(services)
        self._seen = seen
        self._adapter = adapter
        self._waiting: dict[str, Sighting] = {}
        self._answers: dict[str, Seen] = {}

    async def go(self, seconds: float) -> None:
        """Listen and ask for so long."""
        async with hearing(self._hear, self._adapter) as failed:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    while not failed.done():
                        await self._ask_next()
            if failed.done():
                failed.result()

    def _hear(self, sighting: Sighting) -> None:
        now, answer = bare(sighting), self._answers.get(sighting.address)
        if answer is not None:
            self._seen(replace(answer, name=now.name or answer.name, signal_dbm=now.signal_dbm))
        elif sighting.services & self._services:
            self._waiting[sighting.address] = sighting
            self._seen(replace(now, note="still to be asked for its values"))
        else:
            self._seen(now)

    async def _ask_next(self) -> None:
        if not self._waiting:
            await asyncio.sleep(PAUSE_S)
            return
        strongest = max(self._waiting.values(), key=lambda each: each.signal_dbm or _FAINT_DBM)
        answer = await _asked(strongest, shared_radio(self._adapter).turns)
        del self._waiting[strongest.address]
        self._answers[strongest.address] = answer
        self._seen(answer)


async def _asked(sighting: Sighting, turns: Turns) -> Seen:
    """Connect, read every value once, and let go."""
    try:
        async with asyncio.timeout(ASK_S) as limit, connected(sighting, turns) as connection:
            plan = plan_of(
                await offers_of(connection), connection.characteristics, EssOptions(address=sighting.address)
            )
            if not plan.usable:
                return bare(sighting, note="it has no value of the air that can be read")
            values = [value for source in plan.sources for value in await _values(connection, source)]
    except RadioError as error:
        return bare(sighting, note=f"{error}")
    except TimeoutError:
        if not limit.expired():
            raise
        return bare(sighting, note=f"it does not answer within {ASK_S:.0f} s")
    note = "" if values else "it sends its values by itself; `riselog check` waits for them"
    return replace(bare(sighting, note=note), readable=True, values=tuple(values))


async def _values(connection: Connection, source: Source) -> list[tuple[Quantity, float]]:
    """What one characteristic says now; what is wrong with it, `riselog check` tells."""
    if not source.characteristic.can_read:
        return []
    try:
        found = source.decode(await connection.read(source.characteristic))
    except (DecodeError, RadioError):
        return []
    return [(value.quantity, value.value) for value in found if value.flag is Flag.OK]
